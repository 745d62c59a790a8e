//! The whole job as one call, and the files that it leaves.

mod clock;
mod error;
mod fit;
mod folder;
mod heights;
mod ingest;
mod manifest;
mod order;
mod params;
mod road;
mod sections;
mod surface;

pub use error::BuildError;
pub use fit::{PRODUCTS, fit};
pub use params::{DeviationPoints, FitParams};
pub use road::ribbon;
