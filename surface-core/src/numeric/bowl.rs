//! z = z₀ + a·u + b·v + q·(u² + v²): how much a surface bends, by moments.

use wide::f64x2;

use super::lanes::column_sums;
use super::plane::{FittedPlane, PlaneSums};

/// Weighted moments of (u, v, z) that tell a bend beside a plane.
#[derive(Debug, Clone, Copy, Default)]
pub struct BowlSums {
    /// Of the shapes u² + v², u² − v² and 2uv in the place of heights.
    shapes: [PlaneSums; 3],
    /// Σw(u² + v²)².
    round: f64,
    /// Σwz, Σwuz, Σwvz.
    heights: [f64; 3],
    /// Σw·z times each shape.
    told: [f64; 3],
}

/// A bend with what is known of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bend {
    /// q, the mean of both curvatures' halves, 1/m.
    pub per_m: f64,
    /// Σw·r²: of u² + v² less its own plane; q has the variance 1/information where w = 1/σ².
    pub information: f64,
    /// The planes of the shapes.
    planes: [FittedPlane; 3],
    /// Σw·z times what each plane leaves of its shape.
    told: [f64; 3],
}

impl Bend {
    /// How far the observations bend at all, in any direction: the mean over the three shapes of the
    /// square of what is told over its variance, 1 where all is noise; columns of weights, u, v and
    /// the observations' own variances. Shapes are taken one at a time, as if the window were whole.
    #[must_use]
    pub fn evidence(&self, columns: [&[f64]; 4]) -> f64 {
        let planes = self.planes.map(|p| [p.z0, p.slope_u, p.slope_v]);
        let planes = planes.map(|p| p.map(f64x2::splat));
        let variances = column_sums(columns, |[w, u, v, variance]| {
            let left = |shape: f64x2, [z0, slope_u, slope_v]: [f64x2; 3]| {
                let beside = w * (shape - (z0 + slope_u * u + slope_v * v));
                beside * beside * variance
            };
            let (uu, vv, uv) = (u * u, v * v, u * v);
            let [round, saddle, skew] = planes;
            [
                left(uu + vv, round),
                left(uu - vv, saddle),
                left(uv + uv, skew),
            ]
        });
        // A shape that the places hardly tell from a plane is no evidence.
        let least = FLAT_SHARE.sqrt() * variances[0];
        let square = |(told, noise): (&f64, f64)| {
            if noise > least {
                told * told / noise
            } else {
                0.0
            }
        };
        self.told.iter().zip(variances).map(square).sum::<f64>() / 3.0
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
        let [[pu, pv, pz], [qu, qv, qz]] = saddles(columns);
        let shape = |[s, us, vs]: [f64; 3]| PlaneSums::from([one, su, sv, s, uu, uv, vv, us, vs]);
        let (saddle, skew) = ([uu - vv, pu, pv], [2.0 * uv, qu, qv]);
        Self {
            shapes: [[sr, ur, vr], saddle, skew].map(shape),
            round: rr,
            heights: [z, uz, vz],
            told: [rz, pz, qz],
        }
    }

    /// How far the middle of the observations is from (0, 0), metres; infinite without weight.
    #[must_use]
    pub fn off_m(&self) -> f64 {
        let off = |[u, v]: [f64; 2]| u.hypot(v);
        self.shapes[0].middle().map_or(f64::INFINITY, off)
    }

    /// The bend of weighted least squares, a plane fitted along with it (Frisch, Waugh 1933: z
    /// against what a plane leaves of u² + v²). `None` where the observations tell none.
    #[must_use]
    pub fn solve(&self) -> Option<Bend> {
        let plane = |k: usize| self.shapes[k].solve(0.0, 0.0, 0.0);
        let planes = [plane(0)?, plane(1)?, plane(2)?];
        let left = |all: f64, [one, u, v]: [f64; 3], plane: &FittedPlane| {
            all - plane.z0 * one - plane.slope_u * u - plane.slope_v * v
        };
        let information = left(self.round, self.shapes[0].heights(), &planes[0]);
        let told = [0, 1, 2].map(|k| left(self.told[k], self.heights, &planes[k]));
        let bend = Bend {
            per_m: told[0] / information,
            information,
            planes,
            told,
        };
        (information > FLAT_SHARE * self.round && bend.per_m.is_finite()).then_some(bend)
    }
}

/// Σ of w·u, w·v and w·z times u² − v² and 2uv. Apart from the others: fourteen sums are as many as
/// stay in registers.
fn saddles(columns: [&[f64]; 4]) -> [[f64; 3]; 2] {
    let sums = column_sums(columns, |[w, u, v, z]| {
        let (saddle, skew) = (w * (u * u - v * v), w * (u * v + u * v));
        let [pu, pv, pz] = [u, v, z].map(|x| saddle * x);
        let [qu, qv, qz] = [u, v, z].map(|x| skew * x);
        [pu, pv, pz, qu, qv, qz]
    });
    let [pu, pv, pz, qu, qv, qz] = sums;
    [[pu, pv, pz], [qu, qv, qz]]
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
            assert!(bend.information > 0.0 && bend.information < sums.round);
        }
    }

    #[test]
    fn any_bend_is_evident_and_noise_is_none() {
        let cells = (-6..7).flat_map(|i| (-6..7).map(move |j| [i, j]));
        let cells: Vec<[f64; 2]> = cells.map(|c| c.map(|k| 0.1 * f64::from(k))).collect();
        let evidence = |z: &dyn Fn(usize, f64, f64) -> f64| {
            let columns = [0, 1, 2, 3].map(|column| {
                let of = |(k, &[u, v]): (usize, &[f64; 2])| [4.0, u, v, z(k, u, v)][column];
                cells.iter().enumerate().map(of).collect::<Vec<f64>>()
            });
            let [w, u, v, z] = columns.each_ref().map(Vec::as_slice);
            let bend = BowlSums::of_columns([w, u, v, z]).solve().unwrap();
            bend.evidence([w, u, v, &vec![0.25; w.len()]])
        };
        for shape in [
            |u: f64, v: f64| u * u + v * v,
            |u, v| u * u - v * v,
            |u, v| 2.0 * u * v,
        ] {
            let of = |scale: f64| evidence(&|_, u, v| scale * shape(u, v) + 0.3 * u - 1.0);
            // A pure shape is one of three; of every one all is told in a whole window.
            assert!(of(1.0) > 1.0 && (of(3.0) / of(1.0) - 9.0).abs() < 1e-6);
        }
        // Noise of the observations' own variance, ±½: 1 in the mean.
        let draws = (0..400u64).map(|draw| {
            evidence(&|k, _, _| {
                let mixed = (k as u64 + 977 * draw).wrapping_mul(0x9E37_79B9_7F4A_7C15);
                let mixed = (mixed ^ (mixed >> 31)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
                if mixed >> 63 == 0 { 0.5 } else { -0.5 }
            })
        });
        let mean = draws.sum::<f64>() / 400.0;
        // 1 ± √(2/3/400).
        assert!((mean - 1.0).abs() < 0.13, "{mean}");
    }

    #[test]
    fn four_places_on_a_circle_tell_no_bend() {
        let circle = [[0.1, 0.0], [-0.1, 0.0], [0.0, 0.1], [0.0, -0.1]];
        let sums = of_rows(&circle.map(|[u, v]| [1.0, u, v, 0.01]));
        assert!(sums.solve().is_none() && BowlSums::default().solve().is_none());
    }
}
