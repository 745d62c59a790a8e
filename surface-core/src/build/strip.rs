//! The strip of road along a wheel path: tracks side by side, and the means of points on them.

use super::BuildError;
use super::profiles::{heights_of_field, profile};
use crate::cloud::{PackedPoint, TileStore};
use crate::export::FieldStore;
use crate::numeric::to_index;
use crate::ribbon::{Ribbon, RibbonPoint};
use crate::roughness::{PathPoint, PointMeans, TRACK_WIDTH_M, TRACKS, WheelPath};
use crate::setups::SetupModels;

/// Half of the width that points are averaged over, metres.
const HALF_TRACK_M: f64 = 0.5 * TRACK_WIDTH_M;
/// Points further from the surface than this are not road, metres.
const OFF_SURFACE_M: f64 = 0.02;
/// The slope that points are moved along to the middle of their step is taken over ± this, metres.
const SLOPE_REACH_M: f64 = 1.0;
/// And across over ± this, metres.
const ACROSS_M: f64 = 0.25;

/// What points are averaged along: a path with the tracks beside it and the surface's heights and
/// slopes.
#[derive(Debug)]
pub(super) struct Strip {
    /// The path and those beside it, as [`tracks_beside_m`] says.
    pub tracks: Vec<WheelPath>,
    /// Stations by s.
    by_s: Vec<(f64, usize)>,
    t_m: Vec<f64>,
    /// Track by track, station by station.
    surface_m: Vec<Vec<f64>>,
    slopes: Vec<[f64; 2]>,
    reach_m: f64,
    /// Length of the reference line of a closed course, metres.
    lap_m: Option<f64>,
}

/// A point on a strip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct OnStrip {
    pub track: usize,
    pub station: usize,
    /// Height over the surface in the middle of its track, metres.
    over_m: f64,
}

impl OnStrip {
    /// Whether it is near enough to the surface to be road.
    pub fn is_road(&self) -> bool {
        self.over_m.abs() <= OFF_SURFACE_M
    }
}

/// Where the tracks of a strip lie, left of its path, metres; the path's own first.
pub(super) fn tracks_beside_m() -> [f64; TRACKS] {
    let beside = |k: usize| (k.div_ceil(2) as f64) * if k % 2 == 1 { 1.0 } else { -1.0 };
    std::array::from_fn(|k| beside(k) * TRACK_WIDTH_M)
}

/// Mean over ±`reach` samples, of those that are there.
fn smooth(values: &[f64], reach: usize) -> Vec<f64> {
    let mean = |k: usize| {
        let window = &values[k.saturating_sub(reach)..(k + reach + 1).min(values.len())];
        let there: Vec<f64> = window.iter().copied().filter(|v| v.is_finite()).collect();
        there.iter().sum::<f64>() / there.len() as f64
    };
    (0..values.len()).map(mean).collect()
}

impl Strip {
    /// The strip of a path on the field of a ribbon.
    pub fn new(field: &FieldStore, ribbon: &Ribbon, path: &WheelPath) -> Result<Self, BuildError> {
        let lattice = field.lattice();
        let offsets: Vec<f64> = tracks_beside_m()
            .into_iter()
            .chain([ACROSS_M, -ACROSS_M])
            .collect();
        let mut surface_m = heights_beside(field, path, &offsets)?;
        let sides = surface_m.split_off(TRACKS);
        let slopes = slopes(&surface_m[0], [&sides[0], &sides[1]], path.step_m);
        Ok(Self {
            tracks: tracks_beside_m().map(|dt| path.moved(ribbon, dt)).to_vec(),
            by_s: by_s(path),
            t_m: path.points.iter().map(|p| p.at.t).collect(),
            surface_m,
            slopes,
            reach_m: path.step_m,
            lap_m: lattice
                .closed
                .then_some(lattice.rows as f64 * lattice.s_step_m),
        })
    }

    /// Stations of all tracks that have a surface.
    pub fn with_surface(&self) -> usize {
        let all = self.surface_m.iter().flatten();
        all.filter(|z| z.is_finite()).count()
    }

    /// Number of stations.
    pub fn len(&self) -> usize {
        self.t_m.len()
    }

    /// The station nearest along the line, and how far behind or ahead of it the point lies.
    fn station(&self, s: f64) -> Option<(usize, f64)> {
        let k = self.by_s.partition_point(|(at, _)| *at < s);
        let offset = |&(at, k): &(f64, usize), turn_m: f64| (k, s - at - turn_m);
        let turned = |end: Option<&(f64, usize)>, sign: f64| {
            end.zip(self.lap_m)
                .map(|(e, lap_m)| offset(e, sign * lap_m))
        };
        let ahead = self.by_s.get(k).map(|e| offset(e, 0.0));
        let behind = k.checked_sub(1).map(|k| offset(&self.by_s[k], 0.0));
        // On a lap the first station follows the last.
        let ahead = ahead.or_else(|| turned(self.by_s.first(), 1.0));
        let behind = behind.or_else(|| turned(self.by_s.last(), -1.0));
        [behind, ahead]
            .into_iter()
            .flatten()
            .min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
            .filter(|(_, d)| d.abs() <= self.reach_m)
    }

