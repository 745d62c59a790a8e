//! Cells that one or two points make: road only where other cells near by say so.
//!
//! A stray that no other point shares a cell with, or only one, would make that cell's height, and the node's own
//! cell is what its window starts from: a spike. Real road shows in the next cells too, a kerb along
//! itself, a pothole wider than the spacing in its other cells.

use std::cell::OnceCell;

use super::block_noise::BlockPlanes;
use super::cells::{CellSums, Sorted};
use super::lattice::Lattice;

/// Cells on either side that may support a lone point.
const REACH: usize = 3;
/// So many cells must agree: one could be another stray.
const WITNESSES: u32 = 2;
/// Where no more cells than this are near, one is enough.
const ALONE: u32 = 3;
/// Road may rise by this much more or less than its surroundings' slope between two cells.
const BEND: f64 = 0.02;
/// No setup scatters more than this on a road, metres; more is what a body in its blocks makes.
const NOISY_M: f64 = 0.01;
/// Heights that differ by more than this many standard deviations do not agree.
const SDS: f64 = 5.0;

/// Points that make a lone cell, at most.
const FEW: u32 = 2;

/// Empty the cells of one or two points that no cell within [`REACH`] agrees with.
pub(super) fn set_lone_strays_aside(
    sums: &mut CellSums,
    sorted: &Sorted,
    blocks: &BlockPlanes,
    lattice: &Lattice,
) {
    // Not the block's own variance: the stray itself may have made that large. Nor the noisiest
    // setup's, of which a few points far away may tell nothing.
    let variance_m2 = |cell: usize| {
        let usual_m2 = blocks.usual_variance_of_m2(setup_of(sums, sorted, cell));
        usual_m2.min(NOISY_M * NOISY_M)
    };
    // Told once for all cells of a block: thin scans have thousands of lone cells.
    let slopes = vec![OnceCell::new(); blocks.len()];
    let slopes_at = |cell: usize| {
        let block = blocks.number_of_cell(cell);
        *slopes[block].get_or_init(|| blocks.slopes_near(block))
    };
    let stray = |cell: &usize| !supported(sums, lattice, *cell, slopes_at(*cell), &variance_m2);
    let lone = (0..sums.n.len()).filter(|&cell| (1..=FEW).contains(&sums.n[cell]));
    let strays: Vec<usize> = lone.filter(stray).collect();
    for cell in strays {
        sums.set_aside[cell] += sums.n[cell];
        sums.n[cell] = 0;
        for sum in [&mut sums.w, &mut sums.ws, &mut sums.wt, &mut sums.wz] {
            sum[cell] = 0.0;
        }
    }
}

/// The setup of the point of a cell that is nearest to its height.
fn setup_of(sums: &CellSums, sorted: &Sorted, cell: usize) -> u16 {
    let z = sums.wz[cell] / sums.w[cell];
    let points = sorted.start[cell]..sorted.start[cell + 1];
    let off = |k: &usize| (sorted.z[*k] - z).abs();
    let nearest = points.min_by(|a, b| off(a).total_cmp(&off(b)));
    nearest.map_or(0, |k| sorted.setup[k])
}

fn supported(
    sums: &CellSums,
    lattice: &Lattice,
    cell: usize,
    slopes: [f64; 2],
    variance_m2: &dyn Fn(usize) -> f64,
) -> bool {
    let (row, column) = (cell / sums.columns, cell % sums.columns);
    let here = Seen::of(sums, lattice, row, column);
    let rows = row.saturating_sub(REACH)..(row + REACH + 1).min(sums.rows);
    let columns = column.saturating_sub(REACH)..(column + REACH + 1).min(sums.columns);
    let own_m2 = variance_m2(cell);
    let (mut all, mut agree) = (0, 0);
    for (r, c) in rows.flat_map(|r| columns.clone().map(move |c| (r, c))) {
        let other = r * sums.columns + c;
        if other == cell || sums.n[other] == 0 {
            continue;
        }
        all += 1;
        let reach_m = SDS * (own_m2 + variance_m2(other)).sqrt();
        agree += u32::from(here.agrees(&Seen::of(sums, lattice, r, c), slopes, reach_m));
        if agree >= WITNESSES {
            return true;
        }
    }
    agree > 0 && all <= ALONE
}

/// What a cell says: where, and how high.
pub(super) struct Seen {
    s: f64,
    t: f64,
    z: f64,
}

impl Seen {
    #[expect(
        clippy::cast_precision_loss,
        reason = "rows and columns are far below 2^53"
    )]
    pub fn of(sums: &CellSums, lattice: &Lattice, row: usize, column: usize) -> Self {
        let k = row * sums.columns + column;
        let over = sums.w[k].recip();
        Self {
            s: row as f64 * lattice.s_step_m + sums.ws[k] * over,
            t: column as f64 * lattice.t_step_m + sums.wt[k] * over,
            z: sums.wz[k] * over,
        }
    }

    fn agrees(&self, other: &Self, slopes: [f64; 2], reach_m: f64) -> bool {
        let away_m = (other.s - self.s).hypot(other.t - self.t);
        self.rises(other, slopes).abs() < reach_m + BEND * away_m
    }

    /// Along s and t and up from another.
    pub fn from(&self, other: &Self) -> [f64; 3] {
        [self.s - other.s, self.t - other.t, self.z - other.z]
    }

    /// How much higher the other is than these slopes lead to.
    fn rises(&self, other: &Self, slopes: [f64; 2]) -> f64 {
        let (u, v) = (other.s - self.s, other.t - self.t);
        other.z - self.z - slopes[0] * u - slopes[1] * v
    }
}
