//! One canonical rule for which vertices each row of the mesh has.
//!
//! The rule looks at the whole course row by row and never at a section, so neighbouring patches
//! agree on their common row bit for bit.

use std::ops::Range;

use super::MeshError;
use crate::field::{Lattice, SECTION_ROWS};
use crate::numeric::{ceil_i32, floor_i32};
use crate::ribbon::Ribbon;

/// Nodes nearer to a rail than this share of the step across are left out: the strip along a rail
/// is then half a step to one and a half steps wide, and its triangles along a straight edge keep
/// 26° (arctan 1/2). Held by `triangles_along_a_straight_edge_keep_twenty_six_degrees`.
const RAIL_CLEARANCE_STEPS: f64 = 0.5;

/// Where rows are nearer to each other than this share of the step across, every second one is
/// left out (every fourth below a half of it, every eighth below a quarter): cells then measure
/// 0.45 to 0.9 steps, far from the 0.27 at which a right triangle falls under 15°.
/// Held by `angles_stay_above_fifteen_degrees_away_from_rails`.
const THIN_BELOW: f64 = 0.45;

/// Rows are left out in blocks of at most 2 to this power; must divide the section's rows.
const MAX_LEVEL: u32 = 3;

/// Least 1 − κt at an edge: eight rows then still span 0.28 steps, which keeps 15°.
const LEAST_STRETCH: f64 = 0.035;

/// The frame of a row before anything is decided: where it lies and how far it reaches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RowFrame {
    /// Point of the reference line, local metres.
    pub point_m: [f64; 2],
    /// Unit tangent of the line.
    pub tangent: [f64; 2],
    /// Curvature of the line, 1/m, left turn positive.
    pub curvature_per_m: f64,
    /// Right edge, metres left of the line (mostly negative).
    pub right_t_m: f64,
    /// Left edge, metres left of the line.
    pub left_t_m: f64,
}

impl RowFrame {
    /// The frame of the row at station `s_m` of a ribbon.
    #[must_use]
    pub fn of(ribbon: &Ribbon, s_m: f64) -> Self {
        Self {
            point_m: ribbon.line.point(s_m),
            tangent: ribbon.line.tangent(s_m),
            curvature_per_m: ribbon.line.curvature_per_m(s_m),
            right_t_m: ribbon.edges.right_m(s_m),
            left_t_m: ribbon.edges.left_m(s_m),
        }
    }

    /// Unit normal, to the left.
    #[inline]
    pub(super) fn normal(&self) -> [f64; 2] {
        [-self.tangent[1], self.tangent[0]]
    }

    /// Local x, y at `t_m` left of the line.
    #[inline]
    pub(super) fn at(&self, t_m: f64) -> [f64; 2] {
        let n = self.normal();
        [self.point_m[0] + n[0] * t_m, self.point_m[1] + n[1] * t_m]
    }

    /// 1 − κt: metres of road per metre of reference line.
    #[inline]
    pub(super) fn stretch(&self, t_m: f64) -> f64 {
        1.0 - self.curvature_per_m * t_m
    }

    fn check(&self, s_m: f64) -> Result<(), MeshError> {
        let [x, y] = self.point_m;
        let [tx, ty] = self.tangent;
        let numbers = [
            x,
            y,
            tx,
            ty,
            self.curvature_per_m,
            self.right_t_m,
            self.left_t_m,
        ];
        if !numbers.iter().all(|v| v.is_finite()) {
            return Err(MeshError::NotFinite { s_m });
        }
        if self.left_t_m <= self.right_t_m {
            let (left_m, right_m) = (self.left_t_m, self.right_t_m);
            return Err(MeshError::NoWidth {
                s_m,
                left_m,
                right_m,
            });
        }
        for t_m in [self.right_t_m, self.left_t_m] {
            let stretch = self.stretch(t_m);
            if stretch < LEAST_STRETCH {
                return Err(MeshError::Folded { s_m, t_m, stretch });
            }
        }
        Ok(())
    }
}

/// A row of the mesh: its frame and which vertices it has.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Station {
    pub frame: RowFrame,
    /// Whether the row has a rail vertex: right, left.
    pub rails: [bool; 2],
    /// Columns that are vertices.
    pub columns: Range<usize>,
}

