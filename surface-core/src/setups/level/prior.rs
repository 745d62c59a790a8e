//! What is known of the unknowns beforehand: that they are alike from setup to setup.

use super::misfits::spread;
use super::solver::{BELIEVED_M, LEVEL, Solver};
use crate::numeric::{TUKEY_C, biweight, median};

/// How well the mean of all setups is known where checkpoints tell it, metres. Without them it is
/// what was delivered (and put back to that in the end), as good as the mean of so many setups.
const DATUM_M: f64 = 10.0;

impl Solver<'_> {
    /// Which of the prior's variances is unknown `k`'s.
    fn kind(&self, k: usize) -> usize {
        match k % self.each {
            0 => 0,
            u if u < LEVEL => 1,
            _ => 2,
        }
    }

    /// 1/variance that draws unknown `k` to its common value.
    pub(super) fn prior_pull(&self, k: usize) -> f64 {
        let kind = self.kind(k);
        // A setup that is off in height is no worse in its slow error.
        let held = if kind < 2 {
            self.held[k / self.each]
        } else {
            1.0
        };
        held.max(1e-6) / self.prior_m2[kind]
    }

    /// What the prior draws unknown `k` to: the mean offset as the prior knows it, or level.
    pub(super) fn common(&self, k: usize) -> f64 {
        if !k.is_multiple_of(self.each) {
            return 0.0;
        }
        let sum: f64 = (0..self.setups)
            .map(|s| self.prior_pull(self.each * s) * self.x[self.each * s])
            .sum();
        sum / self.common_pull()
    }

    /// 1/variance of the mean offset, from the setups and from what is known of the datum.
    fn common_pull(&self) -> f64 {
        let setups: f64 = (0..self.setups)
            .map(|s| self.prior_pull(self.each * s))
            .sum();
        let datum = if self.fixed { DATUM_M.powi(-2) } else { setups };
        setups + datum.max(1e-300)
    }

    /// The prior, with the mean offset eliminated.
    pub(super) fn add_prior(&self, a: &mut [f64]) {
        let n = self.each * self.setups;
        let total = self.common_pull();
        for k in 0..n {
            a[k * n + k] += self.prior_pull(k);
        }
        for k in (0..n).step_by(self.each) {
            for l in (0..n).step_by(self.each) {
                a[k * n + l] -= self.prior_pull(k) * self.prior_pull(l) / total;
            }
        }
    }

    /// Spread of offsets and tilts from the solution and its own uncertainty.
    pub(super) fn learn_prior(&mut self) {
        self.learn_slow_prior();
        let tied: Vec<usize> = (0..self.setups).filter(|&s| self.tied[s]).collect();
        if tied.len() < 3 {
            return;
        }
        let offsets = self.spread_offsets(&tied);
        for (&s, o) in tied.iter().zip(&offsets) {
            self.held[s] = biweight(o / (TUKEY_C * self.robust_sd_m));
        }
        let mut sums = [[0.0; 2]; 2];
        for (&s, o) in tied.iter().zip(&offsets) {
            sums[0][0] += self.held[s];
            sums[0][1] += self.held[s] * (o * o + self.relative_m2[s]);
            for k in self.each * s + 1..self.each * s + LEVEL {
                sums[1][0] += self.held[s];
                sums[1][1] += self.held[s] * (self.x[k] * self.x[k] + self.variance[k]);
            }
        }
        for (prior, [count, sum]) in self.prior_m2.iter_mut().zip(sums) {
            *prior = believed(sum / count.max(1e-300));
        }
    }

    /// Spread of slow errors, the same way: they have no mean, so that few setups tell it.
    fn learn_slow_prior(&mut self) {
        let (mut terms, mut sum) = (0.0, 0.0);
        for s in (0..self.setups).filter(|&s| self.tells_slow(s)) {
            for k in self.each * s + LEVEL..self.each * (s + 1) {
                terms += 1.0;
                sum += self.x[k] * self.x[k] + self.variance[k];
            }
        }
        if terms > 0.0 {
            self.prior_m2[2] = believed(sum / terms);
        }
    }

    /// Offsets of setups less their median; their robust spread is noted.
    pub(super) fn spread_offsets(&mut self, tied: &[usize]) -> Vec<f64> {
        let mut offsets: Vec<f64> = tied.iter().map(|&s| self.x[self.each * s]).collect();
        let middle = median(&mut offsets.clone()).unwrap_or(0.0);
        offsets.iter_mut().for_each(|o| *o -= middle);
        self.robust_sd_m = spread(offsets.clone(), 0.0).max(BELIEVED_M[0]);
        offsets
    }
}

/// A variance within what is believed, m².
fn believed(square_m2: f64) -> f64 {
    square_m2.clamp(BELIEVED_M[0].powi(2), BELIEVED_M[1].powi(2))
}
