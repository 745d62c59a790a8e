//! What each setup measured at small places of smooth road: what setups are levelled by, and what
//! their noise is learnt from.

use super::block_grid::BlockGrid;
use super::blocks::{ranges, smooth_plane};
use super::cells::{RowLimits, Sorted, nearest_turn, sort};
use super::lattice::Lattice;
use super::trust::Trust;
use crate::cloud::PackedPoint;
use crate::numeric::{FittedPlane, floor_i32, to_f32};
use crate::setups::{Places, SURVEYED, Sight};

/// One block in this many is asked, along a diagonal: a third of the road tells setups apart as
/// well as all of it, since their errors are smooth.
const ONE_IN: usize = 3;
/// Points of a setup in a block that tell its mean.
const FEWEST: usize = 6;
/// Points further from a setup's own median than this stand on the road, metres.
const REACH_M: f64 = 0.008;
/// Setups further from the place's plane than this do not see the same ground, metres.
const TOO_FAR_M: f64 = 0.03;

/// A surveyed height on the road.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Station, metres.
    pub s_m: f64,
    /// Offset to the left, metres.
    pub t_m: f64,
    /// Height relative to the origin, metres.
    pub z_m: f64,
    /// Its variance, m².
    pub variance_m2: f64,
}

/// The places of a run of rows where the road is smooth, with what every setup saw of them.
///
/// `points` hold s, t, z of the rows from `first_row` on (a multiple of the block size). They are blocks
/// of 0.4 m; heights are as measured, less the corrections in `trust`. A mark of the run is a
/// sight of [`SURVEYED`] at its block.
#[must_use]
pub fn places_seen(
    points: &[PackedPoint],
    lattice: &Lattice,
    first_row: usize,
    limits: &RowLimits,
    trust: Trust,
    marks: &[Mark],
) -> Places {
    let sorted = sort(points, lattice, first_row, limits, trust);
    let (grid, wide) = (sorted.grid, sorted.grid.wide());
    let (mut places, mut sights, mut scratch) = (Places::default(), Vec::new(), Vec::new());
    let at = |mark: &Mark| block_at(mark, lattice, first_row, sorted.rows);
    let marks: Vec<(usize, &Mark)> = marks.iter().filter_map(|m| Some((at(m)?, m))).collect();
    for index in 0..grid.len() {
        if !(index / wide + 2 * (index % wide)).is_multiple_of(ONE_IN)
            && marks.iter().all(|m| m.0 != index)
        {
            continue;
        }
        let Some(plane) = smooth_plane(&sorted, index, &mut scratch) else {
            continue;
        };
        see(&sorted, index, &plane, &mut sights);
        let [cs, ct] = grid.centre(index);
        for (_, mark) in marks.iter().filter(|m| m.0 == index) {
            let s = from_first_row(mark, lattice, first_row, sorted.rows) - cs;
            let t = mark.t_m - lattice.column_t_m(0) - ct;
            sights.push(Sight {
                setup: SURVEYED,
                n: 1.0,
                mean_m: to_f32(mark.z_m - plane.at(s, t)),
                variance_m2: to_f32(mark.variance_m2),
                intensity: 0.0,
            });
        }
        if !sights.is_empty() {
            let [x, y] = sorted.setups.middles[index];
            places.push([x, y, plane.z0], &sights);
        }
    }
    places
}

/// Station of a mark from the first of `rows`, metres.
fn from_first_row(mark: &Mark, lattice: &Lattice, first_row: usize, rows: usize) -> f64 {
    nearest_turn(mark.s_m - lattice.row_s_m(first_row), rows, lattice)
}

/// The block of a run of rows that a mark lies in.
fn block_at(mark: &Mark, lattice: &Lattice, first_row: usize, rows: usize) -> Option<usize> {
    let s = from_first_row(mark, lattice, first_row, rows);
    let row = floor_i32(s / lattice.s_step_m + 0.5);
    let column = floor_i32((mark.t_m - lattice.column_t_m(0)) / lattice.t_step_m + 0.5);
    let (row, column) = (usize::try_from(row).ok()?, usize::try_from(column).ok()?);
    let grid = BlockGrid::new(lattice, rows);
    (row < rows && column < lattice.columns).then(|| grid.of_cell(row * lattice.columns + column))
}

/// Setup in the run, height over the plane in metres, and intensity of a point.
type Residual = (u16, f64, u16);

/// What each setup saw of a block, in the order of the run's setups.
fn see(sorted: &Sorted, index: usize, plane: &FittedPlane, out: &mut Vec<Sight>) {
    out.clear();
    let [cs, ct] = sorted.grid.centre(index);
    let mut by_setup: Vec<Residual> = ranges(sorted, index)
        .flatten()
        .map(|k| {
            let r = sorted.z[k] - plane.at(sorted.s[k] - cs, sorted.t[k] - ct);
            (sorted.setup[k], r, sorted.intensity[k])
        })
        .collect();
    by_setup.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    for own in by_setup
        .chunk_by(|a, b| a.0 == b.0)
        .filter(|c| c.len() >= FEWEST)
    {
        let dense = usize::from(own[0].0);
        let reach_m = REACH_M + sorted.setups.steps_m[dense];
        out.extend(sight(sorted.setups.numbers[dense], own, reach_m));
    }
}

/// Mean and variance of sorted residuals about their median.
fn sight(setup: u16, own: &[Residual], reach_m: f64) -> Option<Sight> {
    let median = own[own.len() / 2].1;
    if median.abs() > TOO_FAR_M {
        return None;
    }
    let (mut n, mut sum, mut squares, mut intensity) = (0.0, 0.0, 0.0, 0.0);
    for (_, r, own) in own.iter().filter(|p| (p.1 - median).abs() < reach_m) {
        intensity += f64::from(*own);
        n += 1.0;
        sum += r - median;
        squares += (r - median).powi(2);
    }
    if n < half_up(own.len()).max(2.0) {
        return None;
    }
    let mean = sum / n;
    Some(Sight {
        setup,
        n: to_f32(n),
        mean_m: to_f32(median + mean),
        variance_m2: to_f32((squares - n * mean * mean) / (n - 1.0)),
        intensity: to_f32(intensity / n),
    })
}

#[expect(clippy::cast_precision_loss, reason = "a count of points in a block")]
fn half_up(n: usize) -> f64 {
    n as f64 / 2.0
}
