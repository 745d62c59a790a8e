//! How high is the surface here, and how far off is a point?

use super::Patch;
use super::plan_grid::PlanGrid;

/// A point this far outside every triangle (as a share of the triangle) still belongs to the
/// nearest: rounding of coordinates must not open cracks between triangles. 1e-9 of a 0.1 m
/// triangle is a tenth of a nanometre.
const CRACK_SHARE: f64 = 1e-9;

/// Where a point lies in a triangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Hit {
    pub face: u32,
    /// Weights of the corners; their sum is 1.
    pub weights: [f64; 3],
    /// Height of the triangle there, metres.
    pub z_m: f64,
}

/// Triangles over the plan.
#[derive(Debug, Clone, Copy)]
pub(super) struct Triangles<'a> {
    pub positions_m: &'a [[f64; 3]],
    pub faces: &'a [[u32; 3]],
    pub grid: &'a PlanGrid,
}

impl Triangles<'_> {
    /// The highest triangle at (x, y); of equal heights the first.
    #[inline]
    pub(super) fn highest(&self, x: f64, y: f64) -> Option<Hit> {
        self.best(x, y, |z_m| -z_m)
    }

    /// The triangle at (x, y) whose height is nearest to `z_m`; of equal ones the first.
    #[inline]
    pub(super) fn nearest(&self, x: f64, y: f64, z_m: f64) -> Option<Hit> {
        self.best(x, y, |height| (height - z_m).abs())
    }

    /// The first triangle at (x, y): the only one, but for common sides, where none overlap.
    #[inline]
    pub(super) fn first(&self, x: f64, y: f64) -> Option<Hit> {
        let candidates = self.grid.candidates(x, y);
        let hit = candidates
            .iter()
            .find_map(|&face| self.hit(face, x, y, 0.0));
        hit.or_else(|| {
            candidates
                .iter()
                .find_map(|&face| self.hit(face, x, y, CRACK_SHARE))
        })
    }

    /// The point in the triangle if it lies clear of the sides.
    #[inline]
    pub(super) fn well_inside(&self, face: u32, x: f64, y: f64) -> Option<Hit> {
        self.hit(face, x, y, -CRACK_SHARE)
    }

    /// Of the triangles at (x, y) the one of least `cost` (a function of the height there).
    #[inline]
    fn best(&self, x: f64, y: f64, cost: impl Fn(f64) -> f64) -> Option<Hit> {
        let candidates = self.grid.candidates(x, y);
        let mut best: Option<Hit> = None;
        for &face in candidates {
            let Some(hit) = self.hit(face, x, y, 0.0) else {
                continue;
            };
            if best.is_none_or(|b| cost(hit.z_m) < cost(b.z_m)) {
                best = Some(hit);
            }
        }
        if best.is_some() || candidates.is_empty() {
            return best;
        }
        candidates
            .iter()
            .find_map(|&face| self.hit(face, x, y, CRACK_SHARE))
    }

    /// The point in the triangle, or at most the share `slack` outside; clear of the sides by that
    /// share when it is negative.
    ///
    /// Each side is tested by the cross product of its ends relative to the point, which only
    /// changes its sign when the ends are swapped (also in floating point): of two triangles that
    /// share a side, one at least holds any point on it (Woop, Benthin & Wald 2013, JCGT 2(1)).
    #[inline]
    fn hit(&self, face: u32, x: f64, y: f64, slack: f64) -> Option<Hit> {
        let [a, b, c] = self.faces[face as usize].map(|v| self.positions_m[v as usize]);
        let cross = |p: &[f64; 3], q: &[f64; 3]| (p[0] - x) * (q[1] - y) - (p[1] - y) * (q[0] - x);
        let (u, v, w) = (cross(&b, &c), cross(&c, &a), cross(&a, &b));
        let area = u + v + w;
        let edge = slack * area.abs();
        let up = u >= -edge && v >= -edge && w >= -edge;
        let down = u <= edge && v <= edge && w <= edge;
        if !(up || down) || area == 0.0 {
            return None;
        }
        let weights = [u / area, v / area, w / area];
        let z_m = weights[0] * a[2] + weights[1] * b[2] + weights[2] * c[2];
        Some(Hit { face, weights, z_m })
    }

    /// Upward unit normal of a triangle.
    #[inline]
    pub(super) fn face_normal(&self, face: u32) -> [f64; 3] {
        let [a, b, c] = self.faces[face as usize].map(|v| self.positions_m[v as usize]);
        let (u, v) = (
            [0, 1, 2].map(|k| b[k] - a[k]),
            [0, 1, 2].map(|k| c[k] - a[k]),
        );
        let n = [
            u[1] * v[2] - u[2] * v[1],
            u[2] * v[0] - u[0] * v[2],
            u[0] * v[1] - u[1] * v[0],
        ];
        upward_unit(n)
    }

    /// Distance of a point from the plane of the triangle under or over it, along the triangle's
    /// upward normal: (z − z_surface)·n_z.
    #[inline]
    pub(super) fn signed_distance(&self, p: [f64; 3]) -> Option<f64> {
        let hit = self.nearest(p[0], p[1], p[2])?;
        Some((p[2] - hit.z_m) * self.face_normal(hit.face)[2])
    }
}

