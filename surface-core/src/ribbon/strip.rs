//! The ribbon: reference line, edges, and the stretches where an edge was not seen.

use super::{Edges, ReferenceLine, RibbonPoint};
use crate::cloud::Frame;

/// Left or right of the reference line, looking along it.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// t > 0.
    Left,
    /// t < 0.
    Right,
}

impl Side {
    /// +1 on the left, −1 on the right.
    #[must_use]
    pub fn sign(self) -> f64 {
        match self {
            Self::Left => 1.0,
            Self::Right => -1.0,
        }
    }
}

impl std::fmt::Display for Side {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Left => "left",
            Self::Right => "right",
        })
    }
}

/// A stretch where an edge could not be seen and was interpolated from its neighbours.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Gap {
    /// Start, metres along the line.
    pub from_s_m: f64,
    /// End, metres; less than the start where the gap runs across the closure.
    pub to_s_m: f64,
    /// Which edge.
    pub side: Side,
    /// Why, in words.
    pub reason: String,
}

/// Which strip of ground is road?
#[derive(Debug, Clone, PartialEq)]
pub struct Ribbon {
    /// Origin of the local coordinates.
    pub frame: Frame,
    /// The line along the course.
    pub line: ReferenceLine,
    /// The edges of the paving.
    pub edges: Edges,
    /// Where an edge was not seen.
    pub gaps: Vec<Gap>,
}

impl Ribbon {
    /// Width of the paving at `s`, metres.
    #[must_use]
    pub fn width_m(&self, s: f64) -> f64 {
        let s = self.line.wrap_s(s);
        self.edges.left_m(s) - self.edges.right_m(s)
    }

    /// Whether the place lies on the paving (its edges included).
    #[must_use]
    pub fn contains(&self, p: RibbonPoint) -> bool {
        let along = self.line.is_closed() || (0.0..=self.line.length_m()).contains(&p.s);
        let s = self.line.wrap_s(p.s);
        along && p.t <= self.edges.left_m(s) && p.t >= self.edges.right_m(s)
    }

    /// Where on the ribbon the local point `p` lies; `None` off the paving.
    ///
    /// Of several feet (two legs of the course side by side) only one whose t lies between the
    /// edges of *its* leg counts; where two legs share ground (a bridge), the nearer line.
    #[must_use]
    pub fn locate(&self, p: [f64; 2]) -> Option<RibbonPoint> {
        let reach = self.edges.reach_m() * (1.0 + 1e-9);
        let feet = self.line.feet(p, reach).into_iter();
        feet.filter(|&f| self.contains(f))
            .min_by(|a, b| a.t.abs().total_cmp(&b.t.abs()))
    }

    /// Stations of two legs of the course that share ground, the first pair along it: the course
    /// passes over itself, or two legs overlap. Looked for on the line, every knot.
    #[must_use]
    pub fn meets_itself_m(&self) -> Option<[f64; 2]> {
        let reach = self.edges.reach_m();
        let length = self.line.length_m();
        let apart = |a: f64, b: f64| {
            let straight = (a - b).abs();
            if self.line.is_closed() {
                straight.min(length - straight)
            } else {
                straight
            }
        };
        let step = self.line.knot_step_m();
        let mut knots = self.line.knots().iter().enumerate();
        knots.find_map(|(k, &p)| {
            let s = k as f64 * step;
            // A place on one's own leg is nearer than this along the line, or around a bend.
            let other = |f: &RibbonPoint| apart(f.s, s) > 4.0 * reach && self.contains(*f);
            let foot = self.line.feet(p, reach).into_iter().find(other)?;
            Some([s, foot.s])
        })
    }

    /// Least, mean and greatest width, metres, over the samples of the edges.
    #[must_use]
    pub fn widths_m(&self) -> [f64; 3] {
        let pairs = self.edges.left_t_m.iter().zip(&self.edges.right_t_m);
        let widths: Vec<f64> = pairs.map(|(l, r)| l - r).collect();
        let sum: f64 = widths.iter().sum();
        let least = widths.iter().copied().fold(f64::INFINITY, f64::min);
        let most = widths.iter().copied().fold(0.0, f64::max);
        [least, sum / widths.len().max(1) as f64, most]
    }

    /// Greatest |κ| times the distance to the edge on the inner side, over knots and the middles
    /// between them. Below 1 the coordinates are one to one between the edges;
    /// [`super::CURVATURE_BOUND`] is what the finder keeps.
    #[must_use]
    pub fn fold_ratio(&self) -> f64 {
        self.tightest()[0]
    }

