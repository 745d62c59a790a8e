//! Where the road's height truly jumps, and how near to that are lines that were found.

use super::course::Course;
use super::edges::{Polyline, SegmentIndex};
use super::paving::{Feature, joint_t_m};
use super::whole::to_index;
use std::f64::consts::TAU;

/// Steps are told in pieces of about this length, metres.
const PIECE_M: f64 = 0.05;
/// Heights on either side of a step are taken this far from it, metres.
const ASIDE_M: f64 = 1e-4;
/// A true step counts as found when a line passes this near, metres.
pub const FOUND_M: f64 = 0.03;
/// A found place counts as true when a step lies this near, metres.
pub const TRUE_M: f64 = 0.05;
/// Steps that must be found are at least this high, metres.
pub const MUST_M: f64 = 0.003;
/// Steps that may be found are at least this high, metres.
pub const MAY_M: f64 = 0.001;

/// A short straight piece of a line at which the height jumps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrueStep {
    /// Its ends, metres from the course's origin.
    pub ends: [[f64; 2]; 2],
    /// Size of the jump, metres; infinite at the edges of kerbs, which have no one height.
    pub step_m: f64,
}

/// How near found lines are to true steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepScore {
    /// Share of the length of steps of [`MUST_M`] and more with a found line within [`FOUND_M`].
    pub completeness: f64,
    /// Share of the found length within [`TRUE_M`] of a step of [`MAY_M`] or of a kerb's edge.
    pub correctness: f64,
    /// 95 % of the found length within [`TRUE_M`] of a step lies within this of it, metres.
    pub p95_m: f64,
    /// Length of steps of [`MUST_M`] and more, metres.
    pub true_m: f64,
    /// Length found, metres.
    pub found_m: f64,
}

/// All places of the course where the height jumps: joints, sides of patches and potholes, and
/// the foot and the outer edge of kerbs.
#[must_use]
pub fn true_steps(course: &Course) -> Vec<TrueStep> {
    let mut out = Vec::new();
    joints(course, &mut out);
    for feature in course.paving().features() {
        match *feature {
            Feature::Patch { low, high }
            | Feature::Panel { low, high, .. }
            | Feature::SawnKerb { low, high, .. } => {
                for t in [low[1], high[1]] {
                    piecewise(course, [low[0], t], [high[0], t], &mut out);
                }
                for s in [low[0], high[0]] {
                    piecewise(course, [s, low[1]], [s, high[1]], &mut out);
                }
            }
            Feature::Pothole {
                at,
                radius_m,
                depth_m,
            } => rim(course, at, radius_m, depth_m, &mut out),
            Feature::Bump { .. } => {}
        }
    }
    kerbs(course, &mut out);
    out
}

/// Longitudinal joints of all lots, and the joints across at which they begin.
fn joints(course: &Course, out: &mut Vec<TrueStep>) {
    let (lots, length) = (course.paving().lots(), course.length_m());
    for (k, lot) in lots.iter().enumerate() {
        let end = lots.get(k + 1);
        let end = end.map_or(lots[0].from_s_m + length, |l| l.from_s_m);
        let count = to_index((end - lot.from_s_m) / PIECE_M).max(1);
        let at = |i: usize| {
            let s = lot.from_s_m + (end - lot.from_s_m) * i as f64 / count as f64;
            let s = s.rem_euclid(length);
            [s, joint_t_m(lot, s)]
        };
        out.extend((0..count).filter_map(|i| piece(course, at(i), at(i + 1))));
        let [left, right] = course.edges_t_m(lot.from_s_m);
        piecewise(course, [lot.from_s_m, right], [lot.from_s_m, left], out);
    }
}

/// The middle of a pothole's sloping side.
fn rim(course: &Course, at: [f64; 2], radius_m: f64, depth_m: f64, out: &mut Vec<TrueStep>) {
    const PIECES: u8 = 24;
    let place = |k: u8| {
        let a = TAU * f64::from(k) / f64::from(PIECES);
        let (sin, cos) = a.sin_cos();
        world(
            course,
            [at[0] + 0.8 * radius_m * cos, at[1] + 0.8 * radius_m * sin],
        )
    };
    out.extend((0..PIECES).map(|k| TrueStep {
        ends: [place(k), place(k + 1)],
        step_m: depth_m,
    }));
}

fn kerbs(course: &Course, out: &mut Vec<TrueStep>) {
    let count = to_index(course.length_m() / PIECE_M);
    for k in 0..count {
        let s = [k, k + 1].map(|k| k as f64 * PIECE_M);
        let rows = s.map(|s| course.row(s));
        for (side, sign) in [(0, 1.0), (1, -1.0)] {
            if rows.iter().any(|r| r.kerb_m[side] <= 0.0) {
                continue;
            }
            for wide in [0.0, 1.0] {
                let t = |i: usize| sign * (rows[i].half_m[side] + wide * rows[i].kerb_m[side]);
                out.push(TrueStep {
                    ends: [0, 1].map(|i| world(course, [s[i], t(i)])),
                    step_m: f64::INFINITY,
                });
            }
        }
    }
}

fn world(course: &Course, [s, t]: [f64; 2]) -> [f64; 2] {
    course.line().at(s.rem_euclid(course.length_m()), t)
}

/// The pieces of a straight line in (s, t).
fn piecewise(course: &Course, from: [f64; 2], to: [f64; 2], out: &mut Vec<TrueStep>) {
    let (ds, dt) = (to[0] - from[0], to[1] - from[1]);
    let count = to_index(ds.hypot(dt) / PIECE_M).max(1);
    let at = |i: usize| {
        let f = i as f64 / count as f64;
        [from[0] + f * ds, from[1] + f * dt]
    };
    out.extend((0..count).filter_map(|i| piece(course, at(i), at(i + 1))));
}

