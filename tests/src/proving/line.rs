//! The truth's reference line: a closed C² cubic spline, and the foot of any point on it.

use super::whole::{index_u32, to_index};

/// Half the reach of the grid that finds the nearest knot, metres.
const REACH_M: f64 = 24.0;
/// Side of its cells, metres.
const CELL_M: f64 = 1.0;
/// Knots nearer than this along the line belong to one branch, metres.
const BRANCH_GAP_M: f64 = 20.0;
const NONE: u32 = u32::MAX;

/// Where a point lies beside the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Foot {
    /// Along the line, metres, 0 ≤ s < length.
    pub s_m: f64,
    /// To the left of it, metres.
    pub t_m: f64,
}

/// A closed reference line through evenly spaced knots.
#[derive(Debug, Clone)]
pub struct Line {
    step_m: f64,
    segments: Vec<Segment>,
    seeds: Seeds,
}

/// p(u) = c0 + c1 u + c2 u² + c3 u³ with u in metres along the segment.
#[derive(Debug, Clone, Copy)]
struct Segment {
    c: [[f64; 2]; 4],
}

impl Segment {
    #[inline]
    fn eval(&self, u: f64) -> [[f64; 2]; 3] {
        let c = &self.c;
        let f = |i: usize| c[0][i] + u * (c[1][i] + u * (c[2][i] + u * c[3][i]));
        let d = |i: usize| c[1][i] + u * (2.0 * c[2][i] + 3.0 * u * c[3][i]);
        let dd = |i: usize| 2.0 * c[2][i] + 6.0 * u * c[3][i];
        [[f(0), f(1)], [d(0), d(1)], [dd(0), dd(1)]]
    }
}

impl Line {
    /// The periodic spline through these knots, parameter ≈ arc length.
    #[must_use]
    pub fn through(knots: &[[f64; 2]]) -> Self {
        let n = knots.len();
        let arc = |i: usize| {
            let (a, b) = (knots[i], knots[(i + 1) % n]);
            (b[0] - a[0]).hypot(b[1] - a[1])
        };
        let step_m = (0..n).map(arc).sum::<f64>() / n as f64;
        let segments = spline(knots, step_m);
        let seeds = Seeds::around(knots, step_m);
        Self {
            step_m,
            segments,
            seeds,
        }
    }

    /// Length, metres.
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.step_m * self.segments.len() as f64
    }

    /// Number of knots and their distance, metres.
    #[must_use]
    pub fn knots(&self) -> (usize, f64) {
        (self.segments.len(), self.step_m)
    }

    #[inline]
    fn eval(&self, s_m: f64) -> [[f64; 2]; 3] {
        let (i, u) = self.knot_before(s_m);
        self.segments[i].eval(u)
    }

    /// Index of the knot at or before `s`, and the distance beyond it, metres.
    #[inline]
    pub(super) fn knot_before(&self, s_m: f64) -> (usize, f64) {
        let (n, length) = (self.segments.len(), self.length_m());
        let s = match s_m {
            s if (0.0..length).contains(&s) => s,
            s => s.rem_euclid(length),
        };
        let i = to_index(s / self.step_m).min(n - 1);
        (i, s - i as f64 * self.step_m)
    }

    /// Position at `s`.
    #[must_use]
    pub fn point(&self, s_m: f64) -> [f64; 2] {
        self.eval(s_m)[0]
    }

    /// Unit normal to the left at `s`.
    #[must_use]
    pub fn normal(&self, s_m: f64) -> [f64; 2] {
        let d = self.eval(s_m)[1];
        let speed = d[0].hypot(d[1]);
        [-d[1] / speed, d[0] / speed]
    }

    /// Curvature at `s`, 1/m, left turns positive.
    #[must_use]
    pub fn curvature_per_m(&self, s_m: f64) -> f64 {
        let [_, d, dd] = self.eval(s_m);
        (d[0] * dd[1] - d[1] * dd[0]) / d[0].hypot(d[1]).powi(3)
    }

    /// The point at (s, t).
    #[must_use]
    pub fn at(&self, s_m: f64, t_m: f64) -> [f64; 2] {
        let (p, n) = (self.point(s_m), self.normal(s_m));
        [p[0] + t_m * n[0], p[1] + t_m * n[1]]
    }

    /// The feet of (x, y) on the one or two nearest branches, nearest seed first.
    ///
    /// Points further than about 24 m from the line have none.
    #[inline]
    pub fn feet(&self, x: f64, y: f64) -> impl Iterator<Item = Foot> + '_ {
        let seeds = self.seeds.near(x, y);
        seeds
            .into_iter()
            .filter(|&k| k != NONE)
            .map(move |k| self.foot(x, y, k))
    }

    /// Newton's method on (p − r)·r' = 0 from a knot.
    #[inline]
    fn foot(&self, x: f64, y: f64, knot: u32) -> Foot {
        let mut s = f64::from(knot) * self.step_m;
        for _ in 0..6 {
            let [r, d, dd] = self.eval(s);
            let (ex, ey) = (x - r[0], y - r[1]);
            let speed2 = d[0] * d[0] + d[1] * d[1];
            // Beyond the centre of curvature the true second derivative changes sign: keep the
            // step finite there (such points are far off the road).
            let bend = (speed2 - ex * dd[0] - ey * dd[1]).max(0.25 * speed2);
            let step = ((ex * d[0] + ey * d[1]) / bend).clamp(-4.0, 4.0);
            s += step;
            if step.abs() < 1e-6 {
                break;
            }
        }
        let ([r, d, _], length) = (self.eval(s), self.length_m());
        let t_m = ((y - r[1]) * d[0] - (x - r[0]) * d[1]) / d[0].hypot(d[1]);
        Foot {
            s_m: s.rem_euclid(length),
            t_m,
        }
    }
}