    /// That ratio, where it is, and the distance to the inner edge there, metres.
    pub(super) fn tightest(&self) -> [f64; 3] {
        let half = 0.5 * self.line.knot_step_m();
        let pieces = crate::numeric::to_index((self.line.length_m() / half).round());
        let mut worst = [0.0; 3];
        for k in 0..=pieces {
            let s = k as f64 * half;
            let kappa = self.line.curvature_per_m(s);
            let inner = if kappa > 0.0 {
                self.edges.left_m(s)
            } else {
                -self.edges.right_m(s)
            };
            if kappa.abs() * inner > worst[0] {
                worst = [kappa.abs() * inner, s, inner];
            }
        }
        worst
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A stadium with straights 8 m apart and a 3.5 m half width.
    fn stadium() -> Ribbon {
        let arc = std::f64::consts::PI * 4.0;
        let at = |s: f64| {
            let (s, flip) = if s < 60.0 + arc {
                (s, 1.0)
            } else {
                (s - 60.0 - arc, -1.0)
            };
            if s < 60.0 {
                [flip * (s - 30.0), flip * -4.0]
            } else {
                let a = (s - 60.0) / 4.0;
                [flip * (30.0 + 4.0 * a.sin()), flip * -4.0 * a.cos()]
            }
        };
        let n = 290;
        let step = 2.0 * (60.0 + arc) / f64::from(n);
        let knots = (0..n).map(|k| at(f64::from(k) * step)).collect();
        let line = ReferenceLine::through(knots, step, true).unwrap();
        let edges = Edges::constant(line.length_m(), true, 0.5, 3.0, -3.5).unwrap();
        let frame = Frame {
            origin_m: [500_000.0, 5_000_000.0, 100.0],
        };
        Ribbon {
            frame,
            line,
            edges,
            gaps: vec![],
        }
    }

    #[test]
    fn a_point_belongs_to_the_leg_whose_edges_hold_it() {
        let ribbon = stadium();
        let lower = ribbon.locate([3.0, -1.2]).unwrap();
        assert!((lower.t - 2.8).abs() < 1e-6 && (lower.s - 33.0).abs() < 1e-6);
        let upper = ribbon.locate([3.0, 1.2]).unwrap();
        assert!((upper.t - 2.8).abs() < 1e-6 && upper.s > 90.0);
        assert_eq!(ribbon.locate([3.0, 0.0]), None);
        assert_eq!(ribbon.locate([3.0, -7.6]), None);
    }

    #[test]
    fn a_course_that_passes_over_itself_is_known() {
        assert_eq!(stadium().meets_itself_m(), None);
        // A figure of eight: x = 80 sin u, y = 40 sin 2u crosses itself at u = 0 and π.
        let at = |k: i32| {
            let u = std::f64::consts::TAU * f64::from(k) / 20_000.0;
            [80.0 * u.sin(), 40.0 * (2.0 * u).sin()]
        };
        let (mut knots, mut way, step) = (vec![at(0)], 0.0, 0.5);
        for k in 1..20_000 {
            let (a, b) = (at(k - 1), at(k));
            way += (b[0] - a[0]).hypot(b[1] - a[1]);
            if way >= step * knots.len() as f64 {
                knots.push(b);
            }
        }
        let line = ReferenceLine::through(knots, step, true).unwrap();
        let edges = Edges::constant(line.length_m(), true, 0.5, 4.0, -4.0).unwrap();
        let ribbon = Ribbon {
            line,
            edges,
            ..stadium()
        };
        let [a, b] = ribbon.meets_itself_m().unwrap();
        let half = 0.5 * ribbon.line.length_m();
        assert!(a < 5.0 && (b - a - half).abs() < 12.0, "{a} {b} of {half}");
    }

    #[test]
    fn width_and_fold_ratio_are_those_of_the_stadium() {
        let ribbon = stadium();
        assert!((ribbon.width_m(-5.0) - 6.5).abs() < 1e-12);
        assert!(ribbon.widths_m().iter().all(|w| (w - 6.5).abs() < 1e-12));
        // 3 m inside a radius of 4 m; the spline overshoots a little where arc meets straight.
        let ratio = ribbon.fold_ratio();
        assert!((0.75..0.88).contains(&ratio), "{ratio}");
    }
}
