//! Symmetric positive definite systems with a narrow band, closed in a ring or open.

/// The matrix is not positive definite: a pivot fell to zero or below.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("the system is singular: pivot {pivot:e} in row {row}")]
pub struct Singular {
    /// Row of the failing pivot.
    pub row: usize,
    /// Its value.
    pub pivot: f64,
}

/// Symmetric positive definite matrix of which row `i` reaches `i ± width`; in a ring, the rows at
/// the end also reach those at the start.
///
/// The ring is solved by the bordered ("arrow") split: the last `width` unknowns are eliminated by
/// their Schur complement, the rest is an ordinary band. O(n·width²) time, O(n·width) memory.
#[derive(Debug, Clone)]
pub struct BandedSpd {
    width: usize,
    /// Rows in the band part.
    main: usize,
    /// Rows in the border: 0 when open, `width` in a ring.
    border: usize,
    /// `band[i*(width+1)+k]` = A\[i\]\[i−k\].
    band: Vec<f64>,
    /// `arm[j*border+b]` = A\[main+b\]\[j\].
    arm: Vec<f64>,
    /// Dense border × border.
    corner: Vec<f64>,
}

impl BandedSpd {
    /// The zero matrix of `n` rows. A ring needs `n > 2·width`; a shorter one is treated as open
    /// with full coupling through its border, which stays correct as long as `n ≥ width`.
    #[must_use]
    pub fn zeros(n: usize, width: usize, ring: bool) -> Self {
        let border = if ring { width.min(n) } else { 0 };
        let main = n - border;
        Self {
            width,
            main,
            border,
            band: vec![0.0; main * (width + 1)],
            arm: vec![0.0; main * border],
            corner: vec![0.0; border * border],
        }
    }

    /// Number of rows.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.main + self.border
    }

    /// Add `v` to A\[i\]\[j\] and A\[j\]\[i\] (once on the diagonal).
    pub fn add(&mut self, i: usize, j: usize, v: f64) {
        let (hi, lo) = (i.max(j), i.min(j));
        if hi < self.main {
            debug_assert!(hi - lo <= self.width, "({hi}, {lo}) outside the band");
            self.band[hi * (self.width + 1) + hi - lo] += v;
        } else if lo < self.main {
            self.arm[lo * self.border + hi - self.main] += v;
        } else {
            let (b, c) = (hi - self.main, lo - self.main);
            self.corner[b * self.border + c] += v;
            if b != c {
                self.corner[c * self.border + b] += v;
            }
        }
    }

    /// Factor the matrix.
    ///
    /// # Errors
    /// [`Singular`] when the matrix is not positive definite.
    pub fn factor(mut self) -> Result<BandedFactor, Singular> {
        self.factor_band()?;
        let mut reach = self.arm.clone();
        for b in 0..self.border {
            self.solve_band_column(&mut reach, self.border, b);
        }
        let mut schur = self.corner.clone();
        for j in 0..self.main {
            for b in 0..self.border {
                for c in 0..self.border {
                    schur[b * self.border + c] -=
                        self.arm[j * self.border + b] * reach[j * self.border + c];
                }
            }
        }
        factor_dense(&mut schur, self.border, self.main)?;
        Ok(BandedFactor {
            matrix: self,
            reach,
            schur,
        })
    }

    /// In-place Cholesky of the band part.
    fn factor_band(&mut self) -> Result<(), Singular> {
        let w = self.width;
        for i in 0..self.main {
            for k in (0..=w.min(i)).rev() {
                let j = i - k;
                let shared = (w - k).min(j);
                let mut v = self.band[i * (w + 1) + k];
                for m in 1..=shared {
                    v -= self.band[i * (w + 1) + k + m] * self.band[j * (w + 1) + m];
                }
                self.band[i * (w + 1) + k] = if k == 0 {
                    positive_root(v, i)?
                } else {
                    v / self.band[j * (w + 1)]
                };
            }
        }
        Ok(())
    }

    /// Solve L·Lᵀ·x = b for one column of a row-major array.
    fn solve_band_column(&self, x: &mut [f64], columns: usize, c: usize) {
        let w = self.width;
        for i in 0..self.main {
            let mut v = x[i * columns + c];
            for k in 1..=w.min(i) {
                v -= self.band[i * (w + 1) + k] * x[(i - k) * columns + c];
            }
            x[i * columns + c] = v / self.band[i * (w + 1)];
        }
        for i in (0..self.main).rev() {
            let mut v = x[i * columns + c];
            for k in 1..=w.min(self.main - 1 - i) {
                v -= self.band[(i + k) * (w + 1) + k] * x[(i + k) * columns + c];
            }
            x[i * columns + c] = v / self.band[i * (w + 1)];
        }
    }
}

