//! Polylines: length, repeats, and points put in between sparse corners.

use super::vector::{add, between, distance, norm, scale, sub};
use crate::numeric::to_index;

/// A densified segment never bulges further from its chord than this share of the shortest of
/// itself and its two neighbours: a circle sampled at up to a radian (bulge 0.12) is left alone,
/// a 500 m straight beside 10 m chords of a bend stays within 1.5 m. Chosen by
/// `a_long_straight_beside_short_chords_hardly_bulges`.
const MAX_BULGE_SHARE: f64 = 0.15;

/// Length of the polyline, with the way from the last point back to the first when closed.
#[must_use]
pub fn length(points: &[[f64; 2]], closed: bool) -> f64 {
    let open: f64 = points.windows(2).map(|w| distance(w[0], w[1])).sum();
    match (points.first(), points.last()) {
        (Some(&a), Some(&b)) if closed => open + distance(a, b),
        _ => open,
    }
}

/// Ends nearer than this share of the length make a closed line: the same in any unit.
const CLOSURE_SHARE: f64 = 0.02;

/// Ends nearer than this share may be one leg apart, as those of a ring whose first point is not
/// repeated: one of 21 points or more.
const RING_SHARE: f64 = 0.05;
/// The leg that closes a ring turns at its two ends by less than this in all, radians: 120°, so that
/// it may start or end in a corner. The ends of a road out and back turn by 180°.
const RING_TURN: f64 = 2.0 * std::f64::consts::FRAC_PI_3;

/// Whether a line drawn by hand is meant to end where it began: its ends are nearer than 2 % of its
/// length, or no further apart than its longest leg, nearer than 5 % and in the line's direction.
#[must_use]
pub fn ends_meet(points: &[[f64; 2]]) -> bool {
    let (Some(&a), Some(&b)) = (points.first(), points.last()) else {
        return false;
    };
    let (gap, all) = (distance(a, b), length(points, false));
    gap <= CLOSURE_SHARE * all || gap <= RING_SHARE * all && is_leg(points)
}

/// Whether the way from the last point back to the first goes on as the line does.
fn is_leg(points: &[[f64; 2]]) -> bool {
    let clean = without_repeats(points, false, 0.0);
    let [a, b, .., y, z] = clean[..] else {
        return false;
    };
    let legs = clean.windows(2).map(|w| distance(w[0], w[1]));
    let longest = legs.fold(0.0, f64::max);
    let (last, closing, first) = (sub(z, y), sub(a, z), sub(b, a));
    // Legs of one length differ by what their coordinates are rounded to.
    norm(closing) <= 1.001 * longest && turn(last, closing) + turn(closing, first) < RING_TURN
}

/// Angle between two directions, radians, 0 to π.
fn turn(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dot, cross) = (a[0] * b[0] + a[1] * b[1], a[0] * b[1] - a[1] * b[0]);
    cross.atan2(dot).abs()
}

/// The points without those nearer than `tolerance` to their predecessor (and, when closed,
/// without a last point that repeats the first).
#[must_use]
pub fn without_repeats(points: &[[f64; 2]], closed: bool, tolerance: f64) -> Vec<[f64; 2]> {
    let mut out: Vec<[f64; 2]> = Vec::with_capacity(points.len());
    for &p in points {
        if out.last().is_none_or(|&q| distance(p, q) > tolerance) {
            out.push(p);
        }
    }
    while closed && out.len() > 1 && distance(out[0], out[out.len() - 1]) <= tolerance {
        out.pop();
    }
    out
}

/// Points at most `step` apart along a smooth curve through all corners, each with its place on
/// the polyline as corner index plus share of the segment.
///
/// Cubic Hermite with chord-weighted tangents (a circle through three corners keeps its sag), the
/// bulge limited so that long segments beside short ones stay straight.
#[must_use]
pub fn densify(points: &[[f64; 2]], closed: bool, step: f64) -> Vec<([f64; 2], f64)> {
    let n = points.len();
    let segments = if closed { n } else { n.saturating_sub(1) };
    let mut out = Vec::new();
    for i in 0..segments {
        let pieces = to_index((distance(points[i], points[(i + 1) % n]) / step).ceil()).max(1);
        let bow = Bow::over(points, closed, i);
        for k in 0..pieces {
            let u = k as f64 / pieces as f64;
            out.push((bow.at(u), i as f64 + u));
        }
    }
    if let (false, Some(&last)) = (closed, points.last()) {
        out.push((last, segments as f64));
    }
    out
}

/// One segment between two corners, bent towards its neighbours.
struct Bow {
    a: [f64; 2],
    b: [f64; 2],
    /// Tangent minus chord at either end, scaled by the bulge limit.
    lean: [[f64; 2]; 2],
}

