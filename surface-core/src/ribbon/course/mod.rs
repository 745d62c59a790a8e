//! The course found in the cloud alone: a rough polyline along the middle of the paved strip.
//!
//! Paved ground is told from verge on the grid of cells by evenness, steps between cells and
//! intensity ([`PavedMask`]); the mask is thinned to a skeleton; the skeleton's branches make a
//! graph; the heaviest cycle of that graph (else its longest path) is the course. A rough line
//! given by the caller is moved into the mask instead. Metre accuracy is the aim here: the fine
//! reference line and the edges are drawn later, from the points.

mod along;
mod cells;
mod cycle;
mod error;
mod evenness;
mod find;
mod graph;
mod mask;
mod morphology;
mod orient;
mod polyline;
mod reduce;
mod skeleton;
mod snap;
mod split;
#[cfg(test)]
#[expect(
    clippy::cast_possible_truncation,
    clippy::type_complexity,
    reason = "small grids made in the tests"
)]
mod tests;

pub use error::CourseError;
pub use find::{Course, CourseHints, find_course};
pub use mask::{PavedMask, paved_mask};
