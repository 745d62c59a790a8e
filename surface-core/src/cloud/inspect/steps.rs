//! Are the heights whole multiples of a step?

use super::ground::quantile;

/// Heights needed to tell a step from chance.
const LEAST: usize = 100;
/// A gap is a whole number of steps if it is within this share of a step.
const TOLERANCE: f64 = 0.02;
/// Share of the gaps that have to be whole numbers of steps: leaves room for a few points that
/// another program moved.
const WHOLE: f64 = 0.99;
/// The step is looked for in this share of the smallest gaps.
const SMALL: f64 = 0.05;

/// Finer steps that were rounded once more are of no interest, metres.
const LEAST_STEP_M: f64 = 0.004;
/// Share of the heights in phase with a rounded step: 10 mm rounded to 3.05 mm have 0.86.
const IN_PHASE: f64 = 0.7;
/// Different heights that are held against a step, from the middle of them: chance brings them in
/// phase by 1/√500 = 0.04.
const HELD: usize = 500;
/// Steps tried for each cycle over the range of those heights, and at most.
const TRIES_A_CYCLE: f64 = 5.0;
const MOST_TRIES: usize = 20_000;

/// Steps of the heights below this are small against any scanner's noise, metres: 2 mm steps add
/// 0.6 mm (step/√12) to a noise of 1 mm and more.
pub(super) const COARSE_STEP_M: f64 = 0.002;

/// What the heights of a file look like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Steps {
    /// Too few to tell, or no step.
    None,
    /// All the same, metres.
    Flat(f64),
    /// Whole multiples of this, metres.
    Of(f64),
}

/// The coarse step that some heights come in, metres: more than 2 mm, which no scanner's noise
/// hides. `None` where they have none, or a finer one; or where too few heights tell.
#[must_use]
pub fn coarse_step_m(heights: &[f64]) -> Option<f64> {
    match steps(heights) {
        Steps::Of(step) if step > COARSE_STEP_M => Some(step),
        _ => None,
    }
}

/// The step of some heights, from the gaps between the different ones among them.
pub(super) fn steps(heights: &[f64]) -> Steps {
    if heights.len() < LEAST {
        return Steps::None;
    }
    let mut sorted = heights.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let mut gaps: Vec<f64> = sorted.windows(2).map(|w| w[1] - w[0]).collect();
    gaps.retain(|g| *g > f64::EPSILON * sorted[0].abs().max(1.0) * 8.0);
    if gaps.is_empty() {
        return Steps::Flat(sorted[0]);
    }
    gaps.sort_unstable_by(f64::total_cmp);
    let step = quantile(&gaps, SMALL).unwrap_or(gaps[0]);
    let whole = gaps
        .iter()
        .filter(|g| (*g / step - (*g / step).round()).abs() < TOLERANCE);
    let (mut n, mut length, mut count) = (0usize, 0.0, 0.0);
    for gap in whole {
        n += 1;
        length += gap;
        count += (gap / step).round();
    }
    #[expect(clippy::cast_precision_loss, reason = "at most a sample's size")]
    let enough = n as f64 >= WHOLE * gaps.len() as f64 && gaps.len() > 1;
    if enough {
        return Steps::Of(length / count);
    }
    rounded_step(&sorted).map_or(Steps::None, Steps::Of)
}

