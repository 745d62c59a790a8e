//! A surface and two halves of its points along one path, and what they tell of any part of it.
//!
//! A path is a strip of tracks side by side. All of them see nearly the same road, each with noise
//! of its own points, so that their spectra together scatter less than one track's.
//!
//! Where points are few, single stations hold none: then several stations are taken together, so
//! that a thin scan is judged by longer waves instead of not at all.

use super::fidelity::{CHANNELS, CarriedBand, Sampling, carried, resolved_wavelength_m};
use super::profile::Profile;
use crate::numeric::{CrossSpectra, to_index};

/// Width of the track that points are averaged over, metres: ISO 8608 speaks of about 100 mm for
/// vibration.
pub const TRACK_WIDTH_M: f64 = 0.1;
/// Tracks of a strip: 0.5 m together. A wheel path is told by more than one tyre's width, as cars do
/// not follow one another to the decimetre (common practice, no source).
pub const TRACKS: usize = 5;
/// Stations that are taken together, from the finest on.
const TIMES: [usize; 5] = [1, 2, 4, 5, 10];
/// Share of the samples in which each half must have points.
const LEAST_COVERED: f64 = 0.7;
/// Share of the segments of a path that must have no hole; else they are made shorter.
const LEAST_USED: f64 = 0.8;
/// Samples without points stay in the series where they are not more than this together, metres; a
/// wider hole stays one.
const FILLED_M: f64 = 1.0;
/// How many samples have points is told over ± this, metres: points grow scarce with the distance
/// from their setup, within tens of metres.
const SHARE_REACH_M: f64 = 2.0;
/// Segment of a part's own spectra, metres: waves up to 3 m are told well.
const SEGMENT_M: f64 = 12.8;
/// Fewer segments a track tell nothing of a part.
const LEAST_SEGMENTS: f64 = 3.0;
/// Longest wave that a part's own spectra tell, metres.
const LONGEST_M: f64 = 3.0;
/// Length that λ is told over, metres: 15 segments, and the band around 0.5 m holds 50 independent
/// values a track. Where half of the points of a track hold one and a half times as much noise as
/// road at λ, λ then scatters by 10 % (standard deviation) about a mean 1 % under the truth; over
/// 50 m it scatters by 14 %, over 25 m there are too few segments
/// (`wavelengths_of_windows_scatter_about_the_truth`).
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
#[derive(Debug, Clone, PartialEq)]
pub struct TrackProfiles {
    /// The surface in question.
    pub surface: Profile,
    /// Means of both halves' points.
    pub points: [PointMeans; 2],
    /// The surfaces fitted to them.
    pub fits: [Profile; 2],
}

/// A track with the heights of the surface and of both halves' surfaces, narrow holes carried over.
#[derive(Debug, Clone)]
struct Track<'a> {
    points: &'a [PointMeans; 2],
    heights: [Vec<f64>; 3],
}

