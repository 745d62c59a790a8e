//! Single points of the road as the cells use them: corrected, weighed, what stands on it left out.

use super::blocks::fit_blocks;
use super::cells::{RowLimits, STANDING_M, sort};
use super::cuts::Cuts;
use super::lattice::Lattice;
use super::trust::Trust;
use crate::cloud::PackedPoint;

/// A point of the road.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoadPoint {
    /// Along the line, metres; below 0 just before the start of a closed course.
    pub s_m: f64,
    /// Left of the line, metres.
    pub t_m: f64,
    /// Height less the correction of its setup, metres.
    pub z_m: f64,
    /// 1/σ² of its height, 1/m².
    pub weight: f64,
}

/// The points of a run of rows that may be road, cell by cell; arguments as in
/// [`cell_sums`](super::cell_sums).
///
/// Points further than a tall kerb from the robust plane of their block are left out.
#[must_use]
pub fn road_points(
    points: &[PackedPoint],
    lattice: &Lattice,
    first_row: usize,
    limits: &RowLimits,
    trust: Trust,
) -> Vec<RoadPoint> {
    let sorted = sort(points, lattice, first_row, limits, trust);
    let blocks = fit_blocks(&sorted, trust.setups, &Cuts::default());
    let (s0, t0) = (lattice.row_s_m(first_row), lattice.column_t_m(0));
    let mut out = Vec::with_capacity(sorted.s.len());
    for cell in 0..sorted.rows * sorted.columns {
        let Some(block) = blocks.of_cell(cell) else {
            continue;
        };
        let own = sorted.start[cell]..sorted.start[cell + 1];
        out.extend(own.filter_map(|k| {
            let (s, t, z) = (sorted.s[k], sorted.t[k], sorted.z[k]);
            let point = RoadPoint {
                s_m: s0 + s,
                t_m: t0 + t,
                z_m: z,
                weight: blocks.weight(block, sorted.setup[k], sorted.intensity[k]),
            };
            ((z - block.at(s, t)).abs() < STANDING_M).then_some(point)
        }));
    }
    out
}
