//! A whole mesh in memory.

use super::lookup::{Hit, Triangles, upward_unit};
use super::plan_grid::PlanGrid;
use super::{MeshError, MeshSink, Patch};

/// The columns of a mesh, before they are checked and indexed.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct MeshColumns {
    /// World coordinates of the zero of `positions_m`.
    pub origin_m: [f64; 3],
    /// Vertices relative to the origin, metres.
    pub positions_m: Vec<[f64; 3]>,
    /// Unit normals of the vertices, if known.
    pub normals: Option<Vec<[f32; 3]>>,
    /// Standard deviations of the heights, metres, if known.
    pub sigma_m: Option<Vec<f32>>,
    /// Triangles.
    pub faces: Vec<[u32; 3]>,
    /// Zones of the triangles, if known.
    pub zones: Option<Vec<u8>>,
}

impl MeshColumns {
    fn check(&self) -> Result<(), MeshError> {
        let (vertices, faces) = (self.positions_m.len(), self.faces.len());
        let lengths = [
            ("normals", self.normals.as_ref().map(Vec::len), vertices),
            ("sigma_m", self.sigma_m.as_ref().map(Vec::len), vertices),
            ("zones", self.zones.as_ref().map(Vec::len), faces),
        ];
        for (name, found, expected) in lengths {
            if let Some(found) = found.filter(|&n| n != expected) {
                return Err(MeshError::Length {
                    name,
                    found,
                    expected,
                });
            }
        }
        if faces == 0 {
            return Err(MeshError::Empty);
        }
        if u32::try_from(vertices.max(faces)).is_err() {
            return Err(MeshError::TooLarge);
        }
        let bad = self
            .positions_m
            .iter()
            .position(|p| !p.iter().all(|c| c.is_finite()));
        if let Some(vertex) = bad {
            return Err(MeshError::BadVertex { vertex });
        }
        for (face, corners) in self.faces.iter().enumerate() {
            if let Some(&v) = corners.iter().find(|&&v| v as usize >= vertices) {
                return Err(MeshError::BadIndex {
                    face,
                    vertex: v as usize,
                    vertices,
                });
            }
        }
        Ok(())
    }
}

impl MeshSink for MeshColumns {
    type Error = std::convert::Infallible;

    fn vertices(&mut self, patch: &Patch, count: usize) -> Result<(), Self::Error> {
        self.positions_m.extend(&patch.positions_m[..count]);
        let normals = self.normals.get_or_insert_default();
        normals.extend(&patch.normals[..count]);
        self.sigma_m
            .get_or_insert_default()
            .extend(&patch.sigma_m[..count]);
        Ok(())
    }

    fn faces(&mut self, faces: &[[u32; 3]], zones: &[u8]) -> Result<(), Self::Error> {
        self.faces.extend(faces);
        self.zones.get_or_insert_default().extend(zones);
        Ok(())
    }
}

/// A mesh that can be asked for heights.
///
/// Where triangles lie one above the other (bridges), [`SurfaceMesh::height_at`] and
/// [`SurfaceMesh::normal_at`] answer for the highest, [`SurfaceMesh::signed_distance`] for the one
/// nearest in height. Coordinates are relative to [`SurfaceMesh::origin_m`].
///
/// ```
/// use surface_core::mesh::{MeshColumns, SurfaceMesh};
/// let mesh = SurfaceMesh::new(MeshColumns {
///     positions_m: vec![[0.0, 0.0, 1.0], [2.0, 0.0, 3.0], [0.0, 2.0, 1.0]],
///     faces: vec![[0, 1, 2]],
///     ..MeshColumns::default()
/// })?;
/// assert_eq!(mesh.height_at(0.5, 0.5), Some(1.5));
/// assert_eq!(mesh.height_at(1.5, 1.5), None);
/// # Ok::<(), surface_core::mesh::MeshError>(())
/// ```
#[derive(Debug, Clone)]
pub struct SurfaceMesh {
    columns: MeshColumns,
    grid: PlanGrid,
}

impl SurfaceMesh {
    /// Check the columns and sort the triangles by place.
    ///
    /// # Errors
    /// [`MeshError`] for no faces, columns of unlike length, a vertex that does not exist or is
    /// not finite.
    pub fn new(columns: MeshColumns) -> Result<Self, MeshError> {
        columns.check()?;
        let grid = PlanGrid::new(&columns.positions_m, &columns.faces);
        Ok(Self { columns, grid })
    }

    /// World coordinates of the zero of positions and questions.
    #[must_use]
    pub fn origin_m(&self) -> [f64; 3] {
        self.columns.origin_m
    }

