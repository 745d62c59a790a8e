//! A smooth line through a rough course.
//!
//! Penalised least squares on cubic B-splines (P-splines, Eilers & Marx 1996): the distance to the
//! rough points plus ℓ⁶·∫|r'''|² ds. The third derivative stands for the change of curvature, so
//! straights, arcs and nearly clothoids cost nothing. Points are given their places on the curve
//! anew after each solve (parameter correction, Hoschek 1988), then the curve is cut into equal
//! arcs. Where the bend is too tight for the paving the penalty is raised locally.

use super::line::{CURVATURE_BOUND, LineError, ReferenceLine};
use crate::geom::vector::{add, distance, scale};
use crate::geom::{UniformSpline, densify, length, without_repeats};
use crate::numeric::{BandedSpd, to_index};

/// Points nearer than this are one point, metres.
const REPEAT_M: f64 = 1e-3;
/// Rough points are put in between corners up to this distance, metres: below the spacing of the
/// B-splines, so that no coefficient lacks data.
const DATA_STEP_M: f64 = 0.5;
/// B-splines per smoothing length: with 3 the spline can follow all that the penalty lets through.
const SPLINES_PER_SMOOTHING: f64 = 3.0;
/// Rounds of giving points their places on the curve; a staircase of ±0.5 m settles in three.
const PLACE_ROUNDS: usize = 3;
/// A local penalty is raised by this factor a round…
const TIGHTEN: f64 = 4.0;
/// …at most so often: ℓ grows tenfold, after which bends are as wide as the paving allows.
const TIGHTEN_ROUNDS: usize = 10;
/// |r'| is within this of 1.
const SPEED_TOLERANCE: f64 = 1e-4;
/// Rounds of cutting the curve into equal arcs.
const ARC_ROUNDS: usize = 12;
/// Fewest B-splines: a ring needs more than twice the band.
const MIN_SPLINES: usize = 8;

/// How far the paving reaches to either side of the rough line, metres.
#[derive(Debug, Clone, PartialEq)]
pub enum HalfWidths {
    /// The same everywhere.
    Constant(f64),
    /// One for each point of the rough line.
    PerPoint {
        /// To the left, metres.
        left_m: Vec<f64>,
        /// To the right, metres.
        right_m: Vec<f64>,
    },
}

/// How a reference line is fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct LineParams {
    /// Step between knots, metres (the fit makes it a divisor of the length).
    pub knot_step_m: f64,
    /// Smoothing length ℓ, metres: waves of 2πℓ are halved, a bend of radius R is cut by ℓ⁶/R⁵.
    pub smoothing_m: f64,
    /// The paving beside the rough line, for the curvature bound.
    pub half_width: HalfWidths,
}

impl Default for LineParams {
    /// 0.5 m knots: |r'| stays within 1e-4 of 1 down to a radius of 4 m. ℓ = 3 m: takes a
    /// staircase of 1 m cells away and cuts a 7.5 m hairpin by 0.03 m
    /// (`a_staircase_becomes_a_smooth_line`, `a_hairpin_is_not_cut`). Half width 3 m: the
    /// narrowest course worth a mesh, as long as its edges are not known.
    fn default() -> Self {
        Self {
            knot_step_m: 0.5,
            smoothing_m: 3.0,
            half_width: HalfWidths::Constant(3.0),
        }
    }
}

impl ReferenceLine {
    /// The smooth line along a rough `polyline` (local metres; a closed one may repeat its first
    /// point).
    ///
    /// |r'| is within 1e-4 of 1, and |κ| times the distance to the inner edge stays below
    /// [`CURVATURE_BOUND`], where need be by running wider than the rough line. Not guaranteed:
    /// that far-apart legs stay apart; a rough line that crosses itself gives a line that does.
    ///
    /// # Errors
    /// [`LineError`]: too few points, bad parameters, or no line inside the paving obeys the bound.
    pub fn fit(
        polyline: &[[f64; 2]],
        closed: bool,
        params: &LineParams,
    ) -> Result<Self, LineError> {
        Self::fit_with_paving(polyline, closed, params).map(|(line, _)| line)
    }

