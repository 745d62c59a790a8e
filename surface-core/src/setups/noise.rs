//! The variance of a point's height from where it was measured.
//!
//! On near-level ground at horizontal distance d and depth h below the instrument, slant range
//! R = √(d² + h²) and cosine of incidence h/R:
//! σ_z² = (σ_r h/R)² + (d σ_β)² + σ_0², σ_r² = r₀² + r₁² R/h. Range noise that grows with incidence
//! as 1/cos is the law of Soudarissanane et al. 2009 in its simplest form; σ_0 is the texture under
//! the beam. The four terms are linear in their squares, so they are learnt from the scatter of
//! points about small planes by least squares with non-negative unknowns.
//!
//! Where points have intensities, σ_r grows as the return fades: σ_r(I) = σ_r·(I/I₀)^(−γ), I₀ the
//! median intensity. γ is searched by the same least squares, and kept only if these fall by far
//! more than by chance; without it, γ = 0. That range noise is a power of the intensity is the model
//! of Schmitz et al. 2019.
//!
//! The footprint has no term of its own. A beam of divergence θ meets ground over ±θR·d/h of range;
//! where in it the range is taken errs heights by a part of θ·d, which grows like angle noise and is
//! learnt as a part of σ_β. What the footprint covers of the texture is σ_0.

use super::noise_fit::{Normal, Row, TERMS, rows};
use crate::numeric::median;
use rayon::prelude::*;

/// Scatter of one setup's points at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseSample {
    /// Number of the setup.
    pub setup: u16,
    /// Horizontal distance from the scanner, metres.
    pub d_m: f64,
    /// Depth below the scanner, metres.
    pub h_m: f64,
    /// Variance of a height, m².
    pub variance_m2: f64,
    /// Degrees of freedom behind it.
    pub dof: f64,
    /// Mean intensity of the points; 0 where it is not known.
    pub intensity: f64,
}

/// Where a point's height noise comes from.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct NoiseModel {
    /// Range noise at square incidence, standard deviation, metres.
    pub range_m: f64,
    /// Range noise that grows as 1/√cos of incidence, standard deviation at square incidence,
    /// metres.
    pub grazing_m: f64,
    /// Angle noise, standard deviation, radians.
    pub angle_rad: f64,
    /// What is left: texture under the beam, metres.
    pub texture_m: f64,
    /// How range noise grows as intensity falls: γ of (I/I₀)^(−γ); 0 where it does not.
    pub fading: f64,
    /// The intensity I₀ that range noise is given for.
    pub intensity: f64,
}

/// Fewest samples that tell a model.
const FEWEST: usize = 60;
/// Rounds of weights; the fifth moves a variance by less than a percent.
const ROUNDS: usize = 6;
/// Strongest fading that is tried, and steps up to it. Where intensity is the power that came back and
/// the receiver's own noise does not change, range noise goes as its inverse; where the light's does,
/// as its root (from memory).
const MOST_FADING: f64 = 1.0;
const FADINGS: u32 = 50;
/// Fading must lower the sum of squared misfits by this many times what a sample adds: four
/// standard deviations of chance.
const CLEAR_GAIN: f64 = 16.0;
/// Ratios of intensities beyond these count as these.
const SPAN: [f64; 2] = [1.0 / 16.0, 16.0];

impl NoiseModel {
    /// What is wrong with it: which part and its value, as a config has them, and a remedy; `None`
    /// where nothing is.
    #[must_use]
    pub fn fault(&self) -> Option<(&'static str, f64, &'static str)> {
        let parts = [
            ("range-mm", 1e3 * self.range_m),
            ("grazing-mm", 1e3 * self.grazing_m),
            ("angle-urad", 1e6 * self.angle_rad),
            ("texture-mm", 1e3 * self.texture_m),
        ];
        let impossible = |v: f64| !v.is_finite() || v < 0.0;
        if let Some(&(name, v)) = parts.iter().find(|(_, v)| impossible(*v)) {
            return Some((name, v, "give a finite value of zero or more"));
        }
        if parts.iter().all(|(_, v)| *v <= 0.0) {
            return Some(("all of it", 0.0, "give one part over zero"));
        }
        if !(0.0..=MOST_FADING).contains(&self.fading) {
            return Some(("fading", self.fading, "give 0 to 1"));
        }
        let known = self.intensity.is_finite() && self.intensity > 0.0;
        let why = "give the intensity, over zero, that range-mm holds for, or no fading";
        (self.fading > 0.0 && !known).then_some(("intensity", self.intensity, why))
    }

