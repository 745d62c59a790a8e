//! z = z₀ + a·u + b·v + q·(u² + v²): how much a surface bends, by moments.

use super::plane::{FittedPlane, PlaneSums};

/// Weighted moments of (u, v, z) that tell a bend beside a plane; additive.
#[derive(Debug, Clone, Copy, Default)]
pub struct BowlSums {
    /// Of u² + v² in the place of heights.
    round: PlaneSums,
    rr: f64,
    z: f64,
    uz: f64,
    vz: f64,
    rz: f64,
}

/// A bend with what is known of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bend {
    /// q, the mean of both curvatures' halves, 1/m.
    pub per_m: f64,
    /// Σw·r²: of u² + v² less its own plane; q has the variance 1/information where w = 1/σ².
    pub information: f64,
    /// The plane of u² + v².
    round: FittedPlane,
}

impl Bend {
    /// u² + v² less its own plane, m²: what the bend is told by.
    #[inline]
    #[must_use]
    pub fn beside_m2(&self, u: f64, v: f64) -> f64 {
        u * u + v * v - self.round.at(u, v)
    }
}

/// Less of u² + v² than this share left beside its plane tells no bend.
const FLAT_SHARE: f64 = 1e-9;

impl BowlSums {
    /// Add one observation of weight `w`.
    #[inline]
    pub fn add(&mut self, w: f64, u: f64, v: f64, z: f64) {
        let round = u * u + v * v;
        let (wz, wr) = (w * z, w * round);
        self.round.add(w, u, v, round);
        self.rr += wr * round;
        self.z += wz;
        self.uz += wz * u;
        self.vz += wz * v;
        self.rz += wz * round;
    }

    /// How far the middle of the observations is from (0, 0), metres; infinite without weight.
    #[must_use]
    pub fn off_m(&self) -> f64 {
        let off = |[u, v]: [f64; 2]| u.hypot(v);
        self.round.middle().map_or(f64::INFINITY, off)
    }

    /// The bend of weighted least squares, a plane fitted along with it (Frisch, Waugh 1933: z
    /// against what a plane leaves of u² + v²). `None` where the observations tell none.
    #[must_use]
    pub fn solve(&self) -> Option<Bend> {
        let plane = self.round.solve(0.0, 0.0, 0.0)?;
        let left = |all: f64, [one, u, v]: [f64; 3]| {
            all - plane.z0 * one - plane.slope_u * u - plane.slope_v * v
        };
        let information = left(self.rr, self.round.heights());
        let per_m = left(self.rz, [self.z, self.uz, self.vz]) / information;
        let bend = Bend {
            per_m,
            information,
            round: plane,
        };
        (information > FLAT_SHARE * self.rr && per_m.is_finite()).then_some(bend)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exact_bowl_on_a_slope_is_found_from_one_side_too() {
        for from in [-5, 1] {
            let mut sums = BowlSums::default();
            for (i, j) in (from..6).flat_map(|i| (-5..6).map(move |j| (i, j))) {
                let (u, v) = (0.1 * f64::from(i), 0.1 * f64::from(j));
                let z = 0.003 + 0.02 * u - 0.01 * v + 0.004 * (u * u + v * v);
                sums.add(1.0 + u * u, u, v, z);
            }
            let bend = sums.solve().unwrap();
            // PlaneSums pulls slopes by 1e-6 of themselves.
            assert!((bend.per_m - 0.004).abs() < 1e-6, "{bend:?}");
            assert!(bend.information > 0.0 && bend.information < sums.rr);
        }
    }

    #[test]
    fn four_places_on_a_circle_tell_no_bend() {
        let mut sums = BowlSums::default();
        for (u, v) in [(0.1, 0.0), (-0.1, 0.0), (0.0, 0.1), (0.0, -0.1)] {
            sums.add(1.0, u, v, 0.01);
        }
        assert!(sums.solve().is_none() && BowlSums::default().solve().is_none());
    }
}
