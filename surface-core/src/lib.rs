//! From registered laser scans of a circuit to the road that a driving simulator drives on.
//!
//! Data walks one way: scan files → [`cloud`] → [`ribbon`] → [`field`] → [`mesh`]
//! → [`deviation`] and [`roughness`] → [`export`] and [`report`]; [`build`] is the whole job as one call. A module
//! imports only from lower layers; the table is in `DEVELOPERS.md` and a test holds the code to it.
//!
//! # Conventions
//!
//! - x east, y north, z up, metres, f64. `s` runs along the reference line, `t` to its left, both
//!   in metres. Deviation is cloud minus surface along the surface's upward normal.
//! - Degrees and millimetres only at the border (arguments, reports), with the unit in the name.
//! - Large coordinates: a whole-metre *origin* is taken once and written in every output; packed
//!   points hold i32 multiples of [`cloud::QUANTUM_M`] relative to it, so nothing loses a tenth of
//!   a millimetre at a northing of 5 000 000 m.
//! - Units come from the file's own coordinate system where it has one, else from the caller.
//! - Sums that depend on order are fixed-point or taken in a fixed order: the same bytes come out
//!   for any thread count.
//! - The library never prints and never reads the environment. Only [`build`] reads the clock and
//!   decides which files there are; [`cloud`], [`export`] and [`build`] touch the files named to them.

// Cargo does not let a member add to the workspace's lints. Tests may print what they measure.
#![cfg_attr(not(test), warn(clippy::print_stdout, clippy::print_stderr))]

pub mod build;
pub mod cloud;
pub mod deviation;
pub mod export;
pub mod field;
pub mod geom;
pub mod mesh;
pub mod numeric;
pub mod progress;
pub mod report;
pub mod rescan;
pub mod ribbon;
pub mod roughness;
pub mod setups;
pub mod zones;
