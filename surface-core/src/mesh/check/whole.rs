//! The check of a mesh that is in memory.

use super::super::SurfaceMesh;
use super::MeshCheck;
use super::chunk::{Chunk, Known, Sums};
use super::stream::is_upward_unit;
use crate::numeric::to_u32;

impl MeshCheck {
    /// Check a whole mesh, from wherever it came.
    ///
    /// Which vertices lie on an edge of the road is not known, so those of the mesh's border take
    /// their place.
    #[must_use]
    pub fn of(mesh: &SurfaceMesh) -> Self {
        let columns = mesh.columns();
        let count = columns.positions_m.len();
        let mut sums = Sums::default();
        sums.parts.grow(count);
        sums.check.vertices = count as u64;
        let normals = columns.normals.iter().flatten();
        sums.check.bad_vertices = normals.filter(|n| !is_upward_unit(n)).count() as u64;
        sums.add(&Chunk {
            positions_m: columns.positions_m.clone(),
            known: vec![Known::All; count],
            names: (0..to_u32(count)).collect(),
            on_rail: None,
            faces: columns.faces.clone(),
            fresh: columns.faces.len(),
        });
        sums.finish()
    }
}
