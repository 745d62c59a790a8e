//! The whole job as one call, and the files that it leaves.

mod breaklines;
mod checkpoints;
mod clock;
mod error;
mod fit;
mod folder;
mod gates;
mod halves;
mod heights;
mod hold;
mod hold_params;
mod hold_tiles;
mod ingest;
mod levelled;
mod manifest;
mod order;
mod page;
mod params;
mod profiles;
mod report_parts;
mod road;
mod roughness;
mod roughness_params;
mod sections;
mod surface;
mod trust;

pub use breaklines::breaklines;
pub use error::BuildError;
pub use fit::{PRODUCTS, fit};
pub use gates::{Gate, GateError};
pub use hold::{HOLD_PRODUCTS, hold};
pub use hold_params::HoldParams;
pub use params::{Checkpoint, DeviationPoints, FitParams, SetupPlace};
pub use road::ribbon;
pub use roughness::{ROUGHNESS_PRODUCTS, roughness};
pub use roughness_params::RoughnessParams;
