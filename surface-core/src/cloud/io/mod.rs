//! Readers: every scan format becomes the same columns, chunk by chunk.
//!
//! [`Scans`] reads several files as one cloud: LAS 1.0 to 1.4 and LAZ (all point formats), E57,
//! PLY and delimited text, told apart by their first bytes. Lengths are metres on the way out,
//! whatever the file holds; points whose coordinates are no numbers are dropped and counted. A
//! file is never held in memory as a whole.

mod crs;
mod e57;
mod error;
mod geokeys;
mod intensity;
mod las;
mod lines;
mod open;
mod ply;
mod scans;
mod setup_table;
mod source;
#[cfg(test)]
mod testing;
mod text;
mod units;
mod wkt;

pub use crs::{CrsRecord, ProductCrs};
pub use error::{Place, ReadError};
pub use open::crs_record_of;
pub(crate) use scans::ReadSoFar;
pub use scans::{FileInfo, ReadOptions, Scans, SetupInfo};
pub use units::{FileUnits, Unit};
