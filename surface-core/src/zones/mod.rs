//! What each patch of road is made of, and where its height may jump.
//!
//! A [`Breakline`] is a curve at which the height jumps: a seam between two lots of asphalt, the
//! edge of a patch, the foot of a kerb, an expansion joint. [`Breaklines`] are those of a course.

mod breakline;

pub use breakline::{Breakline, Breaklines, VERTEX_STEP_M};
