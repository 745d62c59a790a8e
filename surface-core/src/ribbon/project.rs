//! From the plane to (s, t): which places of the line is a point beside?

use std::collections::BTreeMap;

use super::line::{ReferenceLine, RibbonPoint};
use crate::geom::UniformSpline;
use crate::geom::vector::{cross, distance, dot, norm, sub};
use crate::numeric::floor_i32;

/// Side of an index cell, metres: about the distances asked for, so that a query looks at some
/// ten cells of a few spans each. Speed only; no result depends on it.
const CELL_M: f64 = 8.0;
/// A span is cut in half at most this often to separate several feet; pieces of 1/256 span that
/// still could hold two lie within a micrometre of the evolute.
const MAX_CUTS: u8 = 8;
/// Newton is done after a step below this; it converges quadratically, so that the next step would
/// be below 1e-6 even where curvature jumps in a hairpin.
const NEWTON_STEP_M: f64 = 2e-4;
/// A foot this far outside an open end still counts as being at the end (rounding).
const END_SLACK_M: f64 = 1e-7;

/// Spans of the line by the cell of their first knot.
#[derive(Debug, Clone)]
pub(super) struct SpanIndex {
    cells: BTreeMap<(i32, i32), Vec<usize>>,
    /// No point of a span is further than this from its first knot.
    reach: f64,
}

impl SpanIndex {
    pub(super) fn over(spline: &UniformSpline) -> Self {
        let h = spline.step();
        let mut cells: BTreeMap<_, Vec<usize>> = BTreeMap::new();
        let mut reach: f64 = 0.0;
        for i in 0..spline.spans() {
            let [r, d, _] = spline.jet_in(i, 0.0);
            cells.entry(cell_of(r)).or_default().push(i);
            reach = reach.max(h * (norm(d) + h * spline.bend_in(i)));
        }
        Self { cells, reach }
    }

    /// Spans that can come within `radius` of `p`, ascending.
    fn near(&self, p: [f64; 2], radius: f64) -> Vec<usize> {
        let r = radius + self.reach;
        let (lo, hi) = (cell_of([p[0] - r, p[1] - r]), cell_of([p[0] + r, p[1] + r]));
        let mut out: Vec<usize> = self
            .cells
            .range((lo.0, i32::MIN)..=(hi.0, i32::MAX))
            .filter(|((_, j), _)| (lo.1..=hi.1).contains(j))
            .flat_map(|(_, spans)| spans.iter().copied())
            .collect();
        out.sort_unstable();
        out
    }
}

fn cell_of(p: [f64; 2]) -> (i32, i32) {
    (floor_i32(p[0] / CELL_M), floor_i32(p[1] / CELL_M))
}

impl ReferenceLine {
    /// All places of the line to which `p` (local metres) lies at right angles and nearer than to
    /// their neighbours, with |t| ≤ `t_max`, ascending in s.
    ///
    /// Every local minimum of the distance is found, not only the nearest: a span is searched by
    /// the sign of (r − p)·r' at its ends once an interval bound shows that this has at most one
    /// zero in it, and is cut in half until then. Places beyond an open end are no minima.
    /// Round trip with [`ReferenceLine::to_local`] below 1 µm where |κt| ≤ 0.8.
    #[must_use]
    pub fn feet(&self, p: [f64; 2], t_max: f64) -> Vec<RibbonPoint> {
        let mut out = Vec::new();
        for i in self.index.near(p, t_max) {
            let from = self.spline.jet_in(i, 0.0);
            if distance(from[0], p) <= t_max + self.index.reach {
                self.feet_in_span(i, p, &mut out);
            }
        }
        if !self.is_closed() {
            self.feet_at_ends(p, &mut out);
        }
        out.retain(|f| f.t.abs() <= t_max);
        out
    }

    /// The foot reached by Newton's method from `s_guess`: for bulk work with good guesses.
    ///
    /// `None` when it does not arrive at a minimum of the distance (a guess too far off, a point
    /// near or past the centre of curvature of a place on the way from the guess, or beyond an open
    /// end): where curvature jumps, 0.3 m may be too far. The foot is one of
    /// [`ReferenceLine::feet`], though not always the nearest.
    #[must_use]
    #[inline]
    pub fn foot_near(&self, p: [f64; 2], s_guess: f64) -> Option<RibbonPoint> {
        let longest = 8.0 * self.knot_step_m();
        let mut s = self.spline.wrap(s_guess);
        for _ in 0..30 {
            let (i, u) = self.spline.span_of(s);
            let [r, d, dd] = self.spline.jet_in(i, u);
            let e = sub(p, r);
            let speed2 = dot(d, d);
            let slope = speed2 - dot(e, dd);
            if slope < 0.02 * speed2 {
                return None;
            }
            let step = dot(e, d) / slope;
            if step.abs() < NEWTON_STEP_M {
                // t from here rather than from the foot: κ·step² ≤ 1e-8 m away.
                return self.finish(s + step, cross(d, e) / speed2.sqrt());
            }
            let next = self.spline.wrap(s + step.clamp(-longest, longest));
            if (next - s).abs() < NEWTON_STEP_M {
                return None; // stuck at an open end
            }
            s = next;
        }
        None
    }

