//! A surface and two halves of its points along one path, and what they tell of any part of it.
//!
//! Where points are few, single stations hold none: then several stations are taken together, so
//! that a thin scan is judged by longer waves instead of not at all.

use super::fidelity::{CHANNELS, CarriedBand, Sampling, carried, resolved_wavelength_m};
use super::profile::Profile;
use crate::numeric::{CrossSpectra, to_index};

/// Width of the track that points are averaged over, metres: ISO 8608 speaks of about 100 mm for
/// vibration.
pub const TRACK_WIDTH_M: f64 = 0.1;
/// Stations that are taken together, from the finest on.
const TIMES: [usize; 5] = [1, 2, 4, 5, 10];
/// Share of the samples in which each half must have points.
const LEAST_COVERED: f64 = 0.7;
/// Samples without points are filled with the half's own surface, which shares no noise with the
/// other half, where they are not more than this together, metres; a wider hole stays one.
const FILLED_M: f64 = 1.0;
/// Segment of a part's own spectra, metres: waves up to 3 m are told well.
const SEGMENT_M: f64 = 12.8;
/// Fewer segments tell nothing of a part.
const LEAST_SEGMENTS: usize = 3;
/// Longest wave that a part's own spectra tell, metres.
const LONGEST_M: f64 = 3.0;
/// Length that λ is told over, metres: 15 segments, and the band around 0.5 m holds 50 independent
/// values. Where half of the points hold one and a half times as much noise as road at λ, λ then
/// scatters by 11 % (standard deviation) about a mean 6 % under the truth; over 50 m it scatters by
/// 21 %, over 25 m there are too few segments (`wavelengths_of_windows_scatter_about_the_truth`).
pub const WINDOW_M: f64 = 100.0;
/// Distance of the middles of windows, metres.
pub const WINDOW_STEP_M: f64 = 20.0;

/// Means of points at the stations of a path.
#[derive(Debug, Clone, PartialEq)]
pub struct PointMeans {
    /// The means; NaN where there is no point.
    pub profile: Profile,
    /// Points a station.
    pub counts: Vec<u32>,
    /// Points of the track that were too far from the surface to be counted as road.
    pub left_out: u64,
}

/// A surface, both halves of the points and both halves' surfaces at the same stations.
#[derive(Debug, Clone)]
pub struct Halved<'a> {
    surface: &'a Profile,
    points: [&'a PointMeans; 2],
    /// Heights of the surface and of both halves' surfaces, narrow holes carried over.
    heights: [Vec<f64>; 3],
}

/// λ at a place of the way.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct WavelengthAt {
    /// Start of the piece that it stands for, metres along the path.
    pub from_m: f64,
    /// Its end, metres.
    pub to_m: f64,
    /// Shortest wavelength that the surface carries in the window around the piece, metres.
    pub resolved_m: Option<f64>,
    /// The shortest that could be told from the points there, metres; none without any.
    pub told_m: Option<f64>,
    /// Points of both halves on the piece, a square metre.
    pub points_per_m2: f64,
}

/// A stretch of stations: the first, and how many. On a closed lap it may begin before the start
/// and run over it.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    first: isize,
    count: usize,
}

