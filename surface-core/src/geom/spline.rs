//! A C² cubic spline through equally spaced knots, open or closed in a ring.

use super::vector::{add, dot, norm, scale, sub};
use crate::numeric::{BandedSpd, Singular, to_index};

/// Nodes and weights of the 5-point Gauss–Legendre rule on \[0, 1\].
const GAUSS: [(f64, f64); 5] = [
    (0.046_910_077_030_668_01, 0.118_463_442_528_094_5),
    (0.230_765_344_947_158_4, 0.239_314_335_249_683_2),
    (0.5, 0.284_444_444_444_444_4),
    (0.769_234_655_052_841_5, 0.239_314_335_249_683_2),
    (0.953_089_922_969_332, 0.118_463_442_528_094_5),
];

/// Why no spline runs through the knots.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SplineError {
    /// Fewer knots than the end conditions need.
    #[error("{knots} knots are too few for a spline, {needed} are needed")]
    TooFew {
        /// How many were given.
        knots: usize,
        /// How many are needed.
        needed: usize,
    },
    /// A step that is not positive and finite, or a knot that is not finite.
    #[error("knot {index} or the step of {step} is not a usable number")]
    NotFinite {
        /// The first bad knot (0 when it is the step).
        index: usize,
        /// The step.
        step: f64,
    },
    /// The equations have no solution (cannot happen with finite knots).
    #[error(transparent)]
    Singular(#[from] Singular),
}

/// Position with its first and second derivative by the parameter.
pub type Jet = [[f64; 2]; 3];

/// Cubic spline r(s) with r(i·step) = knot i, twice continuously differentiable.
///
/// A ring has period `knots·step`. Open ends take the not-a-knot condition, so that an arc keeps
/// its curvature up to its ends (the natural condition would force it to zero).
#[derive(Debug, Clone)]
pub struct UniformSpline {
    step: f64,
    inv_step: f64,
    closed: bool,
    /// Coefficients of u⁰..u³ of each span, u = s − i·step.
    spans: Vec<[[f64; 2]; 4]>,
}

impl UniformSpline {
    /// The spline through `knots` at s = 0, step, 2·step…
    ///
    /// # Errors
    /// [`SplineError`] for fewer than 4 knots, or for numbers that are not finite.
    pub fn through(knots: &[[f64; 2]], step: f64, closed: bool) -> Result<Self, SplineError> {
        check(knots, step)?;
        let second = second_derivatives(knots, step, closed)?;
        let n = knots.len();
        let spans = if closed { n } else { n - 1 };
        let span = |i: usize| {
            let j = (i + 1) % n;
            let (m0, m1) = (second[i], second[j]);
            let slope = scale(sub(knots[j], knots[i]), 1.0 / step);
            let bend = scale(add(scale(m0, 2.0), m1), step / 6.0);
            let third = scale(sub(m1, m0), 1.0 / (6.0 * step));
            [knots[i], sub(slope, bend), scale(m0, 0.5), third]
        };
        Ok(Self {
            step,
            inv_step: 1.0 / step,
            closed,
            spans: (0..spans).map(span).collect(),
        })
    }

    /// Step between knots.
    #[must_use]
    #[inline]
    pub fn step(&self) -> f64 {
        self.step
    }

    /// Whether the spline is a ring.
    #[must_use]
    #[inline]
    pub fn is_closed(&self) -> bool {
        self.closed
    }

    /// Number of spans between knots.
    #[must_use]
    #[inline]
    pub fn spans(&self) -> usize {
        self.spans.len()
    }

    /// Greatest parameter; the period of a ring.
    #[must_use]
    #[inline]
    pub fn end(&self) -> f64 {
        self.spans.len() as f64 * self.step
    }

    /// `s` brought into range: wrapped in a ring, cut off at open ends.
    #[must_use]
    #[inline]
    pub fn wrap(&self, s: f64) -> f64 {
        let end = self.end();
        if (0.0..end).contains(&s) {
            s
        } else if self.closed {
            let r = s.rem_euclid(end);
            if r < end { r } else { 0.0 }
        } else {
            s.clamp(0.0, end)
        }
    }

    /// Span and place in it (0 ≤ u ≤ step) of a parameter already in range.
    #[must_use]
    #[inline]
    pub fn span_of(&self, s: f64) -> (usize, f64) {
        let i = to_index(s * self.inv_step).min(self.spans.len() - 1);
        (i, s - i as f64 * self.step)
    }

    /// Position, first and second derivative at `u` of span `i`.
    #[must_use]
    #[inline]
    pub fn jet_in(&self, i: usize, u: f64) -> Jet {
        let [a, b, c, d] = &self.spans[i];
        let value = |k: usize| a[k] + u * (b[k] + u * (c[k] + u * d[k]));
        let first = |k: usize| b[k] + u * (2.0 * c[k] + 3.0 * u * d[k]);
        let second = |k: usize| 2.0 * c[k] + 6.0 * u * d[k];
        [
            [value(0), value(1)],
            [first(0), first(1)],
            [second(0), second(1)],
        ]
    }

