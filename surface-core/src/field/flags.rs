//! What is known about a node besides its height; bits of one byte.

/// The node lies between the edges of the road.
pub const INSIDE: u8 = 1;
/// No points of its own: the height is carried over from its surroundings.
pub const BRIDGED: u8 = 2;
/// Fewer points than the height needs to be as good as its surroundings.
pub const SPARSE: u8 = 4;
/// Many of its points were set aside as not road (a vehicle, a person, strays).
pub const OUTLIERS: u8 = 8;
/// The surface jumps here (a seam or a kerb's face).
pub const STEP: u8 = 16;
