//! The resolved wavelength at places in the plan: it belongs to nodes of the field, not to the mesh.

use std::cell::Cell;

use crate::build::BuildError;
use crate::build::built::FinishedBuild;
use crate::export::FieldStore;
use crate::field::FieldRows;
use crate::numeric::{round_i32, to_index};
use crate::ribbon::ReferenceLine;

/// Beyond the edges by this the road may be asked, metres: sides of triangles are straight.
const OUTSIDE_M: f64 = 0.5;

/// Looks up the resolved wavelength in one section.
pub(super) struct ResolvedAt<'a> {
    line: &'a ReferenceLine,
    rows: FieldRows,
    /// No node lies farther from the line, metres.
    widest_m: f64,
    /// Where the last place had its foot: the next is near by.
    last_s_m: Cell<f64>,
}

impl<'a> ResolvedAt<'a> {
    pub fn new(build: &'a FinishedBuild, section: usize) -> Result<Self, BuildError> {
        let (store, _) = FieldStore::open(&build.path("field"))?;
        let rows = store.section_and_next(section)?;
        let lattice = &build.lattice;
        let sides = [0, lattice.columns - 1].map(|c| lattice.column_t_m(c).abs());
        let from_s_m = lattice.row_s_m(lattice.section_rows(section)[0]);
        Ok(Self {
            line: &build.ribbon.line,
            rows,
            widest_m: sides[0].max(sides[1]) + OUTSIDE_M,
            last_s_m: Cell::new(from_s_m),
        })
    }

    /// What the nearest node resolves, metres; NaN where neither it nor one beside it has a height.
    pub fn at(&self, p: [f64; 2]) -> f64 {
        let near = self.line.foot_near(p, self.last_s_m.get());
        let near = near.and_then(|f| Some((f.s, self.near(f.s, f.t)?)));
        let feet = || self.line.feet(p, self.widest_m).into_iter();
        let any = || feet().find_map(|f| Some((f.s, self.near(f.s, f.t)?)));
        let Some((s, found)) = near.or_else(any) else {
            return f64::NAN;
        };
        self.last_s_m.set(s);
        found
    }

    fn near(&self, s: f64, t: f64) -> Option<f64> {
        let lattice = &self.rows.lattice;
        let first = self.rows.first_row as f64 * lattice.s_step_m;
        // The section's last row may be row 0 of a closed course.
        let ahead = (s - first).rem_euclid(self.line.length_m());
        let row = self.rows.first_row + to_index((ahead / lattice.s_step_m).round());
        let column = round_i32(t / lattice.t_step_m) - lattice.first_column;
        let beside = |d: i32| {
            let node = self.rows.node(row, usize::try_from(column + d).ok()?)?;
            Some(f64::from(node.wavelength_m))
        };
        [0, 1, -1].into_iter().find_map(beside)
    }
}
