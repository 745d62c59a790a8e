//! All indices of one profile: whole, by section, and place by place.

use super::events::{Event, EventParams, find_events};
use super::geometry::{RadiusRule, grades, vertical_curvatures_per_m};
use super::iso8608::{Band, Iso8608Fit, bands, fit_iso8608};
use super::profile::{Profile, Run};
use super::quarter_car::{body_accelerations_m_s2, suspension_strokes};
use super::straightedge::{Gap, STRAIGHTEDGE_M, rolling_gaps, span, straightedge_gaps};
use crate::numeric::{CrossSpectra, to_index};

/// Road before the start of a closed lap that lets the quarter car settle, metres.
const LEAD_M: f64 = 100.0;
/// Road after the end of a closed lap on which what lies before it is answered, metres: 20 m for the
/// shape, 22 m at 200 km/h for the car.
const TAIL_M: f64 = 30.0;
/// Window for grade and vertical radius, metres: waves shorter than this are roughness.
const SHAPE_M: f64 = 20.0;
/// Length of a segment of the spectrum, metres, where the profile is long enough.
const SEGMENT_M: f64 = 100.0;
/// Way after an event within which the car's body answers to it, seconds: half a period of 1.2 Hz.
const ANSWER_S: f64 = 0.4;
/// Lengths of sections, metres.
pub const SECTIONS_M: [f64; 2] = [20.0, 100.0];

/// What steers the indices.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IndexParams {
    /// Speed for vertical radius and acceleration, km/h.
    pub speed_km_h: f64,
    /// What counts as an event.
    pub events: EventParams,
}

/// A stretch of a path with its roughness.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Section {
    /// Start along the path, metres.
    pub from_m: f64,
    /// End along the path, metres.
    pub to_m: f64,
    /// Roughness index, mm/m; none where less than half of the section has a surface.
    pub iri_mm_per_m: Option<f64>,
    /// Largest gap under the 3 m straightedge, and where.
    pub straightedge: Option<Gap>,
}

/// An event with what a car makes of it.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FeltEvent {
    /// What and where.
    #[serde(flatten)]
    pub event: Event,
    /// Largest vertical acceleration of the quarter car's body there, m/s².
    pub acceleration_m_s2: f64,
}

/// A vertical radius and where it is.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Radius {
    /// Way along the path, metres.
    pub x_m: f64,
    /// Radius, metres.
    pub radius_m: f64,
}

/// Everything that a profile tells.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Indices {
    /// Length of the path, metres.
    pub length_m: f64,
    /// Share of the stations that have a height.
    pub coverage: f64,
    /// Roughness index of the whole path, mm/m.
    pub iri_mm_per_m: Option<f64>,
    /// Sections of 20 m.
    pub sections_20_m: Vec<Section>,
    /// Sections of 100 m.
    pub sections_100_m: Vec<Section>,
    /// Largest gap under the 3 m straightedge.
    pub straightedge: Option<Gap>,
    /// Largest reading (depth or height) of the rolling 3 m straightedge.
    pub rolling: Option<Gap>,
    /// Least and greatest grade, m/m, over windows of 20 m.
    pub grade: Option<[f64; 2]>,
    /// Tightest sag over windows of 20 m.
    pub sag: Option<Radius>,
    /// Tightest crest over windows of 20 m.
    pub crest: Option<Radius>,
    /// The least radii for the speed.
    pub rule: RadiusRule,
    /// Length of path where a radius is below the rule, metres.
    pub below_rule_m: f64,
    /// Spectrum in octaves.
    pub octaves: Vec<Band>,
    /// Spectrum in thirds of octaves.
    pub third_octaves: Vec<Band>,
    /// Line through the octaves by least squares of logarithms.
    pub iso8608: Option<Iso8608Fit>,
    /// Bumps, dips and steps.
    pub events: Vec<FeltEvent>,
}

/// Values by station of the whole profile, NaN where there is none.
fn by_station(profile: &Profile, runs: &[Run], of: impl Fn(&Run) -> Vec<f64>) -> Vec<f64> {
    let n = profile.z_m.len();
    let mut out = vec![f64::NAN; n];
    for run in runs {
        let own = run.z_m.len() - run.lead - run.tail;
        for (k, v) in of(run).into_iter().skip(run.lead).take(own).enumerate() {
            out[(run.first + k) % n] = v;
        }
    }
    out
}

fn mean(values: &[f64]) -> Option<f64> {
    let there: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    (2 * there.len() >= values.len() && !there.is_empty())
        .then(|| there.iter().sum::<f64>() / there.len() as f64)
}

fn deepest(gaps: impl Iterator<Item = Gap>) -> Option<Gap> {
    gaps.max_by(|a, b| a.depth_m.abs().total_cmp(&b.depth_m.abs()))
}

/// Strokes of the quarter car by station, m/m: what the IRI is the mean of.
fn strokes(profile: &Profile) -> Vec<f64> {
    let runs = profile.runs(LEAD_M, 0.0);
    by_station(profile, &runs, |run| {
        suspension_strokes(&run.z_m, profile.step_m)
    })
}