impl Bow {
    fn over(points: &[[f64; 2]], closed: bool, i: usize) -> Self {
        let n = points.len();
        let at = |k: usize| points[k % n];
        let (a, b) = (at(i), at(i + 1));
        let chord = sub(b, a);
        let before = (closed || i > 0).then(|| sub(a, at(i + n - 1)));
        let after = (closed || i + 2 < n).then(|| sub(at(i + 2), b));
        let lean = [lean(chord, before), lean(chord, after)];
        let shortest = [before, after]
            .into_iter()
            .flatten()
            .fold(norm(chord), |m, v| m.min(norm(v)));
        // The Hermite bulge is at most 4/27 of each lean.
        let bulge = 4.0 / 27.0 * (norm(lean[0]) + norm(lean[1]));
        let limit = (MAX_BULGE_SHARE * shortest / bulge.max(f64::MIN_POSITIVE)).min(1.0);
        Self {
            a,
            b,
            lean: lean.map(|v| scale(v, limit)),
        }
    }

    fn at(&self, u: f64) -> [f64; 2] {
        let v = 1.0 - u;
        let straight = between(self.a, self.b, u);
        let start = scale(self.lean[0], u * v * v);
        let end = scale(self.lean[1], -u * u * v);
        add(straight, add(start, end))
    }
}

/// How far the tangent (per unit of the segment's parameter) differs from the chord: the tangent
/// of the parabola through three corners at distances |chord| and |neighbour|.
fn lean(chord: [f64; 2], neighbour: Option<[f64; 2]>) -> [f64; 2] {
    let Some(other) = neighbour else {
        return [0.0; 2];
    };
    let (d, e) = (norm(chord), norm(other));
    let k = d / (d + e);
    sub(scale(other, k * d / e), scale(chord, k))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn repeats_go_and_a_ring_loses_its_closing_point() {
        let ring = [[0.0, 0.0], [0.0, 0.0], [4.0, 0.0], [4.0, 3.0], [0.0, 0.0]];
        let clean = without_repeats(&ring, true, 1e-3);
        assert_eq!(clean.len(), 3);
        assert!((length(&clean, true) - 12.0).abs() < 1e-12);
        assert!((length(&clean, false) - 7.0).abs() < 1e-12);
    }

    /// Points of a circle, `n` to a turn, the first not repeated, without the last `missing`.
    fn circle(n: u32, missing: u32) -> Vec<[f64; 2]> {
        let at = |k: u32| f64::from(k) * std::f64::consts::TAU / f64::from(n);
        let at = |k: u32| [100.0 * at(k).cos(), 100.0 * at(k).sin()];
        (0..n - missing).map(at).collect()
    }

    #[test]
    fn a_ring_whose_first_point_is_not_repeated_is_closed() {
        assert!(ends_meet(&circle(36, 0)) && ends_meet(&circle(24, 0)));
        assert!(ends_meet(&circle(200, 2)), "1.5 % are missing");
        // From a corner of a rectangle, every 20 m, back to 20 m before it.
        let side = |k: i32| f64::from(20 * k);
        let mut ring: Vec<_> = (0..10).map(|k| [side(k), 0.0]).collect();
        ring.extend((0..10).map(|k| [200.0, side(k)]));
        ring.extend((0..10).map(|k| [200.0 - side(k), 200.0]));
        ring.extend((0..10).map(|k| [0.0, 200.0 - side(k)]));
        assert!(ends_meet(&ring));
    }

    #[test]
    fn a_line_that_lacks_more_than_a_leg_or_turns_back_is_open() {
        // A leg of ten is 11 % of the rest; three legs of 60 and 5 % of the way are missing.
        assert!(!ends_meet(&circle(10, 0)) && !ends_meet(&circle(60, 2)));
        // Out and back, 40 m beside: one leg apart, and 4 % of the way.
        let x = |k: i32| f64::from(50 * k);
        let mut hairpin: Vec<_> = (0..=10).map(|k| [x(k), 0.0]).collect();
        hairpin.extend((0..=10).rev().map(|k| [x(k), 40.0]));
        assert!(!ends_meet(&hairpin));
        assert!(!ends_meet(&[[0.0, 0.0], [9.0, 0.0]]) && !ends_meet(&[]));
    }

    #[test]
    fn points_between_corners_of_a_circle_lie_on_the_circle() {
        let corner = |k: i32| {
            let a = f64::from(k) * std::f64::consts::TAU / 36.0;
            [100.0 * a.cos(), 100.0 * a.sin()]
        };
        let corners: Vec<_> = (0..36).map(corner).collect();
        for (p, _) in densify(&corners, true, 1.0) {
            // The sag of a chord is 0.38 m; the parabola through three corners is off by 4e-3.
            assert!((norm(p) - 100.0).abs() < 0.01, "{p:?}");
        }
    }

    #[test]
    fn a_long_straight_beside_short_chords_hardly_bulges() {
        let corners = [[0.0, 0.0], [500.0, 0.0], [509.0, 4.0], [515.0, 12.0]];
        let far = densify(&corners, false, 1.0)
            .iter()
            .filter(|(p, _)| p[0] < 500.0)
            .map(|(p, _)| p[1].abs())
            .fold(0.0, f64::max);
        assert!(far < 1.5, "{far}");
    }
}
