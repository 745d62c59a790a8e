//! Bytes for others: the mesh, the field, pictures, tables and point files.

mod picture;
mod ply;
mod spots;
mod zarr;

pub use picture::{Canvas, Diverging, Picture, Rgb, RibbonEdges};
pub use ply::{PlyError, PlyWriter};
pub use spots::write_spots_csv;
pub use zarr::{FieldStore, ZarrError};
