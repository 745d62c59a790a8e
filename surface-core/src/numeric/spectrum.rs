//! Spectra of evenly spaced series by averaged, overlapping, windowed segments.
//!
//! P. D. Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE
//! Trans. Audio Electroacoust. 15 (1967): Hann window, 50 % overlap, each segment less its
//! straight line. Densities are one-sided and scaled by the window's power, the convention of
//! `scipy.signal.csd`, which a test holds them against.

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// A complex density, as the Fourier transform gives it.
pub type Complex64 = Complex<f64>;

/// Auto- and cross-spectra of several series that were read at the same places.
///
/// C_ij = mean over segments of conj(X_i)·X_j, scaled so that the sum of C_ii over all
/// wavenumbers times their step is the variance.
#[derive(Clone)]
pub struct CrossSpectra {
    step_m: f64,
    channels: usize,
    segments: usize,
    window: Vec<f64>,
    fft: Arc<dyn RealToComplex<f64>>,
    /// Per pair i ≤ j, one value a wavenumber.
    sums: Vec<Vec<Complex64>>,
}

impl std::fmt::Debug for CrossSpectra {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("CrossSpectra")
            .field("step_m", &self.step_m)
            .field("channels", &self.channels)
            .field("segments", &self.segments)
            .field("segment", &self.window.len())
            .finish_non_exhaustive()
    }
}

impl CrossSpectra {
    /// No segments yet; `segment` samples each (an even number of at least 8 is used),
    /// `step_m` apart.
    #[must_use]
    pub fn new(segment: usize, step_m: f64, channels: usize) -> Self {
        let segment = (segment.max(8) / 2) * 2;
        let angle = |k: usize| std::f64::consts::TAU * k as f64 / segment as f64;
        let pairs = channels * (channels + 1) / 2;
        Self {
            step_m,
            channels,
            segments: 0,
            window: (0..segment).map(|k| 0.5 - 0.5 * angle(k).cos()).collect(),
            fft: RealFftPlanner::new().plan_fft_forward(segment),
            sums: vec![vec![Complex64::default(); segment / 2 + 1]; pairs],
        }
    }

    /// Samples a segment.
    #[must_use]
    pub fn segment(&self) -> usize {
        self.window.len()
    }

    /// Segments taken so far.
    #[must_use]
    pub fn segments(&self) -> usize {
        self.segments
    }

    /// Averages that are worth as much as independent ones: K/(1 + 2ρ²(K − 1)/K) with the
    /// overlap correlation ρ = 1/6 of the Hann window (Welch 1967).
    #[must_use]
    pub fn effective_segments(&self) -> f64 {
        let k = self.segments as f64;
        k / (1.0 + 2.0 / 36.0 * (k - 1.0).max(0.0) / k.max(1.0))
    }

    /// Distance of wavenumbers, cycles per metre.
    #[must_use]
    pub fn bin_per_m(&self) -> f64 {
        1.0 / (self.step_m * self.window.len() as f64)
    }

    /// Add all segments of series of one length, half a segment apart. Segments with a value
    /// that is not finite are left out. What is shorter than a segment adds nothing.
    pub fn add(&mut self, series: &[&[f64]]) {
        let n = self.window.len();
        let least = series.iter().map(|s| s.len()).min().unwrap_or(0);
        let mut from = 0;
        while series.len() == self.channels && from + n <= least {
            let parts: Vec<&[f64]> = series.iter().map(|s| &s[from..from + n]).collect();
            if parts.iter().all(|p| p.iter().all(|v| v.is_finite())) {
                self.add_segment(&parts);
            }
            from += n / 2;
        }
    }

    fn add_segment(&mut self, parts: &[&[f64]]) {
        let transformed: Vec<Vec<Complex64>> = parts.iter().map(|p| self.transform(p)).collect();
        let mut pair = 0;
        for i in 0..self.channels {
            for j in i..self.channels {
                let products = transformed[i].iter().zip(&transformed[j]);
                for (sum, (a, b)) in self.sums[pair].iter_mut().zip(products) {
                    *sum += a.conj() * b;
                }
                pair += 1;
            }
        }
        self.segments += 1;
    }

    fn transform(&self, part: &[f64]) -> Vec<Complex64> {
        let mut values = part.to_vec();
        subtract_line(&mut values);
        for (v, w) in values.iter_mut().zip(&self.window) {
            *v *= w;
        }
        let mut out = self.fft.make_output_vec();
        // Lengths come from the plan itself: there is nothing to fail.
        let _ = self.fft.process(&mut values, &mut out);
        out
    }

