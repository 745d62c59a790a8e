//! Heights along wheel paths: from the mesh, from the height field, from the points.

use super::BuildError;
use crate::cloud::{PackedPoint, TileStore};
use crate::export::FieldStore;
use crate::field::{FieldRows, Lattice, SECTION_ROWS};
use crate::mesh::SurfaceMesh;
use crate::numeric::{floor_i32, to_index};
use crate::ribbon::{Ribbon, RibbonPoint};
use crate::roughness::{PointMeans, Profile, TRACK_WIDTH_M, WheelPath};
use crate::setups::SetupModels;

/// Half of the width that points are averaged over, metres.
const HALF_TRACK_M: f64 = 0.5 * TRACK_WIDTH_M;
/// Points further from the surface than this are not road, metres.
const OFF_SURFACE_M: f64 = 0.02;
/// The slope that points are moved along to the middle of their step is taken over ± this, metres.
const SLOPE_REACH_M: f64 = 1.0;

fn profile(path: &WheelPath, z_m: Vec<f64>) -> Profile {
    Profile {
        step_m: path.step_m,
        z_m,
        closed: path.closed,
    }
}

/// Heights of a mesh along a path, relative to the ribbon's origin: where it lies one above the
/// other, those nearest to the field's `near`, which knows the leg.
pub(super) fn from_mesh(
    mesh: &SurfaceMesh,
    ribbon: &Ribbon,
    path: &WheelPath,
    near: &Profile,
) -> Profile {
    let shift = [0, 1, 2].map(|k| ribbon.frame.origin_m[k] - mesh.origin_m()[k]);
    let places: Vec<[f64; 2]> = path
        .points
        .iter()
        .map(|p| [p.xy_m[0] + shift[0], p.xy_m[1] + shift[1]])
        .collect();
    let mut z_m = vec![f64::NAN; places.len()];
    let near_m: Vec<f64> = near.z_m.iter().map(|z| z + shift[2]).collect();
    mesh.heights_near(&places, &near_m, &mut z_m);
    z_m.iter_mut().for_each(|z| *z -= shift[2]);
    profile(path, z_m)
}

/// Bilinear height between the four nodes around a place; NaN without all four.
fn bilinear(rows: &FieldRows, lattice: &Lattice, at: RibbonPoint) -> f64 {
    let u = at.s / lattice.s_step_m;
    let v = (at.t - lattice.column_t_m(0)) / lattice.t_step_m;
    let (row, column) = (to_index(u), floor_i32(v));
    let Ok(column) = usize::try_from(column) else {
        return f64::NAN;
    };
    let (fu, fv) = (u - row as f64, v - column as f64);
    let local = row.saturating_sub(rows.first_row);
    let z = |r: usize, c: usize| {
        let there = local + r < rows.rows && column + c < lattice.columns;
        if there {
            rows.z_m[(local + r) * lattice.columns + column + c]
        } else {
            f64::NAN
        }
    };
    // A node that has no share is not asked: the last row of an open course has none after it.
    let row_at = |r: usize| match fv {
        0.0 => z(r, 0),
        _ => (1.0 - fv) * z(r, 0) + fv * z(r, 1),
    };
    match fu {
        0.0 => row_at(0),
        _ => (1.0 - fu) * row_at(0) + fu * row_at(1),
    }
}

/// Heights of the field at places of the ribbon, in their order.
pub(super) fn heights_of_field(
    field: &FieldStore,
    places: &[RibbonPoint],
) -> Result<Vec<f64>, BuildError> {
    let lattice = *field.lattice();
    let section = |p: &RibbonPoint| {
        let row = to_index(p.s / lattice.s_step_m);
        (row / SECTION_ROWS).min(lattice.sections() - 1)
    };
    let mut order: Vec<usize> = (0..places.len())
        .filter(|&k| places[k].s.is_finite())
        .collect();
    order.sort_by_key(|&k| section(&places[k]));
    let mut out = vec![f64::NAN; places.len()];
    let mut known: Option<(usize, FieldRows)> = None;
    for k in order {
        let wanted = section(&places[k]);
        if known.as_ref().is_none_or(|(s, _)| *s != wanted) {
            known = Some((wanted, field.section_and_next(wanted)?));
        }
        if let Some((_, rows)) = &known {
            out[k] = bilinear(rows, &lattice, places[k]);
        }
    }
    Ok(out)
}

/// Heights of the field along a path.
pub(super) fn from_field(field: &FieldStore, path: &WheelPath) -> Result<Profile, BuildError> {
    let places: Vec<RibbonPoint> = path.points.iter().map(|p| p.at).collect();
    Ok(profile(path, heights_of_field(field, &places)?))
}

