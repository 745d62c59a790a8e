//! The mesh as glTF 2.0 (ISO/IEC 12113:2022), one binary file.

mod json;
mod tile;
mod writer;

pub use tile::{GltfTile, LEVELS_M};
pub use writer::GltfWriter;
