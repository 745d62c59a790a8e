//! Meshes from bytes: PLY and OBJ.

mod error;
mod obj;
mod ply;
mod section;
mod source;
mod stream;
#[cfg(test)]
mod tests;
mod walk;

pub use error::{MeshReadError, Place};
pub use section::{MeshSection, SectionIndex, SurfacePoint, VertexColumns};
pub use stream::SectionReader;

use std::io::BufRead;
use std::path::Path;

use super::{MeshColumns, SurfaceMesh};
use source::Source;

impl SurfaceMesh {
    /// Read a mesh: PLY (ASCII or binary of either byte order, any number type) when the bytes
    /// begin with `ply`, else Wavefront OBJ. `file` only stands in messages.
    ///
    /// Polygons are cut into fans from their first corner. Of PLY, `nx ny nz`, `sigma`, a face's
    /// `zone` and `comment origin X Y Z` are kept; of OBJ, normals when each vertex has one, and
    /// `# origin X Y Z`. Everything else is passed over.
    ///
    /// # Errors
    /// [`MeshReadError`] with the file and the line or byte.
    pub fn read(reader: impl BufRead, file: &Path) -> Result<Self, MeshReadError> {
        let mut source = Source::new(reader, file);
        let columns = if source.starts_with(b"ply")? {
            ply::read(&mut source)?
        } else {
            obj::read(&mut source)?
        };
        let invalid = |source| MeshReadError::Invalid {
            file: file.to_owned(),
            source,
        };
        Self::new(columns).map_err(invalid)
    }
}

/// Append a polygon as a fan of triangles from its first corner; returns how many.
fn add_fan(columns: &mut MeshColumns, polygon: &[u32]) -> usize {
    let triangles = polygon
        .windows(2)
        .skip(1)
        .map(|pair| [polygon[0], pair[0], pair[1]]);
    let before = columns.faces.len();
    columns.faces.extend(triangles);
    columns.faces.len() - before
}