/// Coefficients of the periodic interpolating spline.
fn spline(knots: &[[f64; 2]], step: f64) -> Vec<Segment> {
    let n = knots.len();
    let slopes = periodic_slopes(knots, step);
    let segment = |i: usize| {
        let (p, q, a, b) = (knots[i], knots[(i + 1) % n], slopes[i], slopes[(i + 1) % n]);
        let mut c = [p, a, [0.0; 2], [0.0; 2]];
        for k in 0..2 {
            let chord = (q[k] - p[k]) / step;
            c[2][k] = (3.0 * chord - 2.0 * a[k] - b[k]) / step;
            c[3][k] = (a[k] + b[k] - 2.0 * chord) / (step * step);
        }
        Segment { c }
    };
    (0..n).map(segment).collect()
}

/// First derivatives m with m(i−1) + 4 m(i) + m(i+1) = 3 (p(i+1) − p(i−1)) / step.
///
/// Jacobi iteration: the matrix is diagonally dominant by 2, so 60 rounds leave 2⁻⁶⁰.
fn periodic_slopes(knots: &[[f64; 2]], step: f64) -> Vec<[f64; 2]> {
    let n = knots.len();
    let right =
        |i: usize, k: usize| 3.0 * (knots[(i + 1) % n][k] - knots[(i + n - 1) % n][k]) / step;
    let mut slopes: Vec<[f64; 2]> = (0..n)
        .map(|i| [right(i, 0) / 6.0, right(i, 1) / 6.0])
        .collect();
    for _ in 0..60 {
        let old = slopes.clone();
        for (i, m) in slopes.iter_mut().enumerate() {
            let (a, b) = (old[(i + n - 1) % n], old[(i + 1) % n]);
            *m = [
                (right(i, 0) - a[0] - b[0]) / 4.0,
                (right(i, 1) - a[1] - b[1]) / 4.0,
            ];
        }
    }
    slopes
}

/// Told of a cell, its squared distance, and all cells.
type Visit<'a> = dyn FnMut(usize, f64, &mut [[u32; 2]]) + 'a;

/// The nearest knot, and the nearest of another branch, for every cell around the line.
#[derive(Debug, Clone)]
struct Seeds {
    low: [f64; 2],
    size: [usize; 2],
    knots: Vec<[u32; 2]>,
}

impl Seeds {
    fn around(knots: &[[f64; 2]], step_m: f64) -> Self {
        let mut seeds = Self::empty(knots);
        let mut distances = vec![[f64::INFINITY; 2]; seeds.knots.len()];
        let gap = to_index((BRANCH_GAP_M / step_m).ceil());
        for (k, &p) in knots.iter().enumerate() {
            seeds.stamp(p, &mut |cell, d2, seeds| {
                let n = knots.len();
                let same = |other: u32| {
                    let apart = k.abs_diff(other as usize);
                    other != NONE && apart.min(n - apart) < gap
                };
                insert(
                    &mut seeds[cell],
                    &mut distances[cell],
                    index_u32(k),
                    d2,
                    same,
                );
            });
        }
        seeds
    }

