//! What a point is worth by its own intensity, where range noise grows as the return fades.
//!
//! A block's variance holds for a point whose range noise is as strong as that of a setup's points
//! there in the mean. Of it the share q is range noise, of which a point of its own intensity has
//! ratio times as much: such a point weighs 1/(1 − q + q·ratio) times what the block's points do.
//! Paint and asphalt in one block differ that way.

use crate::numeric::to_f32;
use crate::setups::SetupModels;

/// Steps in which intensities are told apart: sixteen an octave, 4 % each.
const PARTS: u32 = 16;
const STEPS: usize = 17 * PARTS as usize;

/// How often its usual variance range noise has, by step of intensity; empty where it does not change.
#[derive(Debug, Clone, Default)]
pub(super) struct Powers(Vec<f32>);

impl Powers {
    /// As the model of these setups has it: fading is learnt from all setups, or given for all.
    pub fn of(numbers: &[u16], models: &SetupModels) -> Self {
        let fades = |k: &u16| models.faded(*k, 1.0).is_some();
        let Some(&setup) = numbers.iter().find(|k| fades(k)) else {
            return Self::default();
        };
        let of = |step: usize| to_f32(models.faded(setup, middle(step)).unwrap_or(1.0));
        Self((0..STEPS).map(of).collect())
    }

    /// At an intensity; 1 where that is 0, which is not known.
    #[inline]
    pub fn at(&self, intensity: u16) -> f64 {
        if intensity == 0 {
            return 1.0;
        }
        self.0.get(step(intensity)).map_or(1.0, |&p| f64::from(p))
    }
}

/// Share of range noise and its mean power by block and setup.
#[derive(Debug, Clone, Default)]
pub(super) struct Fading {
    /// q, and the mean power.
    shares: Vec<[f32; 2]>,
    powers: Powers,
}

impl Fading {
    /// Of the blocks and setups of a run in order: q and mean power, as far as they are known.
    pub fn of(powers: Powers, shares: impl Iterator<Item = Option<[f64; 2]>>) -> Self {
        if powers.0.is_empty() {
            return Self::default();
        }
        Self {
            shares: shares.map(share_or_none).collect(),
            powers,
        }
    }

    /// Have block and setup `k` fade like this from now on.
    pub fn set(&mut self, k: usize, share: Option<[f64; 2]>) {
        if let Some(own) = self.shares.get_mut(k) {
            *own = share_or_none(share);
        }
    }

    /// How often its usual variance range noise has.
    pub fn powers(&self) -> &Powers {
        &self.powers
    }

    /// How often the weight of the block's points a point of `intensity` weighs; `k` is the number
    /// of block and setup.
    #[inline]
    pub fn of_point(&self, k: usize, intensity: u16) -> f64 {
        match self.shares.get(k) {
            Some(&[q, mean]) if q > 0.0 => {
                let ratio = self.powers.at(intensity) / f64::from(mean);
                let q = f64::from(q);
                (1.0 - q + q * ratio).recip()
            }
            _ => 1.0,
        }
    }
}

fn share_or_none(share: Option<[f64; 2]>) -> [f32; 2] {
    share.unwrap_or([0.0, 1.0]).map(to_f32)
}

/// The step of an intensity over 0: its octave, and which part of it.
#[inline]
fn step(intensity: u16) -> usize {
    let octave = intensity.ilog2();
    let part = (u32::from(intensity) << 4 >> octave) & (PARTS - 1);
    (octave * PARTS + part) as usize
}

/// The middle intensity of a step.
fn middle(step: usize) -> f64 {
    let (octave, part) = (step / PARTS as usize, step % PARTS as usize);
    #[expect(clippy::cast_precision_loss, reason = "a part of an octave")]
    let within = 1.0 + (part as f64 + 0.5) / f64::from(PARTS);
    within * f64::from(1u32 << octave)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setups::{NoiseModel, SetupModel};

    /// One setup at (0, 0, 2) whose range noise alone scatters and goes as I^(−0.3).
    fn models() -> SetupModels {
        let noise = NoiseModel {
            range_m: 2e-3,
            fading: 0.3,
            intensity: 1000.0,
            ..NoiseModel::default()
        };
        let setup = SetupModel {
            noise: Some(noise),
            position_m: Some([0.0, 0.0, 2.0]),
            ..SetupModel::default()
        };
        SetupModels::new(vec![setup])
    }

    #[test]
    fn steps_hold_their_intensities_to_four_percent() {
        for intensity in [1u16, 2, 3, 7, 16, 100, 999, 12_345, 40_000, u16::MAX] {
            let ratio = middle(step(intensity)) / f64::from(intensity);
            assert!((ratio - 1.0).abs() < 0.04, "{intensity}: {ratio}");
        }
    }

    #[test]
    fn powers_are_those_of_the_model_and_one_where_nothing_fades_or_is_known() {
        let powers = Powers::of(&[0], &models());
        // Worked by hand: 4^(−0.6) = 0.4353; beyond 16 times, as 16: 16^0.6 = 5.278.
        for (intensity, power) in [(1000, 1.0), (4000, 0.4353), (250, 2.297), (3, 5.278)] {
            let got = powers.at(intensity);
            assert!((got / power - 1.0).abs() < 0.03, "{intensity}: {got}");
        }
        assert!((powers.at(0) - 1.0).abs() < 1e-12);
        let steady = Powers::of(&[0], &SetupModels::default());
        assert!((steady.at(9) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn points_of_a_block_weigh_in_the_mean_of_variances_what_the_block_does() {
        // Nine points of asphalt, one of paint, all noise that of ranges.
        let powers = Powers::of(&[0], &models());
        let points = [1000u16; 9].into_iter().chain([7000]);
        let mean = points.clone().map(|i| powers.at(i)).sum::<f64>() / 10.0;
        let fading = Fading::of(powers, [Some([1.0, mean])].into_iter());
        let variance = |i: u16| fading.of_point(0, i).recip();
        let usual = points.map(variance).sum::<f64>() / 10.0;
        assert!((usual - 1.0).abs() < 1e-6, "{usual}");
        assert!((variance(1000) / variance(7000) - 7f64.powf(0.6)).abs() < 0.15);
        assert!((Fading::default().of_point(3, 500) - 1.0).abs() < 1e-12);
    }
}
