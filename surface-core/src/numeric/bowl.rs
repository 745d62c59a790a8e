//! z = z₀ + a·u + b·v + q·(u² + v²): how much a surface bends, by moments.

use wide::f64x2;

use super::lanes::column_sums;
use super::plane::{FittedPlane, PlaneSums};

/// Weighted moments of (u, v, z) that tell a bend beside a plane.
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
    /// The variance that observations of their own variances give a bend, 1/m²; columns of weights,
    /// u, v and variances.
    #[must_use]
    pub fn variance_of(&self, columns: [&[f64]; 4]) -> f64 {
        let plane = [self.round.z0, self.round.slope_u, self.round.slope_v];
        let [z0, slope_u, slope_v] = plane.map(f64x2::splat);
        let [sum] = column_sums(columns, |[w, u, v, variance]| {
            // u² + v² less its own plane: what the bend is told by.
            let beside = w * (u * u + v * v - (z0 + slope_u * u + slope_v * v));
            [beside * beside * variance]
        });
        sum / self.information.powi(2)
    }
}

/// Less of u² + v² than this share left beside its plane tells no bend.
const FLAT_SHARE: f64 = 1e-9;

impl BowlSums {
    /// Moments of columns of weights, u, v and z.
    #[must_use]
    pub fn of_columns(columns: [&[f64]; 4]) -> Self {
        let sums = column_sums(columns, |[w, u, v, z]| {
            let round = u * u + v * v;
            let (wz, wr) = (w * z, w * round);
            let [one, su, sv, sr, uu, uv, vv, ur, vr] = PlaneSums::terms(w, u, v, round);
            let beside = [wr * round, wz, wz * u, wz * v, wz * round];
            let [rr, z, uz, vz, rz] = beside;
            [one, su, sv, sr, uu, uv, vv, ur, vr, rr, z, uz, vz, rz]
        });
        let [one, su, sv, sr, uu, uv, vv, ur, vr, rr, z, uz, vz, rz] = sums;
        Self {
            round: PlaneSums::from([one, su, sv, sr, uu, uv, vv, ur, vr]),
            rr,
            z,
            uz,
            vz,
            rz,
        }
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

    /// Of observations w, u, v, z.
    fn of_rows(rows: &[[f64; 4]]) -> BowlSums {
        let columns = [0, 1, 2, 3].map(|k| rows.iter().map(|row| row[k]).collect::<Vec<f64>>());
        BowlSums::of_columns(columns.each_ref().map(Vec::as_slice))
    }

    #[test]
    fn an_exact_bowl_on_a_slope_is_found_from_one_side_too() {
        for from in [-5, 1] {
            let cells = (from..6).flat_map(|i| (-5..6).map(move |j| [i, j]));
            let observation = |ij: [i32; 2]| {
                let [u, v] = ij.map(|k| 0.1 * f64::from(k));
                let z = 0.003 + 0.02 * u - 0.01 * v + 0.004 * (u * u + v * v);
                [1.0 + u * u, u, v, z]
            };
            let sums = of_rows(&cells.map(observation).collect::<Vec<_>>());
            let bend = sums.solve().unwrap();
            // PlaneSums pulls slopes by 1e-6 of themselves.
            assert!((bend.per_m - 0.004).abs() < 1e-6, "{bend:?}");
            assert!(bend.information > 0.0 && bend.information < sums.rr);
        }
    }

    #[test]
    fn four_places_on_a_circle_tell_no_bend() {
        let circle = [[0.1, 0.0], [-0.1, 0.0], [0.0, 0.1], [0.0, -0.1]];
        let sums = of_rows(&circle.map(|[u, v]| [1.0, u, v, 0.01]));
        assert!(sums.solve().is_none() && BowlSums::default().solve().is_none());
    }
}
