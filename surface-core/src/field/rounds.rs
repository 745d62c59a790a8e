//! What a window holds, weighed by how it agrees with a plane.

use wide::f64x2;

use super::around::{Around, OF_SLOPE};
use super::cells::STANDING_M;
use crate::numeric::{FittedPlane, PlaneSums, TUKEY_C, column_sums};

/// A jump in the window larger than this, metres and standard deviations, is a step.
const STEP_M: f64 = 0.002;
/// What lies further above a window's plane than this is no flank of a bump, those that are higher are
/// wider than a window, but a thing that stood there. Nothing stands below: a hole may be as deep as
/// points count at all.
const FLANK_M: f64 = 0.03;
/// Observations so many steps away are those of the four cells beside a place's own: of three cells, the
/// own one among them, none disagrees by chance, nor by a stone.
const NEXT_STEPS: f64 = 1.25;
/// And of the own cell.
const OWN_STEPS: f64 = 0.6;
/// A plane does not fit the ground in its window when squared residuals over what noise and road are
/// expected to make add up to so many times their mean, and so many of its standard deviations more: noise
/// models err by a tenth or two. Chosen with the bench `noise_limit`: kerbs keep their ribs, clean asphalt errs
/// no more.
const UNFIT: f64 = 1.5;
const UNFIT_SDS: f64 = 5.0;
/// The most that one observation counts in that, so that no single one makes a plane unfit.
const MOST_OFF: f64 = 6.0;

/// The observations of a window with what no round changes.
#[derive(Debug, Default)]
pub(super) struct Near {
    pub around: Around,
    /// Variance of each, with that of the road over the distance, m².
    scatter_m2: Vec<f64>,
    /// Σ of Gaussian times weight.
    weight: f64,
}

/// Moments of a window with Tukey's weights against a plane, and what its quality needs.
#[derive(Debug, Clone, Copy)]
pub(super) struct Gathered {
    pub sums: PlaneSums,
    /// Σ of the squared Gaussian times weight and Tukey's weight.
    pub squared: f64,
    /// Σ of Gaussian times weight: of all, and of what is lost to steps.
    pub weight: f64,
    pub lost: f64,
    /// Σ of Gaussian times squared residual over what is expected of it; and of the Gaussian.
    off: f64,
    observations: f64,
}

impl Gathered {
    /// Whether the ground in the window is no plane: its residuals are more than noise and the course's own
    /// roughness. A plane that is fitted with Gaussian weights takes ½ of an observation for its height and
    /// ¼ for each slope (Σ g²/Σ g and Σ g²u²/Σ gu²), and the sum of Σ g observations scatters by
    /// √(2·Σ g²) = √(Σ g).
    pub fn is_unfit(&self) -> bool {
        let expected = (self.observations - 1.0).max(0.0);
        self.off > UNFIT * expected + UNFIT_SDS * self.observations.sqrt()
    }
}

impl Near {
    /// Weigh what is around for a window of width `b_m` on a road of a level.
    pub fn weigh(&mut self, b_m: f64, level_m: f64) {
        self.around.weigh(b_m);
        self.around.scatter_m2(level_m, &mut self.scatter_m2);
        self.weight = self.around.w.iter().sum();
    }

