//! Least squares of values on a lattice, each observation of which meets a few that lie close together.

/// Rows and columns that two values of one observation may be apart.
const REACH: usize = 2;
const WIDE: usize = 2 * REACH + 1;
/// Values that one is coupled with, itself and those behind it: the rest of its own row, and of two whole
/// ones.
const ENTRIES: usize = REACH + 1 + REACH * WIDE;
const MOST_STEPS: usize = 10_000;

/// Where a value of the lattice stands in an observation: row and column, and its coefficient.
pub type Term = ([usize; 2], f64);

/// Normal equations of values on a lattice: which values fit all observations best, by least squares?
///
/// They are kept by row and, in it, by what couples each value with one behind it, with a margin on all
/// sides that is coupled with nothing: sums over a row need no ifs.
#[derive(Debug, Clone)]
pub struct LatticeSystem {
    rows: usize,
    columns: usize,
    /// Values from one row to the next, margins with them.
    stride: usize,
    entries: Vec<f64>,
    right: Vec<f64>,
}

/// Values that a descent came to, and the steps it took.
#[derive(Debug, Clone, PartialEq)]
pub struct Descent {
    /// One for each node of the lattice, row by row.
    pub values: Vec<f64>,
    /// Steps of conjugate gradients.
    pub steps: usize,
}

impl LatticeSystem {
    /// The system of a lattice that nothing has been said of.
    #[must_use]
    pub fn new(rows: usize, columns: usize) -> Self {
        let stride = columns + 2 * REACH;
        let whole = (rows + 2 * REACH) * stride;
        Self {
            rows,
            columns,
            stride,
            entries: vec![0.0; whole * ENTRIES],
            right: vec![0.0; whole],
        }
    }

    /// That Σ coefficient·value is `sum`, of this weight. Terms come in the lattice's order, row by row, and
    /// lie at most two rows and columns apart.
    pub fn observe(&mut self, terms: &[Term], weight: f64, sum: f64) {
        for (k, &([row, column], a)) in terms.iter().enumerate() {
            let own = self.at(row, column);
            self.right[own] += weight * a * sum;
            let first = (row + REACH) * self.stride * ENTRIES + column + REACH;
            for &([behind_row, behind_column], b) in &terms[k..] {
                let slot = (behind_row - row) * WIDE + behind_column - column;
                debug_assert!(slot < ENTRIES && column.abs_diff(behind_column) <= REACH);
                self.entries[first + slot * self.stride] += weight * a * b;
            }
        }
    }

    fn at(&self, row: usize, column: usize) -> usize {
        (row + REACH) * self.stride + column + REACH
    }