/// What points are averaged along: the stations of a path with the surface's height and slopes.
#[derive(Debug)]
pub(super) struct Track {
    /// Stations by s.
    by_s: Vec<(f64, usize)>,
    t_m: Vec<f64>,
    surface_m: Vec<f64>,
    slopes: Vec<[f64; 2]>,
    reach_m: f64,
    /// Length of the reference line of a closed course, metres.
    lap_m: Option<f64>,
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

impl Track {
    /// The track of a path on a field.
    pub fn new(field: &FieldStore, path: &WheelPath) -> Result<Self, BuildError> {
        let at = |dt: f64| -> Vec<RibbonPoint> {
            let moved = |p: RibbonPoint| RibbonPoint {
                s: p.s,
                t: p.t + dt,
            };
            path.points.iter().map(|p| moved(p.at)).collect()
        };
        let lattice = field.lattice();
        const ACROSS_M: f64 = 0.25;
        let (left, right) = (
            heights_of_field(field, &at(ACROSS_M))?,
            heights_of_field(field, &at(-ACROSS_M))?,
        );
        let surface_m = heights_of_field(field, &at(0.0))?;
        let reach = to_index(SLOPE_REACH_M / path.step_m).max(1);
        let n = surface_m.len();
        let across: Vec<f64> = (0..n)
            .map(|k| (left[k] - right[k]) / (2.0 * ACROSS_M))
            .collect();
        let along: Vec<f64> = (0..n)
            .map(|k| {
                let (a, b) = (k.saturating_sub(1), (k + 1).min(n - 1));
                (surface_m[b] - surface_m[a]) / ((b - a).max(1) as f64 * path.step_m)
            })
            .collect();
        let slopes = smooth(&along, reach)
            .into_iter()
            .zip(smooth(&across, reach));
        let mut by_s: Vec<(f64, usize)> = path
            .points
            .iter()
            .enumerate()
            .filter(|(_, p)| p.at.s.is_finite())
            .map(|(k, p)| (p.at.s, k))
            .collect();
        by_s.sort_by(|a, b| a.0.total_cmp(&b.0));
        Ok(Self {
            by_s,
            t_m: path.points.iter().map(|p| p.at.t).collect(),
            surface_m,
            slopes: slopes.map(|(s, t)| [s, t]).collect(),
            reach_m: path.step_m,
            lap_m: lattice
                .closed
                .then_some(lattice.rows as f64 * lattice.s_step_m),
        })
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

    /// The station that a point of the road belongs to and its height there, when it is road.
    pub fn place(&self, s: f64, t: f64, z: f64) -> Option<(usize, f64)> {
        let off = |(k, z): &(usize, f64)| (z - self.surface_m[*k]).abs();
        self.over(s, t, z).filter(|p| off(p) <= OFF_SURFACE_M)
    }

    /// The same of any point over or under a surface.
    fn over(&self, s: f64, t: f64, z: f64) -> Option<(usize, f64)> {
        let (k, ds) = self.station(s)?;
        let dt = t - self.t_m[k];
        let z = z - self.slopes[k][0] * ds - self.slopes[k][1] * dt;
        let here = dt.abs() <= HALF_TRACK_M && self.surface_m[k].is_finite();
        here.then_some((k, z))
    }
}

/// Means of the points at the stations of a path.
pub(super) fn from_points(
    points: &TileStore,
    ribbon: &Ribbon,
    setups: &SetupModels,
    track: &Track,
    path: &WheelPath,
) -> Result<PointMeans, BuildError> {
    let mut sums = vec![(0.0, 0u32); track.len()];
    let mut left_out = 0;
    let mut packed: Vec<PackedPoint> = Vec::new();
    for key in points.keys() {
        packed.clear();
        points.read(key, &mut packed)?;
        for point in packed.iter().filter(|p| !setups.left_out(p.setup)) {
            let [s, t, z] = point.metres();
            let near = path_may_hold(track, s, t);
            if !near {
                continue;
            }
            let place = ribbon.line.to_local(RibbonPoint { s, t });
            let z = z - setups.correction_m(point.setup, place);
            // Heights relative to the surface keep the sum's digits.
            match track
                .over(s, t, z)
                .map(|(k, z)| (k, z - track.surface_m[k]))
            {
                Some((k, off)) if off.abs() <= OFF_SURFACE_M => {
                    sums[k].0 += off;
                    sums[k].1 += 1;
                }
                Some(_) => left_out += 1,
                None => {}
            }
        }
    }
    let mean = |(k, (sum, n)): (usize, &(f64, u32))| match n {
        0 => f64::NAN,
        _ => track.surface_m[k] + sum / f64::from(*n),
    };
    Ok(PointMeans {
        profile: profile(path, sums.iter().enumerate().map(mean).collect()),
        counts: sums.iter().map(|(_, n)| *n).collect(),
        left_out,
    })
}

/// Whether a point lies beside its station near enough to count: cheap, before its setup's
/// correction is worked out.
pub(super) fn path_may_hold(track: &Track, s: f64, t: f64) -> bool {
    let near = |(k, _): (usize, f64)| (t - track.t_m[k]).abs() <= HALF_TRACK_M;
    track.station(s).is_some_and(near)
}
