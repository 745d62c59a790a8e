//! The other way to make heights of cells: one sparse least squares system of all of them, with
//! slopes and bends as priors.
//!
//! A cell's mean is that of the surface over the cell, which is bilinear between heights: 1/8, 6/8 and
//! 1/8 of three in a row, both ways (where its points lie in the cell is not asked). Squared slopes and
//! squared bends (a plate's, the mixed second derivative counted twice; none across the borders, which are
//! free) are weighed so that their density a·(2πk)² + b·(2πk)⁴ is that of the road, k³/A, in value and
//! slope at the wave at which road and noise are as strong as each other.

use std::f64::consts::TAU;

use surface_core::field::CellSums;
use surface_core::numeric::{BandedSpd, Singular};

/// Rows and columns that two heights of one observation may be apart.
const REACH: usize = 2;
const WIDE: usize = 2 * REACH + 1;
/// Heights of a row of the matrix from its diagonal on: the rest of its own row, and two whole ones.
const ENTRIES: usize = REACH + 1 + REACH * WIDE;
/// Mean of a straight piece over a cell about each of three heights.
const OVER_CELL: [f64; 3] = [0.125, 0.75, 0.125];
/// Conjugate gradients end where no height would move further by itself, metres.
const SETTLED_M: f64 = 1e-8;
const MOST_STEPS: usize = 10_000;

/// Normal equations of heights on a lattice.
#[derive(Debug)]
pub struct OneSystem {
    columns: usize,
    /// `entries[slot][i]`: what couples height i with one behind it.
    entries: Vec<Vec<f64>>,
    offsets: Vec<usize>,
    right: Vec<f64>,
}

impl OneSystem {
    /// The system of a run of cells, `spacing_m` wide, on a road of spectrum `level_m`/k³.
    #[must_use]
    pub fn new(cells: &CellSums, spacing_m: f64, level_m: f64) -> Self {
        let (rows, columns) = (cells.rows, cells.columns);
        let slots =
            (0..ENTRIES).map(|slot| (slot + REACH) / WIDE * columns + (slot + REACH) % WIDE);
        let mut out = Self {
            columns,
            entries: vec![vec![0.0; rows * columns]; ENTRIES],
            offsets: slots.map(|past| past - REACH).collect(),
            right: vec![0.0; rows * columns],
        };
        out.look(cells);
        let seen = cells.w.iter().sum::<f64>() / ((rows * columns) as f64 * spacing_m * spacing_m);
        let k_c = (level_m * seen).cbrt();
        let slope = k_c / (2.0 * level_m) / TAU.powi(2);
        let bend = 1.0 / (2.0 * level_m * k_c) / TAU.powi(4);
        out.expect(rows, [slope, bend / (spacing_m * spacing_m)]);
        out
    }

    /// Cells with points and a cell on each side.
    fn look(&mut self, cells: &CellSums) {
        let columns = self.columns;
        for row in 1..cells.rows - 1 {
            for column in 1..columns - 1 {
                let k = row * columns + column;
                if cells.w[k] > 0.0 {
                    let term = |m: usize| {
                        let (r, c) = (m / 3, m % 3);
                        (
                            k + r * columns + c - columns - 1,
                            OVER_CELL[r] * OVER_CELL[c],
                        )
                    };
                    let terms: [(usize, f64); 9] = std::array::from_fn(term);
                    self.observe(&terms, cells.w[k], cells.wz[k] / cells.w[k]);
                }
            }
        }
    }

    /// No slopes and no bends, of these weights.
    fn expect(&mut self, rows: usize, [slope, bend]: [f64; 2]) {
        let columns = self.columns;
        for k in 0..rows * columns {
            let left = [rows - 1 - k / columns, columns - 1 - k % columns];
            for (step, left) in [columns, 1].into_iter().zip(left) {
                if left >= 1 {
                    self.observe(&[(k, -1.0), (k + step, 1.0)], slope, 0.0);
                }
                if left >= 2 {
                    let terms = [(k, 1.0), (k + step, -2.0), (k + 2 * step, 1.0)];
                    self.observe(&terms, bend, 0.0);
                }
            }
            if left[0] >= 1 && left[1] >= 1 {
                let next = k + columns;
                let terms = [(k, 1.0), (k + 1, -1.0), (next, -1.0), (next + 1, 1.0)];
                self.observe(&terms, 2.0 * bend, 0.0);
            }
        }
    }

    /// That Σ coefficient·height is `value`, of this weight.
    fn observe(&mut self, terms: &[(usize, f64)], weight: f64, value: f64) {
        for &(i, a) in terms {
            self.right[i] += weight * a * value;
            for &(j, b) in terms.iter().filter(|(j, _)| *j >= i) {
                let rows = j / self.columns - i / self.columns;
                let slot = rows * WIDE + j % self.columns - i % self.columns;
                self.entries[slot][i] += weight * a * b;
            }
        }
    }

    /// Heights by a banded Cholesky factor.
    ///
    /// # Errors
    /// [`Singular`] where the points do not hold the heights.
    pub fn factored(&self) -> Result<Vec<f64>, Singular> {
        let n = self.right.len();
        let mut matrix = BandedSpd::zeros(n, REACH * self.columns + REACH, false);
        for (entries, &offset) in self.entries.iter().zip(&self.offsets) {
            for i in (0..n.saturating_sub(offset)).filter(|&i| entries[i] != 0.0) {
                matrix.add(i + offset, i, entries[i]);
            }
        }
        let mut heights = self.right.clone();
        matrix.factor()?.solve(&mut heights);
        Ok(heights)
    }

    /// Heights by conjugate gradients from `heights` on, the diagonal as preconditioner, and the steps
    /// that it took; nothing where it does not settle.
    #[must_use]
    pub fn descended(&self, mut heights: Vec<f64>) -> Option<(Vec<f64>, usize)> {
        let n = heights.len();
        let over: Vec<f64> = self.entries[0].iter().map(|d| d.recip()).collect();
        let dot = |a: &[f64], b: &[f64]| -> f64 { a.iter().zip(b).map(|(a, b)| a * b).sum() };
        let mut pushed = vec![0.0; n];
        self.times(&heights, &mut pushed);
        let mut rest: Vec<f64> = self.right.iter().zip(&pushed).map(|(b, q)| b - q).collect();
        let mut eased: Vec<f64> = rest.iter().zip(&over).map(|(r, m)| r * m).collect();
        let mut way = eased.clone();
        let mut power = dot(&rest, &eased);
        for step in 0..MOST_STEPS {
            if eased.iter().all(|e| e.abs() < SETTLED_M) {
                return Some((heights, step));
            }
            self.times(&way, &mut pushed);
            let far = power / dot(&way, &pushed);
            for k in 0..n {
                heights[k] += far * way[k];
                rest[k] -= far * pushed[k];
                eased[k] = over[k] * rest[k];
            }
            let next = dot(&rest, &eased);
            let share = next / power;
            power = next;
            way.iter_mut()
                .zip(&eased)
                .for_each(|(w, e)| *w = e + share * *w);
        }
        None
    }

    fn times(&self, x: &[f64], out: &mut [f64]) {
        let n = x.len();
        for k in 0..n {
            out[k] = self.entries[0][k] * x[k];
        }
        for (entries, &offset) in self.entries.iter().zip(&self.offsets).skip(1) {
            for k in 0..n.saturating_sub(offset) {
                out[k] += entries[k] * x[k + offset];
            }
            for k in 0..n.saturating_sub(offset) {
                out[k + offset] += entries[k] * x[k];
            }
        }
    }
}