    /// The columns of the mesh.
    #[must_use]
    pub fn columns(&self) -> &MeshColumns {
        &self.columns
    }

    /// The columns, to write them or to change them.
    #[must_use]
    pub fn into_columns(self) -> MeshColumns {
        self.columns
    }

    fn triangles(&self) -> Triangles<'_> {
        Triangles {
            positions_m: &self.columns.positions_m,
            faces: &self.columns.faces,
            grid: &self.grid,
        }
    }

    /// Height of the flat triangle at (x, y), the highest if there are several; `None` off the
    /// mesh. A point on a common side belongs to both triangles; the first in the mesh answers.
    #[must_use]
    #[inline]
    pub fn height_at(&self, x_m: f64, y_m: f64) -> Option<f64> {
        self.triangles().highest(x_m, y_m).map(|hit| hit.z_m)
    }

    /// Heights at many places: fills `out`, NaN off the mesh. Fast when places near each other
    /// stand near each other. The slices must have one length; what is missing in the shorter one
    /// is not answered.
    pub fn heights_at(&self, places_m: &[[f64; 2]], out: &mut [f64]) {
        let triangles = self.triangles();
        for (out, &[x, y]) in out.iter_mut().zip(places_m) {
            *out = triangles.highest(x, y).map_or(f64::NAN, |hit| hit.z_m);
        }
    }

    /// The same where something is known of the height: of triangles one above the other the one
    /// nearest to `near_m` answers, the highest where that is NaN. A course that passes over itself
    /// is asked for the right leg so. What is missing in the shortest slice is not answered.
    pub fn heights_near(&self, places_m: &[[f64; 2]], near_m: &[f64], out: &mut [f64]) {
        let triangles = self.triangles();
        for ((out, &[x, y]), &near_m) in out.iter_mut().zip(places_m).zip(near_m) {
            let hit = if near_m.is_nan() {
                triangles.highest(x, y)
            } else {
                triangles.nearest(x, y, near_m)
            };
            *out = hit.map_or(f64::NAN, |hit| hit.z_m);
        }
    }

    /// The upward unit normal at (x, y): interpolated from the vertices' normals when there are
    /// any, else the triangle's; `None` off the mesh.
    #[must_use]
    pub fn normal_at(&self, x_m: f64, y_m: f64) -> Option<[f64; 3]> {
        let hit = self.triangles().highest(x_m, y_m)?;
        Some(self.normal(&hit))
    }

    /// Normals at many places, as [`Self::normal_at`] answers: fills `out`, NaN off the mesh. What is
    /// missing in the shorter slice is not answered.
    pub fn normals_at(&self, places_m: &[[f64; 2]], out: &mut [[f64; 3]]) {
        let triangles = self.triangles();
        for (out, &[x, y]) in out.iter_mut().zip(places_m) {
            let hit = triangles.highest(x, y);
            *out = hit.map_or([f64::NAN; 3], |hit| self.normal(&hit));
        }
    }

    fn normal(&self, hit: &Hit) -> [f64; 3] {
        match self.columns.normals.as_deref() {
            Some(normals) => self.interpolated_normal(normals, hit),
            None => self.triangles().face_normal(hit.face),
        }
    }

    fn interpolated_normal(&self, normals: &[[f32; 3]], hit: &Hit) -> [f64; 3] {
        let corners = self.columns.faces[hit.face as usize];
        let mut sum = [0.0; 3];
        for (v, weight) in corners.iter().zip(hit.weights) {
            for (sum, c) in sum.iter_mut().zip(normals[*v as usize]) {
                *sum += weight * f64::from(c);
            }
        }
        upward_unit(sum)
    }

    /// How far the point lies above the mesh, metres, along the upward normal of the triangle under
    /// or over it that is nearest in height; `None` off the mesh.
    #[must_use]
    #[inline]
    pub fn signed_distance(&self, p_m: [f64; 3]) -> Option<f64> {
        self.triangles().signed_distance(p_m)
    }

    /// The same for columns of points: fills `out`, NaN off the mesh. The slices must have one
    /// length; what is missing in the shorter ones is not answered.
    pub fn signed_distances(&self, x_m: &[f64], y_m: &[f64], z_m: &[f64], out: &mut [f64]) {
        let triangles = self.triangles();
        for (((out, &x), &y), &z) in out.iter_mut().zip(x_m).zip(y_m).zip(z_m) {
            *out = triangles.signed_distance([x, y, z]).unwrap_or(f64::NAN);
        }
    }
}
