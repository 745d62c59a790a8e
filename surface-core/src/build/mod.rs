//! The whole job as one call, and the files that it leaves.

mod breaklines;
mod checkpoints;
mod clock;
mod error;
mod fit;
mod folder;
mod heights;
mod hold;
mod hold_params;
mod hold_tiles;
mod ingest;
mod manifest;
mod order;
mod params;
mod report_parts;
mod road;
mod sections;
mod surface;
mod trust;

pub use breaklines::breaklines;
pub use error::BuildError;
pub use fit::{PRODUCTS, fit};
pub use hold::{HOLD_PRODUCTS, hold};
pub use hold_params::HoldParams;
pub use params::{Checkpoint, DeviationPoints, FitParams, SetupPlace};
pub use road::ribbon;