/// The tracks of a strip, at the same stations.
#[derive(Debug, Clone)]
pub struct Halved<'a> {
    surface: &'a Profile,
    tracks: Vec<Track<'a>>,
    /// How many tracks have a surface, in the mean over the stations: beside an edge some run off the
    /// road.
    tracks_there: f64,
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
    /// The track in the middle and those beside it. All profiles must have the same stations.
    #[must_use]
    pub fn new(middle: &'a TrackProfiles, beside: &'a [TrackProfiles]) -> Self {
        let one = |t: &'a TrackProfiles| Track {
            points: &t.points,
            heights: [&t.surface, &t.fits[0], &t.fits[1]].map(Profile::carried_over),
        };
        let tracks: Vec<Track> = std::iter::once(middle).chain(beside).map(one).collect();
        let heights = tracks.iter().flat_map(|t| &t.heights[0]);
        let there = heights.filter(|z| z.is_finite()).count();
        Self {
            surface: &middle.surface,
            tracks,
            tracks_there: there as f64 / middle.surface.z_m.len().max(1) as f64,
        }
    }

    /// Bands of the whole path from `longest_m` down, and the length of the segments that they were
    /// told by, metres; a closed lap runs on over its start. Segments have `segment` stations, or
    /// where holes leave too little of the path in whole ones, a half or a quarter of that, as long
    /// as they hold two of the longest waves. Holes of a half alone, as under a tripod, count as
    /// long as the surface is there: it stands for the road of the whole path ([`CarriedBand::over`]).
    #[must_use]
    pub fn bands(&self, segment: usize, longest_m: f64) -> (Vec<CarriedBand>, f64) {
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
            let used = found.as_ref().map_or(0, |(s, _)| s.segments());
            let without_holes = (2 * whole.count / segment).saturating_sub(1);
            if used as f64 >= LEAST_USED * self.tracks_there * without_holes as f64 {
                break;
            }
        }
        found.map_or_else(Default::default, |(spectra, sampling)| {
            let segment_m = spectra.segment() as f64 * sampling.step_m();
            let bands = self.carried(&spectra, sampling, longest_m);
            let whole = self.whole_surface(&spectra, sampling);
            let bands = bands.iter().map(|b| b.over(&whole, sampling));
            (bands.collect(), segment_m)
        })
    }

    /// Spectra of the surface alone along the whole path, by segments as those of `found`: it is
    /// there where a half lacks points, as under a tripod.
    fn whole_surface(&self, found: &CrossSpectra, sampling: Sampling) -> CrossSpectra {
        let over = if self.surface.closed {
            found.segment() / 2
        } else {
            0
        };
        let whole = Stretch {
            first: 0,
            count: self.surface.z_m.len() + over * sampling.times,
        };
        let mut out = CrossSpectra::new(found.segment(), sampling.step_m(), 1);
        for track in &self.tracks {
            out.add(&[&self.means(&track.heights[0], whole, sampling.times)]);
        }
        out
    }

    fn carried(
        &self,
        spectra: &CrossSpectra,
        sampling: Sampling,
        longest_m: f64,
    ) -> Vec<CarriedBand> {
        let limits_m = [longest_m, 2.0 * sampling.step_m()];
        carried(spectra, sampling, self.tracks_there, limits_m)
    }

    /// Bands of a range of stations by itself, of waves up to 3 m; none where it has too few segments
    /// without a hole.
    #[must_use]
    pub fn bands_of(&self, range: std::ops::Range<usize>) -> Vec<CarriedBand> {
        self.of_stretch(Stretch {
            first: range.start.cast_signed(),
            count: range.len(),
        })
    }

    fn of_stretch(&self, stretch: Stretch) -> Vec<CarriedBand> {
        let segment = to_index(SEGMENT_M / self.surface.step_m + 0.5);
        let found = self.spectra(stretch, segment);
        let least = LEAST_SEGMENTS * self.tracks_there;
        let enough = |s: &CrossSpectra| s.segments() as f64 >= least;
        let Some((spectra, sampling)) = found.filter(|(s, _)| enough(s)) else {
            return Vec::new();
        };
        self.carried(&spectra, sampling, LONGEST_M)
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
            let bands = self.of_stretch(Stretch {
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
                resolved_m: resolved_wavelength_m(&bands),
                told_m: bands.last().map(|b| b.wavelength_m),
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
        let width_m = self.tracks_there * TRACK_WIDTH_M;
        let area_m2 = range.len() as f64 * self.surface.step_m * width_m;
        let count = |p: &PointMeans| {
            let there = p.counts.get(range.clone()).unwrap_or_default();
            there.iter().map(|n| u64::from(*n)).sum::<u64>()
        };
        let points = self.tracks.iter().flat_map(|t| t.points);
        points.map(count).sum::<u64>() as f64 / area_m2
    }

    /// Spectra of a stretch from the finest means that hold enough points; `segment` in stations.
    fn spectra(&self, stretch: Stretch, segment: usize) -> Option<(CrossSpectra, Sampling)> {
        let station_m = self.surface.step_m;
        let times = TIMES
            .into_iter()
            .find(|t| self.covered(stretch, *t) >= LEAST_COVERED)?;
        let sampling = Sampling { station_m, times };
        let mut out = CrossSpectra::new(segment / times, sampling.step_m(), CHANNELS);
        for track in &self.tracks {
            let series = self.series(track, stretch, sampling);
            let slices: Vec<&[f64]> = series.iter().map(Vec::as_slice).collect();
            out.add(&slices);
        }
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
        let (mut there, mut all) = ([0usize; 2], 0usize);
        for track in &self.tracks {
            let surface = |k: &usize| track.heights.iter().all(|z| z[*k].is_finite());
            for stations in self.samples(stretch, times) {
                if !stations.iter().all(surface) {
                    continue;
                }
                all += 1;
                for (there, half) in there.iter_mut().zip(track.points) {
                    *there += usize::from(stations.iter().any(|&k| half.counts[k] > 0));
                }
            }
        }
        there[0].min(there[1]) as f64 / all.max(1) as f64
    }

    /// Means of heights over the samples of a stretch.
    fn means(&self, z: &[f64], stretch: Stretch, times: usize) -> Vec<f64> {
        let one = |k: Vec<usize>| k.iter().map(|&k| z[k]).sum::<f64>() / k.len() as f64;
        self.samples(stretch, times).map(one).collect()
    }

    /// The channels in their order.
    fn series(&self, track: &Track, stretch: Stretch, sampling: Sampling) -> Vec<Vec<f64>> {
        let times = sampling.times;
        let surfaces = track.heights.each_ref();
        let surfaces = surfaces.map(|z| self.means(z, stretch, times));
        let samples: Vec<Vec<usize>> = self.samples(stretch, times).collect();
        let half = |which: usize| {
            let over = samples.iter().map(|k| track.point_mean(which, k));
            let over = spread(&over.collect::<Vec<_>>(), sampling.step_m());
            let both = over.iter().zip(&surfaces[0]);
            both.map(|(over, surface)| surface + over).collect()
        };
        let (a, b) = (half(0), half(1));
        let [surface, fit_a, fit_b] = surfaces;
        vec![surface, a, b, fit_a, fit_b]
    }
}

impl Track<'_> {
    /// Mean height of a half's points over the surface at some stations: what the road does between
    /// the middle of the stations and where the points lie is the surface's.
    fn point_mean(&self, which: usize, stations: &[usize]) -> Option<f64> {
        let p = &self.points[which];
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

/// Heights over the surface in which short gaps have the mean of what is around, and what is there is
/// as much further from that mean as gaps are many: where gaps fall by chance, sums of products with
/// another series come out as if there were none (their own squares do not: noise comes out
/// larger). NaN in longer gaps.
fn spread(over_m: &[Option<f64>], step_m: f64) -> Vec<f64> {
    let short = short_gaps(over_m, to_index(FILLED_M / step_m + 0.5));
    let there = running(over_m.iter().map(|v| f64::from(u8::from(v.is_some()))));
    let gaps = running(short.iter().map(|gap| f64::from(u8::from(*gap))));
    let sums = running(over_m.iter().map(|v| v.unwrap_or(0.0)));
    let reach = to_index(SHARE_REACH_M / step_m + 0.5);
    let one = |k: usize| {
        let (from, to) = (k.saturating_sub(reach), (k + reach + 1).min(over_m.len()));
        let around = |sums: &[f64]| sums[to] - sums[from];
        let (seen, mean) = (around(&there), around(&sums) / around(&there));
        match over_m[k] {
            Some(v) => mean + (v - mean) * (seen + around(&gaps)) / seen,
            None if short[k] => mean,
            None => f64::NAN,
        }
    };
    (0..over_m.len()).map(one).collect()
}

/// Which places are in gaps of at most `most`.
fn short_gaps(values: &[Option<f64>], most: usize) -> Vec<bool> {
    let mut out = vec![false; values.len()];
    let mut k = 0;
    while k < values.len() {
        let gap = values[k..].iter().take_while(|v| v.is_none()).count();
        if gap <= most {
            out[k..k + gap].fill(true);
        }
        k += gap.max(1);
    }
    out
}

/// Sum of the values before each place, and of all.
fn running(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut sum = 0.0;
    let next = values.map(|v| {
        sum += v;
        sum
    });
    std::iter::once(0.0).chain(next).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::Draw;

    /// Products of two series with gaps that fall by chance are those of the whole ones in the mean;
    /// one of the series is seen three times in four at first, nine times in ten later.
    #[test]
    fn gaps_by_chance_leave_products_what_they_are() {
        let mut draw = Draw(11);
        let n = 40_000;
        let road: Vec<f64> = (0..n).map(|_| draw.unit() - 0.5).collect();
        let mut seen = |share: [f64; 2]| -> Vec<f64> {
            let one = |k: usize| (draw.unit() < share[2 * k / n]).then_some(road[k]);
            spread(&(0..n).map(one).collect::<Vec<_>>(), 0.05)
        };
        let (a, b) = (seen([0.75, 0.9]), seen([0.9, 0.7]));
        let product = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>();
        let whole = product(&road, &road);
        // A product has a spread of its own of under 1 %; without the shares it is 33 % too small.
        assert!((product(&a, &b) / whole - 1.0).abs() < 0.02);
        assert!((product(&a, &road) / whole - 1.0).abs() < 0.02);
    }

    #[test]
    fn a_wide_gap_stays_one() {
        let mut over = vec![Some(1.0); 100];
        over[20] = Some(2.0);
        let mean = 39.0 / 38.0;
        over[10..12].fill(None);
        over[40..70].fill(None);
        let spread = spread(&over, 0.05);
        assert!((spread[11] - mean).abs() < 1e-9, "{}", spread[11]);
        assert!(spread[40..70].iter().all(|v| v.is_nan()));
        let there = mean + (2.0 - mean) * 40.0 / 38.0;
        assert!((spread[20] - there).abs() < 1e-9, "{}", spread[20]);
    }
}
