//! What a window holds, weighed by how it agrees with a plane.

use super::kernel::Seen;
use crate::numeric::{FittedPlane, PlaneSums, TUKEY_C, biweight_of_square};

/// A jump in the window larger than this, metres and standard deviations, is a step.
const STEP_M: f64 = 0.002;
/// Slope of the road that is expected to differ between a node and its window.
pub(super) const SLOPE_CHANGE: f64 = 0.004;
/// D(d) = 8π²·A·d for S(k) = A·k⁻³.
const STRUCTURE: f64 = 78.957;

/// An observation in a window about a place.
pub(super) struct Near {
    /// From the place along s and t, metres.
    u: f64,
    v: f64,
    z: f64,
    /// Gaussian times weight.
    w: f64,
    /// Gaussian squared times weight.
    gw: f64,
    /// Of the observation, and of the road over the distance, m².
    variance_m2: f64,
    /// What a change of slope adds over the distance, m².
    slope_m2: f64,
}

impl Near {
    /// What is `seen` from a place, `d2` its squared distance and `g` its Gaussian there.
    #[inline]
    pub fn from(seen: Seen, [s, t]: [f64; 2], d2: f64, g: f64, level_m: f64) -> Self {
        let [variance_m2, slope_m2] = scatter_m2(seen.w, d2, level_m);
        Self {
            u: seen.s - s,
            v: seen.t - t,
            z: seen.z,
            w: g * seen.w,
            gw: g * g * seen.w,
            variance_m2,
            slope_m2,
        }
    }
}

/// Variance that is expected at an observation, m²: its own with that of the road over the distance,
/// and what a change of slope adds. The road itself differs by √(8π²A·d) over d (its structure
/// function).
#[inline]
pub(super) fn scatter_m2(w: f64, d2: f64, level_m: f64) -> [f64; 2] {
    [
        w.recip() + STRUCTURE * level_m * d2.sqrt(),
        SLOPE_CHANGE * SLOPE_CHANGE * 0.25 * d2,
    ]
}

/// Moments of a window with Tukey's weights against `plane`; and what the quality needs: Σg²w, Σgw,
/// Σ of weight lost to steps.
pub(super) fn gather(near: &[Near], plane: &FittedPlane, widen: f64) -> (PlaneSums, [f64; 3]) {
    let mut sums = PlaneSums::default();
    let mut parts = [0.0; 3];
    let reach2 = (TUKEY_C * widen).powi(2);
    for n in near {
        let r = n.z - plane.at(n.u, n.v);
        let variance = n.variance_m2 + widen * widen * n.slope_m2;
        let tukey = biweight_of_square(r * r / (reach2 * variance));
        sums.add(n.w * tukey, n.u, n.v, n.z);
        parts[0] += n.gw * tukey;
        parts[1] += n.w;
        if r.abs() > STEP_M && tukey < 0.1 {
            parts[2] += n.w;
        }
    }
    (sums, parts)
}