/// The vector at unit length and turned upward; straight up when it has no length.
pub(super) fn upward_unit(n: [f64; 3]) -> [f64; 3] {
    let length = (n[0] * n[0] + n[1] * n[1] + n[2] * n[2]).sqrt();
    let scale = if n[2] < 0.0 {
        -1.0 / length
    } else {
        1.0 / length
    };
    if scale.is_finite() {
        n.map(|c| c * scale)
    } else {
        [0.0, 0.0, 1.0]
    }
}

/// Looks up distances from the triangles of one patch.
///
/// A patch is a sheet without overlaps, so the first triangle found is the answer; a point on a
/// common side belongs to the triangle that comes first in the patch.
#[derive(Debug)]
pub struct PatchIndex<'a> {
    patch: &'a Patch,
    grid: PlanGrid,
    /// Vertical part of each triangle's upward unit normal.
    rise: Vec<f64>,
}

impl<'a> PatchIndex<'a> {
    /// Sort the triangles of `patch` by place.
    #[must_use]
    pub fn new(patch: &'a Patch) -> Self {
        let grid = PlanGrid::new(&patch.positions_m, &patch.faces);
        let mut index = Self {
            patch,
            grid,
            rise: Vec::new(),
        };
        let faces = 0..crate::numeric::to_u32(patch.faces.len());
        index.rise = faces
            .map(|face| index.triangles().face_normal(face)[2])
            .collect();
        index
    }

    fn triangles(&self) -> Triangles<'_> {
        Triangles {
            positions_m: &self.patch.positions_m,
            faces: &self.patch.faces,
            grid: &self.grid,
        }
    }

    /// Height of the patch at local (x, y), metres; `None` where it has no triangle.
    #[must_use]
    pub fn height_at(&self, x_m: f64, y_m: f64) -> Option<f64> {
        self.triangles().first(x_m, y_m).map(|hit| hit.z_m)
    }

    /// How far the local point `p_m` lies above the patch (metres, along the upward normal of the
    /// triangle there; negative below); `None` where the patch has no triangle.
    #[must_use]
    #[inline]
    pub fn signed_distance(&self, p_m: [f64; 3]) -> Option<f64> {
        let hit = self.triangles().first(p_m[0], p_m[1])?;
        Some((p_m[2] - hit.z_m) * self.rise[hit.face as usize])
    }

    /// The same for columns of points: fills `out` with distances, NaN where there is no triangle.
    /// All slices must have one length; what is missing in the shorter ones is not answered.
    ///
    /// Fast when neighbours in the columns are neighbours on the ground: a point well inside the
    /// triangle of the one before needs no search.
    pub fn signed_distances(&self, x_m: &[f64], y_m: &[f64], z_m: &[f64], out: &mut [f64]) {
        let triangles = self.triangles();
        let mut last = None;
        for (((out, &x), &y), &z) in out.iter_mut().zip(x_m).zip(y_m).zip(z_m) {
            let again = last.and_then(|face| triangles.well_inside(face, x, y));
            let hit = again.or_else(|| triangles.first(x, y));
            last = hit.map(|hit| hit.face);
            let distance = |hit: Hit| (z - hit.z_m) * self.rise[hit.face as usize];
            *out = hit.map_or(f64::NAN, distance);
        }
    }
}