    /// Position, first and second derivative at `s`.
    #[must_use]
    #[inline]
    pub fn jet(&self, s: f64) -> Jet {
        let (i, u) = self.span_of(self.wrap(s));
        self.jet_in(i, u)
    }

    /// Greatest |r''| in span `i` (it is linear there, so it is at an end).
    #[must_use]
    #[inline]
    pub fn bend_in(&self, i: usize) -> f64 {
        let [_, _, c, d] = &self.spans[i];
        let end = add(scale(*c, 2.0), scale(*d, 6.0 * self.step));
        (2.0 * norm(*c)).max(norm(end))
    }

    /// Arc length of span `i` from its start to `u` (Gauss–Legendre, 5 points: exact to 1e-12 for
    /// spans that turn by less than 0.3 rad).
    #[must_use]
    pub fn arc_in(&self, i: usize, u: f64) -> f64 {
        let part = |(x, w): &(f64, f64)| w * norm(self.jet_in(i, x * u)[1]);
        u * GAUSS.iter().map(part).sum::<f64>()
    }

    /// Arc length at every knot, from 0 to the whole length.
    #[must_use]
    pub fn arc_at_knots(&self) -> Vec<f64> {
        let mut sum = 0.0;
        let mut out = vec![0.0];
        for i in 0..self.spans.len() {
            sum += self.arc_in(i, self.step);
            out.push(sum);
        }
        out
    }

    /// `pieces` equal pieces of arc: their ends (with the last one when open) and their length.
    #[must_use]
    pub fn equal_arcs(&self, pieces: usize) -> (Vec<[f64; 2]>, f64) {
        let arc = self.arc_at_knots();
        let piece = arc[arc.len() - 1] / pieces as f64;
        let mut i = 0;
        let mut point = |k: usize| {
            let target = piece * k as f64;
            while i + 1 < self.spans.len() && arc[i + 1] <= target {
                i += 1;
            }
            self.jet_in(i, self.invert_arc(i, target - arc[i]))[0]
        };
        let ends = if self.closed { pieces } else { pieces + 1 };
        ((0..ends).map(&mut point).collect(), piece)
    }

    /// u with arc_in(i, u) = target, by Newton (the integrand is nearly constant).
    fn invert_arc(&self, i: usize, target: f64) -> f64 {
        let mut u = target;
        for _ in 0..20 {
            let speed = norm(self.jet_in(i, u)[1]).max(1e-9);
            let step = (self.arc_in(i, u) - target) / speed;
            u -= step;
            if step.abs() < 1e-13 {
                break;
            }
        }
        u.clamp(0.0, self.step)
    }

    /// Greatest difference of |r'| from 1, looked at four times a span.
    #[must_use]
    pub fn speed_error(&self) -> f64 {
        let quarter = self.step / 4.0;
        let error = |i: usize, k: u8| (norm(self.jet_in(i, f64::from(k) * quarter)[1]) - 1.0).abs();
        (0..self.spans.len())
            .flat_map(|i| (0..4).map(move |k| (i, k)))
            .fold(0.0, |worst, (i, k)| error(i, k).max(worst))
    }
}

/// Signed curvature of a jet, positive for a left turn.
#[must_use]
#[inline]
pub(crate) fn curvature(jet: &Jet) -> f64 {
    let speed2 = dot(jet[1], jet[1]);
    super::vector::cross(jet[1], jet[2]) / (speed2 * speed2.sqrt())
}

fn check(knots: &[[f64; 2]], step: f64) -> Result<(), SplineError> {
    let needed = 4;
    if knots.len() < needed {
        let knots = knots.len();
        return Err(SplineError::TooFew { knots, needed });
    }
    let bad = knots.iter().position(|k| !(k[0] + k[1]).is_finite());
    let step_ok = step.is_finite() && step > 0.0;
    match bad {
        Some(index) => Err(SplineError::NotFinite { index, step }),
        None if !step_ok => Err(SplineError::NotFinite { index: 0, step }),
        None => Ok(()),
    }
}