    /// Moments with Tukey's weights against `plane`, whose slope may be off `widen` times as far.
    pub fn gather(&self, plane: &FittedPlane, widen: f64) -> Gathered {
        let [z0, slope_u, slope_v] = [plane.z0, plane.slope_u, plane.slope_v].map(f64x2::splat);
        let reach2 = f64x2::splat((TUKEY_C * widen).powi(2));
        let of_slope = f64x2::splat(widen * widen * OF_SLOPE);
        let [step, little, most] = [STEP_M, 0.1, MOST_OFF].map(f64x2::splat);
        let sums = column_sums(self.columns(), |[w, u, v, z, d2, variance, scatter]| {
            let off = z - (z0 + slope_u * u + slope_v * v);
            let within = f64x2::ONE - off * off / (reach2 * (scatter + of_slope * d2));
            // `max`, not `fast_max`: beside an odd last row stand zeros, of which 0/0 is none.
            let within = within.max(f64x2::ZERO);
            let tukey = within * within;
            let [one, su, sv, sz, uu, uv, vv, uz, vz] = PlaneSums::terms(w * tukey, u, v, z);
            // (g·w)²·σ² is g²·w.
            let squared = w * w * variance * tukey;
            let lost = w & off.abs().simd_gt(step) & tukey.simd_lt(little);
            let gaussian = w * variance;
            // `min` as well: 0/0 of the row beside an odd last one is not taken.
            let far = gaussian * (off * off / scatter).min(most);
            [
                one, su, sv, sz, uu, uv, vv, uz, vz, squared, lost, far, gaussian,
            ]
        });
        let [
            one,
            su,
            sv,
            sz,
            uu,
            uv,
            vv,
            uz,
            vz,
            squared,
            lost,
            off,
            observations,
        ] = sums;
        Gathered {
            sums: PlaneSums::from([one, su, sv, sz, uu, uv, vv, uz, vz]),
            squared,
            weight: self.weight,
            lost,
            off,
            observations,
        }
    }

    /// Whether a plane says nothing of the place: it leaves the own cell without weight, and two of the
    /// four beside it on the same side, or as `own_counts` says, the own cell alone. `step_m` is the
    /// cells' distance. What lies further above than a flank may is a thing that stood there.
    pub fn loses_middle(&self, plane: &FittedPlane, step_m: f64, own_counts: bool) -> bool {
        let [w, u, v, z, d2, _, scatter] = self.columns();
        let reach2 = TUKEY_C * TUKEY_C;
        let next = (0..w.len()).filter(|&k| d2[k] <= (NEXT_STEPS * step_m).powi(2) && w[k] > 0.0);
        let Some(own) = next.clone().min_by(|&a, &b| d2[a].total_cmp(&d2[b])) else {
            return false;
        };
        let lost = |k: usize| {
            let off = z[k] - plane.at(u[k], v[k]);
            let allowed = reach2 * (scatter[k] + OF_SLOPE * d2[k]);
            let counts = off.abs() > STEP_M && off > -STANDING_M && off < FLANK_M;
            (counts && off * off >= allowed).then_some(off)
        };
        let Some(off) = lost(own).filter(|_| d2[own] <= (OWN_STEPS * step_m).powi(2)) else {
            return false;
        };
        let beside = next.filter(|&k| k != own && lost(k).is_some_and(|o| o * off > 0.0));
        own_counts || beside.count() >= 2
    }

    /// Weight, place, height, squared distance, variance and scatter.
    fn columns(&self) -> [&[f64]; 7] {
        let all = &self.around;
        let [u, v, z, d2] = [&all.u, &all.v, &all.z, &all.d2].map(Vec::as_slice);
        [&all.w, u, v, z, d2, &all.variance, &self.scatter_m2]
    }
}

#[cfg(test)]
mod tests {
    use super::super::kernel::Seen;
    use super::*;

    #[test]
    fn an_odd_window_is_told_as_an_even_one_with_a_row_of_no_weight() {
        let plane = FittedPlane {
            z0: 0.0,
            slope_u: 0.0,
            slope_v: 0.0,
        };
        let seen = |k: u8| Seen {
            w: if k < 3 { 1e6 } else { 0.0 },
            s: 0.1 * f64::from(k),
            t: 0.05,
            z: 1e-3,
        };
        let told = |rows: std::ops::Range<u8>| {
            let mut near = Near::default();
            rows.for_each(|k| near.around.push(seen(k), [0.0, 0.0]));
            near.weigh(0.1, 1e-8);
            let told = near.gather(&plane, 1.0);
            [
                told.sums.w,
                told.squared,
                told.weight,
                told.lost,
                told.off,
                told.observations,
            ]
        };
        for from in [0, 2] {
            let (odd, even) = (told(from..3), told(from..4));
            assert_eq!(odd.map(f64::to_bits), even.map(f64::to_bits));
            assert!(
                odd[..3].iter().all(|v| *v > 0.0 && v.is_finite()),
                "{odd:?}"
            );
        }
    }
}