    /// [`ReferenceLine::fit`], with the ends of the rough paving as t at every knot (left, right).
    pub(super) fn fit_with_paving(
        polyline: &[[f64; 2]],
        closed: bool,
        params: &LineParams,
    ) -> Result<(Self, Vec<[f64; 2]>), LineError> {
        let course = RoughCourse::new(polyline, closed, params)?;
        let mut smoother = Smoother::new(course, params);
        let mut line = smoother.settle(params)?;
        for _ in 0..TIGHTEN_ROUNDS {
            let inner = smoother.paving_along(&line);
            let tight = too_tight(&line, &inner);
            if tight.is_empty() {
                return inside_paving(line, inner);
            }
            smoother.stiffen(&tight);
            line = smoother.settle(params)?;
        }
        let inner = smoother.paving_along(&line);
        match too_tight(&line, &inner).first() {
            None => inside_paving(line, inner),
            Some(worst) => Err(worst.error(&line)),
        }
    }
}

/// The rough line as data: dense points with weights, half widths and places along the curve.
struct RoughCourse {
    closed: bool,
    points: Vec<[f64; 2]>,
    /// Metres of line that a point stands for.
    weights: Vec<f64>,
    half_widths: Vec<[f64; 2]>,
    /// Place along the present curve.
    s: Vec<f64>,
    length: f64,
}

impl RoughCourse {
    fn new(polyline: &[[f64; 2]], closed: bool, params: &LineParams) -> Result<Self, LineError> {
        check(polyline, params)?;
        let corners = without_repeats(polyline, closed, REPEAT_M);
        let needed = if closed { 3 } else { 2 };
        if corners.len() < needed {
            let points = corners.len();
            return Err(LineError::TooFewPoints { points, needed });
        }
        let needed_m = 4.0 * params.knot_step_m.max(REPEAT_M);
        let length_m = length(&corners, closed);
        if length_m < needed_m {
            return Err(LineError::TooShort { length_m, needed_m });
        }
        let widths = widths_at_corners(polyline, &corners, &params.half_width);
        let dense = densify(&corners, closed, DATA_STEP_M);
        let half_widths = dense
            .iter()
            .map(|(_, place)| between_corners(&widths, *place));
        let half_widths = half_widths.collect();
        let points: Vec<[f64; 2]> = dense.into_iter().map(|(p, _)| p).collect();
        Ok(Self::placed(points, half_widths, closed))
    }

    /// First places: by chord length.
    fn placed(points: Vec<[f64; 2]>, half_widths: Vec<[f64; 2]>, closed: bool) -> Self {
        let n = points.len();
        let step = |i: usize| distance(points[i], points[(i + 1) % n]);
        let mut s = Vec::with_capacity(n);
        let mut way = 0.0;
        for i in 0..n {
            s.push(way);
            way += step(i);
        }
        let length = if closed { way } else { s[n - 1] };
        let weight = |i: usize| {
            let before = if closed || i > 0 {
                step((i + n - 1) % n)
            } else {
                0.0
            };
            let after = if closed || i + 1 < n { step(i) } else { 0.0 };
            0.5 * (before + after)
        };
        Self {
            closed,
            weights: (0..n).map(weight).collect(),
            points,
            half_widths,
            s,
            length,
        }
    }

    /// Places on `line`, by the foot nearest to the former place.
    fn place_on(&mut self, line: &ReferenceLine) {
        let stretch = line.length_m() / self.length;
        for (s, p) in self.s.iter_mut().zip(&self.points) {
            let guess = *s * stretch;
            *s = line.foot_near(*p, guess).map_or(guess, |f| f.s);
        }
        self.length = line.length_m();
        if let (false, [first, .., last]) = (self.closed, self.s.as_slice()) {
            // An open curve begins and ends at its first and last point.
            let (first, last) = (*first, *last);
            self.s.iter_mut().for_each(|s| *s -= first);
            self.length = last - first;
        }
    }
}