    /// Variance of the height of a point of this intensity (0 where it is not known), m².
    #[must_use]
    pub fn variance_m2(&self, d_m: f64, h_m: f64, intensity: f64) -> f64 {
        self.variance_faded_m2(d_m, h_m, self.faded(intensity))
    }

    /// The same where range noise has `faded` times its variance at I₀.
    #[must_use]
    pub fn variance_faded_m2(&self, d_m: f64, h_m: f64, faded: f64) -> f64 {
        let terms = terms(d_m, h_m, faded);
        let squares = self.squares_m2();
        terms.iter().zip(squares).map(|(t, s)| t * s).sum()
    }

    /// The same with every noise so many times as large.
    #[must_use]
    pub fn times(&self, factor: f64) -> Self {
        Self {
            range_m: factor * self.range_m,
            grazing_m: factor * self.grazing_m,
            angle_rad: factor * self.angle_rad,
            texture_m: factor * self.texture_m,
            ..*self
        }
    }

    /// The squares of its four noises, the unknowns of least squares.
    pub(super) fn squares_m2(&self) -> [f64; TERMS] {
        [
            self.range_m.powi(2),
            self.grazing_m.powi(2),
            self.angle_rad.powi(2),
            self.texture_m.powi(2),
        ]
    }

    /// The same model with these squares.
    fn with_squares(&self, squares_m2: [f64; TERMS]) -> Self {
        let [range, grazing, angle, texture] = squares_m2.map(f64::sqrt);
        Self {
            range_m: range,
            grazing_m: grazing,
            angle_rad: angle,
            texture_m: texture,
            ..*self
        }
    }

    /// Share of range noise in that variance.
    #[must_use]
    pub fn range_share(&self, d_m: f64, h_m: f64, faded: f64) -> f64 {
        let terms = terms(d_m, h_m, faded);
        let range = terms[0] * self.range_m.powi(2) + terms[1] * self.grazing_m.powi(2);
        range / self.variance_faded_m2(d_m, h_m, faded).max(1e-300)
    }

    /// How often its variance at I₀ range noise has at an intensity (0 where it is not known).
    #[must_use]
    pub fn faded(&self, intensity: f64) -> f64 {
        if self.fading <= 0.0 {
            return 1.0;
        }
        (-2.0 * self.fading * self.log_ratio(intensity)).exp()
    }

    /// ln(I/I₀), no further from 0 than is believed; 0 where an intensity is not known.
    pub(super) fn log_ratio(&self, intensity: f64) -> f64 {
        if self.intensity <= 0.0 || intensity <= 0.0 {
            return 0.0;
        }
        let [least, most] = SPAN;
        (intensity / self.intensity).clamp(least, most).ln()
    }

    /// Learn the model from the scatter at many places; `None` where too few tell.
    ///
    /// Weighted by what a sample variance is worth (dof/2σ⁴), places with far too much scatter
    /// left out; unknowns that come out negative are zero.
    #[must_use]
    pub fn learn(samples: &[NoiseSample]) -> Option<Self> {
        if samples.len() < FEWEST {
            return None;
        }
        let mut model = Self::start(samples);
        for _ in 0..ROUNDS {
            model = model.round(samples)?;
        }
        Some(model.with_fading(samples).unwrap_or(model))
    }

    /// The model that fits best, samples weighted and left out by `self`.
    fn round(&self, samples: &[NoiseSample]) -> Option<Self> {
        let rows = believed(samples, self, self)?;
        Some(self.with_squares(Normal::of(&rows, self.fading).non_negative()))
    }