    /// The values from 0 on by conjugate gradients, the diagonal as preconditioner, until no value would move
    /// further than `settled` by itself; those that are not `free` (row by row), or of which nothing is
    /// observed, stay 0. Nothing where they do not settle. (Hestenes and Stiefel 1952.)
    #[must_use]
    pub fn descend(&self, free: &[bool], settled: f64) -> Option<Descent> {
        let over = self.over_diagonal(free);
        let n = over.len();
        let mut found = vec![0.0; n];
        let mut pushed = vec![0.0; n];
        let mut rest = self.right.clone();
        let mut eased: Vec<f64> = rest.iter().zip(&over).map(|(r, m)| r * m).collect();
        let mut way = eased.clone();
        let mut power = dot(&rest, &eased);
        for steps in 0..MOST_STEPS {
            if eased.iter().all(|e| e.abs() < settled) {
                let values = self.inner(&found);
                return Some(Descent { values, steps });
            }
            if !power.is_finite() {
                return None;
            }
            self.times(&way, &mut pushed);
            let far = power / dot(&way, &pushed);
            for k in 0..n {
                found[k] += far * way[k];
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

    /// 1 over the diagonal where a value is free and observed, 0 elsewhere.
    fn over_diagonal(&self, free: &[bool]) -> Vec<f64> {
        let mut over = vec![0.0; self.right.len()];
        for (k, _) in free.iter().enumerate().filter(|(_, free)| **free) {
            let (row, column) = (k / self.columns, k % self.columns);
            let own = self.entries[(row + REACH) * self.stride * ENTRIES + column + REACH];
            if own > 0.0 {
                over[self.at(row, column)] = own.recip();
            }
        }
        over
    }

    /// Of a column with margins the part without.
    fn inner(&self, all: &[f64]) -> Vec<f64> {
        let row = |row| &all[self.at(row, 0)..self.at(row, 0) + self.columns];
        (0..self.rows).flat_map(|r| row(r).to_vec()).collect()
    }

    fn times(&self, x: &[f64], out: &mut [f64]) {
        out.fill(0.0);
        let columns = self.columns;
        for row in 0..self.rows {
            let first = self.at(row, 0);
            let entries = &self.entries[(row + REACH) * self.stride * ENTRIES + REACH..];
            for slot in 0..ENTRIES {
                let entries = &entries[slot * self.stride..][..columns];
                let ahead =
                    first + (slot + REACH) / WIDE * self.stride + (slot + REACH) % WIDE - REACH;
                let there = &x[ahead..][..columns];
                let here = &mut out[first..][..columns];
                for ((o, e), x) in here.iter_mut().zip(entries).zip(there) {
                    *o += e * x;
                }
                if slot > 0 {
                    let here = &x[first..][..columns];
                    let there = &mut out[ahead..][..columns];
                    for ((o, e), x) in there.iter_mut().zip(entries).zip(here) {
                        *o += e * x;
                    }
                }
            }
        }
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::super::{Draw, factor_dense, solve_dense};
    use super::*;

    const ROWS: usize = 7;
    const COLUMNS: usize = 6;

    /// Observations of three values in a row, along and across, and of single values here and there.
    fn observations() -> Vec<(Vec<Term>, f64, f64)> {
        let mut draw = Draw(5);
        let mut out = Vec::new();
        for (r, c) in (0..ROWS).flat_map(|r| (0..COLUMNS).map(move |c| (r, c))) {
            let along = [[r, c], [r + 1, c], [r + 2, c]];
            let across = [[r, c], [r, c + 1], [r, c + 2]];
            let slanted = [[r, c + 1], [r + 1, c], [r + 2, c + 1]];
            let single = [[r, c]; 1];
            for places in [&along[..], &across, &slanted, &single] {
                if places.iter().all(|[r, c]| *r < ROWS && *c < COLUMNS) {
                    let terms = places.iter().map(|at| (*at, draw.unit() - 0.5)).collect();
                    out.push((terms, 0.5 + draw.unit(), draw.unit()));
                }
            }
        }
        out
    }

    /// The best free values by a dense factor, others being 0.
    fn dense(free: &[bool]) -> Vec<f64> {
        let n = ROWS * COLUMNS;
        let (mut matrix, mut right) = (vec![0.0; n * n], vec![0.0; n]);
        for (terms, weight, sum) in observations() {
            let free_terms = || terms.iter().map(|([r, c], a)| (r * COLUMNS + c, a));
            for (i, a) in free_terms().filter(|(i, _)| free[*i]) {
                right[i] += weight * a * sum;
                for (j, b) in free_terms().filter(|(j, _)| free[*j]) {
                    matrix[i * n + j] += weight * a * b;
                }
            }
        }
        (0..n)
            .filter(|i| !free[*i])
            .for_each(|i| matrix[i * n + i] = 1.0);
        factor_dense(&mut matrix, n, 0).unwrap();
        solve_dense(&matrix, n, &mut right);
        right
    }

    #[test]
    fn free_values_are_those_of_a_dense_factor_and_others_stay() {
        let mut system = LatticeSystem::new(ROWS, COLUMNS);
        for (terms, weight, sum) in observations() {
            system.observe(&terms, weight, sum);
        }
        for held in [0, 5, 3] {
            let free: Vec<bool> = (0..ROWS * COLUMNS)
                .map(|k| held == 0 || k % held != 1)
                .collect();
            let found = system.descend(&free, 1e-13).unwrap();
            for (k, (a, b)) in found.values.iter().zip(dense(&free)).enumerate() {
                assert!((a - b).abs() < 1e-9, "{held} {k}: {a} for {b}");
                assert!(free[k] || a.to_bits() == 0.0f64.to_bits());
            }
            assert!(found.steps > 3);
        }
    }

    #[test]
    fn what_is_no_number_does_not_settle_and_what_nothing_is_said_of_stays() {
        let mut system = LatticeSystem::new(3, 3);
        let free = [true; 9];
        assert_eq!(system.descend(&free, 1e-9).unwrap().values, [0.0; 9]);
        system.observe(&[([1, 1], 1.0)], 2.0, 3.0);
        let found = system.descend(&free, 1e-9).unwrap();
        assert!((found.values[4] - 3.0).abs() < 1e-12 && found.steps == 1);
        system.observe(&[([0, 0], 1.0)], 1.0, f64::NAN);
        assert_eq!(system.descend(&free, 1e-9), None);
    }
}
