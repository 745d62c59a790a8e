//! What each setup is worth: levelled against the others, its noise learnt from its scatter.

use super::BuildError;
use super::heights::HeightFitter;
use super::road::KnownSetup;
use super::scatter::Scatter;
use crate::field::Mark;
use crate::progress::Progress;
use crate::report::{NoiseReport, SetupReport, SetupState, SetupsReport, SlowReport};
use crate::setups::{
    Correction, LevelReport, NoiseModel, NoiseSample, Places, SetupModel, SetupModels, SlowLevel,
    level, own_factors,
};

/// Sights with fewer points than this do not tell a variance.
const FEWEST_POINTS: f32 = 8.0;

/// The setups with all that could be learnt of them.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Trusted {
    pub models: SetupModels,
    level: LevelReport,
    noise: Option<NoiseModel>,
    /// By setup: how many times as far as the usual one's its heights scatter, where that shows.
    factors: Vec<Option<f64>>,
    scatter: Scatter,
}

/// Learn every setup's correction and noise from the places that the course offers; `marks` hold
/// the height of all, a `given` noise is used as it is.
pub(super) fn learn_setups(
    fitter: &HeightFitter,
    setups: &[KnownSetup],
    marks: &[Mark],
    given: Option<NoiseModel>,
    progress: &mut dyn Progress,
) -> Result<Trusted, BuildError> {
    let places = fitter.places(marks, progress)?;
    let positions_m: Vec<Option<[f64; 3]>> = setups.iter().map(|s| s.position_m).collect();
    let levelled = level(&places, setups.len(), &positions_m)?;
    let samples = samples(&places, &positions_m);
    let (noise, factors) = learn_noise(&samples, given, setups.len());
    // What no other setup saw stands where it was delivered: that is its datum, not an error.
    let tied = |k: usize, v: f64| if levelled.report.tied[k] { v } else { 0.0 };
    let model = |(k, correction): (usize, &Correction)| SetupModel {
        position_m: positions_m[k],
        correction: *correction,
        offset_variance_m2: tied(k, levelled.report.sd_m[k].powi(2)),
        tilt_variance: tied(k, levelled.report.tilt_sd[k].powi(2)),
        slow_variance: tied(k, levelled.report.slow_sd[k].powi(2)),
        noise: own_noise(noise, factors[k]),
        left_out: levelled.report.left_out[k],
        z_step_m: u16::try_from(k).map_or(0.0, |k| fitter.setups.z_step_m(k)),
    };
    let models = levelled.corrections.iter().enumerate().map(model);
    Ok(Trusted {
        models: SetupModels::new(models.collect()),
        level: levelled.report,
        scatter: noise.map_or_else(Scatter::default, |noise| {
            Scatter::of(&samples, &noise, setups.len())
        }),
        noise,
        factors,
    })
}

/// The noise of all setups, and what single ones have of it; a `given` one is used as it is.
pub(super) fn learn_noise(
    samples: &[NoiseSample],
    given: Option<NoiseModel>,
    setups: usize,
) -> (Option<NoiseModel>, Vec<Option<f64>>) {
    let learnt = || NoiseModel::learn(samples);
    let Some(noise) = given.or_else(learnt) else {
        return (None, vec![None; setups]);
    };
    let factors = match given {
        Some(_) => vec![None; setups],
        None => own_factors(samples, &noise, setups),
    };
    (Some(noise), factors)
}

/// The noise of a setup that scatters `factor` times as far as the others.
pub(super) fn own_noise(noise: Option<NoiseModel>, factor: Option<f64>) -> Option<NoiseModel> {
    noise.map(|noise| noise.times(factor.unwrap_or(1.0)))
}

