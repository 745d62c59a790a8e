//! The reference line: a C² curve with `s` along it and `t` to its left.

use super::project::SpanIndex;
use crate::geom::vector::{add, left_of, norm, scale};
use crate::geom::{SplineError, UniformSpline};
use crate::numeric::Singular;

/// Knots are whole multiples of this (2⁻²⁰ m ≈ 1 µm): origin + knot is then exact in f64 up to
/// 8000 km, so a line written as text in world coordinates comes back bit for bit. At a knot step
/// of 0.5 m the rounding makes a curvature noise of 4e-6 per metre (a radius of 250 km).
const KNOT_QUANTUM_PER_M: f64 = 1_048_576.0;

/// Greatest |κ|·(distance from the line to the edge on the inner side). At 1 cross-lines meet and
/// the coordinates fold; at 0.8 the inner edge still has a fifth of the line's length.
pub const CURVATURE_BOUND: f64 = 0.8;

/// Why there is no reference line.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LineError {
    /// Too few different points.
    #[error("{points} different points are too few for a reference line, {needed} are needed")]
    TooFewPoints {
        /// How many different points were given.
        points: usize,
        /// How many are needed.
        needed: usize,
    },
    /// A coordinate that is not a number.
    #[error("point {index} of the line is not finite")]
    NotFinite {
        /// The first such point.
        index: usize,
    },
    /// A parameter out of range.
    #[error("{name} of {value} is out of range: {allowed}")]
    Parameter {
        /// Which parameter.
        name: &'static str,
        /// Its value.
        value: f64,
        /// What is allowed.
        allowed: &'static str,
    },
    /// Widths that do not go with the polyline.
    #[error("{widths} half widths for {points} points of the line")]
    WidthCount {
        /// How many half widths.
        widths: usize,
        /// How many points.
        points: usize,
    },
    /// The line is shorter than its fit needs.
    #[error("the line is {length_m:.2} m long, at least {needed_m:.2} m are needed")]
    TooShort {
        /// Its length, metres.
        length_m: f64,
        /// What is needed, metres.
        needed_m: f64,
    },
    /// The line bends so tightly that its cross-lines would meet inside the paving.
    #[error(
        "the line bends with a radius of {radius_m:.2} m at s = {s_m:.1} m \
         (local x {x_m:.1}, y {y_m:.1}) with {inner_m:.2} m of paving on the inner side; \
         at least {needed_m:.2} m of radius are needed"
    )]
    TooTight {
        /// Where along the line, metres.
        s_m: f64,
        /// Local x of the place, metres.
        x_m: f64,
        /// Local y of the place, metres.
        y_m: f64,
        /// Radius of the line there, metres.
        radius_m: f64,
        /// Distance to the edge on the inner side, metres.
        inner_m: f64,
        /// The radius that would do, metres.
        needed_m: f64,
    },
    /// To obey the curvature bound the line would have to leave the paving.
    #[error(
        "no line inside the paving is smooth enough at s = {s_m:.1} m \
         (local x {x_m:.1}, y {y_m:.1}): it would run {outside_m:.2} m outside the edge"
    )]
    OutsidePaving {
        /// Where along the line, metres.
        s_m: f64,
        /// Local x of the place, metres.
        x_m: f64,
        /// Local y of the place, metres.
        y_m: f64,
        /// How far outside, metres.
        outside_m: f64,
    },
    /// The spline's equations failed.
    #[error(transparent)]
    Spline(#[from] SplineError),
    /// The smoothing equations failed.
    #[error("smoothing the line: {0}")]
    Smoothing(#[from] Singular),
}

/// A place in ribbon coordinates.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct RibbonPoint {
    /// Way along the reference line, metres.
    pub s: f64,
    /// Distance from the line, metres, positive to the left.
    pub t: f64,
}

/// The course's line: which way is along, which way is across?
///
/// A cubic spline r(s) with continuous curvature through equally spaced knots; `s` = i·step at
/// knot i. After [`ReferenceLine::fit`] `s` is arc length to 1e-4 (|r'| − 1 ≤ 1e-4); with
/// [`ReferenceLine::through`] it is as good as the given knots. On a closed line `s` wraps in
/// every method; on an open one it is cut off at the ends.
#[derive(Debug, Clone)]
pub struct ReferenceLine {
    knots: Vec<[f64; 2]>,
    pub(super) spline: UniformSpline,
    pub(super) index: SpanIndex,
}

impl PartialEq for ReferenceLine {
    fn eq(&self, other: &Self) -> bool {
        self.knots == other.knots
            && self.knot_step_m().to_bits() == other.knot_step_m().to_bits()
            && self.is_closed() == other.is_closed()
    }
}

