//! A tripod scanner: rays in columns and rings, met by the ground or by what stands on it.
//!
//! For each azimuth the ground's profile is walked outwards once, while the rings rise: the
//! first place where the ground stands above a ray hides all that is behind it. The crossing is
//! then refined on the full truth (kerbs, joints, roughness) and the point put on the truth's
//! surface exactly. The beam is a line: footprint averaging along the ray is *not* modelled, so
//! points far away carry more fine roughness than a real beam would see. Shadows of bodies lower
//! than the profile's step (0.2 m near, 2 % of the distance far away), such as those of the
//! ribs on a kerb, are not modelled either.

use super::course::{Course, Place};
use super::objects::{Object, clutter, parked};
use super::returns::{Returns, Target};
use super::rng::Rng;
use super::setups::{ScanParams, Setup, place_setups};
use super::whole::to_index;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// Steepest ray, radians: the tripod's own legs hide what is below.
const LOWEST_RAD: f64 = -1.15;
/// Highest ray, radians.
const HIGHEST_RAD: f64 = 0.08;
/// The walk along an azimuth begins here, metres.
const WALK_FROM_M: f64 = 0.5;
/// Half the angle that a beam covers, radians: returns mix at edges nearer than this.
const BEAM_HALF_RAD: f64 = 0.4e-3;
/// Rays that a beam is taken apart into where it may straddle the edge of a kerb.
const BEAM_RAYS: i32 = 8;
/// Places of the profile that a beam's lowest ray meets the ground before its middle, at most: half a
/// beam covers 1 % of the distance at 45 m, a step of the profile 2 %.
const LOOK_BACK: usize = 3;
/// A face is found to within this, metres.
const FACE_M: f64 = 1e-5;
/// Ground that rises by more than this over [`FACE_M`] is a vertical face, metres.
const FACE_STEP_M: f64 = 1e-3;
/// Beams that meet the ground further than this from the edge of the paving do not straddle it,
/// metres.
const STRADDLES_M: f64 = 1.0;

/// Scans setup after setup, in order, and hands each to `sink`; holds a few setups at a time.
///
/// # Errors
/// The first error of `sink`.
pub fn scan<E>(
    course: &Course,
    params: &ScanParams,
    sink: &mut dyn FnMut(&Setup, Returns) -> Result<(), E>,
) -> Result<Vec<Setup>, E> {
    let setups = place_setups(course, params);
    let objects = all_objects(course, params, &setups);
    for group in setups.chunks(rayon::current_num_threads().max(1)) {
        let scans: Vec<Returns> = group
            .par_iter()
            .map(|setup| scan_setup(course, params, setup, &objects))
            .collect();
        for (setup, returns) in group.iter().zip(scans) {
            sink(setup, returns)?;
        }
    }
    Ok(setups)
}

fn all_objects(course: &Course, params: &ScanParams, setups: &[Setup]) -> Vec<Object> {
    let mut objects = Vec::new();
    if params.clutter {
        objects = clutter(course, setups, params.seed);
    }
    if params.parked_car {
        objects.push(parked(course, 0.4 * course.length_m(), -2.6));
    }
    objects
}

/// All returns of one setup.
#[must_use]
pub fn scan_setup(
    course: &Course,
    params: &ScanParams,
    setup: &Setup,
    objects: &[Object],
) -> Returns {
    let rings = rings(params, setup);
    let visible: Vec<Object> = objects
        .iter()
        .filter(|o| o.seen_by.is_none_or(|id| id == setup.id))
        .filter(|o| distance(o.centre_m, setup) < params.range_m)
        .copied()
        .collect();
    let scan = Scan {
        course,
        params,
        setup,
        rings: &rings,
        objects: &visible,
    };
    let mut returns = Returns::new(params, setup);
    let columns = to_index(TAU / params.azimuth_step_rad);
    for column in 0..columns {
        scan.column(column, TAU * column as f64 / columns as f64, &mut returns);
    }
    if params.clutter {
        returns.far_strays();
    }
    returns
}

fn distance(p: [f64; 2], setup: &Setup) -> f64 {
    (p[0] - setup.position_m[0]).hypot(p[1] - setup.position_m[1])
}

/// A ring of rays at one elevation; every `stride`-th column fires.
struct Ring {
    tan: f64,
    stride: usize,
    phase: usize,
}

