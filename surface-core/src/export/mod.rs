//! Bytes for others: the mesh, the field, pictures, tables and point files.

mod beside;
mod chart;
mod crg;
mod draft;
mod geotiff;
mod gltf;
mod head;
mod held;
mod ids;
mod landxml;
mod laz;
mod obj;
mod opendrive;
mod page;
mod parquet;
mod picture;
mod plain;
mod ply;
mod spots;
mod zarr;

pub use beside::{BesideError, BesideStore};
pub use chart::{
    Axis, Band, Chart, Dots, EventStrip, Line, MOST_EVENTS, PathFigures, Scale, Sheet,
    coherence_chart, events_sheet, iri_chart, spectrum_chart, straightedge_chart, wavelength_sheet,
};
pub use crg::{Chords, CrgGrid, CrgWriter, single as crg_single};
pub use draft::{TextFile, WriteError};
pub use geotiff::{GeoKeys, Raster, RasterWriter, TILE};
pub use gltf::{GltfTile, GltfWriter, LEVELS_M};
pub use head::MeshHead;
pub use held::HeldReader;
pub use ids::{read_ids, write_ids};
pub use landxml::LandXmlWriter;
pub use laz::{DeviationLaz, HeldPoint, LazError};
pub use obj::{ObjWriter, materials_path};
pub use opendrive::{Cubic, OpenDriveRoad, Shape, Spans, cubics};
pub use page::{PageData, PageGrid, PageSection, Profile, ProfilePoint, ReportPage, SpotProfiles};
pub use parquet::ParquetWriter;
pub use picture::{Canvas, Diverging, MapPicture, Rgb, Wording};
pub use plain::{PlainPlyWriter, StlWriter};
pub use ply::{PlyWriter, VertexRecords, vertex_record};
pub use spots::{write_plane_spots_csv, write_spots_csv};
pub use zarr::{FieldStore, ZarrError};
