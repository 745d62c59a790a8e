//! Where does the paving end? The edges of the road from raw points.
//!
//! Stretch by stretch the points beside the line become profiles across it ([`profile`]): how
//! uneven, how bright, how stepped is each narrow cell. What road and verge look like is learned
//! from the scan itself ([`evidence`]); the edge is where the evidence turns, found for the whole
//! length at once ([`trace`]) and then to centimetres on the raw points ([`refine`]).

mod dents;
mod evidence;
mod find;
mod params;
mod profile;
mod refine;
mod section;
mod smooth;
mod stretch;
mod trace;
#[cfg(test)]
mod trial;

pub use find::find_edges;
pub(super) use find::{Effort, seek};
pub use params::{PavingError, PavingParams};
