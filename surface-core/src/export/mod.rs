//! Bytes for others: the mesh, the field, pictures, tables and point files.

mod beside;
mod chart;
mod laz;
mod picture;
mod ply;
mod spots;
mod zarr;

pub use beside::{BesideError, BesideStore};
pub use chart::{
    Axis, Chart, Line, PathFigures, Scale, coherence_chart, iri_chart, spectrum_chart,
    straightedge_chart,
};
pub use laz::{DeviationLaz, HeldPoint, LazError};
pub use picture::{Canvas, Diverging, MapPicture, Rgb};
pub use ply::{PlyError, PlyWriter};
pub use spots::{write_plane_spots_csv, write_spots_csv};
pub use zarr::{FieldStore, ZarrError};
