//! A histogram split into two classes: where is the threshold, and are there two classes at all?

/// Counts of values in even bins.
#[derive(Debug, Clone)]
pub(super) struct Histogram {
    low: f64,
    bin: f64,
    counts: Vec<f64>,
}

/// Two classes of a histogram.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Split {
    /// Border between them.
    pub threshold: f64,
    /// Means of the lower and the upper class.
    pub means: [f64; 2],
    /// Share of the lower class, 0 to 1.
    pub lower_share: f64,
    /// Lowest count between the two peaks, over the smaller peak: 0 = two separate classes, 1 = one.
    pub valley: f64,
}

impl Histogram {
    /// Bins of width `bin` from `low` to `high`; values outside are left out.
    pub fn new(low: f64, high: f64, bin: f64) -> Self {
        let bins = crate::numeric::to_index(((high - low) / bin).ceil()).max(1);
        Self {
            low,
            bin,
            counts: vec![0.0; bins],
        }
    }

    pub fn add(&mut self, value: f64) {
        let place = (value - self.low) / self.bin;
        if place >= 0.0
            && let Some(count) = self.counts.get_mut(crate::numeric::to_index(place))
        {
            *count += 1.0;
        }
    }

    fn middle(&self, bin: usize) -> f64 {
        self.low + (bin as f64 + 0.5) * self.bin
    }

    /// Counts averaged twice over three bins, so that single bins make no peaks.
    fn smoothed(&self) -> Vec<f64> {
        let mean3 = |v: &[f64]| -> Vec<f64> {
            let at = |k: usize| v.get(k).copied().unwrap_or(0.0);
            (0..v.len())
                .map(|k| (at(k.wrapping_sub(1)) + at(k) + at(k + 1)) / 3.0)
                .collect()
        };
        mean3(&mean3(&self.counts))
    }

    /// The two classes by the minimum-error criterion of Kittler and Illingworth (Pattern
    /// Recognition 19:41, 1986), which, unlike the criterion of largest variance between classes,
    /// is not drawn into the larger and wider class. Neither class is smaller than `share_min`.
    /// `None` for an empty histogram.
    pub fn split(&self, share_min: f64) -> Option<Split> {
        let counts = self.smoothed();
        let best = (1..counts.len())
            .filter_map(|cut| Some((criterion(&counts, cut, share_min)?, cut)))
            .min_by(|a, b| a.0.total_cmp(&b.0))?;
        let (lower, upper) = (
            moments(&counts, 0, best.1),
            moments(&counts, best.1, counts.len()),
        );
        Some(Split {
            threshold: self.low + best.1 as f64 * self.bin,
            means: [
                self.middle(0) + lower.1 * self.bin,
                self.middle(0) + upper.1 * self.bin,
            ],
            lower_share: lower.0 / (lower.0 + upper.0),
            valley: valley(&counts, best.1),
        })
    }
}

/// Weight, mean and variance of the bins `from..to`, in bins.
fn moments(counts: &[f64], from: usize, to: usize) -> (f64, f64, f64) {
    let weight: f64 = counts[from..to].iter().sum();
    let sum = |f: &dyn Fn(f64) -> f64| -> f64 {
        (from..to).map(|k| counts[k] * f(k as f64)).sum::<f64>() / weight
    };
    let mean = sum(&|k| k);
    (weight, mean, sum(&|k| (k - mean).powi(2)))
}

/// Cost of cutting before bin `cut`; `None` where one side is all but empty.
fn criterion(counts: &[f64], cut: usize, share_min: f64) -> Option<f64> {
    let (w1, _, v1) = moments(counts, 0, cut);
    let (w2, _, v2) = moments(counts, cut, counts.len());
    let (p1, p2) = (w1 / (w1 + w2), w2 / (w1 + w2));
    if !(p1 >= share_min && p2 >= share_min) {
        return None;
    }
    // A class narrower than a bin is as wide as a bin: 1/12, and what the smoothing adds, 4/3.
    let half_log = |v: f64| 0.5 * (v.max(1.0 / 12.0 + 4.0 / 3.0)).ln();
    Some(p1 * half_log(v1) + p2 * half_log(v2) - p1 * p1.ln() - p2 * p2.ln())
}

fn valley(counts: &[f64], cut: usize) -> f64 {
    let peak = |from: usize, to: usize| {
        (from..to)
            .max_by(|&a, &b| counts[a].total_cmp(&counts[b]))
            .unwrap_or(from)
    };
    let (a, b) = (peak(0, cut), peak(cut, counts.len()));
    let lowest = counts[a..=b].iter().copied().fold(f64::INFINITY, f64::min);
    lowest / counts[a].min(counts[b])
}

/// The value below which the share `q` (0 to 1) of the values lies; `None` without values.
pub(super) fn quantile(values: &mut [f64], q: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let k = crate::numeric::to_index((q * last as f64).round()).min(last);
    Some(*values.select_nth_unstable_by(k, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Counts of two bells: (mean, sd, weight) each.
    fn bells(of: &[(f64, f64, f64)]) -> Histogram {
        let mut h = Histogram::new(0.0, 6.0, 0.1);
        for k in 0..h.counts.len() {
            let x = h.middle(k);
            h.counts[k] = of
                .iter()
                .map(|(m, s, w)| w / s * (-0.5 * ((x - m) / s).powi(2)).exp() * 1e4)
                .sum();
        }
        h
    }

    #[test]
    fn a_small_narrow_class_beside_a_large_wide_one_is_split_between_them() {
        let split = bells(&[(1.0, 0.2, 0.1), (3.0, 0.6, 0.9)])
            .split(0.02)
            .unwrap();
        // The two bells are equally high (weighted) near 1.6.
        assert!((split.threshold - 1.6).abs() < 0.2, "{split:?}");
        assert!(
            (split.lower_share - 0.1).abs() < 0.02 && split.valley < 0.5,
            "{split:?}"
        );
    }

    #[test]
    fn one_class_shows_no_valley() {
        let split = bells(&[(3.0, 0.5, 1.0)]).split(0.02).unwrap();
        assert!(split.valley > 0.9, "{split:?}");
    }

    #[test]
    fn an_empty_histogram_has_no_classes() {
        assert_eq!(Histogram::new(0.0, 1.0, 0.1).split(0.02), None);
    }
}
