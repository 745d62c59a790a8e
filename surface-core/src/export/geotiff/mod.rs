//! A raster in world axes as GeoTIFF 1.1 (OGC 19-008): tiled, deflated.

mod file;
mod keys;

pub use file::{Raster, RasterWriter, TILE};
pub use keys::GeoKeys;
