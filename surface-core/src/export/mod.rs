//! Bytes for others: the mesh, the field, pictures, tables and point files.

mod canvas;
mod colour;
mod ply;
mod spots;
mod zarr;

pub use canvas::Canvas;
pub use colour::{Diverging, Rgb};
pub use ply::{PlyError, PlyWriter};
pub use spots::write_spots_csv;
pub use zarr::{FieldStore, ZarrError};