impl Trusted {
    /// In words and round numbers.
    pub fn report(&self, setups: &[KnownSetup]) -> SetupsReport {
        let l = &self.level;
        SetupsReport {
            places: l.places as u64,
            misfit_before_mm: rounded(1e3 * l.misfit_before_m, 1e3),
            misfit_mm: rounded(1e3 * l.misfit_m, 1e3),
            offset_spread_mm: rounded(1e3 * l.offset_sd_m, 1e3),
            tilt_spread_urad: rounded(1e6 * l.tilt_sd_rad, 10.0),
            slow_error: l.slow.as_ref().map(slow_report),
            noise: self.noise.as_ref().map(NoiseReport::of),
            rings: self.scatter.rings(),
            incidences: self.scatter.incidences.clone(),
            intensities: self.scatter.intensities.clone(),
            setups: (0..setups.len())
                .map(|k| self.setup(k, &setups[k]))
                .collect(),
        }
    }

    /// How far the setups that agree were too high together, metres: what checkpoints moved.
    pub fn shift_m(&self) -> f64 {
        let l = &self.level;
        let agrees = |k: &usize| l.shared[*k] > 0 && !l.off[*k] && !l.left_out[*k];
        let offsets: Vec<f64> = (0..self.models.all().len())
            .filter(agrees)
            .map(|k| self.models.all()[k].correction.offset_m)
            .collect();
        offsets.iter().sum::<f64>() / offsets.len().max(1) as f64
    }

    fn setup(&self, k: usize, known: &KnownSetup) -> SetupReport {
        let correction = &self.models.all()[k].correction;
        SetupReport {
            name: known.name.clone(),
            position_known: known.position_m.is_some(),
            state: self.state(k),
            offset_mm: rounded(1e3 * correction.offset_m, 1e3),
            offset_sd_mm: rounded(1e3 * self.level.sd_m[k], 1e3),
            tilt_urad: correction.tilt_rad.map(|t| rounded(1e6 * t, 10.0)),
            slow_urad: slow_urad(correction, self.level.slow.as_ref()),
            noise_factor: self.factors[k].map(|f| rounded(f, 100.0)),
            over_model: self.scatter.setups.get(k).copied().flatten(),
            shared_places: self.level.shared[k],
        }
    }

    fn state(&self, k: usize) -> SetupState {
        let l = &self.level;
        match (l.left_out[k], l.tied[k], l.off[k]) {
            (true, _, _) if l.spare[k] => SetupState::Spare,
            (true, _, _) => SetupState::LeftOut,
            (_, false, _) => SetupState::Untied,
            (_, _, true) => SetupState::WasOff,
            _ => SetupState::Levelled,
        }
    }
}

/// What showed of slow errors, in round numbers.
pub(super) fn slow_report(slow: &SlowLevel) -> SlowReport {
    SlowReport {
        spread_urad: rounded(1e6 * slow.sd_rad, 10.0),
        corrected: slow.corrected,
        misfit_drop: rounded(slow.drop, 10.0),
        unknowns: rounded(slow.unknowns, 1.0),
    }
}

/// Root mean square of the slow error of one setup, microradians, where such are corrected.
pub(super) fn slow_urad(correction: &Correction, slow: Option<&SlowLevel>) -> Option<f64> {
    slow.filter(|slow| slow.corrected)
        .map(|_| rounded(1e6 * correction.slow_rms_rad(), 10.0))
}

pub(super) fn rounded(value: f64, steps: f64) -> f64 {
    (value * steps).round() / steps
}

/// Scatter of the points of setups with a known position.
pub(super) fn samples(places: &Places, positions_m: &[Option<[f64; 3]>]) -> Vec<NoiseSample> {
    let mut out = Vec::new();
    for place in places.iter() {
        let [x, y, z] = place.xyz_m;
        for sight in place.sights.iter().filter(|s| s.n >= FEWEST_POINTS) {
            let position = positions_m.get(usize::from(sight.setup)).copied().flatten();
            out.extend(position.map(|p| NoiseSample {
                setup: sight.setup,
                d_m: (x - p[0]).hypot(y - p[1]),
                h_m: p[2] - z,
                variance_m2: f64::from(sight.variance_m2),
                dof: f64::from(sight.n) - 1.0,
                intensity: f64::from(sight.intensity),
            }));
        }
    }
    out
}