/// Rings from steep to level, thinned to the wanted spacing on level ground.
fn rings(params: &ScanParams, setup: &Setup) -> Vec<Ring> {
    let mut rng = Rng::stream(&[params.seed, 0x7269_6e67, u64::from(setup.id)]);
    let (h, a) = (setup.instrument_m, params.min_spacing_m);
    let mut out = Vec::new();
    let mut elevation = LOWEST_RAD;
    while elevation < HIGHEST_RAD {
        let range = if elevation < 0.0 {
            (h / -elevation.sin()).min(params.range_m)
        } else {
            params.range_m
        };
        let stride = to_index(a / (range * params.azimuth_step_rad)).max(1);
        let phase = to_index(rng.unit() * stride as f64);
        out.push(Ring {
            tan: elevation.tan(),
            stride,
            phase,
        });
        // dr = R² dβ / h on level ground.
        elevation += params.elevation_step_rad.max(a * h / (range * range));
    }
    out
}

struct Scan<'a> {
    course: &'a Course,
    params: &'a ScanParams,
    setup: &'a Setup,
    rings: &'a [Ring],
    objects: &'a [Object],
}

/// A place where an azimuth crosses a body, and whether the beam is cut there by its edge.
struct Crossing<'a> {
    object: &'a Object,
    span_m: (f64, f64),
    edge: bool,
}

impl Scan<'_> {
    fn column(&self, column: usize, azimuth: f64, returns: &mut Returns) {
        let d = [azimuth.cos(), azimuth.sin()];
        let crossings = self.crossings(azimuth);
        let mut walk = Walk::start(self, d);
        let mut rng = Rng::stream(&[self.params.seed, 1, u64::from(self.setup.id), column as u64]);
        returns.begin_column(azimuth, d);
        for ring in self
            .rings
            .iter()
            .filter(|r| (column + r.phase).is_multiple_of(r.stride))
        {
            let seen_body = self.body_hit(&crossings, ring.tan);
            let limit = seen_body.map_or(self.params.range_m, |(hit, _)| hit);
            let ground = walk.first_crossing(ring.tan, limit);
            if seen_body.is_none() && ground.is_none_or(|k| walk.off_the_scan(k)) {
                continue;
            }
            let ground = ground.map(|k| walk.refine(k, ring.tan));
            let ground = ground.map(|ground| self.straddling(ground, ring.tan, &mut walk));
            let body = seen_body.filter(|(hit, _)| ground.as_ref().is_none_or(|g| *hit < g.d_m));
            let target = match (body, ground) {
                (Some((hit, crossing)), _) => {
                    self.body(hit, crossing, ring.tan, &mut walk, &mut rng)
                }
                (None, Some(ground)) => ground,
                (None, None) => continue,
            };
            returns.receive(&target, &mut rng);
        }
    }

    /// The target of a beam that meets the ground; on both sides of a kerb's outer edge it is the mean
    /// range of the beam's rays, which weighs both by their shares of the footprint.
    fn straddling(&self, ground: Target, tan: f64, walk: &mut Walk) -> Target {
        let near = ground.outside_m().abs() < STRADDLES_M;
        if !self.params.mixed_kerbs || !near || !walk.by_kerb(ground.d_m) {
            return ground;
        }
        let share = |k: i32| (2.0 * f64::from(k) + 1.0) / f64::from(BEAM_RAYS) - 1.0;
        let rays = (0..BEAM_RAYS).map(|k| tan + BEAM_HALF_RAD * share(k));
        let met: Vec<Target> = rays.filter_map(|tan| walk.look(tan)).collect();
        let outside = met.iter().filter(|t| t.outside_m() > 0.0).count();
        if outside == 0 || outside == met.len() {
            return ground;
        }
        let d_m = met.iter().map(|t| t.d_m).sum::<f64>() / met.len() as f64;
        ground.at(d_m, d_m * tan)
    }

    /// Bodies along an azimuth. A body is cut by the beam's edge when a ray half a beam to one
    /// side misses it.
    fn crossings(&self, azimuth: f64) -> Vec<Crossing<'_>> {
        let origin = [self.setup.position_m[0], self.setup.position_m[1]];
        let at = |object: &Object, a: f64| object.crossing_m(origin, [a.cos(), a.sin()]);
        let crossing = |object| {
            let span_m = at(object, azimuth)?;
            let edge = at(object, azimuth - BEAM_HALF_RAD).is_none()
                || at(object, azimuth + BEAM_HALF_RAD).is_none();
            Some(Crossing {
                object,
                span_m,
                edge,
            })
        };
        self.objects.iter().filter_map(crossing).collect()
    }

    /// The nearest body that a ray meets, and where.
    fn body_hit<'c>(
        &self,
        crossings: &'c [Crossing<'c>],
        tan: f64,
    ) -> Option<(f64, &'c Crossing<'c>)> {
        let z = self.setup.position_m[2];
        crossings
            .iter()
            .filter_map(|c| Some((c.object.hit_m(c.span_m, z, tan)?, c)))
            .min_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// The return from a body, or, at its edges, from between it and the ground behind.
    fn body(
        &self,
        hit: f64,
        crossing: &Crossing,
        tan: f64,
        walk: &mut Walk,
        rng: &mut Rng,
    ) -> Target {
        let z = self.setup.position_m[2] + hit * tan;
        let near_top =
            crossing.object.top_z_m - z < 2.0 * BEAM_HALF_RAD * hit && hit <= crossing.span_m.0;
        if (crossing.edge || near_top) && rng.unit() < 0.6 {
            let behind = walk
                .first_crossing(tan, self.params.range_m)
                .map(|k| walk.refine(k, tan));
            let far = behind.map_or(hit + 5.0, |t| t.d_m.max(hit));
            let d_m = hit + rng.unit() * (far - hit);
            return Target::mixed(d_m, d_m * tan, crossing.object.reflectance);
        }
        Target::object(hit, hit * tan, crossing.object.reflectance)
    }
}

