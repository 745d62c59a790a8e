//! Pure geometry in the plane: vectors, polylines, splines. No road words.

mod polyline;
mod spline;
pub mod vector;

pub use polyline::{densify, ends_meet, length, without_repeats};
pub(crate) use spline::curvature;
pub use spline::{Jet, SplineError, UniformSpline};
