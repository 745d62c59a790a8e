//! Where the height of the road may jump.
//!
//! A [`Breakline`] is a curve at which the height jumps: a seam between two lots of asphalt, the
//! edge of a patch, the foot of a kerb, an expansion joint. [`Breaklines`] are those of a course.

mod breakline;
mod chain;
mod discs;
mod doubles;
mod edges;
mod evidence;
mod geojson;
mod heights;
mod place;
mod refine;
mod smooth;
mod squares;
mod strip;

pub use breakline::{Breakline, Breaklines, VERTEX_STEP_M};
pub use chain::{Chain, Rows, link};
pub use evidence::{HALO_ROWS, RidgePoint, ridge};
pub use geojson::BreaklineFileError;
pub use heights::{CellHeight, CellHeights, CellShade};
pub use strip::{StripPoint, StripSums, StripTotals, Strips};

#[cfg(test)]
mod tests;