/// The ground's profile along one azimuth, walked outwards as far as the rays need it.
struct Walk<'a> {
    scan: &'a Scan<'a>,
    d: [f64; 2],
    distances: Vec<f64>,
    heights: Vec<f64>,
    outside: Vec<f64>,
    reached: usize,
}

impl<'a> Walk<'a> {
    fn start(scan: &'a Scan<'a>, d: [f64; 2]) -> Self {
        let mut walk = Self {
            scan,
            d,
            distances: vec![],
            heights: vec![],
            outside: vec![],
            reached: 0,
        };
        walk.extend(WALK_FROM_M);
        walk
    }

    fn point(&self, d_m: f64) -> [f64; 2] {
        let p = self.scan.setup.position_m;
        [p[0] + d_m * self.d[0], p[1] + d_m * self.d[1]]
    }

    /// Height of the ground relative to the instrument.
    fn height(&self, d_m: f64) -> f64 {
        let [x, y] = self.point(d_m);
        self.scan.course.ground_m(x, y) - self.scan.setup.position_m[2]
    }

    fn extend(&mut self, d_m: f64) {
        let [x, y] = self.point(d_m);
        let course = self.scan.course;
        let place = course.place(x, y);
        self.heights
            .push(course.ground_at_m(place.as_ref(), x, y) - self.scan.setup.position_m[2]);
        self.outside
            .push(place.map_or(f64::INFINITY, |p| p.outside_m));
        self.distances.push(d_m);
    }

    /// Whether both ends of the profile's step before `k` lie well outside the scanned verge.
    fn off_the_scan(&self, k: usize) -> bool {
        const MARGIN_M: f64 = 1.0;
        let limit = self.scan.params.verge_m + MARGIN_M;
        self.outside[k] > limit && self.outside[k.saturating_sub(1)] > limit
    }

    /// Index of the first profile place on or above the ray, not beyond `limit_m`.
    fn first_crossing(&mut self, tan: f64, limit_m: f64) -> Option<usize> {
        while self.heights[self.reached] < self.distances[self.reached] * tan {
            if self.distances[self.reached] > limit_m {
                return None;
            }
            if self.reached + 1 == self.distances.len() {
                let d = self.distances[self.reached];
                self.extend(d + (0.02 * d).max(0.2));
            }
            self.reached += 1;
        }
        Some(self.reached)
    }

    /// Whether the road beside a place has a kerb.
    fn by_kerb(&self, d_m: f64) -> bool {
        let [x, y] = self.point(d_m);
        let place = self.scan.course.place(x, y);
        place.is_some_and(|p| p.row.kerb_m[usize::from(p.foot.t_m < 0.0)] > 0.0)
    }

