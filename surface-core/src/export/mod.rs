//! Bytes for others: pictures, tables and point files over `io::Write`.

mod canvas;
mod colour;
mod spots;
mod zarr;

pub use canvas::Canvas;
pub use colour::{Diverging, Rgb};
pub use spots::write_spots_csv;
pub use zarr::{FieldStore, ZarrError};
