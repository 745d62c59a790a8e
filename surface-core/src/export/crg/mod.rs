//! The road as an OpenCRG 1.2 curved regular grid (ASAM OpenCRG).
//!
//! u runs along a chain of chords of one length, v to its left. The height at (u, v) is that of
//! the reference line (its slopes summed), plus banking times v, plus a grid that is interpolated
//! bilinearly.

mod file;
mod line;

pub use file::{CrgGrid, CrgWriter};
pub use line::{Chords, single};
