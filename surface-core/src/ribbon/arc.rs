//! The line near one of its places as an arc of a circle: (s, t) of points beside it at the cost of
//! a root, or a guess from which Newton's method arrives in one step.

use super::{ReferenceLine, RibbonPoint};
use crate::geom::curvature;
use crate::geom::vector::{cross, dot, norm, scale, sub};

/// The line's place, direction and curvature at one s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ArcAt {
    pub s: f64,
    at: [f64; 2],
    tangent: [f64; 2],
    curvature: f64,
}

impl ReferenceLine {
    /// The arc that touches the line at `s`.
    pub(crate) fn arc_at(&self, s: f64) -> ArcAt {
        let jet = self.spline.jet(s);
        ArcAt {
            s,
            at: jet[0],
            tangent: scale(jet[1], 1.0 / norm(jet[1])),
            curvature: curvature(&jet),
        }
    }
}

impl ArcAt {
    /// Way along the arc's tangent and distance to its left, and the share of the tangent's way
    /// that the line has there (1 on the line, 0 at the centre of the bend).
    #[inline]
    pub(crate) fn roughly(&self, p: [f64; 2]) -> (f64, f64, f64) {
        let e = sub(p, self.at);
        let (along, off) = (dot(e, self.tangent), cross(self.tangent, e));
        (along, off, 1.0 - self.curvature * off)
    }

    /// (s, t) of `p` on the arc, from what [`ArcAt::roughly`] says of it.
    ///
    /// Off from the line's own by κ'·w³/6 in s and κ'·w⁴/24 in t, for a way w along the line
    /// (below a millimetre for 1 m, where curvature grows by less than 0.005/m each metre). Good
    /// to 1e-4 of w in s while w is at most a third of the radius less t.
    #[inline]
    pub(crate) fn place(&self, (along, off, share): (f64, f64, f64)) -> RibbonPoint {
        // s = atan(κ·a / (1 − κ·b)) / κ and t = (1 − √((κa)² + (1 − κb)²)) / κ, written so that
        // nothing is divided by κ.
        let turn = self.curvature * along / share;
        let turn2 = turn * turn;
        let way = along / share * (1.0 - turn2 * (1.0 / 3.0 - turn2 * (1.0 / 5.0 - turn2 / 7.0)));
        let bent = self.curvature * along * along / (share * (1.0 + (1.0 + turn2).sqrt()));
        RibbonPoint {
            s: self.s + way,
            t: off - bent,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn on_a_circle_the_arc_is_the_line() {
        let radius = 12.0;
        let n = 150;
        let step = TAU * radius / f64::from(n);
        let at = |k: i32| {
            let a = TAU * f64::from(k) / f64::from(n);
            [radius * a.cos(), radius * a.sin()]
        };
        let line = ReferenceLine::through((0..n).map(at).collect(), step, true).unwrap();
        let arc = line.arc_at(20.0);
        for (s, t) in [(20.0, 3.0), (20.9, -5.0), (19.2, 4.0), (21.0, 0.0)] {
            let p = line.to_local(RibbonPoint { s, t });
            let found = arc.place(arc.roughly(p));
            // The series of atan ends at turn⁷/7, here 1e-8. A cubic spline through knots h apart
            // bends at a knot by (hκ)²/12 = 1.5e-4 less than its circle, which moves s by up to
            // 6e-5 of the way at t = −5; a term too few in the series would be 5e-4.
            let off = (found.s - s).abs().max((found.t - t).abs());
            assert!(off < 6e-5, "{s} {t}: {found:?}");
        }
    }
}
