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
use surface_core::numeric::{BandedSpd, Descent, LatticeSystem, Singular, Term};

/// Rows and columns that two heights of one observation may be apart.
const REACH: usize = 2;
/// Mean of a straight piece over a cell about each of three heights.
const OVER_CELL: [f64; 3] = [0.125, 0.75, 0.125];
/// Conjugate gradients end where no height would move further by itself, metres.
const SETTLED_M: f64 = 1e-8;

/// A run of cells, `spacing_m` wide, on a road of spectrum `level_m`/k³.
#[derive(Debug, Clone, Copy)]
pub struct OneSystem<'a> {
    /// What was seen.
    pub cells: &'a CellSums,
    /// From one height to the next, metres.
    pub spacing_m: f64,
    /// Level of the road's spectrum, metres.
    pub level_m: f64,
}

impl OneSystem<'_> {
    /// Heights by a banded Cholesky factor.
    ///
    /// # Errors
    /// [`Singular`] where the points do not hold the heights.
    pub fn factored(&self) -> Result<Vec<f64>, Singular> {
        let columns = self.cells.columns;
        let n = self.cells.rows * columns;
        let mut matrix = BandedSpd::zeros(n, REACH * columns + REACH, false);
        let mut heights = vec![0.0; n];
        self.each(&mut |terms, weight, sum| {
            let at = |[row, column]: [usize; 2]| row * columns + column;
            for (k, (i, a)) in terms.iter().enumerate() {
                heights[at(*i)] += weight * a * sum;
                let behind = &terms[..=k];
                behind
                    .iter()
                    .for_each(|(j, b)| matrix.add(at(*i), at(*j), weight * a * b));
            }
        });
        matrix.factor()?.solve(&mut heights);
        Ok(heights)
    }

    /// Heights by conjugate gradients from `start` on, and the steps that it took; nothing where it does not
    /// settle.
    #[must_use]
    pub fn descended(&self, start: &[f64]) -> Option<Descent> {
        let (rows, columns) = (self.cells.rows, self.cells.columns);
        let mut system = LatticeSystem::new(rows, columns);
        self.each(&mut |terms, weight, sum| {
            let height = |[row, column]: [usize; 2]| start[row * columns + column];
            let now: f64 = terms.iter().map(|(at, a)| a * height(*at)).sum();
            system.observe(terms, weight, sum - now);
        });
        let mut found = system.descend(&vec![true; rows * columns], SETTLED_M)?;
        found
            .values
            .iter_mut()
            .zip(start)
            .for_each(|(z, s)| *z += s);
        Some(found)
    }

    /// All observations: that Σ coefficient·height is a sum, of a weight.
    fn each(&self, observe: &mut dyn FnMut(&[Term], f64, f64)) {
        self.look(observe);
        let area = (self.cells.w.len() as f64) * self.spacing_m * self.spacing_m;
        let seen = self.cells.w.iter().sum::<f64>() / area;
        let k_c = (self.level_m * seen).cbrt();
        let slope = k_c / (2.0 * self.level_m) / TAU.powi(2);
        let bend = 1.0 / (2.0 * self.level_m * k_c) / TAU.powi(4);
        self.expect([slope, bend / (self.spacing_m * self.spacing_m)], observe);
    }

    /// Cells with points and a cell on each side.
    fn look(&self, observe: &mut dyn FnMut(&[Term], f64, f64)) {
        for row in 1..self.cells.rows - 1 {
            for column in 1..self.cells.columns - 1 {
                let k = row * self.cells.columns + column;
                if self.cells.w[k] > 0.0 {
                    let term = |m: usize| {
                        let (r, c) = (m / 3, m % 3);
                        ([row + r - 1, column + c - 1], OVER_CELL[r] * OVER_CELL[c])
                    };
                    let terms: [Term; 9] = std::array::from_fn(term);
                    observe(&terms, self.cells.w[k], self.cells.wz[k] / self.cells.w[k]);
                }
            }
        }
    }

    /// No slopes and no bends, of these weights.
    fn expect(&self, [slope, bend]: [f64; 2], observe: &mut dyn FnMut(&[Term], f64, f64)) {
        let (rows, columns) = (self.cells.rows, self.cells.columns);
        for (r, c) in (0..rows).flat_map(|r| (0..columns).map(move |c| (r, c))) {
            let own = [r, c];
            for (next, after) in [([r + 1, c], [r + 2, c]), ([r, c + 1], [r, c + 2])] {
                let inside = |[r, c]: [usize; 2]| r < rows && c < columns;
                if inside(next) {
                    observe(&[(own, -1.0), (next, 1.0)], slope, 0.0);
                }
                if inside(after) {
                    observe(&[(own, 1.0), (next, -2.0), (after, 1.0)], bend, 0.0);
                }
            }
            if r + 1 < rows && c + 1 < columns {
                let [beside, below, across] = [[r, c + 1], [r + 1, c], [r + 1, c + 1]];
                let twist = [(own, 1.0), (beside, -1.0), (below, -1.0), (across, 1.0)];
                observe(&twist, 2.0 * bend, 0.0);
            }
        }
    }
}