    /// The same with the fading that fits best; `None` where none tells itself from chance.
    fn with_fading(&self, samples: &[NoiseSample]) -> Option<Self> {
        let steady = Self {
            intensity: usual_intensity(samples)?,
            ..*self
        };
        let rows = believed(samples, self, &steady)?;
        let mut model = steady.best_fading(&rows)?;
        let left = |m: &Self| Normal::of(&rows, m.fading).misfit(&m.squares_m2());
        let (without, with) = (left(self), left(&model));
        // Over the misfit of a sample, so that scatter of other causes counts as chance too.
        let of_a_sample = without / count(samples.len());
        if without - with <= CLEAR_GAIN * of_a_sample {
            return None;
        }
        for _ in 0..ROUNDS {
            // Without fading dark samples look like steps and are left out: not any more.
            model = steady.best_fading(&believed(samples, &model, &steady)?)?;
        }
        Some(model)
    }

    /// The model of the fading that fits best.
    fn best_fading(&self, rows: &[Row]) -> Option<Self> {
        let tried = |step: u32| {
            let fading = MOST_FADING * f64::from(step) / f64::from(FADINGS);
            let normal = Normal::of(rows, fading);
            let squares_m2 = normal.non_negative();
            (fading, squares_m2, normal.misfit(&squares_m2))
        };
        let all: Vec<_> = (1..=FADINGS).into_par_iter().map(tried).collect();
        let best = all.into_iter().min_by(|a, b| a.2.total_cmp(&b.2))?;
        let model = Self {
            fading: best.0,
            ..*self
        };
        Some(model.with_squares(best.1))
    }

    /// The median variance as angle noise and texture in equal parts.
    fn start(samples: &[NoiseSample]) -> Self {
        let mut ratios: Vec<f64> = samples
            .iter()
            .map(|s| s.variance_m2 / (s.d_m * s.d_m * 1e-9 + 1e-7))
            .collect();
        let middle = ratios.len() / 2;
        let (_, ratio, _) = ratios.select_nth_unstable_by(middle, f64::total_cmp);
        Self {
            angle_rad: (*ratio * 1e-9).sqrt(),
            texture_m: (*ratio * 1e-7).sqrt(),
            ..Self::default()
        }
    }
}

/// The samples that `scale` believes; `None` where they are too few.
fn believed(samples: &[NoiseSample], scale: &NoiseModel, faded: &NoiseModel) -> Option<Vec<Row>> {
    let rows = rows(samples, scale, faded);
    (rows.len() >= FEWEST / 2).then_some(rows)
}

/// The median intensity; `None` where half of the samples or more know none.
fn usual_intensity(samples: &[NoiseSample]) -> Option<f64> {
    let mut known: Vec<f64> = samples.iter().map(|s| s.intensity).collect();
    known.retain(|intensity| *intensity > 0.0);
    if 2 * known.len() < samples.len() {
        return None;
    }
    median(&mut known)
}

/// (h/R)² and h/R of a range noise `faded` times as large, d² and 1: what the squares of the four
/// noises are multiplied by.
pub(super) fn terms(d_m: f64, h_m: f64, faded: f64) -> [f64; TERMS] {
    let range = d_m.hypot(h_m).max(0.1);
    let cosine = (h_m / range).abs().max(1e-3);
    [faded * cosine * cosine, faded * cosine, d_m * d_m, 1.0]
}

