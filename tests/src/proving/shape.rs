//! The smooth shape of a course: hills, crossfall, crown, widths and where kerbs lie.

use super::line::Line;
use super::paving::smoothstep;
use super::rng::Rng;
use super::spec::CourseSpec;
use super::whole::to_index;
use std::f64::consts::TAU;

/// Relief at which crossfall and crown have their full values, metres.
const FULL_RELIEF_M: f64 = 2.0;
/// Bends tighter than this have kerbs, metres.
const KERB_RADIUS_M: f64 = 45.0;
/// Kerbs begin and end over this length, metres.
const KERB_TAPER_M: f64 = 5.0;
/// An exit kerb reaches this far beyond the bend, metres.
const EXIT_KERB_M: f64 = 16.0;

/// Height of the open ground at (x, y), metres: three long waves.
#[must_use]
pub fn terrain_m(spec: &CourseSpec, x: f64, y: f64) -> f64 {
    let wave = |length: f64, dx: f64, dy: f64, phase: f64| {
        (TAU * (x * dx + y * dy) / length + phase).sin()
    };
    let sum = 0.60 * wave(310.0, 0.8, 0.6, 0.3)
        + 0.28 * wave(170.0, -0.5, 0.866, 1.9)
        + 0.12 * wave(96.0, 0.94, 0.34, 4.0);
    spec.relief_m * sum
}

/// The rows of [`super::course::Row`], one a knot of the line.
pub(super) fn rows(spec: &CourseSpec, line: &Line) -> Vec<[f64; 8]> {
    let (count, step) = line.knots();
    let mut rng = Rng::stream(&[spec.seed, 0x0073_6861_7065]);
    let phases: [f64; 6] = std::array::from_fn(|_| TAU * rng.unit());
    let bend = smoothed_curvature(line, 8.0);
    let kerbs = kerb_widths(spec, line);
    let full = spec.relief_m / FULL_RELIEF_M;
    let row = |i: usize| {
        let s = i as f64 * step;
        let wave = |n: f64, phase: f64| (TAU * n * s / line.length_m() + phase).sin();
        let [x, y] = line.point(s);
        let z = terrain_m(spec, x, y) + full * 0.12 * wave(5.0, phases[0]);
        let crossfall =
            full * ((-0.7 * bend[i]).clamp(-0.045, 0.045) + 0.015 * wave(3.0, phases[1]));
        let crown = full * 0.0006 * (1.0 + wave(2.0, phases[2]));
        let swing = |a: f64, b: f64| 0.7 * wave(4.0, a) + 0.3 * wave(9.0, b);
        let half = |a, b| 0.5 * (spec.width_m + spec.width_swing_m * swing(a, b));
        let (left, right) = (half(phases[3], phases[4]), half(phases[4], phases[5]));
        let k = line.curvature_per_m(s);
        [
            z,
            crossfall,
            crown,
            left,
            right,
            kerbs[0][i],
            kerbs[1][i],
            k,
        ]
    };
    (0..count).map(row).collect()
}

/// Mean curvature over ± `reach_m` at every knot.
fn smoothed_curvature(line: &Line, reach_m: f64) -> Vec<f64> {
    let (n, step) = line.knots();
    let k: Vec<f64> = (0..n)
        .map(|i| line.curvature_per_m(i as f64 * step))
        .collect();
    let half = to_index(reach_m / step);
    let mean = |i: usize| {
        let sum: f64 = (0..=2 * half).map(|j| k[(i + n + j - half) % n]).sum();
        sum / (2 * half + 1) as f64
    };
    (0..n).map(mean).collect()
}

/// A bend: where it begins and ends along the line, and whether it turns left.
struct Bend {
    from_s: f64,
    to_s: f64,
    left: bool,
}

/// Width of the left and right kerb at every knot: inside at the apex, outside at the exit.
fn kerb_widths(spec: &CourseSpec, line: &Line) -> [Vec<f64>; 2] {
    let (n, step) = line.knots();
    let mut widths = [vec![0.0; n], vec![0.0; n]];
    if !spec.kerbs {
        return widths;
    }
    for bend in bends(line) {
        let (inner, outer) = if bend.left { (0, 1) } else { (1, 0) };
        let margin = 0.15 * (bend.to_s - bend.from_s);
        stamp(
            &mut widths[inner],
            step,
            bend.from_s + margin,
            bend.to_s - margin,
        );
        stamp(
            &mut widths[outer],
            step,
            bend.to_s - 4.0,
            bend.to_s + EXIT_KERB_M,
        );
    }
    widths
}

/// Widens the kerb to one metre between two places, with tapered ends.
fn stamp(widths: &mut [f64], step: f64, from_s: f64, to_s: f64) {
    let n = widths.len();
    let first = to_index(from_s / step);
    for i in first..=to_index(to_s / step) {
        let s = i as f64 * step;
        let width = smoothstep((s - from_s) / KERB_TAPER_M) * smoothstep((to_s - s) / KERB_TAPER_M);
        widths[i % n] = widths[i % n].max(width);
    }
}

/// Stretches tighter than [`KERB_RADIUS_M`], long enough for a kerb. The line begins straight.
fn bends(line: &Line) -> Vec<Bend> {
    let (n, step) = line.knots();
    let mut found: Vec<Bend> = Vec::new();
    let mut open: Option<(usize, bool)> = None;
    for i in 0..=n {
        let k = line.curvature_per_m(i as f64 * step);
        let tight = (i < n && k.abs() * KERB_RADIUS_M > 1.0).then_some(k > 0.0);
        if let Some((from, left)) = open
            && tight != Some(left)
        {
            found.push(Bend {
                from_s: from as f64 * step,
                to_s: i as f64 * step,
                left,
            });
            open = None;
        }
        if let (None, Some(left)) = (open, tight) {
            open = Some((i, left));
        }
    }
    found.retain(|b| b.to_s - b.from_s > 2.0 * KERB_TAPER_M);
    found
}