    #[inline]
    fn finish(&self, s: f64, t: f64) -> Option<RibbonPoint> {
        let s = self.within_ends(s)?;
        Some(RibbonPoint { s, t })
    }

    /// `s` in range; `None` beyond an open end.
    #[inline]
    pub(in crate::ribbon) fn within_ends(&self, s: f64) -> Option<f64> {
        let outside =
            !self.is_closed() && !(-END_SLACK_M..=self.length_m() + END_SLACK_M).contains(&s);
        (!outside).then(|| self.spline.wrap(s))
    }

    /// (s, signed distance of p from r(s) along the normal).
    fn beside(&self, p: [f64; 2], s: f64) -> RibbonPoint {
        let [r, d, _] = self.spline.jet(s);
        RibbonPoint {
            s,
            t: cross(d, sub(p, r)) / norm(d),
        }
    }

    /// (r − p)·r' at `u` of span `i`; at the end of a span the next span's own value, so that two
    /// spans never disagree on the sign at their common knot.
    fn slope_at(&self, i: usize, u: f64, p: [f64; 2]) -> f64 {
        let [r, d, _] = self.spline.jet_in(i, u);
        dot(sub(r, p), d)
    }

    fn feet_in_span(&self, i: usize, p: [f64; 2], out: &mut Vec<RibbonPoint>) {
        let h = self.knot_step_m();
        let start = self.slope_at(i, 0.0, p);
        let end = match i + 1 {
            j if j < self.spline.spans() => self.slope_at(j, 0.0, p),
            _ if self.is_closed() => self.slope_at(0, 0.0, p),
            _ => self.slope_at(i, h, p),
        };
        self.search(i, (0.0, start), (h, end), p, MAX_CUTS, out);
    }

    /// Find the rising zeros of (r − p)·r' between two places of span `i`.
    fn search(
        &self,
        i: usize,
        a: (f64, f64),
        b: (f64, f64),
        p: [f64; 2],
        cuts: u8,
        out: &mut Vec<RibbonPoint>,
    ) {
        if cuts == 0 || self.rises_throughout(i, a.0, b.0, p) {
            if a.1 < 0.0 && b.1 >= 0.0 {
                let s = i as f64 * self.knot_step_m() + self.zero_between(i, a.0, b.0, p);
                out.push(self.beside(p, self.spline.wrap(s)));
            }
            return;
        }
        let middle = 0.5 * (a.0 + b.0);
        let middle = (middle, self.slope_at(i, middle, p));
        self.search(i, a, middle, p, cuts - 1, out);
        self.search(i, middle, b, p, cuts - 1, out);
    }

    /// Whether (r − p)·r' must grow all the way: |r'|² > |r − p|·|r''| with bounds over the piece.
    fn rises_throughout(&self, i: usize, a: f64, b: f64, p: [f64; 2]) -> bool {
        let [r, d, _] = self.spline.jet_in(i, a);
        let (way, bend) = (b - a, self.spline.bend_in(i));
        let (slowest, fastest) = (norm(d) - way * bend, norm(d) + way * bend);
        slowest > 0.0 && slowest * slowest > (distance(r, p) + way * fastest) * bend
    }

    /// Newton kept inside a bracket with a sign change.
    fn zero_between(&self, i: usize, mut a: f64, mut b: f64, p: [f64; 2]) -> f64 {
        let mut u = 0.5 * (a + b);
        for _ in 0..60 {
            let [r, d, dd] = self.spline.jet_in(i, u);
            let e = sub(r, p);
            let value = dot(e, d);
            if value < 0.0 {
                a = u;
            } else {
                b = u;
            }
            let newton = u - value / (dot(d, d) + dot(e, dd));
            let next = if newton > a && newton < b {
                newton
            } else {
                0.5 * (a + b)
            };
            if (next - u).abs() < 1e-12 || b - a < 1e-13 {
                return next;
            }
            u = next;
        }
        u
    }