    /// Where on the strip a point lies, if it does.
    pub fn place(&self, s: f64, t: f64, z: f64) -> Option<OnStrip> {
        let (station, ds) = self.station(s)?;
        let dt = t - self.t_m[station];
        let beside_m = tracks_beside_m();
        let track = beside_m
            .iter()
            .position(|at| (dt - at).abs() <= HALF_TRACK_M)?;
        let surface_m = self.surface_m[track][station];
        let [along, across] = self.slopes[station];
        let z = z - along * ds - across * (dt - beside_m[track]);
        surface_m.is_finite().then_some(OnStrip {
            track,
            station,
            over_m: z - surface_m,
        })
    }

    /// Whether a point lies beside its station near enough to count: cheap, before its setup's
    /// correction is worked out.
    pub fn may_hold(&self, s: f64, t: f64) -> bool {
        let near = |(k, _): (usize, f64)| (t - self.t_m[k]).abs() <= TRACKS as f64 * HALF_TRACK_M;
        self.station(s).is_some_and(near)
    }
}

/// Places `dt` left of a path's stations.
pub(super) fn beside(path: &WheelPath, dt: f64) -> Vec<RibbonPoint> {
    let moved = |p: &PathPoint| RibbonPoint {
        s: p.at.s,
        t: p.at.t + dt,
    };
    path.points.iter().map(moved).collect()
}

/// Heights of the field so far left of a path's stations, read once for all.
fn heights_beside(
    field: &FieldStore,
    path: &WheelPath,
    offsets_m: &[f64],
) -> Result<Vec<Vec<f64>>, BuildError> {
    let places: Vec<RibbonPoint> = offsets_m.iter().flat_map(|dt| beside(path, *dt)).collect();
    let heights = heights_of_field(field, &places)?;
    let stations = path.points.len().max(1);
    Ok(heights.chunks(stations).map(<[f64]>::to_vec).collect())
}

/// The stations on the paving by s.
fn by_s(path: &WheelPath) -> Vec<(f64, usize)> {
    let stations = path.points.iter().enumerate();
    let paved = stations.filter(|(_, p)| p.at.s.is_finite());
    let mut out: Vec<(f64, usize)> = paved.map(|(k, p)| (p.at.s, k)).collect();
    out.sort_by(|a, b| a.0.total_cmp(&b.0));
    out
}

/// Slopes along and across at every station, over ±1 m of the path; `sides` are the heights
/// ±[`ACROSS_M`] beside it.
fn slopes(middle_m: &[f64], sides: [&[f64]; 2], step_m: f64) -> Vec<[f64; 2]> {
    let n = middle_m.len();
    let across = |k: usize| (sides[0][k] - sides[1][k]) / (2.0 * ACROSS_M);
    let along = |k: usize| {
        let (a, b) = (k.saturating_sub(1), (k + 1).min(n - 1));
        (middle_m[b] - middle_m[a]) / ((b - a).max(1) as f64 * step_m)
    };
    let reach = to_index(SLOPE_REACH_M / step_m).max(1);
    let smoothed = |values: Vec<f64>| smooth(&values, reach);
    let along = smoothed((0..n).map(along).collect());
    let across = smoothed((0..n).map(across).collect());
    along.into_iter().zip(across).map(|(s, t)| [s, t]).collect()
}

/// Means of the points at the stations of every track of a strip.
pub(super) fn from_points(
    points: &TileStore,
    ribbon: &Ribbon,
    setups: &SetupModels,
    strip: &Strip,
) -> Result<Vec<PointMeans>, BuildError> {
    let mut sums = vec![TrackSums::new(strip.len()); TRACKS];
    let mut packed: Vec<PackedPoint> = Vec::new();
    for key in points.keys() {
        packed.clear();
        points.read(key, &mut packed)?;
        for point in packed.iter().filter(|p| !setups.left_out(p.setup)) {
            let [s, t, z] = point.metres();
            if !strip.may_hold(s, t) {
                continue;
            }
            let place = ribbon.line.to_local(RibbonPoint { s, t });
            let z = z - setups.correction_m(point.setup, place);
            if let Some(on) = strip.place(s, t, z) {
                sums[on.track].add(&on);
            }
        }
    }
    let surfaces = strip.tracks.iter().zip(&strip.surface_m);
    let means = sums.into_iter().zip(surfaces);
    Ok(means.map(|(s, (path, z))| s.means(path, z)).collect())
}

/// Sums of points over the surface by station.
#[derive(Debug, Clone)]
struct TrackSums {
    /// Heights relative to the surface keep the sum's digits.
    over_m: Vec<f64>,
    counts: Vec<u32>,
    left_out: u64,
}

impl TrackSums {
    fn new(stations: usize) -> Self {
        Self {
            over_m: vec![0.0; stations],
            counts: vec![0; stations],
            left_out: 0,
        }
    }

    fn add(&mut self, on: &OnStrip) {
        if on.is_road() {
            self.over_m[on.station] += on.over_m;
            self.counts[on.station] += 1;
        } else {
            self.left_out += 1;
        }
    }

    fn means(self, path: &WheelPath, surface_m: &[f64]) -> PointMeans {
        let mean = |k: usize| match self.counts[k] {
            0 => f64::NAN,
            n => surface_m[k] + self.over_m[k] / f64::from(n),
        };
        PointMeans {
            profile: profile(path, (0..self.counts.len()).map(mean).collect()),
            counts: self.counts,
            left_out: self.left_out,
        }
    }
}
