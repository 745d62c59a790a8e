//! What a point is worth by its own intensity, where range noise grows as the return fades.
//!
//! A block's variance holds for the mean intensity of a setup's points there. Of it the share q is
//! range noise, which is (I/Ī)^(−2γ) as large for a point of intensity I: such a point weighs
//! 1/(1 − q + q·(I/Ī)^(−2γ)) times what the block's points do. Paint and asphalt in one block
//! differ that way.

use super::blocks::{Block, Scatter};
use super::cells::Sorted;
use crate::numeric::to_f32;
use crate::setups::SetupModels;

/// Steps in which intensities are told apart: sixteen an octave, 4 % each.
const PARTS: u32 = 16;
const STEPS: usize = 17 * PARTS as usize;

/// Share of range noise by block and setup, and powers of the intensity.
#[derive(Debug, Default)]
pub(super) struct Fading {
    /// By block and setup: q, and Ī^2γ.
    shares: Vec<[f32; 2]>,
    /// I^(−2γ) by step of I; γ is that of all setups, as it is learnt from all.
    powers: Vec<f32>,
}

impl Fading {
    /// Of the blocks of a run; empty where no setup's model knows of fading.
    pub fn of(
        sorted: &Sorted,
        blocks: &[Option<Block>],
        scatter: &[Scatter],
        models: &SetupModels,
    ) -> Self {
        let numbers = &sorted.setups.numbers;
        let Some(exponent) = numbers.iter().find_map(|&k| models.fading(k)) else {
            return Self::default();
        };
        let share = |(k, own): (usize, &Scatter)| {
            let setups = sorted.setups.len();
            let of = || {
                let [x, y] = sorted.setups.middles[k / setups];
                let z = blocks[k / setups].as_ref()?.plane.z0;
                let number = *numbers.get(k % setups)?;
                models.range_share(number, [x, y, z], own.intensity())
            };
            let q = of().unwrap_or(0.0);
            [q, own.intensity().max(1.0).powf(2.0 * exponent)].map(to_f32)
        };
        Self {
            shares: scatter.iter().enumerate().map(share).collect(),
            powers: (0..STEPS)
                .map(|step| to_f32(middle(step).powf(-2.0 * exponent)))
                .collect(),
        }
    }

    /// How often the weight of the block's points a point of `intensity` weighs; `k` is the number
    /// of block and setup.
    #[inline]
    pub fn of_point(&self, k: usize, intensity: u16) -> f64 {
        match self.shares.get(k) {
            Some(&[q, mean]) if q > 0.0 && intensity > 0 => {
                let ratio = self.powers[step(intensity)] * mean;
                f64::from(1.0 / (1.0 - q + q * ratio))
            }
            _ => 1.0,
        }
    }
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

    #[test]
    fn steps_hold_their_intensities_to_four_percent() {
        for intensity in [1u16, 2, 3, 7, 16, 100, 999, 12_345, 40_000, u16::MAX] {
            let ratio = middle(step(intensity)) / f64::from(intensity);
            assert!((ratio - 1.0).abs() < 0.04, "{intensity}: {ratio}");
        }
    }

    #[test]
    fn a_point_that_returns_more_weighs_more_as_far_as_range_noise_goes() {
        let exponent = 0.3;
        let fading = Fading {
            shares: vec![[0.6, to_f32(1000f64.powf(2.0 * exponent))]],
            powers: (0..STEPS)
                .map(|step| to_f32(middle(step).powf(-2.0 * exponent)))
                .collect(),
        };
        for (intensity, times) in [(1000u16, 1.0), (4000, 1.515), (250, 0.559)] {
            // Worked by hand: 4^0.6 = 2.297.
            let got = fading.of_point(0, intensity);
            assert!((got / times - 1.0).abs() < 0.03, "{intensity}: {got}");
        }
        assert!((fading.of_point(0, 0) - 1.0).abs() < 1e-12);
        assert!((Fading::default().of_point(3, 500) - 1.0).abs() < 1e-12);
    }
}