/// One piece with the jump in its middle; none where nothing jumps.
fn piece(course: &Course, a: [f64; 2], b: [f64; 2]) -> Option<TrueStep> {
    let length = course.length_m();
    let ds = b[0] - a[0];
    let ds = ds - length * (ds / length).round();
    let dt = b[1] - a[1];
    let long = ds.hypot(dt);
    let left = [-dt / long * ASIDE_M, ds / long * ASIDE_M];
    let height = |sign: f64| {
        let s = a[0] + 0.5 * ds + sign * left[0];
        let t = a[1] + 0.5 * dt + sign * left[1];
        course.paving().height_m(s.rem_euclid(length), t)
    };
    let step_m = (height(1.0) - height(-1.0)).abs();
    (step_m > 1e-5).then(|| TrueStep {
        ends: [world(course, a), world(course, b)],
        step_m,
    })
}

/// Holds found lines (metres from the course's origin) against the true steps; nothing when
/// either is empty.
#[must_use]
pub fn score_steps(course: &Course, found: &[Vec<[f64; 2]>]) -> Option<StepScore> {
    let steps = true_steps(course);
    let open = |vertices| Polyline {
        vertices,
        closed: false,
    };
    let lines: Vec<Polyline> = found.iter().map(|l| open(l)).collect();
    let index = SegmentIndex::of(&lines);
    let must = || {
        steps
            .iter()
            .filter(|s| s.step_m >= MUST_M && s.step_m.is_finite())
    };
    let middle = |s: &TrueStep| [0, 1].map(|k| 0.5 * (s.ends[0][k] + s.ends[1][k]));
    let long = |s: &TrueStep| (s.ends[1][0] - s.ends[0][0]).hypot(s.ends[1][1] - s.ends[0][1]);
    let hit = must().filter(|s| index.distance_m(middle(s)) <= FOUND_M);
    let true_m: f64 = must().map(long).sum();
    let hit_m: f64 = hit.map(long).sum();

    let may: Vec<&TrueStep> = steps.iter().filter(|s| s.step_m >= MAY_M).collect();
    let may: Vec<Polyline> = may.iter().map(|s| open(&s.ends[..])).collect();
    let truth = SegmentIndex::of(&may);
    let places = lines.iter().flat_map(|l| l.places_with_lengths(PIECE_M));
    let off: Vec<(f64, f64)> = places.map(|(p, m)| (truth.distance_m(p), m)).collect();
    let found_m: f64 = off.iter().map(|o| o.1).sum();
    let mut near: Vec<(f64, f64)> = off.into_iter().filter(|o| o.0 <= TRUE_M).collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    let near_m: f64 = near.iter().map(|o| o.1).sum();
    let mut sum = 0.0;
    let p95 = near.iter().find(|o| {
        sum += o.1;
        sum >= 0.95 * near_m
    })?;
    (true_m > 0.0).then(|| StepScore {
        completeness: hit_m / true_m,
        correctness: near_m / found_m,
        p95_m: p95.0,
        true_m,
        found_m,
    })
}

#[cfg(test)]
mod tests {
    use super::super::spec::CourseSpec;
    use super::*;

    fn course() -> Course {
        Course::build(&CourseSpec::oval()).unwrap()
    }

    #[test]
    fn true_steps_have_the_heights_of_joints_and_patches_and_score_full() {
        let course = course();
        let steps = true_steps(&course);
        let high = |from: f64, to: f64| {
            let own = steps.iter().filter(|s| s.step_m >= from && s.step_m < to);
            own.map(|s| (s.ends[1][0] - s.ends[0][0]).hypot(s.ends[1][1] - s.ends[0][1]))
                .sum::<f64>()
        };
        // Joints are 2 to 6 mm and run all along the course; a patch on a joint may add to them.
        assert!(
            high(1.9e-3, 6.1e-3) > course.length_m(),
            "{}",
            high(1.9e-3, 6.1e-3)
        );
        let lines: Vec<Vec<[f64; 2]>> = steps.iter().map(|s| s.ends.to_vec()).collect();
        let score = score_steps(&course, &lines).unwrap();
        assert!(score.completeness > 0.9999, "{score:?}");
        assert!(score.correctness > 0.995 && score.p95_m < 1e-6, "{score:?}");
    }

    #[test]
    fn lines_moved_aside_or_half_missing_score_less() {
        let course = course();
        let steps = true_steps(&course);
        let moved = |d: f64| -> Vec<Vec<[f64; 2]>> {
            let up = |p: [f64; 2]| [p[0] + d, p[1] + d];
            steps.iter().map(|s| s.ends.map(up).to_vec()).collect()
        };
        let far = score_steps(&course, &moved(0.2)).unwrap();
        assert!(far.completeness < 0.1 && far.correctness < 0.1, "{far:?}");
        let near = score_steps(&course, &moved(0.01)).unwrap();
        // Moved by 14 mm, of which 10 mm lie across lines that run along an axis.
        assert!((0.009..0.0145).contains(&near.p95_m), "{near:?}");
        let half: Vec<_> = moved(0.0).into_iter().step_by(2).collect();
        let half = score_steps(&course, &half).unwrap();
        assert!(half.correctness > 0.995, "{half:?}");
        let none = &moved(0.0)[..10];
        assert!(score_steps(&course, none).unwrap().completeness < 0.05);
    }
}