impl<'a> Halved<'a> {
    /// The surface in question with the means of both halves' points and the surfaces fitted to
    /// them. All must have the same stations.
    #[must_use]
    pub fn new(surface: &'a Profile, points: [&'a PointMeans; 2], fits: [&Profile; 2]) -> Self {
        Self {
            surface,
            points,
            heights: [surface, fits[0], fits[1]].map(Profile::carried_over),
        }
    }

    /// Bands of the whole path from `longest_m` down; a closed lap runs on over its start. Segments
    /// have `segment` stations, or where holes leave less than half of the path in whole ones, a half
    /// or a quarter of that, as long as they hold two of the longest waves.
    #[must_use]
    pub fn bands(&self, segment: usize, longest_m: f64) -> Vec<CarriedBand> {
        let least = to_index(2.0 * longest_m / self.surface.step_m);
        let lengths = [1, 2, 4].map(|part| segment / part);
        let fitting = lengths.into_iter().filter(|n| *n == segment || *n >= least);
        let mut found = None;
        for segment in fitting {
            let over = if self.surface.closed { segment / 2 } else { 0 };
            let whole = Stretch {
                first: 0,
                count: self.surface.z_m.len() + over,
            };
            found = self.spectra(whole, segment).or(found);
            let used = found.as_ref().map_or(0, |(s, _)| s.segments()) * segment / 2;
            if 2 * used >= self.surface.z_m.len() {
                break;
            }
        }
        found.map_or_else(Vec::new, |(spectra, sampling)| {
            carried(&spectra, sampling, longest_m, 2.0 * sampling.step_m())
        })
    }

    /// λ of a range of stations by itself, and the shortest wave that could be told there.
    #[must_use]
    pub fn wavelength_m(&self, range: std::ops::Range<usize>) -> (Option<f64>, Option<f64>) {
        self.of_stretch(Stretch {
            first: range.start.cast_signed(),
            count: range.len(),
        })
    }

    fn of_stretch(&self, stretch: Stretch) -> (Option<f64>, Option<f64>) {
        let segment = to_index(SEGMENT_M / self.surface.step_m + 0.5);
        let found = self.spectra(stretch, segment);
        let Some((spectra, sampling)) = found.filter(|(s, _)| s.segments() >= LEAST_SEGMENTS)
        else {
            return (None, None);
        };
        let bands = carried(&spectra, sampling, LONGEST_M, 2.0 * sampling.step_m());
        let shortest = bands.last().map(|b| b.wavelength_m);
        (resolved_wavelength_m(&bands), shortest)
    }

    /// λ along the way: every [`WINDOW_STEP_M`], over windows of `window_m` around. Those at the
    /// ends of an open path are moved inside.
    #[must_use]
    pub fn along(&self, window_m: f64) -> Vec<WavelengthAt> {
        let (step, n) = (self.surface.step_m, self.surface.z_m.len());
        let window = to_index(window_m / step + 0.5).min(n);
        let room = (n - window).cast_signed();
        let one = |cut: std::ops::Range<usize>| {
            let middle = usize::midpoint(cut.start, cut.end).cast_signed();
            let first = middle - (window / 2).cast_signed();
            let (resolved_m, told_m) = self.of_stretch(Stretch {
                first: if self.surface.closed {
                    first
                } else {
                    first.clamp(0, room)
                },
                count: window,
            });
            WavelengthAt {
                from_m: cut.start as f64 * step,
                to_m: cut.end as f64 * step,
                resolved_m,
                told_m,
                points_per_m2: self.density(cut),
            }
        };
        self.surface
            .cuts(WINDOW_STEP_M)
            .into_iter()
            .map(one)
            .collect()
    }

    fn density(&self, range: std::ops::Range<usize>) -> f64 {
        let area_m2 = range.len() as f64 * self.surface.step_m * TRACK_WIDTH_M;
        let count = |p: &PointMeans| {
            let there = p.counts.get(range.clone()).unwrap_or_default();
            there.iter().map(|n| u64::from(*n)).sum::<u64>()
        };
        self.points.into_iter().map(count).sum::<u64>() as f64 / area_m2
    }

    /// Spectra of a stretch from the finest means that hold enough points; `segment` in stations.
    fn spectra(&self, stretch: Stretch, segment: usize) -> Option<(CrossSpectra, Sampling)> {
        let station_m = self.surface.step_m;
        let times = TIMES
            .into_iter()
            .find(|t| self.covered(stretch, *t) >= LEAST_COVERED)?;
        let sampling = Sampling { station_m, times };
        let series = self.series(stretch, sampling);
        let slices: Vec<&[f64]> = series.iter().map(Vec::as_slice).collect();
        let mut out = CrossSpectra::new(segment / times, sampling.step_m(), CHANNELS);
        out.add(&slices);
        (out.segments() > 0).then_some((out, sampling))
    }

    /// Places of a stretch's samples, `times` stations each.
    fn samples(&self, stretch: Stretch, times: usize) -> impl Iterator<Item = Vec<usize>> {
        let (n, closed) = (self.surface.z_m.len().cast_signed(), self.surface.closed);
        let place = move |k: isize| match closed {
            true => Some(k.rem_euclid(n).cast_unsigned()),
            false => (0..n).contains(&k).then_some(k.cast_unsigned()),
        };
        (0..stretch.count / times).map(move |i| {
            let first = stretch.first + (i * times).cast_signed();
            (0..times.cast_signed())
                .filter_map(|d| place(first + d))
                .collect()
        })
    }

    /// Share of the samples that have points of the half that has fewer, among those with a surface:
    /// over a hole there is nothing to tell, however dense the points beside it are.
    fn covered(&self, stretch: Stretch, times: usize) -> f64 {
        let surface = |k: &usize| self.heights.iter().all(|z| z[*k].is_finite());
        let share = |p: &PointMeans| {
            let (mut there, mut all) = (0usize, 0usize);
            for stations in self.samples(stretch, times) {
                if !stations.iter().all(surface) {
                    continue;
                }
                all += 1;
                there += usize::from(stations.iter().any(|&k| p.counts[k] > 0));
            }
            there as f64 / all.max(1) as f64
        };
        self.points
            .into_iter()
            .map(share)
            .fold(f64::INFINITY, f64::min)
    }

    /// The channels in their order.
    fn series(&self, stretch: Stretch, sampling: Sampling) -> Vec<Vec<f64>> {
        let times = sampling.times;
        let mean = |z: &Vec<f64>| -> Vec<f64> {
            let one = |k: Vec<usize>| k.iter().map(|&k| z[k]).sum::<f64>() / k.len() as f64;
            self.samples(stretch, times).map(one).collect()
        };
        let surfaces = self.heights.each_ref().map(mean);
        let most = to_index(FILLED_M / sampling.step_m() + 0.5);
        let half = |which: usize, fit: &[f64]| {
            let base = &surfaces[0];
            let one = |(i, stations): (usize, Vec<usize>)| {
                self.point_mean(which, &stations).map(|over| base[i] + over)
            };
            let samples = self.samples(stretch, times).enumerate();
            filled(samples.map(one).collect(), fit, most)
        };
        let [surface, fit_a, fit_b] = &surfaces;
        let (a, b) = (half(0, fit_a), half(1, fit_b));
        vec![surface.clone(), a, b, fit_a.clone(), fit_b.clone()]
    }

    /// Mean height of a half's points over the surface at some stations: what the road does between
    /// the middle of the stations and where the points lie is the surface's.
    fn point_mean(&self, which: usize, stations: &[usize]) -> Option<f64> {
        let p = self.points[which];
        let (mut sum, mut n) = (0.0, 0.0);
        for &k in stations {
            let over = p.profile.z_m[k] - self.heights[0][k];
            if p.counts[k] > 0 && over.is_finite() {
                sum += f64::from(p.counts[k]) * over;
                n += f64::from(p.counts[k]);
            }
        }
        (n > 0.0).then(|| sum / n)
    }
}

/// Values with short gaps taken from `other`; NaN in longer ones.
fn filled(values: Vec<Option<f64>>, other: &[f64], most: usize) -> Vec<f64> {
    let mut out: Vec<f64> = values.iter().map(|v| v.unwrap_or(f64::NAN)).collect();
    let mut k = 0;
    while k < values.len() {
        let gap = values[k..].iter().take_while(|v| v.is_none()).count();
        if gap <= most {
            out[k..k + gap].copy_from_slice(&other[k..k + gap]);
        }
        k += gap.max(1);
    }
    out
}
