//! Which waves of the road a surface carries, told by two halves of its own points.
//!
//! Two halves A and B of the points share the road and not their noise, so their cross-spectrum is
//! the road's spectrum free of noise: Ŝ = Re C_AB, N̂ = (S_AA + S_BB)/2 − Ŝ. Surfaces F_A and F_B
//! fitted to the halves with the windows of the whole tell how the fit filters waves: C(A, F_B)
//! holds the filter times the road and no common noise. What is left of the road in the whole
//! surface M is H·S = X · (C_AM + C_BM)/(C_AF + C_BF) with X = (C(A, F_B) + C(B, F_A))/2 and
//! C_xF = (C(x, F_A) + C(x, F_B))/2: the quotient sets right what M does otherwise than the mean of
//! both halves (derived; M holds half of each half's noise, as the mean of F_A and F_B does).

use super::iso8608::{band_limits, band_mean};
use crate::numeric::{Complex64, CrossSpectra};

/// Channels of the spectra that [`carried`] takes.
pub const CHANNELS: usize = 5;
/// Coherence at which a surface holds as much road as noise.
const HALF: f64 = 0.5;
/// Least gain (amplitude) of a wave that is called carried: −6 dB.
pub const LEAST_GAIN: f64 = 0.5;
/// Largest standard deviation of a road's density over it that counts as known.
const LEAST_SURE: f64 = 0.5;
/// Bands an octave.
const PER_OCTAVE: u32 = 3;

/// Order of the channels: the surface, both halves of the points, both halves' surfaces.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Channels {
    /// The surface in question.
    Surface = 0,
    /// Means of the first half of the points.
    PointsA = 1,
    /// Means of the second half of the points.
    PointsB = 2,
    /// Surface fitted to the first half.
    FitA = 3,
    /// Surface fitted to the second half.
    FitB = 4,
}

/// A band of wavenumbers: the road, the noise of the points, and what the surface makes of it.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CarriedBand {
    /// Middle of the band as a wavelength, metres.
    pub wavelength_m: f64,
    /// Limits of the band, cycles per metre.
    pub limits_per_m: [f64; 2],
    /// The road's density, free of noise, m³. Below zero where the noise hides it.
    pub road_m3: f64,
    /// Standard deviation of `road_m3` by the spread of cross-spectra, m³.
    pub road_sd_m3: f64,
    /// Density of the plain mean of both halves' points, m³: with its noise, which is larger where
    /// samples lack points.
    pub plain_m3: f64,
    /// Noise of one half of the points, m³; where samples lack points, as many times more.
    pub noise_m3: f64,
    /// Squared coherence of the two halves.
    pub halves_coherence: f64,
    /// The surface's own density, m³.
    pub surface_m3: f64,
    /// Density of the surface over the road's, dB; none where the noise hides the road.
    pub surface_db: Option<f64>,
    /// Amplitude of the road's waves in the surface.
    pub gain: f64,
    /// Squared coherence of surface and road; may exceed 1 by its own uncertainty.
    pub coherence: f64,
}

impl CarriedBand {
    /// Whether the points tell the road: its density is at least twice its standard deviation.
    #[must_use]
    pub fn is_sure(&self) -> bool {
        self.road_m3 > 0.0 && self.road_sd_m3 <= LEAST_SURE * self.road_m3
    }

    /// How far the band is above both limits: 1 at the limit of coherence or gain.
    #[must_use]
    pub fn margin(&self) -> f64 {
        if self.road_m3 <= 0.0 {
            return 0.0;
        }
        (self.coherence / HALF).min(self.gain / LEAST_GAIN).max(0.0)
    }

    /// The band of a longer way, of which this one is told by a part: `surface` is the spectrum of
    /// the surface over all of it (channel 0). The road goes with the surface (the ratio estimate of
    /// sampling: a part that is smoother than the whole by chance has both smoother); what the
    /// surface makes of the road stays. Waves that the surface does not carry stay as they are: it
    /// tells nothing of them.
    #[must_use]
    pub fn over(&self, surface: &CrossSpectra, sampling: Sampling) -> Self {
        let pair = (Channels::Surface, Channels::Surface);
        let whole_m3 = mean_real(surface, sampling, pair, self.limits_per_m);
        let share = whole_m3 / self.surface_m3;
        if self.margin() < 1.0 || !(share > 0.0 && share.is_finite()) {
            return *self;
        }
        let more_m3 = (share - 1.0) * self.road_m3;
        let half_m3 = self.road_m3 + self.noise_m3;
        let louder = share * half_m3 / (half_m3 + more_m3);
        Self {
            road_m3: share * self.road_m3,
            road_sd_m3: share * self.road_sd_m3,
            plain_m3: self.plain_m3 + more_m3,
            halves_coherence: self.halves_coherence * louder * louder,
            surface_m3: whole_m3,
            ..*self
        }
    }
}

/// What the mean of points over a step does to waves: sin(πnh)/(πnh).
fn step_gain(n_per_m: f64, step_m: f64) -> f64 {
    let x = std::f64::consts::PI * n_per_m * step_m;
    if x < 1e-9 { 1.0 } else { x.sin() / x }
}

/// What the series are means of: points over each station, and all series over `times` stations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampling {
    /// Distance of stations, metres.
    pub station_m: f64,
    /// Stations that a sample is the mean of.
    pub times: usize,
}