/// Second derivatives at the knots: M₋ + 4M + M₊ = 6(k₋ − 2k + k₊)/step².
///
/// Not-a-knot at open ends means M₀ = 2M₁ − M₂, which turns the first equation into 6M₁ = rhs₁.
fn second_derivatives(
    knots: &[[f64; 2]],
    step: f64,
    closed: bool,
) -> Result<Vec<[f64; 2]>, SplineError> {
    let n = knots.len();
    let rhs = |i: usize| {
        let (a, b, c) = (knots[(i + n - 1) % n], knots[i], knots[(i + 1) % n]);
        scale(sub(add(a, c), scale(b, 2.0)), 6.0 / (step * step))
    };
    let skip = if closed { 0 } else { 2 };
    let mut second = vec![[0.0; 2]; n];
    if !closed {
        second[1] = scale(rhs(1), 1.0 / 6.0);
        second[n - 2] = scale(rhs(n - 2), 1.0 / 6.0);
    }
    if n > 2 * skip {
        let mut inner: Vec<[f64; 2]> = (skip..n - skip).map(rhs).collect();
        if !closed {
            let last = inner.len() - 1;
            inner[0] = sub(inner[0], second[1]);
            inner[last] = sub(inner[last], second[n - 2]);
        }
        solve_tridiagonal(&mut inner, closed)?;
        second[skip..n - skip].copy_from_slice(&inner);
    }
    if !closed {
        second[0] = sub(scale(second[1], 2.0), second[2]);
        second[n - 1] = sub(scale(second[n - 2], 2.0), second[n - 3]);
    }
    Ok(second)
}

/// Solve the (1, 4, 1) system for both coordinates.
fn solve_tridiagonal(rows: &mut [[f64; 2]], ring: bool) -> Result<(), Singular> {
    let n = rows.len();
    let mut matrix = BandedSpd::zeros(n, 1, ring);
    for i in 0..n {
        matrix.add(i, i, 4.0);
        if i > 0 {
            matrix.add(i, i - 1, 1.0);
        } else if ring {
            matrix.add(0, n - 1, 1.0);
        }
    }
    let factor = matrix.factor()?;
    for k in 0..2 {
        let mut column: Vec<f64> = rows.iter().map(|r| r[k]).collect();
        factor.solve(&mut column);
        for (row, v) in rows.iter_mut().zip(column) {
            row[k] = v;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(s: f64) -> [f64; 2] {
        [s, (0.3 * s).sin()]
    }

    #[test]
    fn the_spline_is_twice_continuous_at_its_knots_and_at_the_closure() {
        let knots: Vec<[f64; 2]> = (0..40)
            .map(|k| {
                let a = f64::from(k) * std::f64::consts::TAU / 40.0;
                [9.0 * a.cos() + (3.0 * a).sin(), 7.0 * a.sin()]
            })
            .collect();
        let spline = UniformSpline::through(&knots, 1.1, true).unwrap();
        for i in 0..40 {
            let (end, start) = (spline.jet_in((i + 39) % 40, 1.1), spline.jet_in(i, 0.0));
            for (a, b) in end.iter().flatten().zip(start.iter().flatten()) {
                // Rounding of numbers near 10 with a few operations; a kink would show at 1e-2.
                assert!((a - b).abs() < 1e-13, "knot {i}: {a} {b}");
            }
        }
    }

    #[test]
    fn open_ends_keep_a_cubic_exactly() {
        let cubic = |s: f64| [s, 0.01 * s * s * s - 0.2 * s * s];
        let knots: Vec<_> = (0..9).map(|k| cubic(f64::from(k))).collect();
        let spline = UniformSpline::through(&knots, 1.0, false).unwrap();
        for k in 0..80 {
            let s = f64::from(k) / 10.0;
            let (is, should) = (spline.jet(s), cubic(s));
            assert!((is[0][1] - should[1]).abs() < 1e-13);
            assert!((is[2][1] - (0.06 * s - 0.4)).abs() < 1e-12);
        }
    }

    #[test]
    fn the_error_falls_with_the_fourth_power_of_the_step() {
        let worst = |step: f64| {
            let n = crate::numeric::round_i32(40.0 / step);
            let knots: Vec<_> = (0..=n).map(|k| wave(f64::from(k) * step)).collect();
            let spline = UniformSpline::through(&knots, step, false).unwrap();
            (100..300)
                .map(|k| f64::from(k) / 10.0)
                .map(|s| (spline.jet(s)[0][1] - wave(s)[1]).abs())
                .fold(0.0, f64::max)
        };
        let ratio = worst(1.0) / worst(0.5);
        assert!((12.0..20.0).contains(&ratio), "{ratio}");
    }

    #[test]
    fn equal_arcs_make_the_speed_one() {
        let knots: Vec<_> = (0..=80).map(|k| wave(f64::from(k) * 0.5)).collect();
        let rough = UniformSpline::through(&knots, 0.5, false).unwrap();
        let (ends, piece) = rough.equal_arcs(82);
        let even = UniformSpline::through(&ends, piece, false).unwrap();
        assert!(rough.speed_error() > 0.04);
        assert!(even.speed_error() < 1e-4, "{}", even.speed_error());
    }
}