    /// A point exactly beside an open end has its foot there whatever the rounding.
    fn feet_at_ends(&self, p: [f64; 2], out: &mut Vec<RibbonPoint>) {
        let end = self.length_m();
        for s in [0.0, end] {
            let [r, d, _] = self.spline.jet(s);
            let beside = dot(sub(r, p), d).abs() <= END_SLACK_M * norm(d);
            let known = out.iter().any(|f| (f.s - s).abs() < 1e-3);
            if beside && !known {
                out.push(self.beside(p, s));
            }
        }
        out.sort_by(|a, b| a.s.total_cmp(&b.s));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A hairpin: two legs 8 m apart, joined by a half circle of radius 4 m.
    fn hairpin() -> ReferenceLine {
        let arc = std::f64::consts::PI * 4.0;
        let at = |s: f64| {
            if s < 60.0 {
                [s, -4.0]
            } else if s < 60.0 + arc {
                let a = (s - 60.0) / 4.0;
                [60.0 + 4.0 * a.sin(), -4.0 * a.cos()]
            } else {
                [120.0 + arc - s, 4.0]
            }
        };
        let n = 264;
        let step = (120.0 + arc) / f64::from(n);
        let knots = (0..=n).map(|k| at(f64::from(k) * step)).collect();
        ReferenceLine::through(knots, step, false).unwrap()
    }

    #[test]
    fn a_point_between_two_legs_has_a_foot_on_each() {
        let line = hairpin();
        let feet = line.feet([30.0, 0.5], 12.0);
        let t: Vec<f64> = feet.iter().map(|f| f.t).collect();
        assert_eq!(feet.len(), 2, "{feet:?}");
        assert!(
            (t[0] - 4.5).abs() < 1e-6 && (t[1] - 3.5).abs() < 1e-6,
            "{t:?}"
        );
        assert!((feet[0].s - 30.0).abs() < 1e-6);
        assert_eq!(line.feet([30.0, 0.5], 4.0).len(), 1);
        assert_eq!(line.feet([-1.0, -4.0], 4.0), []);
    }

    #[test]
    fn the_feet_are_the_minima_of_a_dense_search() {
        let line = hairpin();
        for k in 0..400 {
            let k = f64::from(k);
            let p = [
                1.0 + 69.0 * (k * 0.618).fract(),
                14.0 * (k * 0.414).fract() - 7.0,
            ];
            let n = 20_000;
            let d2 = |j: i32| {
                let r = line.point(line.length_m() * f64::from(j) / f64::from(n));
                (r[0] - p[0]).powi(2) + (r[1] - p[1]).powi(2)
            };
            let minima = (1..n)
                .filter(|&j| d2(j) < d2(j - 1) && d2(j) <= d2(j + 1) && d2(j) <= 36.0)
                .count();
            assert_eq!(line.feet(p, 6.0).len(), minima, "{p:?}");
        }
    }

    #[test]
    fn a_point_beside_an_open_end_has_its_foot_there() {
        let line = hairpin();
        for s in [0.0, line.length_m()] {
            let p = line.to_local(RibbonPoint { s, t: -1.5 });
            let feet = line.feet(p, 3.0);
            assert_eq!(feet.len(), 1);
            assert!((feet[0].s - s).abs() < 1e-6 && (feet[0].t + 1.5).abs() < 1e-9);
        }
    }

    /// Found by the test below: at s the curvature is half of what it is 0.3 m on, where the hairpin
    /// has begun and the point lies all but on its centre.
    #[test]
    fn a_guess_in_a_bend_whose_centre_is_the_point_is_no_place_to_start_from() {
        let (line, s) = (hairpin(), 60.002_116_026_913_26);
        let radius = (1.0 / line.curvature_per_m(s).abs()).min(8.0);
        let t = 0.455_718_161_023_532_5 * radius;
        assert!(line.curvature_per_m(s) * t < 0.8);
        assert!(line.curvature_per_m(s + 0.3) * t > 0.95);
        let p = line.to_local(RibbonPoint { s, t });
        let is_it = |f: &RibbonPoint| (f.s - s).abs() < 1e-6 && (f.t - t).abs() < 1e-6;
        let feet = line.feet(p, 9.0);
        assert!(feet.iter().any(is_it), "{feet:?}");
        assert!(line.foot_near(p, s + 0.01).is_some_and(|f| is_it(&f)));
        // No answer, never a wrong one.
        assert_eq!(line.foot_near(p, s + 0.3), None);
    }

    proptest! {
        #[test]
        fn the_way_there_and_back_keeps_a_micrometre(s in 0.0f64..132.5, share in -0.8f64..0.8) {
            let line = hairpin();
            let t = share * (1.0 / line.curvature_per_m(s).abs()).min(8.0);
            let p = line.to_local(RibbonPoint { s, t });
            // Newton's way is only promised where the point is short of every centre of curvature
            // between the guess and the foot; the feet are promised always.
            let sharpest = (0..=30)
                .map(|k| line.curvature_per_m(s + 0.01 * f64::from(k)) * t)
                .fold(0.0, f64::max);
            let back = line.foot_near(p, s + 0.3);
            if sharpest <= 0.8 {
                let back = back.unwrap();
                prop_assert!((back.s - s).abs() < 1e-6 && (back.t - t).abs() < 1e-6);
            }
            let hit = line.feet(p, 9.0).into_iter().any(|f| {
                (f.s - s).abs() < 1e-6 && (f.t - t).abs() < 1e-6
            });
            prop_assert!(hit);
        }
    }
}
