//! The least squares behind a noise model: normal equations of what scatter was seen.
//!
//! Models that differ in their fading alone are compared by the dozen, so what a sample gives to all
//! of them is worked out once ([`Row`]), and the squares left are told by the normal equations
//! themselves: Σ w (v − xᵀt)² = Σ w v² − 2 xᵀb + xᵀN x.

use super::noise::{NoiseModel, NoiseSample, terms};
use crate::numeric::{factor_dense, solve_dense};

/// Unknowns: range noise, grazing noise, angle noise, texture.
pub(super) const TERMS: usize = 4;
/// Samples beyond this many times the model hold a step, a kerb or a body.
const TOO_MUCH: f64 = 2.5;

/// A sample that is believed.
pub(super) struct Row {
    /// What the squared noises are multiplied by, where nothing fades.
    terms: [f64; TERMS],
    /// ln(I/I₀).
    log_ratio: f64,
    variance_m2: f64,
    /// What a sample variance is worth: half its degrees of freedom over its expectation squared.
    weight: f64,
}

/// The samples that `scale` believes, weighted by it; their intensities over that of `faded`.
pub(super) fn rows(samples: &[NoiseSample], scale: &NoiseModel, faded: &NoiseModel) -> Vec<Row> {
    let row = |s: &NoiseSample| {
        let expected = scale.variance_m2(s.d_m, s.h_m, s.intensity);
        (s.variance_m2 < TOO_MUCH * expected).then(|| Row {
            terms: terms(s.d_m, s.h_m, 1.0),
            log_ratio: faded.log_ratio(s.intensity),
            variance_m2: s.variance_m2,
            weight: 0.5 * s.dof / (expected * expected),
        })
    };
    samples.iter().filter_map(row).collect()
}

/// Normal equations of the squares of the noises.
pub(super) struct Normal {
    matrix: [[f64; TERMS]; TERMS],
    right: [f64; TERMS],
    square: f64,
}

impl Normal {
    /// Of rows whose range noise grows as returns fade, by the power `fading`.
    pub fn of(rows: &[Row], fading: f64) -> Self {
        let mut out = Self {
            matrix: [[0.0; TERMS]; TERMS],
            right: [0.0; TERMS],
            square: 0.0,
        };
        for row in rows {
            let faded = (-2.0 * fading * row.log_ratio).exp();
            let [range, grazing, angle, texture] = row.terms;
            let terms = [faded * range, faded * grazing, angle, texture];
            for (i, term) in terms.iter().enumerate() {
                let weighted = row.weight * term;
                out.right[i] += weighted * row.variance_m2;
                for (sum, other) in out.matrix[i].iter_mut().zip(&terms) {
                    *sum += weighted * other;
                }
            }
            out.square += row.weight * row.variance_m2 * row.variance_m2;
        }
        out
    }

    /// Weighted sum of squares that these unknowns leave.
    pub fn misfit(&self, x: &[f64; TERMS]) -> f64 {
        let mut out = self.square;
        for i in 0..TERMS {
            let of_row: f64 = (0..TERMS).map(|j| self.matrix[i][j] * x[j]).sum();
            out += x[i] * (of_row - 2.0 * self.right[i]);
        }
        out
    }

    /// The unknowns, none below zero, that leave the least: of every set of free ones the best that
    /// is allowed.
    pub fn non_negative(&self) -> [f64; TERMS] {
        let mut best = ([0.0; TERMS], 0.0);
        for set in 1u32..1 << TERMS {
            let free: Vec<usize> = (0..TERMS).filter(|i| set >> i & 1 == 1).collect();
            let Some(x) = self.solve_free(&free) else {
                continue;
            };
            // Half the least squares sum, less what does not depend on x: −½ xᵀb at a stationary x.
            let gain: f64 = x.iter().zip(&self.right).map(|(a, b)| a * b).sum();
            if x.iter().all(|v| *v >= 0.0) && gain > best.1 {
                best = (x, gain);
            }
        }
        best.0
    }

    fn solve_free(&self, free: &[usize]) -> Option<[f64; TERMS]> {
        let n = free.len();
        let scale: Vec<f64> = free
            .iter()
            .map(|&i| self.matrix[i][i].sqrt().max(1e-300))
            .collect();
        let mut a = vec![0.0; n * n];
        let mut x: Vec<f64> = free
            .iter()
            .zip(&scale)
            .map(|(&i, s)| self.right[i] / s)
            .collect();
        for (p, &i) in free.iter().enumerate() {
            for (q, &j) in free.iter().enumerate() {
                a[p * n + q] = self.matrix[i][j] / (scale[p] * scale[q]);
            }
            a[p * n + p] += 1e-12;
        }
        factor_dense(&mut a, n, 0).ok()?;
        solve_dense(&a, n, &mut x);
        let mut out = [0.0; TERMS];
        for ((&i, v), s) in free.iter().zip(x).zip(scale) {
            out[i] = v / s;
        }
        Some(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_squares_left_are_those_of_each_sample_added_up() {
        let model = NoiseModel {
            range_m: 2e-3,
            angle_rad: 30e-6,
            texture_m: 0.2e-3,
            fading: 0.3,
            intensity: 900.0,
            ..NoiseModel::default()
        };
        let sample = |k: u32| NoiseSample {
            setup: 0,
            d_m: 3.0 + 0.1 * f64::from(k),
            h_m: 1.8,
            variance_m2: 1e-7 * f64::from(3 + k % 5),
            dof: 12.0,
            intensity: 300.0 + 10.0 * f64::from(k),
        };
        let samples: Vec<NoiseSample> = (0..200).map(sample).collect();
        let of = |s: &NoiseSample| model.variance_m2(s.d_m, s.h_m, s.intensity);
        let by_hand: f64 = samples
            .iter()
            .filter(|s| s.variance_m2 < 2.5 * of(s))
            .map(|s| 0.5 * s.dof * (s.variance_m2 / of(s) - 1.0).powi(2))
            .sum();
        let normal = Normal::of(&rows(&samples, &model, &model), model.fading);
        let got = normal.misfit(&model.squares_m2());
        assert!((got / by_hand - 1.0).abs() < 1e-9, "{got} {by_hand}");
        // The best unknowns leave no more.
        assert!(normal.misfit(&normal.non_negative()) < got);
    }
}