#[expect(clippy::cast_precision_loss, reason = "a count of samples")]
fn count(n: usize) -> f64 {
    n as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn samples(model: &NoiseModel) -> Vec<NoiseSample> {
        (0..4000u32)
            .map(|k| {
                let d_m = 2.0 + 0.01 * f64::from(k);
                let h_m = 1.7 + 0.3 * (f64::from(k) * 0.37).sin();
                // Sample variances of 20 degrees of freedom scatter by √(2/20); every ninth place
                // holds a step.
                let scatter = 1.0 + 0.3162 * (f64::from(k) * 1.7).sin() * 2f64.sqrt();
                let step = if k % 9 == 0 { 9e-6 } else { 0.0 };
                // Three lots of asphalt and a line of paint, met ever more grazing.
                let reflectance = [0.07, 0.13, 0.2, 0.85][k as usize / 7 % 4];
                let intensity = 6e4 * reflectance * (h_m / d_m.hypot(h_m)).powf(0.3);
                let variance_m2 = model.variance_m2(d_m, h_m, intensity);
                NoiseSample {
                    setup: 0,
                    d_m,
                    h_m,
                    variance_m2: variance_m2 * scatter + step,
                    dof: 20.0,
                    intensity,
                }
            })
            .collect()
    }

    #[test]
    fn the_formula_gives_the_published_figures_of_a_tripod() {
        // Height noise 0.37 & 0.30 mm at 10 m, 0.19 & 0.60 mm at 20 m, for σ_r = 2 mm,
        // σ_β = 30 µrad, h = 1.9 m: (σ_r h/R) and (d σ_β), worked by hand.
        let model = NoiseModel {
            range_m: 2e-3,
            angle_rad: 30e-6,
            ..NoiseModel::default()
        };
        for (d, range, angle) in [(10.0, 0.3733e-3, 0.3e-3), (20.0, 0.1891e-3, 0.6e-3)] {
            let expected = f64::hypot(range, angle);
            let got = model.variance_m2(d, 1.9, 0.0).sqrt();
            assert!((got / expected - 1.0).abs() < 1e-3, "{d}: {got} {expected}");
        }
    }

    #[test]
    fn a_model_is_learnt_back_from_scatter_with_steps_in_it() {
        let truth = NoiseModel {
            range_m: 2e-3,
            angle_rad: 30e-6,
            texture_m: 0.2e-3,
            ..NoiseModel::default()
        };
        let found = NoiseModel::learn(&samples(&truth)).unwrap();
        for d in [3.0, 6.0, 12.0, 25.0, 40.0] {
            let ratio = found.variance_m2(d, 1.9, 0.0) / truth.variance_m2(d, 1.9, 0.0);
            // The planted scatter averages out to about 1 %; a wrong term shows as 50 %.
            assert!((ratio - 1.0).abs() < 0.05, "{d} m: {ratio} {found:?}");
        }
    }

    #[test]
    fn fading_is_learnt_back_and_none_where_there_is_none() {
        let fading = NoiseModel {
            range_m: 2e-3,
            angle_rad: 30e-6,
            texture_m: 0.2e-3,
            fading: 0.2,
            intensity: 5000.0,
            ..NoiseModel::default()
        };
        let found = NoiseModel::learn(&samples(&fading)).unwrap();
        assert!((found.fading - 0.2).abs() < 0.03, "{found:?}");
        for (d, intensity) in [
            (3.0, 2000.0),
            (6.0, 5000.0),
            (6.0, 30_000.0),
            (25.0, 1000.0),
        ] {
            let of = |model: &NoiseModel| model.variance_m2(d, 1.9, intensity);
            let ratio = of(&found) / of(&fading);
            assert!(
                (ratio - 1.0).abs() < 0.05,
                "{d} m, {intensity}: {ratio} {found:?}"
            );
        }
        let steady = NoiseModel {
            fading: 0.0,
            ..fading
        };
        let found = NoiseModel::learn(&samples(&steady)).unwrap();
        assert!(found.fading < 1e-9, "{found:?}");
    }

    #[test]
    fn strong_fading_is_learnt_back_though_dark_places_look_like_steps() {
        for planted in [0.4, 0.5, 0.8] {
            let fading = NoiseModel {
                range_m: 2e-3,
                texture_m: 0.2e-3,
                fading: planted,
                intensity: 5000.0,
                ..NoiseModel::default()
            };
            let found = NoiseModel::learn(&samples(&fading)).unwrap();
            assert!((found.fading - planted).abs() < 0.05, "{planted} {found:?}");
        }
    }

    #[test]
    fn impossible_models_have_a_remedy_each() {
        let good = NoiseModel {
            range_m: 1e-3,
            fading: 0.2,
            intensity: 900.0,
            ..NoiseModel::default()
        };
        let of = |change: fn(&mut NoiseModel)| {
            let mut model = good;
            change(&mut model);
            model.fault().map_or("none", |(part, _, _)| part)
        };
        assert_eq!(of(|_| ()), "none");
        assert_eq!(of(|m| m.range_m = 0.0), "all of it");
        assert_eq!(of(|m| m.angle_rad = f64::NAN), "angle-urad");
        assert_eq!(of(|m| m.fading = 15.0), "fading");
        assert_eq!(of(|m| m.intensity = 0.0), "intensity");
    }

    #[test]
    fn a_few_places_tell_no_model() {
        let truth = NoiseModel {
            angle_rad: 30e-6,
            ..NoiseModel::default()
        };
        assert_eq!(NoiseModel::learn(&samples(&truth)[..20]), None);
    }
}