    fn empty(knots: &[[f64; 2]]) -> Self {
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for p in knots {
            low = [low[0].min(p[0]), low[1].min(p[1])];
            high = [high[0].max(p[0]), high[1].max(p[1])];
        }
        let low = low.map(|v| v.floor() - REACH_M);
        let size = [0, 1].map(|i| to_index((high[i] + REACH_M - low[i]) / CELL_M) + 1);
        Self {
            low,
            size,
            knots: vec![[NONE; 2]; size[0] * size[1]],
        }
    }

    fn stamp(&mut self, p: [f64; 2], visit: &mut Visit) {
        let range = |i: usize| {
            let from = to_index((p[i] - REACH_M - self.low[i]) / CELL_M);
            (
                from,
                (to_index((p[i] + REACH_M - self.low[i]) / CELL_M) + 1).min(self.size[i]),
            )
        };
        let ((x0, x1), (y0, y1)) = (range(0), range(1));
        for cy in y0..y1 {
            for cx in x0..x1 {
                let dx = self.low[0] + (cx as f64 + 0.5) * CELL_M - p[0];
                let dy = self.low[1] + (cy as f64 + 0.5) * CELL_M - p[1];
                let d2 = dx * dx + dy * dy;
                if d2 < REACH_M * REACH_M {
                    visit(cy * self.size[0] + cx, d2, &mut self.knots);
                }
            }
        }
    }

    #[inline]
    fn near(&self, x: f64, y: f64) -> [u32; 2] {
        let (u, v) = ((x - self.low[0]) / CELL_M, (y - self.low[1]) / CELL_M);
        if u < 0.0 || v < 0.0 {
            return [NONE; 2];
        }
        let (cx, cy) = (to_index(u), to_index(v));
        if cx >= self.size[0] || cy >= self.size[1] {
            return [NONE; 2];
        }
        self.knots[cy * self.size[0] + cx]
    }
}

/// Keeps the best knot of the nearest and of the second nearest branch.
fn insert(
    best: &mut [u32; 2],
    distance: &mut [f64; 2],
    knot: u32,
    d2: f64,
    same_branch: impl Fn(u32) -> bool,
) {
    if d2 < distance[0] {
        if !same_branch(best[0]) {
            (best[1], distance[1]) = (best[0], distance[0]);
        }
        (best[0], distance[0]) = (knot, d2);
    } else if !same_branch(best[0]) && d2 < distance[1] {
        (best[1], distance[1]) = (knot, d2);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn circle(radius: f64) -> Line {
        let n = 200;
        let angle = |i: i32| std::f64::consts::TAU * f64::from(i) / f64::from(n);
        let knots: Vec<[f64; 2]> = (0..n)
            .map(|i| [radius * angle(i).cos(), radius * angle(i).sin()])
            .collect();
        Line::through(&knots)
    }

    #[test]
    fn a_circle_has_its_curvature_and_feet_on_the_radius() {
        let line = circle(20.0);
        for i in 0..50 {
            let s = f64::from(i) * 2.5;
            // Spline error on 0.63 m knots: (h/R)² / 12 ≈ 1e-4 relative in curvature.
            assert!((line.curvature_per_m(s) * 20.0 - 1.0).abs() < 5e-4);
        }
        let foot = line.feet(15.0, 0.0).next().unwrap();
        assert!((foot.t_m - 5.0).abs() < 1e-5, "{foot:?}");
    }

    #[test]
    fn the_foot_of_a_point_beside_the_line_gives_back_its_s_and_t() {
        let line = circle(20.0);
        for i in 0..100 {
            let (s, t) = (f64::from(i) * 1.2, f64::from(i % 13) - 6.0);
            let [x, y] = line.at(s, t);
            let foot = line.feet(x, y).next().unwrap();
            let off = (foot.s_m - s + 1.0).rem_euclid(line.length_m()) - 1.0;
            assert!(off.abs() < 1e-6, "{foot:?} {s}");
            assert!((foot.t_m - t).abs() < 1e-9, "{foot:?} {t}");
        }
    }
}
