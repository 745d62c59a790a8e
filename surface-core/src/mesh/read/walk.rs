//! Which section of the course does a vertex belong to?

use crate::field::{Lattice, SECTION_ROWS};
use crate::numeric::to_index;
use crate::ribbon::{ReferenceLine, Ribbon};

/// Rows are met to this, metres: far over rounding, far below a row's distance from the next.
const ROW_SLACK_M: f64 = 1e-6;

/// Follows the vertices of a mesh along its ribbon.
///
/// Vertices come row by row, so their section never falls; the first one with the station of a
/// section's first row, or beyond it, opens that section.
#[derive(Debug)]
pub(super) struct SectionWalk {
    line: ReferenceLine,
    /// Greatest distance of an edge from the line, metres.
    reach_m: f64,
    /// From the mesh's zero to the ribbon's.
    shift_m: [f64; 2],
    section_m: f64,
    sections: usize,
    section: usize,
    /// Station of the last vertex, not wrapped.
    s_m: f64,
}

impl SectionWalk {
    pub(super) fn new(ribbon: &Ribbon, mesh_origin_m: [f64; 3], lattice: Lattice) -> Self {
        let origin = ribbon.frame.origin_m;
        Self {
            line: ribbon.line.clone(),
            reach_m: ribbon.edges.reach_m(),
            shift_m: [0, 1].map(|k| mesh_origin_m[k] - origin[k]),
            section_m: SECTION_ROWS as f64 * lattice.s_step_m,
            sections: lattice.sections(),
            section: 0,
            s_m: 0.0,
        }
    }

    /// The section of the next vertex, at x, y relative to the mesh's zero.
    pub(super) fn section_of(&mut self, xy_m: [f64; 2]) -> usize {
        let p = [xy_m[0] + self.shift_m[0], xy_m[1] + self.shift_m[1]];
        if let Some(s) = self.station(p) {
            self.s_m = s;
            let at = to_index((s + ROW_SLACK_M) / self.section_m);
            self.section = self.section.max(at.min(self.sections - 1));
        }
        self.section
    }

    /// The station of `p`, nearest to the last one; on a closed course it runs on past the start.
    fn station(&self, p: [f64; 2]) -> Option<f64> {
        let within = |t: f64| t.abs() <= self.reach_m + 1e-3;
        let near = self.line.foot_near(p, self.s_m).filter(|f| within(f.t));
        let near = near.map(|f| self.unwrapped(f.s));
        let near = near.filter(|s| (s - self.s_m).abs() <= self.section_m);
        near.or_else(|| {
            // A hole is longer than Newton's method reaches.
            let feet = self.line.feet(p, self.reach_m + 1e-3).into_iter();
            feet.map(|f| self.unwrapped(f.s))
                .min_by(|a, b| (a - self.s_m).abs().total_cmp(&(b - self.s_m).abs()))
        })
    }

    fn unwrapped(&self, s: f64) -> f64 {
        if !self.line.is_closed() {
            return s;
        }
        let lap = self.line.length_m();
        s + lap * ((self.s_m - s) / lap).round()
    }
}