/// A factored [`BandedSpd`], ready to solve.
#[derive(Debug, Clone)]
pub struct BandedFactor {
    matrix: BandedSpd,
    /// Band⁻¹ · armᵀ.
    reach: Vec<f64>,
    /// Cholesky factor of the border's Schur complement.
    schur: Vec<f64>,
}

impl BandedFactor {
    /// Solve A·x = b in place.
    pub fn solve(&self, x: &mut [f64]) {
        let (main, border) = (self.matrix.main, self.matrix.border);
        let (head, tail) = x.split_at_mut(main);
        self.matrix.solve_band_column(head, 1, 0);
        for (j, h) in head.iter().enumerate() {
            for (b, t) in tail.iter_mut().enumerate() {
                *t -= self.matrix.arm[j * border + b] * h;
            }
        }
        solve_dense(&self.schur, border, tail);
        for (j, h) in head.iter_mut().enumerate() {
            for (b, t) in tail.iter().enumerate() {
                *h -= self.reach[j * border + b] * t;
            }
        }
    }
}

fn positive_root(v: f64, row: usize) -> Result<f64, Singular> {
    if v > 0.0 && v.is_finite() {
        Ok(v.sqrt())
    } else {
        Err(Singular { row, pivot: v })
    }
}

/// In-place Cholesky of a dense symmetric matrix; `offset` is only for the row in the error.
pub(crate) fn factor_dense(a: &mut [f64], n: usize, offset: usize) -> Result<(), Singular> {
    for i in 0..n {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| a[i * n + k] * a[j * n + k]).sum();
            let v = a[i * n + j] - dot;
            a[i * n + j] = if i == j {
                positive_root(v, offset + i)?
            } else {
                v / a[j * n + j]
            };
        }
    }
    Ok(())
}

/// Solve with the factor made by [`factor_dense`], in place.
pub(crate) fn solve_dense(l: &[f64], n: usize, x: &mut [f64]) {
    for i in 0..n {
        let dot: f64 = (0..i).map(|k| l[i * n + k] * x[k]).sum();
        x[i] = (x[i] - dot) / l[i * n + i];
    }
    for i in (0..n).rev() {
        let dot: f64 = (i + 1..n).map(|k| l[k * n + i] * x[k]).sum();
        x[i] = (x[i] - dot) / l[i * n + i];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A diagonally dominant band matrix, and its dense copy for the product.
    fn sample(n: usize, width: usize, ring: bool) -> (BandedSpd, Vec<f64>) {
        let mut banded = BandedSpd::zeros(n, width, ring);
        let mut dense = vec![0.0; n * n];
        for i in 0..n {
            for k in 0..=width {
                let Some(j) = (if ring {
                    Some((i + n - k) % n)
                } else {
                    i.checked_sub(k)
                }) else {
                    continue;
                };
                let v = if k == 0 {
                    9.0
                } else {
                    ((i * 7 + k * 3) % 5) as f64 / 4.0 - 0.5
                };
                banded.add(i, j, v);
                dense[i * n + j] += v;
                if i != j {
                    dense[j * n + i] += v;
                }
            }
        }
        (banded, dense)
    }

    #[test]
    fn a_band_solve_returns_the_vector_that_made_the_right_hand_side() {
        for (n, width, ring) in [(1, 3, false), (9, 1, true), (40, 3, true), (40, 3, false)] {
            let (banded, dense) = sample(n, width, ring);
            let truth: Vec<f64> = (0..n).map(|i| (i as f64 * 0.7).sin()).collect();
            let mut x: Vec<f64> = (0..n)
                .map(|i| (0..n).map(|j| dense[i * n + j] * truth[j]).sum())
                .collect();
            banded.factor().unwrap().solve(&mut x);
            for (a, b) in x.iter().zip(&truth) {
                // Condition below 10: rounding 1e-15; a misplaced entry would show at 1e-2.
                assert!((a - b).abs() < 1e-13, "{n} {width} {ring}: {a} {b}");
            }
        }
    }

    #[test]
    fn a_singular_system_names_the_row() {
        let mut zero = BandedSpd::zeros(4, 1, false);
        zero.add(0, 0, 1.0);
        assert_eq!(zero.factor().unwrap_err().row, 1);
    }
}
