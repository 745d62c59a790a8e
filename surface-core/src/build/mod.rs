//! The whole job as one call, and the files that it leaves.

mod clock;
mod error;
mod folder;
mod heights;
mod ingest;
mod order;
mod params;
mod sections;

pub use error::BuildError;
pub use params::{DeviationPoints, FitParams};
