//! Quantiles of |d| over any number of points in a fixed 24 kB, the same for any order.

use crate::numeric::to_index;

/// Fine bins, metres: quantiles below [`FINE_RANGE_M`] are exact to 0.05 mm, a tenth of what a
/// report prints.
const FINE_M: f64 = 5e-5;
const FINE_BINS: usize = 2000;
/// Up to here bins are fine.
const FINE_RANGE_M: f64 = 0.1;
/// Coarse bins beyond, metres; the last one takes everything further.
const COARSE_M: f64 = 1e-3;
const COARSE_BINS: usize = 1000;

/// Counts of |d| in fixed bins: 0.05 mm up to 100 mm, then 1 mm up to 1.1 m.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Histogram {
    counts: Vec<u64>,
}

impl Default for Histogram {
    fn default() -> Self {
        Self {
            counts: vec![0; FINE_BINS + COARSE_BINS],
        }
    }
}

impl Histogram {
    /// Count one distance (sign does not matter; NaN is left out).
    pub fn add(&mut self, d_m: f64) {
        if d_m.is_nan() {
            return;
        }
        let d = d_m.abs();
        let bin = if d < FINE_RANGE_M {
            to_index(d / FINE_M)
        } else {
            FINE_BINS + to_index((d - FINE_RANGE_M) / COARSE_M)
        };
        self.counts[bin.min(FINE_BINS + COARSE_BINS - 1)] += 1;
    }

    /// Add another histogram's counts.
    pub fn merge(&mut self, other: &Self) {
        for (mine, theirs) in self.counts.iter_mut().zip(&other.counts) {
            *mine += theirs;
        }
    }

    /// Points counted.
    #[must_use]
    pub fn points(&self) -> u64 {
        self.counts.iter().sum()
    }

    /// The |d| that a share `q` of the points does not exceed, metres, to within half a bin;
    /// `None` when there are no points.
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "points of one course are far below 2^53"
    )]
    pub fn quantile_m(&self, q: f64) -> Option<f64> {
        let wanted = (q * self.points() as f64).max(0.5);
        let mut passed = 0.0;
        for (bin, &count) in self.counts.iter().enumerate() {
            if count > 0 && passed + count as f64 >= wanted {
                let (from, width) = bin_m(bin);
                return Some(from + width * (wanted - passed) / count as f64);
            }
            passed += count as f64;
        }
        None
    }
}

/// Lower end and width of a bin, metres.
#[expect(clippy::cast_precision_loss, reason = "3000 bins")]
fn bin_m(bin: usize) -> (f64, f64) {
    match bin.checked_sub(FINE_BINS) {
        None => (bin as f64 * FINE_M, FINE_M),
        Some(k) => (FINE_RANGE_M + k as f64 * COARSE_M, COARSE_M),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_agree_with_a_full_sort_to_half_a_bin() {
        let d: Vec<f64> = (0..10_000)
            .map(|k| f64::from(k * 7919 % 10_000) * 1e-5 - 0.05)
            .collect();
        let mut histogram = Histogram::default();
        d.iter().for_each(|&v| histogram.add(v));
        let mut sorted: Vec<f64> = d.iter().map(|v| v.abs()).collect();
        sorted.sort_by(f64::total_cmp);
        for (q, k) in [(0.5, 4999), (0.95, 9499), (0.99, 9899)] {
            let error = histogram.quantile_m(q).unwrap() - sorted[k];
            assert!(error.abs() <= FINE_M, "{q}: {error}");
        }
    }

    #[test]
    fn nothing_has_no_quantile_and_far_points_are_kept() {
        let mut histogram = Histogram::default();
        assert_eq!(histogram.quantile_m(0.5), None);
        histogram.add(f64::NAN);
        assert_eq!(histogram.points(), 0);
        histogram.add(1e9);
        assert!(histogram.quantile_m(0.5).unwrap() > 1.0);
        let mut both = Histogram::default();
        both.merge(&histogram);
        assert_eq!(both, histogram);
    }
}
