//! The proving ground: roads with exactly known truth, and their scans.
//!
//! Plain arrays out, and no dependency on the project's crates: its truth must be independent
//! of what it proves. Tests, benches and the demonstration use it.

pub mod course;
pub mod demo;
pub mod edges;
pub mod fft;
pub mod information;
pub mod laz;
pub mod line;
pub mod objects;
pub mod path;
pub mod paving;
pub mod ply;
pub mod returns;
pub mod rng;
pub mod roughness;
pub mod sample;
pub mod scanner;
pub mod score;
pub mod setups;
pub mod shape;
pub mod spec;
pub mod step_lines;
pub mod steps;
pub mod stretch;
pub mod whole;

pub use course::{Course, ORIGIN_M, Place, Row, Zone};
pub use path::{Corner, PathError};
pub use roughness::Spectrum;
pub use setups::{Noise, ScanParams, Setup};
pub use spec::CourseSpec;