    /// What a ray meets that is no ring's own: the walk goes on where it was.
    fn look(&mut self, tan: f64) -> Option<Target> {
        let reached = self.reached;
        self.reached = reached.saturating_sub(LOOK_BACK);
        let met = self.first_crossing(tan, self.scan.params.range_m);
        let met = met.map(|k| self.refine(k, tan));
        self.reached = reached;
        met
    }

    /// Three rounds of the Illinois form of regula falsi between profile places k − 1 and k.
    fn refine(&self, k: usize, tan: f64) -> Target {
        let above = |d: f64| self.height(d) - d * tan;
        let (mut b, mut fb) = (self.distances[k], self.heights[k] - self.distances[k] * tan);
        let a0 = if k == 0 {
            0.5 * b
        } else {
            self.distances[k - 1]
        };
        let (mut a, mut fa) = (
            a0,
            if k == 0 {
                above(a0)
            } else {
                self.heights[k - 1] - a0 * tan
            },
        );
        let mut d = b;
        for _ in 0..3 {
            d = (b - fb * (b - a) / (fb - fa)).clamp(a, b);
            let f = above(d);
            if f.abs() < 1e-5 {
                break;
            }
            if f < 0.0 {
                (a, fa, fb) = (d, f, 0.5 * fb);
            } else {
                (b, fb, fa) = (d, f, 0.5 * fa);
            }
        }
        let face = self.scan.params.faces.then(|| self.face(a, b, tan));
        face.flatten().unwrap_or_else(|| self.ground_target(d))
    }

    /// Where the ray meets a vertical face between two distances, below it at the second: the ground
    /// jumps there from one side of the ray to the other.
    fn face(&self, mut a: f64, mut b: f64, tan: f64) -> Option<Target> {
        while b - a > FACE_M {
            let d = 0.5 * (a + b);
            if self.height(d) < d * tan {
                a = d;
            } else {
                b = d;
            }
        }
        let jump = self.height(b) - self.height(a);
        (jump > FACE_STEP_M).then(|| self.ground_target(b).on_face(b * tan))
    }

