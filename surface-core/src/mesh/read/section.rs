//! One section of a mesh, and what it can be asked.

use super::super::lookup::Triangles;
use super::super::plan_grid::PlanGrid;

/// Vertices, column by column.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct VertexColumns {
    /// x, y, z relative to the origin, metres.
    pub positions_m: Vec<[f64; 3]>,
    /// Unit normals, upward.
    pub normals: Vec<[f32; 3]>,
    /// Standard deviations of the heights, metres.
    pub sigma_m: Vec<f32>,
}

impl VertexColumns {
    pub(super) fn push_from(&mut self, other: &Self, k: usize) {
        self.positions_m.push(other.positions_m[k]);
        self.normals.push(other.normals[k]);
        self.sigma_m.push(other.sigma_m[k]);
    }
}

/// A stretch of the mesh, from one border of sections to the next, both included.
#[derive(Debug, Clone, PartialEq)]
pub struct MeshSection {
    /// Which section of the lattice.
    pub section: usize,
    /// The number of each vertex in the whole mesh.
    pub names: Vec<u32>,
    /// How many vertices are this section's own; those that its triangles borrow stand behind.
    pub owned: usize,
    /// The vertices.
    pub vertices: VertexColumns,
    /// Triangles as places in the columns, anticlockwise from above.
    pub faces: Vec<[u32; 3]>,
    /// What each face is.
    pub zones: Vec<u8>,
}

/// What the mesh holds at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurfacePoint {
    /// Height relative to the origin, metres.
    pub z_m: f64,
    /// Standard deviation of the height, metres: between the triangle's corners by their weights.
    pub sigma_m: f64,
    /// Which face of the section.
    pub face: u32,
    /// Vertical part of the face's upward unit normal.
    pub rise: f64,
}

/// Looks up heights of a section.
#[derive(Debug)]
pub struct SectionIndex<'a> {
    section: &'a MeshSection,
    grid: PlanGrid,
}

impl<'a> SectionIndex<'a> {
    /// Sort the triangles of `section` by place.
    #[must_use]
    pub fn new(section: &'a MeshSection) -> Self {
        let grid = PlanGrid::new(&section.vertices.positions_m, &section.faces);
        Self { section, grid }
    }

    /// The surface at local x, y; `None` where the section has no triangle.
    #[must_use]
    pub fn at(&self, xy_m: [f64; 2]) -> Option<SurfacePoint> {
        let triangles = Triangles {
            positions_m: &self.section.vertices.positions_m,
            faces: &self.section.faces,
            grid: &self.grid,
        };
        let hit = triangles.first(xy_m[0], xy_m[1])?;
        let corners = self.section.faces[hit.face as usize];
        let sigma = |v: u32| f64::from(self.section.vertices.sigma_m[v as usize]);
        let weighted = corners.iter().zip(hit.weights).map(|(&v, w)| w * sigma(v));
        Some(SurfacePoint {
            z_m: hit.z_m,
            sigma_m: weighted.sum(),
            face: hit.face,
            rise: triangles.face_normal(hit.face)[2],
        })
    }
}
