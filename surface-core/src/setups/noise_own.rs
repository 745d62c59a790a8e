//! Setups whose heights scatter more or less than the others': a wet road, hot air, wind, another
//! instrument.

use super::noise::{NoiseModel, NoiseSample};
use crate::numeric::{mad_sigma, median};

/// Fewest samples that tell of a setup.
const FEWEST: usize = 60;
/// Fewest setups among which one can stand out: of two nobody says which is the usual one.
const FEWEST_SETUPS: usize = 3;
/// A setup tells itself from the others by so many standard deviations of the median of its samples,
/// and by this share of their variance at least.
const CLEAR_SDS: f64 = 4.0;
const CLEAR_SHARE: f64 = 0.2;
/// Standard deviation of a median over that of a mean, of normal values.
const OF_MEDIAN: f64 = 1.253_3;
/// Variances further from the others' than these are no setup's noise alone.
const SPAN: [f64; 2] = [0.1, 25.0];

/// How many times as far as the usual setup's each setup's heights scatter (standard deviations);
/// `None` where it does not tell itself from that, and where fewer than three setups tell anything.
///
/// The median of a setup's variances over what `model` expects, over that of the usual setup (the
/// median one; of an even number the quieter of the two in the middle): steps and bodies in some
/// samples, and what the model leaves out for all setups, do not move it.
#[must_use]
pub fn own_factors(samples: &[NoiseSample], model: &NoiseModel, setups: usize) -> Vec<Option<f64>> {
    let mut ratios: Vec<Vec<f64>> = vec![Vec::new(); setups];
    for s in samples {
        let expected = model.variance_m2(s.d_m, s.h_m, s.intensity);
        if let Some(own) = ratios.get_mut(usize::from(s.setup)) {
            own.push(s.variance_m2 / expected);
        }
    }
    let told: Vec<Option<[f64; 2]>> = ratios.iter_mut().map(|own| median_and_sd(own)).collect();
    let Some(usual) = usual(&told) else {
        return vec![None; setups];
    };
    let factor = |[own, sd]: [f64; 2]| {
        let off = (own - usual).abs();
        let [least, most] = SPAN;
        let clear = off > CLEAR_SDS * sd && off > CLEAR_SHARE * usual;
        clear.then(|| (own / usual).clamp(least, most).sqrt())
    };
    told.into_iter().map(|t| t.and_then(factor)).collect()
}

/// The ratio of the usual setup.
fn usual(told: &[Option<[f64; 2]>]) -> Option<f64> {
    let mut medians: Vec<f64> = told.iter().flatten().map(|[m, _]| *m).collect();
    medians.sort_unstable_by(f64::total_cmp);
    let middle = medians.len().checked_sub(1)? / 2;
    Some(medians[middle]).filter(|m| *m > 0.0 && medians.len() >= FEWEST_SETUPS)
}

/// The median of a setup's ratios and its standard deviation; `None` where they are too few.
fn median_and_sd(ratios: &mut [f64]) -> Option<[f64; 2]> {
    if ratios.len() < FEWEST {
        return None;
    }
    let middle = median(ratios)?;
    let spread = mad_sigma(ratios, middle)?;
    #[expect(clippy::cast_precision_loss, reason = "a count of samples")]
    let n = ratios.len() as f64;
    Some([middle, OF_MEDIAN * spread / n.sqrt()])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::Draw;

    /// Samples of five setups of 12 degrees of freedom each, whose noise is `times` the model's.
    fn samples(model: &NoiseModel, times: [f64; 5]) -> Vec<NoiseSample> {
        let mut draw = Draw(5);
        let mut sample = |k: u16| {
            let setup = k % 5;
            let d_m = 2.0 + 0.02 * f64::from(k);
            let chi2: f64 = (0..12).map(|_| draw.normal().powi(2)).sum();
            // One place in eleven holds a step.
            let step_m2 = if k.is_multiple_of(11) { 9e-6 } else { 0.0 };
            let own = times[usize::from(setup)].powi(2) * model.variance_m2(d_m, 1.8, 0.0);
            NoiseSample {
                setup,
                d_m,
                h_m: 1.8,
                variance_m2: own * chi2 / 12.0 + step_m2,
                dof: 12.0,
                intensity: 0.0,
            }
        };
        (0..1500).map(&mut sample).collect()
    }

    const MODEL: NoiseModel = NoiseModel {
        range_m: 2e-3,
        grazing_m: 0.0,
        angle_rad: 30e-6,
        texture_m: 2e-4,
        fading: 0.0,
        intensity: 0.0,
    };

    #[test]
    fn a_setup_that_scatters_more_is_told_and_by_how_much() {
        let all = samples(&MODEL, [1.0, 1.0, 1.8, 1.0, 0.6]);
        let found = own_factors(&all, &MODEL, 6);
        assert_eq!(
            found.iter().map(Option::is_some).collect::<Vec<_>>(),
            [false, false, true, false, true, false]
        );
        // 300 samples of 12 degrees of freedom know a median to 3 %; the steps add to the quiet one's.
        assert!((found[2].unwrap() / 1.8 - 1.0).abs() < 0.06, "{found:?}");
        assert!((found[4].unwrap() / 0.6 - 1.0).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn of_four_the_two_quiet_ones_are_usual_and_of_two_none_is() {
        let of = |times: [f64; 5], setups: u16| {
            let mut all = samples(&MODEL, times);
            all.retain(|s| s.setup < setups);
            own_factors(&all, &MODEL, usize::from(setups))
        };
        let four = of([1.0, 2.0, 1.0, 2.0, 1.0], 4);
        assert!(four[0].is_none() && four[2].is_none(), "{four:?}");
        for noisy in [four[1], four[3]] {
            assert!((noisy.unwrap() / 2.0 - 1.0).abs() < 0.06, "{four:?}");
        }
        assert_eq!(of([1.0, 2.0, 1.0, 1.0, 1.0], 2), [None; 2]);
    }

    #[test]
    fn setups_alike_have_no_factor_whatever_the_model_lacks() {
        let all = samples(&MODEL, [1.4; 5]);
        assert_eq!(own_factors(&all, &MODEL, 5), [None; 5]);
        assert_eq!(own_factors(&all[..100], &MODEL, 5), [None; 5]);
    }
}
