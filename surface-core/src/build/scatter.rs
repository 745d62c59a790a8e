//! How points scatter beside what the noise model expects: by distance, incidence, intensity and setup.

use super::trust::rounded;
use crate::numeric::median;
use crate::report::{RingReport, ScatterReport};
use crate::setups::{NoiseModel, NoiseSample};

/// Borders of the rings of distance, metres.
const RINGS_M: [f64; 7] = [0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 50.0];
/// Borders of incidence on level ground, degrees off the vertical: the rings of a scanner 1.8 m up, about.
const INCIDENCES_DEG: [f64; 8] = [0.0, 70.0, 80.0, 83.0, 85.0, 86.5, 88.0, 90.0];
/// Shares of the samples by intensity, from dark to bright.
const INTENSITIES: usize = 6;
/// Samples that tell the scatter of a range of incidence or intensity, and of a setup.
const FEWEST: usize = 20;

/// The tables of a course, as the record of a stage: nothing may be left out of it, as of a report.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Scatter {
    rings: Vec<Ring>,
    pub incidences: Vec<ScatterReport>,
    pub intensities: Vec<ScatterReport>,
    /// By setup: its scatter over what the model of all expects.
    pub setups: Vec<Option<f64>>,
}

/// A ring of distance.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
struct Ring {
    found: ScatterReport,
    /// Of the darkest and the brightest quarter, over the model.
    dark_and_bright: Option<[f64; 2]>,
}

impl Scatter {
    /// Of samples of setups whose positions are known.
    pub fn of(samples: &[NoiseSample], noise: &NoiseModel, setups: usize) -> Self {
        let all = points(&samples.iter().collect::<Vec<_>>());
        let row = |key: &dyn Fn(&NoiseSample) -> f64, bounds: &[f64]| {
            let inside = |s: &&NoiseSample| key(s) >= bounds[0] && key(s) < bounds[1];
            let here: Vec<&NoiseSample> = samples.iter().filter(inside).collect();
            scatter(&here, noise, all).map(|found| (found, here))
        };
        let ring = |bounds: &[f64]| {
            let (found, here) = row(&|s| s.d_m, bounds)?;
            let range = [bounds[0], bounds[1]];
            Some(Ring {
                found: ScatterReport { range, ..found },
                dark_and_bright: dark_and_bright(&here, noise),
            })
        };
        let rows = |key: &dyn Fn(&NoiseSample) -> f64, bounds: &[f64]| {
            let row = |of: &[f64]| {
                let (found, here) = row(key, of)?;
                (here.len() >= FEWEST).then_some(())?;
                let range = [of[0], of[1]];
                Some(ScatterReport { range, ..found })
            };
            bounds.windows(2).filter_map(row).collect()
        };
        let mut own: Vec<Vec<&NoiseSample>> = vec![Vec::new(); setups];
        for sample in samples {
            if let Some(own) = own.get_mut(usize::from(sample.setup)) {
                own.push(sample);
            }
        }
        let of_setup = |own: &Vec<&NoiseSample>| {
            let enough = own.len() >= FEWEST;
            enough.then(|| over_model(own.iter().copied(), noise))?
        };
        Self {
            rings: RINGS_M.windows(2).filter_map(ring).collect(),
            incidences: rows(&incidence_deg, &INCIDENCES_DEG),
            intensities: rows(&known_intensity, &intensity_bounds(samples)),
            setups: own.iter().map(of_setup).collect(),
        }
    }

    /// By distance, in the report's words.
    pub fn rings(&self) -> Vec<RingReport> {
        let ring = |ring: &Ring| RingReport {
            distance_m: ring.found.range,
            points_percent: ring.found.points_percent,
            sigma_mm: ring.found.sigma_mm,
            model_mm: ring.found.model_mm,
            over_model: ring.dark_and_bright,
        };
        self.rings.iter().map(ring).collect()
    }
}

/// Of the beam on level ground, degrees off the vertical.
fn incidence_deg(sample: &NoiseSample) -> f64 {
    sample.d_m.atan2(sample.h_m).to_degrees()
}

/// Not a number where it is not known: in no range.
fn known_intensity(sample: &NoiseSample) -> f64 {
    if sample.intensity > 0.0 {
        sample.intensity
    } else {
        f64::NAN
    }
}

/// Intensities that part the samples evenly; none where none is known.
fn intensity_bounds(samples: &[NoiseSample]) -> Vec<f64> {
    let known = samples.iter().map(|s| s.intensity).filter(|i| *i > 0.0);
    let mut known: Vec<f64> = known.collect();
    known.sort_unstable_by(f64::total_cmp);
    let Some(last) = known.last() else {
        return Vec::new();
    };
    let at = |k: usize| known[k * known.len() / INTENSITIES].floor();
    let mut bounds: Vec<f64> = (0..INTENSITIES).map(at).collect();
    bounds.push(last.floor() + 1.0);
    bounds.dedup();
    bounds
}

fn points(list: &[&NoiseSample]) -> f64 {
    list.iter().map(|s| s.dof + 1.0).sum()
}

/// Medians of some samples of `all` points, the range left open; nothing of none.
fn scatter(here: &[&NoiseSample], noise: &NoiseModel, all: f64) -> Option<ScatterReport> {
    let mut sigma: Vec<f64> = here.iter().map(|s| s.variance_m2.sqrt()).collect();
    let mut model: Vec<f64> = here.iter().map(|s| expected_m2(noise, s).sqrt()).collect();
    Some(ScatterReport {
        range: [0.0; 2],
        points_percent: rounded(100.0 * points(here) / all, 10.0),
        sigma_mm: rounded(1e3 * median(&mut sigma)?, 1e3),
        model_mm: rounded(1e3 * median(&mut model)?, 1e3),
        over_model: over_model(here.iter().copied(), noise)?,
    })
}

