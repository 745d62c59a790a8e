//! From squares of the world to sections of the ribbon: each point of the road gets its (s, t).

use std::path::Path;

use super::BuildError;
use super::order::in_order_within;
use super::params::FitParams;
use crate::cloud::{Frame, PackedPoint, TILE_M, TileKey, TileStore, TileWriter};
use crate::field::{Lattice, SECTION_ROWS};
use crate::numeric::{floor_i32, to_index};
use crate::progress::{Counted, Progress};
use crate::ribbon::{ArcAt, Ribbon, RibbonPoint};

/// Squares of this size share their guesses of s, metres: small against any bend that a ribbon
/// may have, so that Newton's method arrives in one or two steps.
const GUESS_M: f64 = 2.0;
/// Nearer to the centre of the bend than this share of its radius, an arc foretells no place.
const LEAST_SHARE: f64 = 0.3;

/// Sort the points between the edges by section of the lattice; coordinates become s, t, z.
///
/// Points off the road are left behind. Within a section the order is that of the squares, then
/// of the files: the same for any number of threads.
///
/// # Errors
/// [`BuildError`] when scratch files fail, or on a stop.
pub(super) fn sort_by_section(
    tiles: &TileStore,
    ribbon: &Ribbon,
    lattice: &Lattice,
    scratch: &Path,
    params: &FitParams,
    progress: &mut dyn Progress,
) -> Result<TileStore, BuildError> {
    let keys: Vec<TileKey> = tiles.keys().collect();
    let points = keys.iter().map(|&key| tiles.count(key)).sum();
    progress.stage("sort", points, Counted::Points);
    let mut writer = TileWriter::create(scratch, params.sorting_bytes())?;
    in_order_within(
        &keys,
        (
            &|&key| tiles.count(key) * POINT_BYTES,
            params.flight_bytes(),
        ),
        |&key| project_tile(tiles, ribbon, lattice, key),
        |&key, sections| {
            for (section, points) in sections {
                writer.append((section, 0), &points)?;
            }
            Ok(progress.advance(tiles.count(key))?)
        },
    )?;
    Ok(writer.finish()?)
}

/// Bytes of a point while its square is sorted: as it is stored, and as it is written again.
const POINT_BYTES: u64 = 40;

type BySection = Vec<(i32, Vec<PackedPoint>)>;

fn project_tile(
    tiles: &TileStore,
    ribbon: &Ribbon,
    lattice: &Lattice,
    key: TileKey,
) -> Result<BySection, BuildError> {
    let guesses = Guesses::new(ribbon, key);
    let mut out: BySection = Vec::new();
    if guesses.none {
        return Ok(out);
    }
    let mut points = Vec::new();
    tiles.read(key, &mut points)?;
    for point in points {
        let Some(place) = guesses.locate(ribbon, &point) else {
            continue;
        };
        let (Some(s), Some(t)) = (Frame::pack(place.s), Frame::pack(place.t)) else {
            continue;
        };
        let section = section_of(lattice, place.s);
        let packed = PackedPoint {
            abc: [s, t, point.abc[2]],
            ..point
        };
        match out.iter_mut().find(|(k, _)| *k == section) {
            Some((_, list)) => list.push(packed),
            None => out.push((section, vec![packed])),
        }
    }
    Ok(out)
}

/// The section whose rows include the row nearest to `s`.
fn section_of(lattice: &Lattice, s: f64) -> i32 {
    let row = to_index(s / lattice.s_step_m + 0.5);
    let row = if lattice.closed {
        row % lattice.rows
    } else {
        row.min(lattice.rows - 1)
    };
    i32::try_from(row / SECTION_ROWS).unwrap_or(i32::MAX)
}

/// Whether the line comes within `reach` of `p`. A foot of the perpendicular is too much to ask: the
/// middle of a square at an open end lies beyond it, and the square still holds road.
fn passes_near(ribbon: &Ribbon, p: [f64; 2], reach: f64) -> bool {
    let slack = ribbon.line.knot_step_m();
    let near = |k: &[f64; 2]| (k[0] - p[0]).hypot(k[1] - p[1]) <= reach + slack;
    ribbon.line.knots().iter().any(near)
}

/// Stations of the feet of `p`, or the end beside which it lies.
fn stations_near(ribbon: &Ribbon, p: [f64; 2], reach: f64) -> Vec<f64> {
    let line = &ribbon.line;
    let feet: Vec<f64> = line.feet(p, reach).iter().map(|f| f.s).collect();
    if !feet.is_empty() || line.is_closed() {
        return feet;
    }
    let ends = [0.0, line.length_m()].into_iter();
    ends.filter(|s| {
        let end = line.point(*s);
        (end[0] - p[0]).hypot(end[1] - p[1]) <= reach
    })
    .collect()
}

/// Where on the line the foot of `p` must be near.
fn guess(p: [f64; 2], arc: &ArcAt) -> f64 {
    let rough = arc.roughly(p);
    if rough.2 > LEAST_SHARE {
        arc.place(rough).s
    } else {
        arc.s
    }
}

/// Where on the line points of a square may have their feet.
struct Guesses {
    corner: [f64; 2],
    across: usize,
    /// The line at the feet near each small square.
    stations: Vec<Vec<ArcAt>>,
    none: bool,
}