fn check(polyline: &[[f64; 2]], params: &LineParams) -> Result<(), LineError> {
    if let Some(index) = polyline.iter().position(|p| !(p[0] + p[1]).is_finite()) {
        return Err(LineError::NotFinite { index });
    }
    for (name, value) in [
        ("the knot step", params.knot_step_m),
        ("the smoothing length", params.smoothing_m),
    ] {
        if !(0.01..=1000.0).contains(&value) {
            let allowed = "0.01 to 1000 m";
            return Err(LineError::Parameter {
                name,
                value,
                allowed,
            });
        }
    }
    check_widths(polyline.len(), &params.half_width)
}

fn check_widths(points: usize, half_width: &HalfWidths) -> Result<(), LineError> {
    let bad = |w: &f64| !w.is_finite();
    let bad = match half_width {
        HalfWidths::Constant(w) => Some(*w).filter(bad),
        HalfWidths::PerPoint { left_m, right_m } => {
            for widths in [left_m.len(), right_m.len()] {
                if widths != points {
                    return Err(LineError::WidthCount { widths, points });
                }
            }
            left_m.iter().chain(right_m).copied().find(bad)
        }
    };
    bad.map_or(Ok(()), |value| {
        Err(LineError::Parameter {
            name: "a half width",
            value,
            allowed: "finite metres",
        })
    })
}

/// Half widths at the corners that remain when repeats are gone.
fn widths_at_corners(
    polyline: &[[f64; 2]],
    corners: &[[f64; 2]],
    half_width: &HalfWidths,
) -> Vec<[f64; 2]> {
    match half_width {
        HalfWidths::Constant(w) => vec![[*w, *w]; corners.len()],
        HalfWidths::PerPoint { left_m, right_m } => {
            let mut from = 0;
            let same = |a: &[f64; 2], b: &[f64; 2]| distance(*a, *b) == 0.0;
            let widths = corners.iter().map(|c| {
                let at = polyline[from..].iter().position(|p| same(p, c));
                from += at.unwrap_or(0);
                [left_m[from], right_m[from]]
            });
            widths.collect()
        }
    }
}

fn between_corners(widths: &[[f64; 2]], place: f64) -> [f64; 2] {
    let n = widths.len();
    let i = to_index(place).min(n - 1);
    let u = place - i as f64;
    let (a, b) = (widths[i], widths[(i + 1) % n]);
    [0, 1].map(|k| a[k] + u * (b[k] - a[k]))
}

/// The penalised fit, repeated as places and penalties change.
struct Smoother {
    course: RoughCourse,
    /// Number of spans between B-spline knots.
    spans: usize,
    /// Factor on the penalty of each third difference.
    stiffness: Vec<f64>,
    smoothing_m: f64,
}

impl Smoother {
    fn new(course: RoughCourse, params: &LineParams) -> Self {
        let spacing = (params.smoothing_m / SPLINES_PER_SMOOTHING).max(DATA_STEP_M);
        let spans = to_index((course.length / spacing).round()).max(MIN_SPLINES);
        Self {
            stiffness: vec![1.0; spans],
            spans,
            smoothing_m: params.smoothing_m,
            course,
        }
    }

    /// Solve and place the points anew until they have settled.
    fn settle(&mut self, params: &LineParams) -> Result<ReferenceLine, LineError> {
        let mut line = self.solve(params)?;
        for _ in 1..PLACE_ROUNDS {
            self.course.place_on(&line);
            line = self.solve(params)?;
        }
        self.course.place_on(&line);
        Ok(line)
    }