impl Profile {
    /// IRI of the whole profile and of its sections ([`Profile::cuts`]), mm/m; none where less than
    /// half has a surface.
    #[must_use]
    pub fn iri(&self, section_m: f64) -> (Option<f64>, Vec<Option<f64>>) {
        let strokes = strokes(self);
        let milli = |v: Option<f64>| v.map(|v| 1e3 * v);
        (
            milli(mean(&strokes)),
            self.cuts(section_m)
                .into_iter()
                .map(|cut| milli(mean(&strokes[cut])))
                .collect(),
        )
    }

    /// The samples of each section of `section_m`; what remains at the end is a section of its own
    /// when it is a quarter as long, else part of the one before.
    #[must_use]
    pub fn cuts(&self, section_m: f64) -> Vec<std::ops::Range<usize>> {
        let n = to_index(section_m / self.step_m + 0.5).max(1);
        let length = self.z_m.len();
        let rest = length % n;
        let whole = (length / n).max(1);
        let count = whole + usize::from(length > n && 4 * rest >= n);
        let end = |k: usize| if k + 1 == count { length } else { (k + 1) * n };
        (0..count).map(|k| k * n..end(k)).collect()
    }

    /// The largest gap at every position of the 3 m straightedge that has no hole under it. On a
    /// closed lap the edge is also laid over the start.
    #[must_use]
    pub fn straightedge(&self) -> Vec<Gap> {
        let mut z = self.carried_over();
        let n = z.len();
        if self.closed {
            let more = span(self.step_m, STRAIGHTEDGE_M).min(n);
            z.extend_from_within(..more);
        }
        let length = n as f64 * self.step_m;
        let wrap = |g: Gap| Gap {
            x_m: g.x_m.rem_euclid(length),
            ..g
        };
        straightedge_gaps(&z, self.step_m)
            .into_iter()
            .flatten()
            .map(wrap)
            .collect()
    }

    fn sections(&self, section_m: f64, gaps: &[Gap]) -> Vec<Section> {
        let one = |(cut, iri_mm_per_m): (std::ops::Range<usize>, Option<f64>)| {
            let from_m = cut.start as f64 * self.step_m;
            let to_m = cut.end as f64 * self.step_m;
            let here = |g: &&Gap| (from_m..to_m).contains(&g.x_m);
            let straightedge = deepest(gaps.iter().filter(here).copied());
            Section {
                from_m,
                to_m,
                iri_mm_per_m,
                straightedge,
            }
        };
        let iri = self.iri(section_m).1;
        self.cuts(section_m).into_iter().zip(iri).map(one).collect()
    }

    /// Samples of a segment of this profile's spectrum: about 100 m, less on a short road.
    #[must_use]
    pub fn segment(&self) -> usize {
        let longest = SEGMENT_M.min(0.25 * self.z_m.len() as f64 * self.step_m);
        let samples = to_index(longest / self.step_m).max(8);
        // The next power of two below a half more: 2048 samples at 0.05 m.
        1 << (samples + samples / 2).ilog2()
    }

    /// The averaged spectrum of the profile's stretches; a closed lap runs on over its start.
    #[must_use]
    pub fn spectra(&self) -> CrossSpectra {
        let mut out = CrossSpectra::new(self.segment(), self.step_m, 1);
        for mut run in self.runs(0.0, 0.0) {
            if self.closed && run.z_m.len() == self.z_m.len() {
                run.z_m.extend_from_within(..out.segment() / 2);
            }
            out.add(&[&run.z_m]);
        }
        out
    }

    /// All indices of the profile.
    #[must_use]
    pub fn indices(&self, params: &IndexParams) -> Indices {
        let gaps = self.straightedge();
        let runs = self.runs(LEAD_M, TAIL_M);
        let step = self.step_m;
        let curvature = by_station(self, &runs, |r| {
            vertical_curvatures_per_m(&r.z_m, step, SHAPE_M)
        });
        let grade = by_station(self, &runs, |r| grades(&r.z_m, step, SHAPE_M));
        let rule = RadiusRule::at(params.speed_km_h);
        let spectra = self.spectra();
        let octaves = bands(&spectra, 0, 1);
        let broken = curvature.iter().filter(|c| rule.broken_by(**c)).count();
        let rolling = runs.iter().flat_map(|r| {
            let on_lap = move |g: Gap| {
                let x_m = self.on_lap_m(r, g.x_m)?;
                Some(Gap { x_m, ..g })
            };
            rolling_gaps(&r.z_m, step).into_iter().filter_map(on_lap)
        });
        Indices {
            length_m: (self.z_m.len() - usize::from(!self.closed)) as f64 * step,
            coverage: self.coverage(),
            iri_mm_per_m: self.iri(SECTIONS_M[1]).0,
            sections_20_m: self.sections(SECTIONS_M[0], &gaps),
            sections_100_m: self.sections(SECTIONS_M[1], &gaps),
            straightedge: deepest(gaps.into_iter()),
            rolling: deepest(rolling),
            grade: range(&grade),
            sag: tightest(&curvature, step, 1.0),
            crest: tightest(&curvature, step, -1.0),
            rule,
            below_rule_m: broken as f64 * step,
            third_octaves: bands(&spectra, 0, 3),
            iso8608: fit_iso8608(&octaves),
            octaves,
            events: self.felt_events(params, &runs),
        }
    }

