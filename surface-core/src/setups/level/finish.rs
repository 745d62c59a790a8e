//! The answer from the last solution.

use super::report::{LevelReport, Levelled, SlowLevel};
use super::solver::{ARM_M, LEVEL, Solver, count};
use crate::setups::Correction;
use crate::setups::ties::spare;

/// Offsets further from the others than this are named, metres, and beyond this many of their
/// standard deviations.
const OFF_M: f64 = 2e-3;
const OFF_SDS: f64 = 4.0;

impl Solver<'_> {
    /// Robust spread of what setups differ by at a place after the last round, metres.
    pub(super) fn misfit_m(&self) -> f64 {
        self.misfits_m.last().copied().unwrap_or(0.0)
    }

    pub(super) fn finish(mut self, told: Option<SlowLevel>) -> Levelled {
        self.keep_uncovered();
        let spread = self.prior_m2[0].sqrt();
        let tied: Vec<usize> = (0..self.setups).filter(|&s| self.tied[s]).collect();
        let off = self.far_off(&tied);
        let datum = self.datum(&off);
        let tilt_sd = (0..self.setups).map(|s| self.tilt_sd(s)).collect();
        let slow_sd = (0..self.setups).map(|s| self.slow_sd(s)).collect();
        let slow = told.map(|told| self.slow_level(told));
        let corrections = (0..self.setups).map(|s| self.correction_of(s, datum));
        Levelled {
            corrections: corrections.collect(),
            report: LevelReport {
                places: self.places.iter().filter(|p| p.sights.len() > 1).count(),
                offset_sd_m: spread,
                tilt_sd_rad: self.prior_m2[1].sqrt() / ARM_M,
                misfit_before_m: self.misfits_m.first().copied().unwrap_or(0.0),
                misfit_m: self.misfit_m(),
                shared: self.shared,
                sd_m: (0..self.setups)
                    .map(|s| self.variance[self.each * s].sqrt())
                    .collect(),
                tilt_sd,
                slow_sd,
                tied: self.tied,
                off,
                left_out: self.left_out,
                spare: self.spare,
                slow,
            },
        }
    }

    /// A setup whose ground only such others saw that were left out since is no spare.
    fn keep_uncovered(&mut self) {
        let left_out = self.tied.iter().zip(&self.left_out);
        let used: Vec<bool> = left_out.map(|(tied, out)| *tied && !out).collect();
        let still = spare(self.places, &used);
        for (s, still) in still.into_iter().enumerate() {
            self.left_out[s] &= still || !self.spare[s];
            self.spare[s] &= still;
        }
    }

    /// Which setups lie far from the others.
    fn far_off(&mut self, tied: &[usize]) -> Vec<bool> {
        let mut out = vec![false; self.setups];
        let offsets = self.spread_offsets(tied);
        let limit = OFF_M.max(OFF_SDS * self.robust_sd_m);
        for (&s, o) in tied.iter().zip(offsets) {
            out[s] = o.abs() > limit;
        }
        out
    }

    fn tilt_sd(&self, s: usize) -> f64 {
        let of = |u: usize| self.variance[self.each * s + u];
        (0.5 * (of(1) + of(2))).sqrt() / ARM_M
    }

    /// What all offsets are shifted by: nothing where checkpoints hold them, else the mean of the
    /// setups that agree.
    fn datum(&self, off: &[bool]) -> f64 {
        if self.fixed {
            return 0.0;
        }
        let agreed: Vec<f64> = (0..self.setups)
            .filter(|&s| self.tied[s] && !off[s] && !self.left_out[s])
            .map(|s| self.x[self.each * s])
            .collect();
        agreed.iter().sum::<f64>() / count(agreed.len().max(1))
    }

    fn correction_of(&self, s: usize, datum_m: f64) -> Correction {
        let x = &self.x[self.each * s..self.each * s + LEVEL];
        // What no chain ties to the others, and no checkpoint holds, stays as it was delivered.
        if self.shared[s] == 0 || !(self.tied[s] || self.fixed) {
            return Correction {
                about_m: self.about_m[s],
                ..Correction::default()
            };
        }
        Correction {
            offset_m: x[0] - datum_m,
            tilt_rad: [x[1] / ARM_M, x[2] / ARM_M],
            about_m: self.about_m[s],
            slow_rad: self.slow_rad(s),
        }
    }
}