    fn solve(&self, params: &LineParams) -> Result<ReferenceLine, LineError> {
        let closed = self.course.closed;
        let n = if closed { self.spans } else { self.spans + 3 };
        let step = self.course.length / self.spans as f64;
        let (mut matrix, mut rhs) = self.normal_equations(n, step);
        self.penalise(&mut matrix, n, step);
        let factor = matrix.factor()?;
        rhs.iter_mut().for_each(|column| factor.solve(column));
        let c = |i: usize| [rhs[0][i % n], rhs[1][i % n]];
        let knot = |i: usize| scale(add(add(c(i), scale(c(i + 1), 4.0)), c(i + 2)), 1.0 / 6.0);
        let knots = if closed { self.spans } else { self.spans + 1 };
        let curve =
            UniformSpline::through(&(0..knots).map(knot).collect::<Vec<_>>(), step, closed)?;
        equal_arcs(&curve, params.knot_step_m)
    }

    fn normal_equations(&self, n: usize, step: f64) -> (BandedSpd, [Vec<f64>; 2]) {
        let course = &self.course;
        let mut matrix = BandedSpd::zeros(n, 3, course.closed);
        let mut rhs = [vec![0.0; n], vec![0.0; n]];
        for ((p, s), w) in course.points.iter().zip(&course.s).zip(&course.weights) {
            let x = (s / step).clamp(0.0, self.spans as f64);
            let i = to_index(x).min(self.spans - 1);
            let basis = cubic_basis(x - i as f64);
            for (a, ba) in basis.iter().enumerate() {
                let row = (i + a) % n;
                for (b, bb) in basis.iter().enumerate().take(a + 1) {
                    matrix.add(row, (i + b) % n, w * ba * bb);
                }
                for (column, v) in rhs.iter_mut().zip(p) {
                    column[row] += w * ba * v;
                }
            }
        }
        (matrix, rhs)
    }

    /// ℓ⁶·∫|r'''|²: third differences of the coefficients over step⁵.
    fn penalise(&self, matrix: &mut BandedSpd, n: usize, step: f64) {
        const DIFFERENCE: [f64; 4] = [-1.0, 3.0, -3.0, 1.0];
        let unit = self.smoothing_m.powi(6) / step.powi(5);
        for (i, stiffness) in self.stiffness.iter().enumerate() {
            for (a, da) in DIFFERENCE.iter().enumerate() {
                for (b, db) in DIFFERENCE.iter().enumerate().take(a + 1) {
                    matrix.add((i + a) % n, (i + b) % n, unit * stiffness * da * db);
                }
            }
        }
    }

    /// Raise the penalty around the places where the line is too tight.
    fn stiffen(&mut self, tight: &[Tight]) {
        let step = self.course.length / self.spans as f64;
        let reach = to_index((2.0 * self.smoothing_m / step).ceil());
        let mut marked = vec![false; self.spans];
        for place in tight {
            let middle = to_index(place.s / step);
            for k in 0..=2 * reach {
                let at = (middle + k).checked_sub(reach);
                match at {
                    Some(i) if i < self.spans => marked[i] = true,
                    Some(i) if self.course.closed => marked[i % self.spans] = true,
                    None if self.course.closed => {
                        marked[(middle + k + self.spans - reach) % self.spans] = true
                    }
                    _ => {}
                }
            }
        }
        for (stiffness, _) in self.stiffness.iter_mut().zip(marked).filter(|(_, m)| *m) {
            *stiffness *= TIGHTEN;
        }
    }

    /// Left and right end of the paving as t at every knot of `line`, the jags of the rough line
    /// averaged away over ± the smoothing length.
    fn paving_along(&self, line: &ReferenceLine) -> Vec<[f64; 2]> {
        let n = line.knots().len();
        let step = line.knot_step_m();
        let mut sums = vec![[0.0; 3]; n];
        let course = &self.course;
        for ((p, &s), half) in course.points.iter().zip(&course.s).zip(&course.half_widths) {
            let Some(foot) = line.foot_near(*p, s) else {
                continue;
            };
            let k = to_index((foot.s / step).round()) % n;
            for (sum, v) in sums[k]
                .iter_mut()
                .zip([1.0, foot.t + half[0], foot.t - half[1]])
            {
                *sum += v;
            }
        }
        let reach = to_index((self.smoothing_m / step).ceil()).min(n / 2);
        (0..n)
            .map(|k| window_mean(&sums, k, reach, course.closed))
            .collect()
    }
}