impl Sampling {
    /// Distance of samples, metres.
    #[must_use]
    pub fn step_m(self) -> f64 {
        self.times as f64 * self.station_m
    }

    /// What the means do to a wave of channel `c`.
    fn gain(self, c: Channels, n_per_m: f64) -> f64 {
        let all = step_gain(n_per_m, self.step_m());
        match c {
            Channels::PointsA | Channels::PointsB => all,
            _ => all / step_gain(n_per_m, self.station_m),
        }
    }
}

/// Band mean of the real part of a pair's density, with the averaging of both undone.
fn mean_real(
    spectra: &CrossSpectra,
    sampling: Sampling,
    (i, j): (Channels, Channels),
    limits: [f64; 2],
) -> f64 {
    let bin = spectra.bin_per_m();
    let gain = |n: f64| sampling.gain(i, n) * sampling.gain(j, n);
    let value = |(k, c): (usize, &Complex64)| c.re / gain(k as f64 * bin);
    let density = spectra.density(i as usize, j as usize);
    let real: Vec<f64> = density.iter().enumerate().map(value).collect();
    band_mean(&real, bin, limits[0], limits[1])
}

/// The bands from the longest down to the shortest wave of `limits_m`; channels in the order of
/// [`Channels`]. The spectra are those of so many `tracks` side by side, in the mean. None where no
/// stretch was long enough for a segment.
#[must_use]
pub fn carried(
    spectra: &CrossSpectra,
    sampling: Sampling,
    tracks: f64,
    limits_m: [f64; 2],
) -> Vec<CarriedBand> {
    use Channels::{FitA, FitB, PointsA, PointsB, Surface};
    if spectra.segments() == 0 {
        return Vec::new();
    }
    let limits = band_limits(PER_OCTAVE, 1.0 / limits_m[0], 1.0 / limits_m[1]);
    let band = |[low, middle, high]: [f64; 3]| {
        let mean = |i: Channels, j: Channels| mean_real(spectra, sampling, (i, j), [low, high]);
        let road = mean(PointsA, PointsB);
        let (aa, bb) = (mean(PointsA, PointsA), mean(PointsB, PointsB));
        let surface = mean(Surface, Surface);
        let crossed = 0.5 * (mean(PointsA, FitB) + mean(PointsB, FitA));
        let own = 0.5 * (mean(PointsA, FitA) + mean(PointsB, FitB));
        let with_surface = 0.5 * (mean(PointsA, Surface) + mean(PointsB, Surface));
        let held = crossed * with_surface / (0.5 * (crossed + own));
        let bins = ((high - low) / spectra.bin_per_m() / 1.5).max(1.0);
        // Tracks share the road and not the noise: they are averages of the noise alone.
        let tracks = tracks.max(1.0);
        let averages = spectra.effective_segments() / tracks * bins;
        let noise = (aa * bb - road * road).max(0.0) / tracks;
        CarriedBand {
            wavelength_m: 1.0 / middle,
            limits_per_m: [low, high],
            road_m3: road,
            road_sd_m3: ((noise + 2.0 * road * road) / (2.0 * averages)).sqrt(),
            plain_m3: 0.25 * (aa + bb + 2.0 * road),
            noise_m3: 0.5 * (aa + bb) - road,
            halves_coherence: road * road / (aa * bb),
            surface_m3: surface,
            surface_db: (road > 0.0).then(|| 10.0 * (surface / road).log10()),
            gain: held / road,
            coherence: held * held / (surface * road),
        }
    };
    limits.into_iter().map(band).collect()
}

/// The shortest wavelength down to which all bands are carried: squared coherence with the road
/// at least ½ (as much road as noise) and gain at least ½. Between the last band that is and the
/// first that is not, logarithms are interpolated. `None` when not even the longest is.
#[must_use]
pub fn resolved_wavelength_m(bands: &[CarriedBand]) -> Option<f64> {
    let first = bands.first()?;
    if first.margin() < 1.0 {
        return None;
    }
    for pair in bands.windows(2) {
        let (last, next) = (pair[0].margin(), pair[1].margin());
        if next < 1.0 {
            let share = last.ln() / (last.ln() - next.max(1e-3).ln());
            let logs = [pair[0].wavelength_m.ln(), pair[1].wavelength_m.ln()];
            return Some((logs[0] + share * (logs[1] - logs[0])).exp());
        }
    }
    bands.last().map(|b| b.wavelength_m)
}

/// Waves from this one up are what the error of bands is about, metres: shorter ones, which a mesh
/// smooths, are what λ is about.
const JUDGED_FROM_M: f64 = 1.0;

/// By how much is the surface's density off the road's in the worst band of waves of 1 m and longer,
/// dB? None where the points do not tell them all, or the noise hides the road in one.
#[must_use]
pub fn worst_band_db(bands: &[CarriedBand]) -> Option<f64> {
    let last = 1.0 / JUDGED_FROM_M;
    bands.iter().find(|b| b.limits_per_m[1] > last)?;
    let judged = bands.iter().filter(|b| b.limits_per_m[0] < last);
    let sizes: Option<Vec<f64>> = judged.map(|b| b.surface_db.map(f64::abs)).collect();
    sizes?.into_iter().reduce(f64::max)
}