/// A step that was rounded once more: metres in steps of 10 mm, stored in hundredths of a foot.
/// The usual gap tells the step roughly; the step at which most heights fall in phase, nearly.
fn rounded_step(sorted: &[f64]) -> Option<f64> {
    let mut heights = sorted.to_vec();
    heights.dedup_by(|a, b| *a - *b < LEAST_STEP_M / 10.0);
    let mut gaps: Vec<f64> = heights.windows(2).map(|w| w[1] - w[0]).collect();
    gaps.sort_unstable_by(f64::total_cmp);
    let usual = 1.5 * quantile(&gaps, 0.5)?;
    let ordinary = &gaps[..gaps.partition_point(|g| *g <= usual)];
    #[expect(clippy::cast_precision_loss, reason = "at most a sample's size")]
    let rough = ordinary.iter().sum::<f64>() / ordinary.len() as f64;
    if heights.len() < LEAST || rough < LEAST_STEP_M {
        return None;
    }
    let spare = heights.len().saturating_sub(HELD);
    let heights = &heights[spare / 2..heights.len() - spare.div_ceil(2)];
    let range = heights[heights.len() - 1] - heights[0];
    let cycles = |step: f64| range / step;
    let (from, to) = (cycles(rough * 1.1), cycles(rough * 0.9));
    let tries = crate::numeric::to_index((to - from) * TRIES_A_CYCLE).min(MOST_TRIES);
    #[expect(clippy::cast_precision_loss, reason = "at most MOST_TRIES")]
    let steps = (0..=tries).map(|k| range / (from + k as f64 / TRIES_A_CYCLE));
    let best = steps
        .map(|step| (in_phase(heights, step), step))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    (best.0 >= IN_PHASE).then_some(best.1)
}

/// |mean of exp(2πi·z/step)|: 1 for exact steps, sin(πr)/(πr) for steps rounded to r of a step,
/// 1/√n for none.
fn in_phase(heights: &[f64], step: f64) -> f64 {
    let (mut c, mut s) = (0.0, 0.0);
    for z in heights {
        let (sin, cos) = (std::f64::consts::TAU * (z - heights[0]) / step).sin_cos();
        c += cos;
        s += sin;
    }
    #[expect(clippy::cast_precision_loss, reason = "at most a sample's size")]
    let n = heights.len() as f64;
    f64::hypot(c, s) / n
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers in 0..1 without pattern.
    fn noise(n: u32) -> impl Iterator<Item = f64> {
        (1..=n).map(|k| (f64::from(k) * 0.754_877_666_246_693).fract())
    }

    #[test]
    fn steps_are_found_to_a_thousandth_in_metres_and_in_feet() {
        for step in [0.01, 0.003_048, 0.001] {
            let heights: Vec<f64> = noise(5000)
                .map(|u| 1234.5 + (u * 40.0).round() * step)
                .collect();
            let Steps::Of(found) = steps(&heights) else {
                panic!("no step for {step}");
            };
            assert!((found / step - 1.0).abs() < 1e-3, "{found} for {step}");
        }
    }

    #[test]
    fn heights_without_steps_have_none_however_many() {
        for n in [10, 100, 1000, 60_000] {
            let heights: Vec<f64> = noise(n).map(|u| 100.0 + u * u * 30.0).collect();
            assert_eq!(steps(&heights), Steps::None, "{n}");
        }
    }

    #[test]
    fn steps_of_a_centimetre_are_found_behind_hundredths_of_a_foot() {
        let heights: Vec<f64> = noise(20_000)
            .map(|u| 120.0 + (u * u * 3000.0).round() * 0.01)
            .map(|z| (z / 0.003_048).round() * 0.003_048)
            .collect();
        let Steps::Of(found) = steps(&heights) else {
            panic!("no step");
        };
        assert!((found / 0.01 - 1.0).abs() < 1e-3, "{found}");
    }

    #[test]
    fn coarse_steps_are_told_and_fine_ones_are_not() {
        let of =
            |step: f64| -> Vec<f64> { noise(3000).map(|u| (u * 900.0).round() * step).collect() };
        assert!((coarse_step_m(&of(0.01)).unwrap() - 0.01).abs() < 1e-6);
        assert_eq!(coarse_step_m(&of(0.001)), None);
        // Sparse heights without steps, far apart.
        let sparse: Vec<f64> = noise(3000).map(|u| 60.0 * u * u.sqrt()).collect();
        assert_eq!(coarse_step_m(&sparse), None);
    }

    #[test]
    fn one_height_alone_is_flat() {
        assert_eq!(steps(&[2.5; 200]), Steps::Flat(2.5));
    }
}