fn window_mean(sums: &[[f64; 3]], k: usize, reach: usize, closed: bool) -> [f64; 2] {
    let n = sums.len();
    let mut total = [0.0; 3];
    for j in k + n - reach..=k + n + reach {
        if closed || (n..2 * n).contains(&j) {
            for (sum, v) in total.iter_mut().zip(sums[j % n]) {
                *sum += v;
            }
        }
    }
    if total[0] > 0.0 {
        [total[1] / total[0], total[2] / total[0]]
    } else {
        [0.0, 0.0]
    }
}

/// Values of the four cubic B-splines that reach the span, at share u of it.
fn cubic_basis(u: f64) -> [f64; 4] {
    let v = 1.0 - u;
    [
        v * v * v / 6.0,
        (3.0 * u * u * u - 6.0 * u * u + 4.0) / 6.0,
        (3.0 * v * v * v - 6.0 * v * v + 4.0) / 6.0,
        u * u * u / 6.0,
    ]
}

/// The curve as a reference line whose knots lie equal arcs apart.
pub(super) fn equal_arcs(curve: &UniformSpline, step_m: f64) -> Result<ReferenceLine, LineError> {
    let arc = curve.arc_at_knots();
    let pieces = to_index((arc[arc.len() - 1] / step_m).round()).max(4);
    let (knots, step) = curve.equal_arcs(pieces);
    let mut line = ReferenceLine::through(knots, step, curve.is_closed())?;
    for _ in 0..ARC_ROUNDS {
        if line.spline.speed_error() < SPEED_TOLERANCE {
            break;
        }
        let (knots, step) = line.spline.equal_arcs(pieces);
        line = ReferenceLine::through(knots, step, curve.is_closed())?;
    }
    Ok(line)
}

/// A knot where the line is tighter than its paving allows.
struct Tight {
    s: f64,
    curvature: f64,
    inner: f64,
}

impl Tight {
    fn error(&self, line: &ReferenceLine) -> LineError {
        let [x_m, y_m] = line.point(self.s);
        LineError::TooTight {
            s_m: self.s,
            x_m,
            y_m,
            radius_m: 1.0 / self.curvature.abs(),
            inner_m: self.inner,
            needed_m: self.inner / CURVATURE_BOUND,
        }
    }
}

/// Knots where |κ|·inner exceeds the bound, worst first.
fn too_tight(line: &ReferenceLine, paving: &[[f64; 2]]) -> Vec<Tight> {
    let place = |(k, ends): (usize, &[f64; 2])| {
        let s = k as f64 * line.knot_step_m();
        let curvature = line.curvature_per_m(s);
        let inner = if curvature > 0.0 { ends[0] } else { -ends[1] };
        Tight {
            s,
            curvature,
            inner,
        }
    };
    let ratio = |t: &Tight| t.curvature.abs() * t.inner;
    let all = paving.iter().enumerate().map(place);
    let mut tight: Vec<Tight> = all.filter(|t| ratio(t) > CURVATURE_BOUND).collect();
    tight.sort_by(|a, b| ratio(b).total_cmp(&ratio(a)));
    tight
}