impl Guesses {
    fn new(ribbon: &Ribbon, key: TileKey) -> Self {
        let corner = [f64::from(key.0) * TILE_M, f64::from(key.1) * TILE_M];
        let across = to_index((TILE_M / GUESS_M).ceil());
        let reach = ribbon.edges.reach_m() + GUESS_M;
        let far = reach + TILE_M;
        let middle = corner.map(|c| c + 0.5 * TILE_M);
        if !passes_near(ribbon, middle, far) {
            return Self {
                corner,
                across,
                stations: Vec::new(),
                none: true,
            };
        }
        let stations: Vec<Vec<ArcAt>> = (0..across * across)
            .map(|k| {
                let at = |n: usize, c: f64| c + (n as f64 + 0.5) * GUESS_M;
                let centre = [at(k % across, corner[0]), at(k / across, corner[1])];
                let stations = stations_near(ribbon, centre, reach);
                stations.iter().map(|&s| ribbon.line.arc_at(s)).collect()
            })
            .collect();
        let none = stations.iter().all(Vec::is_empty);
        Self {
            corner,
            across,
            stations,
            none,
        }
    }

    /// The place on the ribbon, between the edges of its leg; the nearest where legs overlap.
    fn locate(&self, ribbon: &Ribbon, point: &PackedPoint) -> Option<RibbonPoint> {
        let [x, y, _] = point.metres();
        let cell = |v: f64, c: f64| {
            usize::try_from(floor_i32((v - c) / GUESS_M))
                .unwrap_or(0)
                .min(self.across - 1)
        };
        let k = cell(y, self.corner[1]) * self.across + cell(x, self.corner[0]);
        let feet = self.stations[k]
            .iter()
            .filter_map(|arc| ribbon.line.foot_near([x, y], guess([x, y], arc)));
        feet.filter(|&f| ribbon.contains(f))
            .min_by(|a, b| a.t.abs().total_cmp(&b.t.abs()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ribbon::{Edges, ReferenceLine};

    /// Straights of 60 m, 8 m apart, with half turns between; edges `left` and `right` of the line.
    fn stadium(left: f64, right: f64) -> Ribbon {
        let arc = std::f64::consts::PI * 4.0;
        let half = 60.0 + arc;
        let at = |s: f64| {
            let (s, flip) = if s < half { (s, 1.0) } else { (s - half, -1.0) };
            let a = (s - 60.0).max(0.0) / 4.0;
            let x = s.min(60.0) - 30.0 + 4.0 * a.sin();
            [flip * x, flip * -4.0 * a.cos()]
        };
        let n = 290;
        let step = 2.0 * half / f64::from(n);
        let knots = (0..n).map(|k| at(f64::from(k) * step)).collect();
        let line = ReferenceLine::through(knots, step, true).unwrap();
        let edges = Edges::constant(line.length_m(), true, 0.5, left, right).unwrap();
        let frame = Frame { origin_m: [0.0; 3] };
        Ribbon {
            frame,
            line,
            edges,
            gaps: vec![],
        }
    }

    /// Every point of a raster over the squares is where the ribbon says, foot by foot; how many are
    /// on the road.
    fn agree(ribbon: &Ribbon, within: impl Fn([f64; 2]) -> bool) -> usize {
        let mut on_road = 0;
        for key in (-3..3).flat_map(|a| (-1..1).map(move |b| (a, b))) {
            let guesses = Guesses::new(ribbon, key);
            for k in 0..1600i32 {
                let at =
                    |n: i32, key: i32| (f64::from(key) + (f64::from(n) + 0.37) / 40.0) * TILE_M;
                let p = [at(k % 40, key.0), at(k / 40, key.1)];
                if guesses.none || !within(p) {
                    continue;
                }
                let abc = [p[0], p[1], 0.0].map(|v| Frame::pack(v).unwrap());
                let point = PackedPoint {
                    abc,
                    intensity: 0,
                    setup: 0,
                };
                let [x, y, _] = point.metres();
                match (guesses.locate(ribbon, &point), ribbon.locate([x, y])) {
                    (None, None) => {}
                    (Some(ours), Some(told)) => {
                        let ds = (ours.s - told.s).abs();
                        let lap = ribbon.line.length_m();
                        assert!(ds.min(lap - ds) < 1e-6, "{p:?}: {ours:?} for {told:?}");
                        assert!(
                            (ours.t - told.t).abs() < 1e-6,
                            "{p:?}: {ours:?} for {told:?}"
                        );
                        on_road += 1;
                    }
                    (ours, told) => panic!("{p:?}: {ours:?} for {told:?}"),
                }
            }
        }
        on_road
    }

    #[test]
    fn points_between_legs_eight_metres_apart_keep_to_their_own_leg() {
        let apart = stadium(3.0, -3.5);
        let found = agree(&apart, |_| true);
        // Points of the raster are 0.4 m apart.
        let square = (TILE_M / 40.0).powi(2);
        let road = 6.5 * (apart.line.length_m() - std::f64::consts::TAU * 0.25);
        let area = found as f64 * square;
        assert!((area / road - 1.0).abs() < 0.05, "{area} of {road} m²");
        // Legs that share a strip of 1.2 m: the nearer line's. In the turns the road folds.
        agree(&stadium(4.6, -3.5), |p| p[0].abs() < 28.0);
    }
}
