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
        Steps::Of(length / count)
    } else {
        Steps::None
    }
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
    fn one_height_alone_is_flat() {
        assert_eq!(steps(&[2.5; 200]), Steps::Flat(2.5));
    }
}