fn expected_m2(noise: &NoiseModel, sample: &NoiseSample) -> f64 {
    noise.variance_m2(sample.d_m, sample.h_m, sample.intensity)
}

/// Scatter over what the noise model expects, of the darkest and the brightest quarter; `None` where
/// intensities are not known.
fn dark_and_bright(samples: &[&NoiseSample], noise: &NoiseModel) -> Option<[f64; 2]> {
    let mut known: Vec<&NoiseSample> = samples.to_vec();
    known.retain(|s| s.intensity > 0.0);
    known.sort_by(|a, b| a.intensity.total_cmp(&b.intensity));
    let quarter = known.len() / 4;
    let over = |part: &[&NoiseSample]| over_model(part.iter().copied(), noise);
    let dark = over(&known[..quarter])?;
    Some([dark, over(&known[known.len() - quarter..])?])
}

/// Median scatter of some samples over what the noise model expects. (That of eight points has its median 5 %
/// below what is expected.)
fn over_model<'a>(
    samples: impl Iterator<Item = &'a NoiseSample>,
    noise: &NoiseModel,
) -> Option<f64> {
    let ratios = samples.map(|s| s.variance_m2 / expected_m2(noise, s));
    let mut ratios: Vec<f64> = ratios.collect();
    median(&mut ratios).map(|ratio| rounded(ratio.sqrt(), 1e3))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Setups 1.8 m up that see rings of 2 to 40 m; their scatter is the model's but for `factor`.
    fn samples(noise: &NoiseModel, factor: impl Fn(&NoiseSample) -> f64) -> Vec<NoiseSample> {
        let sample = |k: u32| {
            let mut sample = NoiseSample {
                setup: u16::try_from(k % 3).unwrap(),
                d_m: 2.0 + 0.038 * f64::from(k),
                h_m: 1.8,
                variance_m2: 0.0,
                dof: 9.0,
                intensity: f64::from(500 + (k * 37) % 1000),
            };
            let expected = noise.variance_m2(sample.d_m, sample.h_m, sample.intensity);
            sample.variance_m2 = expected * factor(&sample).powi(2);
            sample
        };
        (0..1000).map(sample).collect()
    }

    #[test]
    fn what_scatters_unlike_the_model_shows_in_its_own_table() {
        let noise = NoiseModel {
            range_m: 2e-3,
            angle_rad: 30e-6,
            texture_m: 0.3e-3,
            ..NoiseModel::default()
        };
        let far = |s: &NoiseSample| if incidence_deg(s) > 85.0 { 1.5 } else { 1.0 };
        let own = |s: &NoiseSample| far(s) * if s.setup == 2 { 2.0 } else { 1.0 };
        let found = Scatter::of(&samples(&noise, own), &noise, 4);
        assert_eq!(found.setups.len(), 4);
        let ratios: Vec<f64> = found.setups.iter().flatten().copied().collect();
        assert!((ratios[2] / ratios[0] - 2.0).abs() < 0.02, "{ratios:?}");
        assert_eq!(found.setups[3], None);
        let found = Scatter::of(&samples(&noise, far), &noise, 3);
        for row in &found.incidences {
            let ratio = row.over_model;
            let expected = if row.range[0] >= 85.0 { 1.5 } else { 1.0 };
            assert!((ratio - expected).abs() < 0.02, "{row:?}");
        }
        let share: f64 = found.incidences.iter().map(|r| r.points_percent).sum();
        assert!((share - 100.0).abs() < 0.5, "{share}");
        let bright = |s: &NoiseSample| if s.intensity > 1200.0 { 0.5 } else { 1.0 };
        let found = Scatter::of(&samples(&noise, bright), &noise, 3).intensities;
        assert_eq!(found.len(), INTENSITIES);
        let [dark, bright] = [&found[0], &found[INTENSITIES - 1]].map(|r| r.over_model);
        assert!((dark - 1.0).abs() < 0.02 && (bright - 0.5).abs() < 0.02);
        let even = |r: &ScatterReport| (r.points_percent - 16.7).abs() < 1.0;
        assert!(found.iter().all(even), "{found:?}");
    }

    #[test]
    fn without_intensities_there_is_no_table_of_them_and_nothing_is_told_of_a_few_samples() {
        let noise = NoiseModel {
            range_m: 2e-3,
            ..NoiseModel::default()
        };
        let mut dark = samples(&noise, |_| 1.0);
        dark.iter_mut().for_each(|s| s.intensity = 0.0);
        let found = Scatter::of(&dark, &noise, 3);
        assert!(found.intensities.is_empty() && !found.incidences.is_empty());
        assert!(
            found
                .rings
                .iter()
                .all(|ring| ring.dark_and_bright.is_none())
        );
        // A stage's record leaves nothing out that it must find again.
        let record = postcard::to_allocvec(&found).unwrap();
        let again: Scatter = postcard::from_bytes(&record).unwrap();
        assert_eq!(again, found);
        let few = Scatter::of(&dark[..FEWEST - 1], &noise, 3);
        assert!(few.incidences.is_empty() && few.setups.iter().all(Option::is_none));
    }
}
