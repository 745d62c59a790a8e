//! Pure numbers: conversions, least squares, robust weights, quantiles, spectra.

mod banded;
mod bowl;
mod chi_square;
mod convert;
#[cfg(test)]
mod draw;
mod exp;
mod expm;
mod lanes;
mod lattice_system;
mod normal;
mod plane;
mod quantile;
mod regression;
mod spectrum;

pub use banded::{BandedFactor, BandedSpd, Singular};
pub(crate) use banded::{factor_dense, solve_dense};
pub use bowl::{Bend, BowlSums};
pub use chi_square::chi_square_quantile;
pub use convert::{ceil_i32, floor_i32, round_i32, to_f32, to_index, to_u8, to_u16, to_u32};
#[cfg(test)]
pub(crate) use draw::Draw;
pub use exp::exp_of_minus;
pub use expm::matrix_exponential;
pub(crate) use lanes::column_sums;
pub use lattice_system::{Descent, LatticeSystem, Term};
pub use normal::two_sided_p;
pub use plane::{
    FittedPlane, MAD_TO_SIGMA, PlaneSums, TUKEY_C, biweight, biweight_of_square, robust_plane,
};
pub use quantile::{MEDIAN_CHI2, mad_sigma, median, quantile};
pub use regression::{huber, reweighted_fit, weighted_fit};
pub use spectrum::{Complex64, CrossSpectra, subtract_line};
