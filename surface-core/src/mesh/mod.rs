//! Triangles a wheel can roll on.

mod assemble;
mod check;
#[cfg(test)]
mod check_tests;
#[cfg(test)]
mod course;
mod error;
mod layout;
mod link;
mod mask;
mod number;
mod parts;
mod patch;
#[cfg(test)]
mod patch_tests;
mod rim;
mod station;

pub use assemble::{AssembleError, Assembler, MeshSink};
pub use check::{MeshCheck, MeshChecker};
pub use error::MeshError;
pub use layout::Layout;
pub use mask::{DroppedPart, MaskReport, NodeMask, SectionLoss};
pub use patch::{Patch, ZONE_BRIDGED, ZONE_PAVED};
pub use station::RowFrame;
