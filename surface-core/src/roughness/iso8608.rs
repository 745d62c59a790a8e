//! The road's spectrum in the form of ISO 8608: bands, fitted level, exponent and class.
//!
//! G(n) = G(n₀)·(n/n₀)^−w with n₀ = 0.1 cycles/m. Class limits as public implementations of the
//! standard give them (upper limits 32, 128, … 10⁻⁶ m³, ratio 4); bands by the formula 2^k, which
//! is from memory, as is the range of the fit.

use crate::numeric::{CrossSpectra, chi_square_quantile};

/// Reference wavenumber n₀, cycles per metre.
pub const REFERENCE_PER_M: f64 = 0.1;
/// Range of the straight-line fit, cycles per metre (from memory of the standard).
pub const FIT_PER_M: [f64; 2] = [0.011, 2.83];
/// Upper limit of class A at n₀, m³.
pub const CLASS_A_M3: f64 = 32e-6;
/// Limits of neighbouring classes have this ratio.
pub const CLASS_RATIO: f64 = 4.0;
/// Confidence of the intervals.
const CONFIDENCE: f64 = 0.95;
/// Bins that a Hann window binds together: its equivalent noise bandwidth.
const HANN_BINS: f64 = 1.5;

/// Mean density over a band of wavenumbers.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Band {
    /// Middle, cycles per metre (geometric).
    pub n_per_m: f64,
    /// Lower limit, cycles per metre.
    pub low_per_m: f64,
    /// Upper limit, cycles per metre.
    pub high_per_m: f64,
    /// Mean one-sided density, m³.
    pub density_m3: f64,
    /// 95 % interval by χ², m³.
    pub interval_m3: [f64; 2],
    /// Degrees of freedom of the interval.
    pub dof: f64,
}

/// Limits of bands with `per_octave` bands an octave, centred at 2^(k/per_octave) cycles per
/// metre, that lie between `low` and `high` whole.
#[must_use]
pub fn band_limits(per_octave: u32, low: f64, high: f64) -> Vec<[f64; 3]> {
    let b = f64::from(per_octave);
    let first = crate::numeric::ceil_i32(b * low.log2() + 0.5 - 1e-9);
    let last = crate::numeric::floor_i32(b * high.log2() - 0.5 + 1e-9);
    let limits = |k: i32| {
        let k = f64::from(k);
        [k - 0.5, k, k + 0.5].map(|k| (k / b).exp2())
    };
    (first..=last).map(limits).collect()
}

/// Mean of a density over `low..high` with partial bins, bin k standing for (k ± ½) bins.
#[must_use]
pub fn band_mean(density: &[f64], bin_per_m: f64, low: f64, high: f64) -> f64 {
    let mut sum = 0.0;
    for (k, value) in density.iter().enumerate().skip(1) {
        let (from, to) = ((k as f64 - 0.5) * bin_per_m, (k as f64 + 0.5) * bin_per_m);
        sum += value * (to.min(high) - from.max(low)).max(0.0);
    }
    sum / (high - low)
}

/// Bands of the auto-spectrum of channel `channel`. The lowest bin (the segment's own length) is
/// left out; no bands where no stretch was long enough for a segment.
#[must_use]
pub fn bands(spectra: &CrossSpectra, channel: usize, per_octave: u32) -> Vec<Band> {
    let density: Vec<f64> = spectra
        .density(channel, channel)
        .iter()
        .map(|c| c.re)
        .collect();
    if spectra.segments() == 0 {
        return Vec::new();
    }
    let bin = spectra.bin_per_m();
    let top = (density.len() as f64 - 1.0) * bin;
    let one = |[low, n, high]: [f64; 3]| {
        let density_m3 = band_mean(&density, bin, low, high);
        let independent = ((high - low) / bin / HANN_BINS).max(1.0);
        let dof = 2.0 * spectra.effective_segments() * independent;
        let bound = |p: f64| density_m3 * dof / chi_square_quantile(p, dof);
        Band {
            n_per_m: n,
            low_per_m: low,
            high_per_m: high,
            density_m3,
            interval_m3: [0.5 + 0.5 * CONFIDENCE, 0.5 - 0.5 * CONFIDENCE].map(bound),
            dof,
        }
    };
    band_limits(per_octave, 1.5 * bin, top)
        .into_iter()
        .map(one)
        .collect()
}

/// The straight line through a spectrum on doubly logarithmic paper.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Iso8608Fit {
    /// Fitted level G(n₀), m³.
    pub level_m3: f64,
    /// Exponent w of n^−w.
    pub exponent: f64,
    /// Class by the level: A to H.
    pub class: char,
    /// The range that the line was fitted over, cycles per metre.
    pub range_per_m: [f64; 2],
}

/// The class whose limits hold a level at n₀.
#[must_use]
pub fn class_of(level_m3: f64) -> char {
    let classes = ['A', 'B', 'C', 'D', 'E', 'F', 'G'];
    let mut limit = CLASS_A_M3;
    for class in classes {
        if level_m3 < limit {
            return class;
        }
        limit *= CLASS_RATIO;
    }
    'H'
}

/// Fit level and exponent by least squares of log G over the logarithms of the bands' middles
/// within [`FIT_PER_M`]; `None` with fewer than three bands.
#[must_use]
pub fn fit_iso8608(bands: &[Band]) -> Option<Iso8608Fit> {
    let inside =
        |b: &&Band| b.n_per_m >= FIT_PER_M[0] && b.n_per_m <= FIT_PER_M[1] && b.density_m3 > 0.0;
    let used: Vec<&Band> = bands.iter().filter(inside).collect();
    let n = used.len() as f64;
    if used.len() < 3 {
        return None;
    }
    let x = |b: &Band| (b.n_per_m / REFERENCE_PER_M).ln();
    let y = |b: &Band| b.density_m3.ln();
    let mean = |f: &dyn Fn(&Band) -> f64| used.iter().map(|b| f(b)).sum::<f64>() / n;
    let (mx, my) = (mean(&x), mean(&y));
    let slope = mean(&|b| (x(b) - mx) * (y(b) - my)) / mean(&|b| (x(b) - mx).powi(2));
    let level_m3 = (my - slope * mx).exp();
    Some(Iso8608Fit {
        level_m3,
        exponent: -slope,
        class: class_of(level_m3),
        range_per_m: [used[0].low_per_m, used[used.len() - 1].high_per_m],
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn third_octaves_lie_where_the_formula_puts_them() {
        let limits = band_limits(3, 0.04, 0.3);
        assert!((limits[0][0] - 0.0442).abs() < 5e-5 && (limits[0][2] - 0.0557).abs() < 5e-5);
        assert_eq!(limits.len(), 8);
        assert!((limits[7][1] - 0.25).abs() < 1e-12);
    }

    #[test]
    fn partial_bins_share_their_density() {
        let mean = band_mean(&[9.0, 2.0, 4.0, 4.0], 1.0, 1.0, 2.0);
        assert!((mean - 3.0).abs() < 1e-12);
    }

    #[test]
    fn classes_meet_at_their_limits() {
        let found: String = [4e-6, 33e-6, 129e-6, 600e-6, 0.2]
            .map(class_of)
            .iter()
            .collect();
        assert_eq!(found, "ABCDH");
    }
}