    fn ground_target(&self, d_m: f64) -> Target {
        let [x, y] = self.point(d_m);
        let course = self.scan.course;
        let place: Option<Place> = course.place(x, y);
        let dz = course.ground_at_m(place.as_ref(), x, y) - self.scan.setup.position_m[2];
        let reflectance = course.reflectance(place.as_ref());
        Target::ground(
            d_m,
            dz,
            reflectance,
            place.map_or(f64::INFINITY, |p| p.outside_m),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::super::objects::car;
    use super::super::returns::Source;
    use super::super::setups::Noise;
    use super::super::spec::CourseSpec;
    use super::*;

    fn coarse() -> ScanParams {
        ScanParams {
            azimuth_step_rad: 6e-3,
            elevation_step_rad: 1e-3,
            ..ScanParams::demo().thinned(0.15)
        }
    }

    fn first_setup(course: &Course, params: &ScanParams) -> Returns {
        let setups = place_setups(course, params);
        scan_setup(
            course,
            params,
            &setups[1],
            &all_objects(course, params, &setups),
        )
    }

    #[test]
    fn a_perfect_scan_lies_on_the_truth() {
        let course = Course::build(&CourseSpec::oval()).unwrap();
        let returns = first_setup(&course, &coarse().perfect());
        assert!(returns.len() > 10_000, "{}", returns.len());
        for i in 0..returns.len() {
            let truth = course.ground_m(returns.x_m[i], returns.y_m[i]);
            // Points are put on the truth at computed places: only rounding is left, except
            // at steps, where rounding may change the side (none in this scan).
            assert!((returns.z_m[i] - truth).abs() < 1e-9);
        }
    }

    #[test]
    fn height_noise_follows_range_and_angle_as_the_formula_says() {
        let course = Course::build(&CourseSpec {
            g0_m3: 0.0,
            ..CourseSpec::oval().smooth()
        })
        .unwrap();
        let params = ScanParams {
            noise: Noise::TYPICAL,
            ..coarse().clear()
        };
        let setup = place_setups(&course, &params)[1];
        let returns = first_setup(&course, &params);
        for (near, far) in [(2.0, 6.0), (6.0, 14.0), (14.0, 30.0), (30.0, 44.0)] {
            let (mut sum, mut count) = (0.0, 0.0_f64);
            for i in (0..returns.len()).filter(|&i| returns.source[i] == Source::Road) {
                let (x, y) = (returns.x_m[i], returns.y_m[i]);
                let d = distance([x, y], &setup);
                let Some(truth) = course.height_m(x, y).filter(|_| d > near && d < far) else {
                    continue;
                };
                let range = d.hypot(setup.instrument_m);
                let white = course.reflectance(course.place(x, y).as_ref());
                let sigma = params
                    .noise
                    .range_sigma_m(white, setup.instrument_m / range, range);
                let variance = params
                    .noise
                    .height_variance_m2(sigma, range, setup.instrument_m);
                sum += (returns.z_m[i] - truth).powi(2) / variance;
                count += 1.0;
            }
            assert!(count > 500.0, "{count} points from {near} to {far} m");
            // χ²/n has the standard deviation √(2/n); four of them.
            assert!(
                (sum / count - 1.0).abs() < 4.0 * (2.0 / count).sqrt(),
                "{near}: {}",
                sum / count
            );
        }
    }

    #[test]
    fn setup_errors_raise_and_tilt_all_points_of_a_setup() {
        let course = Course::build(&CourseSpec::oval()).unwrap();
        let exact = coarse().perfect();
        let off = ScanParams {
            setup_height_error_m: 0.8e-3,
            setup_tilt_error_rad: 20e-6,
            ..exact.clone()
        };
        let setup = place_setups(&course, &off)[1];
        let (a, b) = (first_setup(&course, &exact), first_setup(&course, &off));
        for i in 0..a.len() {
            let [dx, dy] = [
                a.x_m[i] - setup.position_m[0],
                a.y_m[i] - setup.position_m[1],
            ];
            let error =
                setup.height_error_m + setup.tilt_error_rad[0] * dx + setup.tilt_error_rad[1] * dy;
            assert!((b.z_m[i] - a.z_m[i] - error).abs() < 1e-9);
        }
        assert!(setup.height_error_m != 0.0 && setup.tilt_error_rad[0] != 0.0);
    }

    #[test]
    fn clutter_gives_returns_from_bodies_mixed_pixels_and_strays_in_about_the_share_asked_for() {
        let course = Course::build(&CourseSpec::oval()).unwrap();
        let params = ScanParams {
            parked_car: true,
            ..coarse()
        };
        let mut counts = std::collections::HashMap::new();
        let mut total = 0_usize;
        scan::<()>(&course, &params, &mut |_, returns| {
            total += returns.len();
            for source in &returns.source {
                *counts.entry(format!("{source:?}")).or_insert(0_usize) += 1;
            }
            Ok(())
        })
        .unwrap();
        let count = |name: &str| counts.get(name).copied().unwrap_or(0);
        assert!(count("Object") > 200 && count("Mixed") > 10, "{counts:?}");
        let strays = count("Stray") as f64 / total as f64;
        // 0.3 % of some 100 000 points: standard error 0.02 %.
        assert!((strays - 0.003).abs() < 0.001, "{strays}");
        assert!(count("Road") > total / 4, "{counts:?}");
    }

    #[test]
    fn nothing_is_seen_behind_a_car() {
        let course = Course::build(&CourseSpec::oval()).unwrap();
        let params = coarse().perfect();
        let setup = place_setups(&course, &params)[1];
        let object = car(&course, setup.s_m + 8.0, 0.0, None);
        let returns = scan_setup(&course, &params, &setup, &[object]);
        let from = [setup.position_m[0], setup.position_m[1]];
        for i in (0..returns.len()).filter(|&i| returns.source[i] == Source::Road) {
            let v = [returns.x_m[i] - from[0], returns.y_m[i] - from[1]];
            let d = v[0].hypot(v[1]);
            let Some(crossing) = object.crossing_m(from, [v[0] / d, v[1] / d]) else {
                continue;
            };
            let tan = (returns.z_m[i] - setup.position_m[2]) / d;
            let hit = object.hit_m(crossing, setup.position_m[2], tan);
            // The pattern's ray and the point on the truth differ by up to some centimetres.
            assert!(hit.is_none_or(|hit| hit > d - 0.05), "{hit:?} {d}");
        }
    }
}