/// Line and paving, unless the curvature bound has pushed the line off it.
fn inside_paving(
    line: ReferenceLine,
    paving: Vec<[f64; 2]>,
) -> Result<(ReferenceLine, Vec<[f64; 2]>), LineError> {
    let outside = |ends: &[f64; 2]| ends[1].max(-ends[0]);
    let worst = paving
        .iter()
        .enumerate()
        .max_by(|a, b| outside(a.1).total_cmp(&outside(b.1)));
    match worst {
        Some((k, ends)) if outside(ends) > 0.0 => {
            let s_m = k as f64 * line.knot_step_m();
            let [x_m, y_m] = line.point(s_m);
            let outside_m = outside(ends);
            Err(LineError::OutsidePaving {
                s_m,
                x_m,
                y_m,
                outside_m,
            })
        }
        _ => Ok((line, paving)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geom::vector::norm;
    use std::f64::consts::{PI, TAU};

    /// Straight, half circle of `radius`, straight back.
    fn hairpin(radius: f64, step: f64) -> Vec<[f64; 2]> {
        let total = 160.0 + PI * radius;
        let n = to_index(total / step);
        let at = |k: usize| {
            let s = total * k as f64 / n as f64;
            if s < 80.0 {
                [s, -radius]
            } else if s > 80.0 + PI * radius {
                [160.0 + PI * radius - s, radius]
            } else {
                let a = (s - 80.0) / radius;
                [80.0 + radius * a.sin(), -radius * a.cos()]
            }
        };
        (0..=n).map(at).collect()
    }

    /// The same points rounded to the middles of `cell` squares, as a skeleton of a mask has them.
    fn staircase(points: &[[f64; 2]], cell: f64) -> Vec<[f64; 2]> {
        points
            .iter()
            .map(|p| p.map(|v| ((v / cell).floor() + 0.5) * cell))
            .collect()
    }

    fn with_half_width(w: f64) -> LineParams {
        LineParams {
            half_width: HalfWidths::Constant(w),
            ..LineParams::default()
        }
    }

    #[test]
    fn chords_of_a_circle_give_its_curvature() {
        let corner = |k: i32| {
            let a = TAU * f64::from(k) / 120.0;
            [40.0 * a.cos(), 40.0 * a.sin()]
        };
        let chords: Vec<_> = (0..=120).map(corner).collect();
        let line = ReferenceLine::fit(&chords, true, &with_half_width(6.0)).unwrap();
        assert!(line.spline.speed_error() < 1e-4);
        assert!((line.length_m() - TAU * 40.0).abs() < 0.01);
        for k in 0..500 {
            let s = f64::from(k) * 0.5;
            // The penalty cuts R by ℓ⁶/R⁵ = 7e-6 m; knots in steps of 1 µm make 2e-5 of curvature.
            assert!(
                (line.curvature_per_m(s) - 0.025).abs() < 1e-4,
                "{}",
                line.curvature_per_m(s)
            );
            assert!((norm(line.point(s)) - 40.0).abs() < 2e-3);
        }
    }

    #[test]
    fn a_clothoid_keeps_its_linear_curvature_and_its_end() {
        // R 50 m, L 40 m: ends at a·(C, S)(L/a), a = √(πRL); Abramowitz & Stegun 7.3.
        let heading = |s: f64| s * s / (2.0 * 50.0 * 40.0);
        let mut p = [0.0, 0.0];
        let mut points = vec![p];
        for k in 0..4000 {
            let h = heading((f64::from(k) + 0.5) * 0.01);
            p = [p[0] + 0.01 * h.cos(), p[1] + 0.01 * h.sin()];
            if k % 50 == 49 {
                points.push(p);
            }
        }
        let params = LineParams {
            smoothing_m: 1.0,
            ..with_half_width(6.0)
        };
        let line = ReferenceLine::fit(&points, false, &params).unwrap();
        let end = line.point(line.length_m());
        // A free end gives way by about ℓ³|r'''| = 0.6 mm, and its curvature by ℓ|r'''| = 6e-4.
        let off = distance(end, [39.364_723_27, 5.272_690_39]);
        assert!(off < 1e-3, "{end:?} is off by {off}");
        assert!((line.heading_rad(line.length_m()) - 0.4).abs() < 1e-3);
        for k in 0..=40 {
            let s = f64::from(k);
            let tolerance = if (8..=32).contains(&k) { 2e-5 } else { 1e-3 };
            let error = line.curvature_per_m(s) - s / 2000.0;
            assert!(error.abs() < tolerance, "{s}: {error}");
        }
    }

    #[test]
    fn a_staircase_becomes_a_smooth_line() {
        let at = |k: i32| {
            let x = f64::from(k) * 0.4;
            [x, 0.31 * x + 6.0 * (x / 40.0).sin()]
        };
        let truth: Vec<_> = (0..800).map(at).collect();
        for cell in [0.5, 1.0] {
            let rough = staircase(&truth, cell);
            let line = ReferenceLine::fit(&rough, false, &with_half_width(5.0)).unwrap();
            for p in &truth[20..780] {
                let foot = line.feet(*p, 2.0)[0];
                assert!(foot.t.abs() < 0.25 * cell, "{cell}: {foot:?}");
                // The sine's own curvature is at most 0.0038 per metre.
                assert!(
                    line.curvature_per_m(foot.s).abs() < 0.03,
                    "{cell}: {foot:?}"
                );
            }
        }
    }

    #[test]
    fn a_hairpin_is_not_cut() {
        // A 9 m road with an inner edge radius of 3 m.
        let truth = hairpin(7.5, 0.7);
        for rough in [
            truth.clone(),
            staircase(&truth, 0.5),
            staircase(&truth, 1.0),
        ] {
            let line = ReferenceLine::fit(&rough, false, &with_half_width(4.5)).unwrap();
            let apex = line.feet([87.5, 0.0], 3.0)[0];
            assert!(apex.t.abs() < 0.2, "{apex:?}");
            assert!(
                line.spline.speed_error() < 1e-4,
                "{}",
                line.spline.speed_error()
            );
            for k in 0..=to_index(line.length_m() * 4.0) {
                let kappa = line.curvature_per_m(k as f64 / 4.0);
                assert!(kappa.abs() * 4.5 < 0.85, "{k}: {kappa}");
            }
        }
    }

    #[test]
    fn a_bend_tighter_than_its_paving_runs_wider_or_is_refused() {
        // Centre radius 5.2 m, half width 4.5 m: the ratio 0.87 must come down.
        let line = ReferenceLine::fit(&hairpin(5.2, 0.5), false, &with_half_width(4.5)).unwrap();
        let apex = line.feet([85.2, 0.0], 4.0)[0];
        assert!(
            apex.t < 0.0,
            "outside of a line that cuts the bend: {apex:?}"
        );
        let inner = 4.5 + apex.t;
        assert!(line.curvature_per_m(apex.s).abs() * inner < 0.82);
        let error = ReferenceLine::fit(&hairpin(1.0, 0.2), false, &with_half_width(4.5));
        assert!(matches!(
            error,
            Err(LineError::TooTight { .. } | LineError::OutsidePaving { .. })
        ));
    }

    #[test]
    fn a_ring_closes_with_continuous_curvature() {
        let corner = |k: i32| {
            let a = TAU * f64::from(k) / 200.0;
            [60.0 * a.cos() + 9.0 * (2.0 * a).cos(), 35.0 * a.sin()]
        };
        let rough = staircase(&(0..200).map(corner).collect::<Vec<_>>(), 0.5);
        let line = ReferenceLine::fit(&rough, true, &with_half_width(5.0)).unwrap();
        let end = line.length_m();
        assert!(distance(line.point(0.0), line.point(end)) < 1e-12);
        assert!((line.curvature_per_m(end - 1e-9) - line.curvature_per_m(1e-9)).abs() < 1e-7);
        assert!((line.heading_rad(end - 1e-9) - line.heading_rad(1e-9)).abs() < 1e-7);
    }

    #[test]
    fn unusable_lines_are_refused_with_their_numbers() {
        let p = LineParams::default();
        let few = ReferenceLine::fit(&[[0.0, 0.0]; 5], true, &p).unwrap_err();
        assert_eq!(
            few,
            LineError::TooFewPoints {
                points: 1,
                needed: 3
            }
        );
        let short = ReferenceLine::fit(&[[0.0, 0.0], [1.0, 0.0]], false, &p).unwrap_err();
        assert!(matches!(short, LineError::TooShort { .. }));
        let nan = ReferenceLine::fit(&[[0.0, 0.0], [f64::NAN, 0.0]], false, &p).unwrap_err();
        assert_eq!(nan, LineError::NotFinite { index: 1 });
    }
}