    /// Add the segments of another set of the same shape.
    pub fn merge(&mut self, other: &Self) {
        if other.sums.len() != self.sums.len() || other.segment() != self.segment() {
            return;
        }
        self.segments += other.segments;
        for (mine, theirs) in self.sums.iter_mut().zip(&other.sums) {
            mine.iter_mut().zip(theirs).for_each(|(a, b)| *a += b);
        }
    }

    /// C_ij by wavenumber, m³ for heights in metres; zeros before the first segment. Nothing for a
    /// channel that there is not.
    #[must_use]
    pub fn density(&self, i: usize, j: usize) -> Vec<Complex64> {
        let (low, high) = (i.min(j), i.max(j));
        if high >= self.channels {
            return Vec::new();
        }
        let pair = low * self.channels - low * (low + 1) / 2 + high;
        let power: f64 = self.window.iter().map(|w| w * w).sum();
        let scale = self.step_m / (power * self.segments.max(1) as f64);
        let last = self.sums[pair].len() - 1;
        let one = |(k, c): (usize, &Complex64)| {
            let sides = if k == 0 || k == last { 1.0 } else { 2.0 };
            let c = if i <= j { *c } else { c.conj() };
            c * (scale * sides)
        };
        self.sums[pair].iter().enumerate().map(one).collect()
    }
}

/// Take the least-squares straight line off evenly spaced values.
pub fn subtract_line(values: &mut [f64]) {
    let n = values.len() as f64;
    let middle = 0.5 * (n - 1.0);
    let mean = values.iter().sum::<f64>() / n.max(1.0);
    let moment = |(k, v): (usize, &f64)| (k as f64 - middle) * v;
    let slope_sum: f64 = values.iter().enumerate().map(moment).sum();
    let spread = n * (n * n - 1.0) / 12.0;
    let slope = if spread > 0.0 {
        slope_sum / spread
    } else {
        0.0
    };
    for (k, v) in values.iter_mut().enumerate() {
        *v -= mean + slope * (k as f64 - middle);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(n: usize, cycles: f64) -> Vec<f64> {
        let at = |k: usize| (std::f64::consts::TAU * cycles * k as f64 / n as f64).cos();
        (0..n).map(at).collect()
    }

    #[test]
    fn a_cosine_holds_half_its_squared_amplitude() {
        let mut spectra = CrossSpectra::new(256, 0.05, 1);
        spectra.add(&[&wave(1024, 64.0)]);
        let sum: f64 = spectra.density(0, 0).iter().map(|c| c.re).sum();
        assert_eq!(spectra.segments(), 7);
        assert!((sum * spectra.bin_per_m() - 0.5).abs() < 1e-3, "{sum}");
    }

    #[test]
    fn the_cross_spectrum_of_a_shifted_series_turns_by_its_phase() {
        let long = wave(1025, 64.0625);
        let mut spectra = CrossSpectra::new(256, 1.0, 2);
        spectra.add(&[&long[..1024], &long[1..]]);
        let c = spectra.density(0, 1)[16];
        let expected = std::f64::consts::TAU / 16.0;
        assert!((c.arg() - expected).abs() < 0.02, "{} {expected}", c.arg());
        assert!((spectra.density(1, 0)[16].conj() - c).norm() < 1e-15);
    }

    #[test]
    fn segments_with_holes_are_left_out_and_short_series_add_nothing() {
        let mut series = wave(512, 9.0);
        series[300] = f64::NAN;
        let mut spectra = CrossSpectra::new(128, 1.0, 1);
        spectra.add(&[&series]);
        assert_eq!(spectra.segments(), 7 - 2);
        spectra.add(&[&series[..100]]);
        assert_eq!(spectra.segments(), 5);
    }

    #[test]
    fn a_channel_that_there_is_not_has_no_density() {
        let spectra = CrossSpectra::new(64, 1.0, 2);
        assert_eq!(spectra.density(1, 0).len(), 33);
        for (i, j) in [(0, 2), (2, 0), (5, 5)] {
            assert!(spectra.density(i, j).is_empty(), "{i} {j}");
        }
        assert!(CrossSpectra::new(64, 1.0, 0).density(0, 0).is_empty());
    }

    #[test]
    fn a_line_goes_whole() {
        let mut line: Vec<f64> = (0..50).map(|k| 3.0 - 0.2 * f64::from(k)).collect();
        subtract_line(&mut line);
        assert!(line.iter().all(|v| v.abs() < 1e-13));
    }
}
