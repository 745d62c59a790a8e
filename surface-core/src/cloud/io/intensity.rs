//! Intensities of any scale → 0..=65535.

use crate::numeric::to_u16;

/// Largest value on the way out.
const FULL: f64 = 65_535.0;
/// Formats that write signed intensities count from −2048 to 2047.
const SIGNED_ZERO: f64 = 2048.0;
const SIGNED_FACTOR: f64 = 16.0;

/// A linear scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    offset: f64,
    factor: f64,
}

impl Scale {
    /// `min` becomes 0 and `max` 65535; `None` where that is no range.
    pub fn of_range(min: f64, max: f64) -> Option<Self> {
        let factor = FULL / (max - min);
        (factor.is_finite() && factor > 0.0).then_some(Self {
            offset: -min,
            factor,
        })
    }

    /// The scale of a format that does not tell its range, from the first values: 0 to 1 fills
    /// the range, negative values are the signed 12-bit scale, anything else is kept.
    pub fn learned(values: &[f64]) -> Self {
        let finite = || values.iter().copied().filter(|v| v.is_finite());
        let (min, max) = (finite().fold(0.0, f64::min), finite().fold(0.0, f64::max));
        let (offset, factor) = match (min < 0.0, max <= 1.0) {
            (true, _) => (SIGNED_ZERO, SIGNED_FACTOR),
            (false, true) => (0.0, FULL),
            (false, false) => (0.0, 1.0),
        };
        Self { offset, factor }
    }

    /// The scaled value; NaN becomes 0.
    pub fn apply(self, v: f64) -> u16 {
        to_u16((v + self.offset) * self.factor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_follows_from_the_first_values() {
        assert_eq!(Scale::learned(&[0.0, 0.5, 1.0]).apply(0.5), 32_768);
        assert_eq!(Scale::learned(&[-2000.0, 1500.0]).apply(-2048.0), 0);
        assert_eq!(Scale::learned(&[10.0, 60_000.0]).apply(1234.0), 1234);
        assert_eq!(Scale::learned(&[f64::NAN]).apply(f64::NAN), 0);
    }

    #[test]
    fn a_told_range_fills_the_scale_and_an_empty_one_is_none() {
        let scale = Scale::of_range(-1.0, 3.0).unwrap();
        assert_eq!(
            [-1.0, 3.0, 9.0].map(|v| scale.apply(v)),
            [0, 65_535, 65_535]
        );
        assert_eq!(Scale::of_range(2.0, 2.0), None);
    }
}
