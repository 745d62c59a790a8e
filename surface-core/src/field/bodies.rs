//! What is left of a thing that hides the ground in every setup: points on its sides and its roof that
//! agree with each other.
//!
//! Where the ground was seen past it by other setups most points are the ground's. Where most were set
//! aside nothing but the ground around can tell, and what stands above that is the thing.

use super::blocks::{CALM_M, SAMPLE, SCALE_FLOOR_M, thin_out};
use super::cells::{CellSums, Sorted};
use super::lattice::Lattice;
use super::lone::Seen;
use crate::numeric::{robust_plane, to_index, to_u32};

/// Ground around that a doubtful cell is held against, metres: from the middle of a car to the road
/// beside it, and a little of that.
const AROUND_M: f64 = 1.6;
/// What stands this much above the plane of its surroundings is none of the ground, metres.
const ABOVE_M: f64 = 0.025;
/// Cells of ground that can be asked, at least.
const FEWEST: usize = 12;

/// Empty the cells that stand on something which most points around were set aside for.
pub(super) fn set_bodies_aside(sums: &mut CellSums, sorted: &Sorted, lattice: &Lattice) {
    if sums.set_aside.iter().all(|n| *n == 0) {
        return;
    }
    let doubtful = |cell: &usize| sums.w[*cell] > 0.0 && mostly_set_aside(sums, *cell);
    let stands = |cell: &usize| stands_on_something(sums, lattice, *cell);
    let cells = (0..sums.n.len()).filter(doubtful);
    let bodies: Vec<usize> = cells.filter(stands).collect();
    for cell in bodies {
        sums.n[cell] = 0;
        sums.set_aside[cell] = to_u32(sorted.start[cell + 1] - sorted.start[cell]);
        for sum in [&mut sums.w, &mut sums.ws, &mut sums.wt, &mut sums.wz] {
            sum[cell] = 0.0;
        }
        sums.beyond.retain(|part| part.cell as usize != cell);
    }
}

/// Rows and columns within `reach` cells of a cell.
fn near(sums: &CellSums, cell: usize, reach: [usize; 2]) -> impl Iterator<Item = usize> {
    let (columns, rows) = (sums.columns, sums.rows);
    let (row, column) = (cell / columns, cell % columns);
    let across = column.saturating_sub(reach[1])..(column + reach[1] + 1).min(columns);
    (row.saturating_sub(reach[0])..(row + reach[0] + 1).min(rows))
        .flat_map(move |r| across.clone().map(move |c| r * columns + c))
}

/// Whether of the points of a cell and the eight around it most were set aside.
fn mostly_set_aside(sums: &CellSums, cell: usize) -> bool {
    let (n, aside) = near(sums, cell, [1, 1]).fold((0u64, 0u64), |(n, aside), k| {
        (
            n + u64::from(sums.n[k]),
            aside + u64::from(sums.set_aside[k]),
        )
    });
    aside > n
}

/// Whether a cell stands above the ground around it, which is where points were not set aside.
fn stands_on_something(sums: &CellSums, lattice: &Lattice, cell: usize) -> bool {
    let reach = [lattice.s_step_m, lattice.t_step_m].map(|step| to_index((AROUND_M / step).ceil()));
    let seen = |k: usize| Seen::of(sums, lattice, k / sums.columns, k % sums.columns);
    let here = seen(cell);
    let mut ground: Vec<[f64; 3]> = near(sums, cell, reach)
        .filter(|&k| sums.w[k] > 0.0 && !mostly_set_aside(sums, k))
        .map(|k| seen(k).from(&here))
        .collect();
    thin_out(&mut ground, SAMPLE);
    let plane = robust_plane(&ground, SCALE_FLOOR_M, CALM_M).filter(|_| ground.len() >= FEWEST);
    plane.is_some_and(|(plane, _)| -plane.z0 > ABOVE_M)
}