impl ReferenceLine {
    /// The line through equally spaced `knots` (local metres, without a repeated closing knot),
    /// moved by at most half a micrometre each so that text keeps them exactly.
    ///
    /// # Errors
    /// [`LineError::Spline`] for fewer than 4 knots or numbers that are not finite.
    pub fn through(
        knots: Vec<[f64; 2]>,
        knot_step_m: f64,
        closed: bool,
    ) -> Result<Self, LineError> {
        let knots: Vec<[f64; 2]> = knots.into_iter().map(|k| k.map(snap)).collect();
        let spline = UniformSpline::through(&knots, knot_step_m, closed)?;
        let index = SpanIndex::over(&spline);
        Ok(Self {
            knots,
            spline,
            index,
        })
    }

    /// Length, metres (the period of `s` when closed).
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.spline.end()
    }

    /// Whether the line is a closed loop.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        self.spline.is_closed()
    }

    /// The knots, local metres; a closed line does not repeat the first one.
    #[must_use]
    pub fn knots(&self) -> &[[f64; 2]] {
        &self.knots
    }

    /// Step of `s` between knots, metres.
    #[must_use]
    pub fn knot_step_m(&self) -> f64 {
        self.spline.step()
    }

    /// `s` brought into \[0, length\]: wrapped when closed, cut off when open.
    #[must_use]
    pub fn wrap_s(&self, s: f64) -> f64 {
        self.spline.wrap(s)
    }

    /// The point at `s`, local metres.
    #[must_use]
    pub fn point(&self, s: f64) -> [f64; 2] {
        self.spline.jet(s)[0]
    }

    /// Point, first and second derivative by `s` at `s`: between two knots the line is a cubic.
    #[must_use]
    pub fn jet(&self, s: f64) -> [[f64; 2]; 3] {
        self.spline.jet(s)
    }

    /// Unit vector along the line at `s`.
    #[must_use]
    pub fn tangent(&self, s: f64) -> [f64; 2] {
        let d = self.spline.jet(s)[1];
        scale(d, 1.0 / norm(d))
    }

    /// Unit vector to the left of the line at `s`.
    #[must_use]
    pub fn normal(&self, s: f64) -> [f64; 2] {
        left_of(self.tangent(s))
    }

    /// Direction at `s`, radians from east, anticlockwise.
    #[must_use]
    pub fn heading_rad(&self, s: f64) -> f64 {
        let d = self.spline.jet(s)[1];
        d[1].atan2(d[0])
    }

    /// Curvature at `s`, 1/m, positive in a left turn.
    #[must_use]
    pub fn curvature_per_m(&self, s: f64) -> f64 {
        crate::geom::curvature(&self.spline.jet(s))
    }

    /// The local point at (s, t): r(s) + t·n(s).
    #[must_use]
    pub fn to_local(&self, p: RibbonPoint) -> [f64; 2] {
        let [r, d, _] = self.spline.jet(p.s);
        add(r, scale(left_of(d), p.t / norm(d)))
    }
}

fn snap(v: f64) -> f64 {
    // + 0.0 turns −0 into 0, which is what comes back from text.
    (v * KNOT_QUANTUM_PER_M).round() / KNOT_QUANTUM_PER_M + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn circle(radius: f64, knots: usize) -> ReferenceLine {
        let at = |k: usize| {
            let a = TAU * k as f64 / knots as f64;
            [radius * a.cos(), radius * a.sin()]
        };
        let step = TAU * radius / knots as f64;
        ReferenceLine::through((0..knots).map(at).collect(), step, true).unwrap()
    }

    #[test]
    fn a_circle_has_its_curvature_heading_and_normal() {
        let line = circle(50.0, 628);
        for k in 0..1000 {
            let s = f64::from(k) * line.length_m() / 1000.0;
            // Knots snapped to 1 µm at 0.5 m: noise 4e-6 per metre each, the spline adds up a few.
            assert!((line.curvature_per_m(s) - 0.02).abs() < 2e-5);
            let (n, p) = (line.normal(s), line.point(s));
            assert!((n[0] + p[0] / 50.0).abs() < 1e-5 && (n[1] + p[1] / 50.0).abs() < 1e-5);
        }
        assert!((line.heading_rad(0.0) - TAU / 4.0).abs() < 1e-5);
        let (a, b) = (line.point(3.0), line.point(3.0 - 2.0 * line.length_m()));
        assert!((a[0] - b[0]).abs() + (a[1] - b[1]).abs() < 1e-9);
    }

    #[test]
    fn knots_survive_the_way_to_world_coordinates_and_back() {
        let line = circle(50.0, 100);
        for k in line.knots() {
            for (v, origin) in k.iter().zip([5_812_345.0, 487_654.0]) {
                assert_eq!(((v + origin) - origin).to_bits(), v.to_bits());
            }
        }
    }

    #[test]
    fn three_knots_are_refused_with_numbers() {
        let error = ReferenceLine::through(vec![[0.0; 2]; 3], 1.0, true).unwrap_err();
        assert!(error.to_string().contains("3 knots"), "{error}");
    }
}
