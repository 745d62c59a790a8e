//! Invented courses for the tests of this module.

use crate::field::{FieldRows, Lattice, RailNode};
use crate::numeric::to_f32;

use super::{Layout, MaskReport, MeshCheck, MeshChecker, MeshError, NodeMask, Patch, RowFrame};

/// A course by its curvature, edges and height along s and t.
pub(super) struct Course<'a> {
    pub lattice: Lattice,
    pub curvature: &'a dyn Fn(f64) -> f64,
    /// (right, left) metres left of the line.
    pub edges: &'a dyn Fn(f64) -> (f64, f64),
    /// Height, NaN for none.
    pub z: &'a dyn Fn(f64, f64) -> f64,
}

pub(super) const FLAT: &dyn Fn(f64, f64) -> f64 = &|s, t| 0.01 * s + 0.02 * t;
pub(super) const STRAIGHT: &dyn Fn(f64) -> f64 = &|_| 0.0;
pub(super) const WIDE: &dyn Fn(f64) -> (f64, f64) = &|_| (-3.02, 2.57);

pub(super) fn lattice(rows: usize, reach: i32, closed: bool) -> Lattice {
    Lattice::new([0.1, 0.1], rows, -reach..reach + 1, closed).unwrap()
}

/// A closed lattice whose line is a circle of the given rows.
pub(super) fn circle_curvature(lattice: &Lattice) -> f64 {
    std::f64::consts::TAU / (lattice.rows as f64 * lattice.s_step_m)
}

impl Course<'_> {
    /// Frames by integrating the heading with eight steps a row.
    pub fn frames(&self) -> Vec<RowFrame> {
        let (mut point_m, mut heading) = ([120.0, -40.0], 0.3f64);
        let mut frames = Vec::new();
        for row in 0..self.lattice.rows {
            let s = self.lattice.row_s_m(row);
            let (right_t_m, left_t_m) = (self.edges)(s);
            frames.push(RowFrame {
                point_m,
                tangent: [heading.cos(), heading.sin()],
                curvature_per_m: (self.curvature)(s),
                right_t_m,
                left_t_m,
            });
            let step = self.lattice.s_step_m / 8.0;
            for k in 0..8 {
                let turn = (self.curvature)(s + (f64::from(k) + 0.5) * step) * step;
                let middle = heading + 0.5 * turn;
                // Chord of the arc: exact on circles.
                let chord = if turn == 0.0 {
                    1.0
                } else {
                    (0.5 * turn).sin() / (0.5 * turn)
                };
                point_m[0] += step * chord * middle.cos();
                point_m[1] += step * chord * middle.sin();
                heading += turn;
            }
        }
        frames
    }

    pub fn layout(&self) -> Layout {
        Layout::from_frames(&self.lattice, &self.frames()).unwrap()
    }

    pub fn field(&self, rows: [usize; 2]) -> FieldRows {
        let mut field = FieldRows::empty(self.lattice, rows[0], rows[1] - rows[0] + 1).unwrap();
        for row in rows[0]..=rows[1] {
            let s = self.lattice.row_s_m(row);
            for column in 0..self.lattice.columns {
                let k = field.index(row, column).unwrap();
                let t = self.lattice.column_t_m(column);
                field.z_m[k] = (self.z)(s, t);
                [field.slope_s[k], field.slope_t[k]] = self.slopes(s, t);
                field.sigma_m[k] = 0.0005;
            }
            let rail = |t: f64| {
                let [slope_s, slope_t] = self.slopes(s, t);
                RailNode {
                    z_m: (self.z)(s, t),
                    sigma_m: 0.001,
                    slope_s,
                    slope_t,
                    flags: 1,
                }
            };
            let (right, left) = (self.edges)(s);
            field.right[row - rows[0]] = rail(right);
            field.left[row - rows[0]] = rail(left);
        }
        field
    }

    fn slopes(&self, s: f64, t: f64) -> [f32; 2] {
        let z = |s, t| {
            Some((self.z)(s, t))
                .filter(|z| z.is_finite())
                .unwrap_or(0.0)
        };
        let slope = |a: f64, b: f64| to_f32((b - a) / 2e-4);
        [
            slope(z(s - 1e-4, t), z(s + 1e-4, t)).clamp(-2.0, 2.0),
            slope(z(s, t - 1e-4), z(s, t + 1e-4)).clamp(-2.0, 2.0),
        ]
    }

    pub fn mask(&self, layout: &Layout) -> Result<(NodeMask, MaskReport), MeshError> {
        let mut mask = NodeMask::new(layout);
        for section in 0..self.lattice.sections() {
            mask.add(layout, &self.field(self.lattice.section_rows(section)));
        }
        let report = mask.clean(layout)?;
        Ok((mask, report))
    }

    pub fn patches(&self) -> Result<(Vec<Patch>, MaskReport), MeshError> {
        let layout = self.layout();
        let (mask, report) = self.mask(&layout)?;
        let patch = |section| {
            let field = self.field(self.lattice.section_rows(section));
            Patch::new(&layout, &mask, section, &field)
        };
        let patches: Result<_, _> = (0..self.lattice.sections()).map(patch).collect();
        Ok((patches?, report))
    }

    /// Mesh the course and check it.
    pub fn check(&self) -> (Vec<Patch>, MeshCheck) {
        let (patches, _) = self.patches().unwrap();
        let check = check(&patches, self.lattice.closed).unwrap();
        (patches, check)
    }
}

pub(super) fn check(patches: &[Patch], closed: bool) -> Result<MeshCheck, MeshError> {
    let mut checker = MeshChecker::new(patches.len(), closed);
    for patch in patches {
        checker.add(patch)?;
    }
    checker.finish()
}