    /// Way along the path of a place `x_m` from the start of a run; `None` in what leads in and out
    /// of a whole lap, where it is another place's.
    fn on_lap_m(&self, run: &Run, x_m: f64) -> Option<f64> {
        let lap_m = self.z_m.len() as f64 * self.step_m;
        let way_m = x_m + (run.first as f64 - run.lead as f64) * self.step_m;
        if run.lead + run.tail > 0 {
            return Some(way_m).filter(|way_m| (0.0..lap_m).contains(way_m));
        }
        Some(way_m.rem_euclid(lap_m))
    }

    fn felt_events(&self, params: &IndexParams, runs: &[Run]) -> Vec<FeltEvent> {
        let (step, speed) = (self.step_m, params.speed_km_h / 3.6);
        let mut out = Vec::new();
        for run in runs {
            let felt = body_accelerations_m_s2(&run.z_m, step, speed);
            for event in find_events(&run.z_m, step, &params.events) {
                let Some(x_m) = self.on_lap_m(run, event.x_m) else {
                    continue;
                };
                let from = to_index((event.x_m - event.length_m) / step);
                let to = to_index((event.x_m + event.length_m + ANSWER_S * speed) / step);
                let window = &felt[from.min(felt.len())..to.min(felt.len())];
                let acceleration_m_s2 = window.iter().fold(0.0f64, |m, a| m.max(a.abs()));
                let event = Event {
                    x_m,
                    from_m: x_m - (event.x_m - event.from_m),
                    ..event
                };
                out.push(FeltEvent {
                    event,
                    acceleration_m_s2,
                });
            }
        }
        out
    }
}

fn range(values: &[f64]) -> Option<[f64; 2]> {
    let there = || values.iter().copied().filter(|v| v.is_finite());
    let least = there().reduce(f64::min)?;
    Some([least, there().reduce(f64::max)?])
}

/// The greatest curvature of a sign as a radius; `None` where there is none of that sign.
fn tightest(curvature_per_m: &[f64], step_m: f64, sign: f64) -> Option<Radius> {
    let there = curvature_per_m
        .iter()
        .enumerate()
        .filter(|(_, c)| sign * **c > 1e-9);
    let (k, c) = there.max_by(|a, b| (sign * a.1).total_cmp(&(sign * b.1)))?;
    Some(Radius {
        x_m: k as f64 * step_m,
        radius_m: 1.0 / c.abs(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn params() -> IndexParams {
        IndexParams {
            speed_km_h: 100.0,
            events: EventParams::default(),
        }
    }

    /// A lap of 200 m at 0.1 m with one slow wave, and a bump of 20 mm over the start.
    fn lap() -> Profile {
        let z = |k: i32| {
            let x = 0.1 * f64::from(k);
            let off = (x + 100.0).rem_euclid(200.0) - 100.0;
            let bump = if off.abs() < 1.0 {
                0.01 * (1.0 + (std::f64::consts::PI * off).cos())
            } else {
                0.0
            };
            0.5 * (std::f64::consts::TAU * x / 200.0).sin() + bump
        };
        Profile {
            step_m: 0.1,
            z_m: (0..2000).map(z).collect(),
            closed: true,
        }
    }

    #[test]
    fn a_path_with_a_surface_under_less_than_half_of_it_has_no_roughness_index() {
        let mut profile = lap();
        profile.closed = false;
        profile.z_m[60..].fill(f64::NAN);
        let (whole, sections) = profile.iri(20.0);
        assert_eq!(whole, None);
        assert!(sections.iter().all(Option::is_none));
        assert!(lap().iri(20.0).0.is_some());
    }

    #[test]
    fn a_hole_elsewhere_does_not_part_a_closed_lap_at_its_start() {
        let mut holed = lap();
        holed.z_m[1000..1010].fill(f64::NAN);
        let (whole, holed) = (lap().indices(&params()), holed.indices(&params()));
        let first = |indices: &Indices| {
            let near = |e: &&FeltEvent| e.event.x_m < 2.0 || e.event.x_m > 198.0;
            indices
                .events
                .iter()
                .filter(near)
                .map(|e| e.event.x_m)
                .collect::<Vec<_>>()
        };
        assert_eq!(first(&whole), first(&holed));
        assert!(!first(&whole).is_empty());
        // The quarter car comes over the start at the same state but for 100 m of settling.
        let iri = |indices: &Indices| indices.sections_20_m[0].iri_mm_per_m.unwrap();
        assert!((iri(&whole) / iri(&holed) - 1.0).abs() < 0.01);
        // The steepest rise is at the start, in the middle of its window.
        let steepest = |indices: &Indices| indices.grade.unwrap()[1];
        assert!((steepest(&whole) - steepest(&holed)).abs() < 1e-9);
    }
}
