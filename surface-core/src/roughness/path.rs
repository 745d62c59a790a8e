//! Where a wheel runs: a line on the road with evenly spaced stations.

use crate::ribbon::{Ribbon, RibbonPoint};

/// Distance of the points that a path's length is measured with, metres: a chord of this length in
/// the tightest bend of a road (radius 5 m) is 2·10⁻⁶ shorter than its arc.
const FINE_M: f64 = 0.025;

/// Beside the paving.
const NOWHERE: RibbonPoint = RibbonPoint {
    s: f64::NAN,
    t: f64::NAN,
};

/// Why there is no wheel path.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PathError {
    /// The step does not suit the path.
    #[error("a step of {step_m} m does not suit a path of {length_m:.1} m")]
    Step {
        /// The step.
        step_m: f64,
        /// Length of the path.
        length_m: f64,
    },
    /// The path leaves the paving.
    #[error("the {name} wheel path is off the paving along {off_m:.0} of its {length_m:.0} m")]
    OffRoad {
        /// Which path.
        name: String,
        /// How much lies beside the road, metres.
        off_m: f64,
        /// Its length, metres.
        length_m: f64,
    },
}

/// A station of a wheel path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PathPoint {
    /// Local x, y, metres.
    pub xy_m: [f64; 2],
    /// The same in ribbon coordinates; NaN where the point is not on the paving.
    pub at: RibbonPoint,
}

/// A line on the road, sampled at equal steps along itself.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelPath {
    /// What it is called: "left", "right".
    pub name: String,
    /// Distance of stations along the path, metres; the step asked for, made to fit a closed path.
    pub step_m: f64,
    /// The stations; a closed path does not repeat its first.
    pub points: Vec<PathPoint>,
    /// Whether the last station is followed by the first.
    pub closed: bool,
}

impl WheelPath {
    /// The path `t_m` left of the ribbon's reference line.
    ///
    /// # Errors
    /// [`PathError`] when the step does not suit the path, or more than a tenth of it is off the
    /// paving.
    pub fn beside_line(
        name: &str,
        ribbon: &Ribbon,
        t_m: f64,
        step_m: f64,
    ) -> Result<Self, PathError> {
        let line = &ribbon.line;
        let n = crate::numeric::to_index((line.length_m() / FINE_M).ceil()).max(4);
        let s = |k: usize| line.length_m() * k as f64 / n as f64;
        let fine: Vec<[f64; 2]> = (0..=n)
            .map(|k| {
                line.to_local(RibbonPoint {
                    s: if k == n && line.is_closed() {
                        0.0
                    } else {
                        s(k)
                    },
                    t: t_m,
                })
            })
            .collect();
        let place = |(k, f): (usize, f64), _: [f64; 2]| {
            let at = RibbonPoint {
                s: line.wrap_s(s(k) + f * s(1)),
                t: t_m,
            };
            ribbon.contains(at).then_some(at)
        };
        Self::sample(name, &fine, line.is_closed(), step_m, place)
    }

    /// The path `t_m` left of a driven line given as points (local metres), straight between them.
    ///
    /// # Errors
    /// As [`WheelPath::beside_line`].
    pub fn beside_points(
        name: &str,
        ribbon: &Ribbon,
        (points_m, closed): (&[[f64; 2]], bool),
        t_m: f64,
        step_m: f64,
    ) -> Result<Self, PathError> {
        let mut fine = moved(points_m, closed, t_m);
        if closed && let Some(first) = fine.first().copied() {
            fine.push(first);
        }
        let place = |_, p| ribbon.locate(p);
        Self::sample(name, &fine, closed, step_m, place)
    }

    /// Stations at equal steps along a polyline (a closed one repeats its first point).
    fn sample(
        name: &str,
        fine: &[[f64; 2]],
        closed: bool,
        step_m: f64,
        place: impl Fn((usize, f64), [f64; 2]) -> Option<RibbonPoint>,
    ) -> Result<Self, PathError> {
        let mut way = vec![0.0];
        for pair in fine.windows(2) {
            let [a, b] = [pair[0], pair[1]];
            way.push(way[way.len() - 1] + (b[0] - a[0]).hypot(b[1] - a[1]));
        }
        let length_m = way[way.len() - 1];
        if !(step_m > 0.0 && step_m * 100.0 <= length_m) {
            return Err(PathError::Step { step_m, length_m });
        }
        let gaps = crate::numeric::to_index(length_m / step_m + if closed { 0.5 } else { 1e-9 });
        let step_m = if closed {
            length_m / gaps as f64
        } else {
            step_m
        };
        let station = |i: usize| {
            let x = i as f64 * step_m;
            let k = way.partition_point(|w| *w <= x).clamp(1, way.len() - 1) - 1;
            let f = ((x - way[k]) / (way[k + 1] - way[k]).max(1e-12)).clamp(0.0, 1.0);
            let xy_m = [0, 1].map(|a| fine[k][a] + f * (fine[k + 1][a] - fine[k][a]));
            let at = place((k, f), xy_m).unwrap_or(NOWHERE);
            PathPoint { xy_m, at }
        };
        let points: Vec<PathPoint> = (0..gaps + usize::from(!closed)).map(station).collect();
        let off = points.iter().filter(|p| p.at.s.is_nan()).count();
        if off * 10 > points.len() {
            let (name, off_m) = (name.to_owned(), off as f64 * step_m);
            return Err(PathError::OffRoad {
                name,
                off_m,
                length_m,
            });
        }
        Ok(Self {
            name: name.to_owned(),
            step_m,
            points,
            closed,
        })
    }

    /// Its stations moved `dt_m` to the left of the reference line, those that stay on the paving.
    #[must_use]
    pub fn moved(&self, ribbon: &Ribbon, dt_m: f64) -> Self {
        let one = |p: &PathPoint| {
            let at = RibbonPoint {
                s: p.at.s,
                t: p.at.t + dt_m,
            };
            if ribbon.contains(at) {
                let xy_m = ribbon.line.to_local(at);
                PathPoint { xy_m, at }
            } else {
                PathPoint { at: NOWHERE, ..*p }
            }
        };
        Self {
            points: self.points.iter().map(one).collect(),
            ..self.clone()
        }
    }

    /// Its length, metres.
    #[must_use]
    pub fn length_m(&self) -> f64 {
        (self.points.len() - usize::from(!self.closed)) as f64 * self.step_m
    }
}

/// Points moved to the left of their line, square to the mean of the sides that meet there.
fn moved(points_m: &[[f64; 2]], closed: bool, t_m: f64) -> Vec<[f64; 2]> {
    let n = points_m.len();
    let neighbour = |k: usize, ahead: bool| match (ahead, closed) {
        (true, true) => (k + 1) % n,
        (true, false) => (k + 1).min(n - 1),
        (false, true) => (k + n - 1) % n,
        (false, false) => k.saturating_sub(1),
    };
    let one = |k: usize| {
        let (a, b) = (points_m[neighbour(k, false)], points_m[neighbour(k, true)]);
        let d = [b[0] - a[0], b[1] - a[1]];
        let long = d[0].hypot(d[1]).max(1e-12);
        let p = points_m[k];
        [p[0] - t_m * d[1] / long, p[1] + t_m * d[0] / long]
    };
    (0..n).map(one).collect()
}
