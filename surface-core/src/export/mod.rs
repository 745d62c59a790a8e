//! Bytes for others: the mesh, the field, pictures, tables and point files.

mod beside;
mod chart;
mod ids;
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
pub use ids::{read_ids, write_ids};
pub use laz::{DeviationLaz, HeldPoint, LazError};
pub use picture::{Canvas, Diverging, MapPicture, Rgb, Wording};
pub use ply::{PlyError, PlyWriter, VertexRecords, vertex_record};
pub use spots::{write_plane_spots_csv, write_spots_csv};
pub use zarr::{FieldStore, ZarrError};