/// Decide the vertices of every row.
pub(super) fn stations(lattice: &Lattice, frames: &[RowFrame]) -> Result<Vec<Station>, MeshError> {
    for (row, frame) in frames.iter().enumerate() {
        frame.check(lattice.row_s_m(row))?;
    }
    let aspect = lattice.s_step_m / lattice.t_step_m;
    let mut out: Vec<Station> = frames
        .iter()
        .enumerate()
        .map(|(row, &frame)| {
            let least = least_stretch(lattice, row) / aspect;
            let has = |t_m| frame.stretch(t_m) >= least;
            Station {
                frame,
                rails: [has(frame.right_t_m), has(frame.left_t_m)],
                columns: 0..0,
            }
        })
        .collect();
    let rails = [rail_reach(lattice, &out, 0), rail_reach(lattice, &out, 1)];
    for (row, station) in out.iter_mut().enumerate() {
        let reach = [rails[0][row], rails[1][row]];
        let least = least_stretch(lattice, row) / aspect;
        station.columns = columns(lattice, &station.frame, reach, least);
    }
    Ok(out)
}

/// Least stretch (times the aspect of a cell) at which row `row` has vertices.
fn least_stretch(lattice: &Lattice, row: usize) -> f64 {
    match level(lattice, row) {
        MAX_LEVEL.. => 0.0,
        level => THIN_BELOW / f64::from(1u32 << level),
    }
}

/// Up to which thinning row `row` stays: 3 for every eighth row, section borders and both ends.
/// Near the end of a course whose rows are not a multiple of eight, rows that would leave a
/// remnant of less than three quarters of a block give way.
fn level(lattice: &Lattice, row: usize) -> u32 {
    let last = lattice.row_gaps();
    if row.is_multiple_of(SECTION_ROWS) || row >= last {
        return MAX_LEVEL;
    }
    let rest = last - row;
    let stays = |level: u32| 4 * rest >= 3 << level;
    let own = row.trailing_zeros().min(MAX_LEVEL);
    (0..=own).rev().find(|&m| stays(m)).unwrap_or(0)
}

/// How far each row reaches on one side: to its rail vertex, or where it has none, to the chord
/// between the rail vertices before and after.
fn rail_reach(lattice: &Lattice, stations: &[Station], side: usize) -> Vec<f64> {
    let edge = |row: usize| {
        let frame = &stations[row].frame;
        [frame.right_t_m, frame.left_t_m][side]
    };
    let mut reach: Vec<f64> = (0..stations.len()).map(edge).collect();
    let mut previous = 0;
    for row in 1..=lattice.row_gaps() {
        let wrapped = lattice.wrap(row);
        if !stations[wrapped].rails[side] {
            continue;
        }
        let a = stations[previous].frame.at(edge(previous));
        let b = stations[wrapped].frame.at(edge(wrapped));
        for between in previous + 1..row {
            reach[between] = chord_t(&stations[between].frame, a, b);
        }
        previous = row;
    }
    reach
}

/// Where the segment a–b meets the row, metres left of the line.
fn chord_t(frame: &RowFrame, a: [f64; 2], b: [f64; 2]) -> f64 {
    let cross = |u: [f64; 2], v: [f64; 2]| u[0] * v[1] - u[1] * v[0];
    let along = [b[0] - a[0], b[1] - a[1]];
    let back = [a[0] - frame.point_m[0], a[1] - frame.point_m[1]];
    cross(along, back) / cross(along, frame.normal())
}

/// The columns between the rails, clear of them, where rows are not too close.
fn columns(lattice: &Lattice, frame: &RowFrame, reach: [f64; 2], least: f64) -> Range<usize> {
    let clearance = RAIL_CLEARANCE_STEPS * lattice.t_step_m;
    let mut low = reach[0] + clearance;
    let mut high = reach[1] - clearance;
    let turn = frame.curvature_per_m;
    if turn > 0.0 {
        high = high.min((1.0 - least) / turn);
    } else if turn < 0.0 {
        low = low.max((1.0 - least) / turn);
    } else if least > 1.0 {
        return 0..0;
    }
    // A node on the limit counts as inside it: 1e-9 of a step is far below any effect and far
    // above the rounding of t / step.
    let column = |t: f64| t / lattice.t_step_m - f64::from(lattice.first_column);
    let from = usize::try_from(ceil_i32(column(low) - 1e-9)).unwrap_or(0);
    let to = usize::try_from(floor_i32(column(high) + 1e-9) + 1).unwrap_or(0);
    from..to.min(lattice.columns).max(from)
}
