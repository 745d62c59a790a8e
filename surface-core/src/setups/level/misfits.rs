//! What is left between setups at places: weights, and setups that contradict the others.

use super::solver::{FLOOR_M, Solver};
use crate::numeric::{MEDIAN_CHI2, TUKEY_C, biweight, mad_sigma};
use crate::setups::ties::FEWEST_PLACES;

/// A setup with this share of its sights rejected contradicts the others.
const CONTRADICTS: f64 = 0.5;

impl Solver<'_> {
    /// Misfits of all sights, in metres and over their standard deviations.
    pub(super) fn standardised(&self) -> Misfits {
        let mut out = Misfits::default();
        let (mut seen, mut first) = (Vec::new(), 0);
        for place in self.places.iter() {
            self.observations(&place, first, &mut seen);
            first += place.sights.len();
            let total: f64 = seen.iter().map(|s| s.1).sum();
            let height = seen.iter().map(|s| s.1 * s.2).sum::<f64>() / total.max(1e-300);
            for (sight, &(_, w, mean)) in place.sights.iter().zip(&seen) {
                let own = f64::from(sight.variance_m2) / f64::from(sight.n.max(1.0));
                let own = own + self.extra_m2;
                // What a sight says of a height that it made itself is worth less.
                let share = if w > 0.0 { w * own * own } else { 0.0 };
                let left = (own - share / (total * own).max(1e-300)).max(0.05 * own);
                out.raw_m.push(mean - height);
                out.over_sd.push((mean - height) / left.sqrt());
                out.variance_m2.push(own);
                out.shared.push(place.sights.len() > 1);
            }
        }
        out
    }

    /// New weights, and the variance that points' noise does not explain.
    pub(super) fn judge(&mut self) {
        let misfits = self.standardised();
        let mut squares: Vec<f64> = misfits.of_shared(&misfits.over_sd).map(|u| u * u).collect();
        if squares.is_empty() {
            return;
        }
        let middle = squares.len() / 2;
        let (_, square, _) = squares.select_nth_unstable_by(middle, f64::total_cmp);
        let excess = *square / MEDIAN_CHI2 - 1.0;
        let mut variances: Vec<f64> = misfits.of_shared(&misfits.variance_m2).collect();
        let (_, typical, _) = variances.select_nth_unstable_by(middle, f64::total_cmp);
        self.extra_m2 = (self.extra_m2 + 0.7 * excess * *typical).max(FLOOR_M * FLOOR_M);
        for (trust, u) in self.trust.iter_mut().zip(&misfits.over_sd) {
            *trust = biweight(u / TUKEY_C);
        }
        self.misfits_m.push(misfits.raw_spread_m());
    }

    /// Setups most of whose sights the others contradict are left out.
    pub(super) fn leave_out(&mut self) {
        let mut counts = vec![[0.0f64; 2]; self.setups];
        let sights = self.places.iter().flat_map(|p| {
            let shared = p.sights.len() > 1;
            p.sights.iter().map(move |sight| (sight, shared))
        });
        // What nobody else saw agrees with itself.
        for ((sight, _), trust) in sights.zip(&self.trust).filter(|((_, shared), _)| *shared) {
            if let Some(count) = counts.get_mut(usize::from(sight.setup)) {
                count[0] += 1.0;
                count[1] += f64::from(u8::from(*trust <= 0.0));
            }
        }
        let worst = (0..self.setups)
            .filter(|&s| !self.left_out[s] && self.shared[s] >= FEWEST_PLACES)
            .map(|s| (counts[s][1] / counts[s][0].max(1.0), s))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((share, setup)) = worst {
            self.left_out[setup] |= share > CONTRADICTS;
        }
    }
}

/// Robust spread about `centre`; 0 of nothing.
pub(super) fn spread(mut values: Vec<f64>, centre: f64) -> f64 {
    mad_sigma(&mut values, centre).unwrap_or(0.0)
}

#[derive(Default)]
pub(super) struct Misfits {
    raw_m: Vec<f64>,
    over_sd: Vec<f64>,
    variance_m2: Vec<f64>,
    /// Whether another setup saw the place too: a sight alone makes its own height, and its misfit
    /// of nothing says nothing.
    shared: Vec<bool>,
}

impl Misfits {
    /// Those of `values`, one a sight, that belong to places of several sights.
    fn of_shared(&self, values: &[f64]) -> impl Iterator<Item = f64> {
        let both = values.iter().zip(&self.shared);
        both.filter(|(_, shared)| **shared).map(|(v, _)| *v)
    }

    /// Robust spread of the misfits in metres.
    pub(super) fn raw_spread_m(&self) -> f64 {
        spread(self.of_shared(&self.raw_m).collect(), 0.0)
    }
}
