//! The file: header, JSON chunk, binary chunk.

use std::path::{Path, PathBuf};

use super::json::Scene;
use super::tile::{GltfTile, LEVELS_M};
use crate::export::draft::{Draft, WriteError, named};
use crate::export::head::MeshHead;

/// Bytes of the file's header and of a chunk's.
const FILE_HEADER: u64 = 12;
const CHUNK_HEADER: u64 = 8;

/// Writes a mesh of any length as glTF 2.0 in one binary file (GLB).
///
/// Every section is a tile: a node at a whole metre with vertices in single precision relative to
/// it, so nothing is off by more than a thousandth of a millimetre. Scene 0 holds the full mesh,
/// scenes 1 and 2 coarser levels that keep to [`LEVELS_M`] of it in height; `MSFT_lod` names them
/// for programs that choose by distance. All levels share the vertices on the borders of tiles.
/// Materials are the zones, `_SIGMA` the standard deviation of each vertex. `extras.origin` is the
/// world's east, north and up of the zero.
#[derive(Debug)]
pub struct GltfWriter {
    path: PathBuf,
    origin_m: [f64; 3],
    crs: Option<String>,
    note: Option<String>,
    file: Draft,
    binary: Draft,
    bytes: u64,
    scene: Scene,
}

impl GltfWriter {
    /// Begin the file `path` of a mesh with this head.
    ///
    /// # Errors
    /// [`WriteError`] when the drafts cannot be made beside it.
    pub fn create(path: &Path, head: &MeshHead) -> Result<Self, WriteError> {
        Ok(Self {
            path: path.to_owned(),
            origin_m: head.origin_m,
            crs: head.crs.map(str::to_owned),
            note: head.note.map(str::to_owned),
            file: Draft::create(named(path, ".part"))?,
            binary: Draft::create(named(path, ".binary.part"))?,
            bytes: 0,
            scene: Scene::default(),
        })
    }

    /// Append a tile.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn add(&mut self, tile: &GltfTile) -> Result<(), WriteError> {
        self.scene.add(tile, self.bytes);
        self.bytes += tile.bytes.len() as u64;
        self.binary.put(&tile.bytes)
    }

    /// Triangles of each level so far, finest first.
    #[must_use]
    pub fn triangles(&self) -> [u64; LEVELS_M.len() + 1] {
        self.scene.triangles()
    }

    /// Join the chunks and give the file its name.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails, or when the file would be larger than its 32-bit length
    /// tells (4 GiB); then there is no file.
    pub fn finish(mut self) -> Result<(), WriteError> {
        let head = MeshHead {
            origin_m: self.origin_m,
            crs: self.crs.as_deref(),
            note: self.note.as_deref(),
        };
        let mut text = self.scene.text(&head, self.bytes).into_bytes();
        text.resize(text.len().next_multiple_of(4), b' ');
        let whole = FILE_HEADER + 2 * CHUNK_HEADER + text.len() as u64 + self.bytes;
        let word = |n: u64| {
            let n = u32::try_from(n).map_err(|_| WriteError {
                path: self.path.clone(),
                source: std::io::Error::other("more than 4 GiB, which a GLB file cannot hold"),
            });
            n.map(u32::to_le_bytes)
        };
        let mut head = Vec::new();
        head.extend_from_slice(b"glTF");
        head.extend_from_slice(&2u32.to_le_bytes());
        head.extend_from_slice(&word(whole)?);
        head.extend_from_slice(&word(text.len() as u64)?);
        head.extend_from_slice(b"JSON");
        head.extend_from_slice(&text);
        head.extend_from_slice(&word(self.bytes)?);
        head.extend_from_slice(b"BIN\0");
        self.file.put(&head)?;
        self.file.append(&mut self.binary)?;
        self.file.publish(&self.path)
    }
}
