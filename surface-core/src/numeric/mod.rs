//! Pure numbers: conversions, least squares, robust weights, quantiles.

mod banded;
mod convert;

pub use banded::{BandedFactor, BandedSpd, Singular};
pub use convert::{ceil_i32, floor_i32, round_i32, to_f32, to_index, to_u8, to_u16, to_u32};
