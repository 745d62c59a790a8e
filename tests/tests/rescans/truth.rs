//! What works did to the ground, from the truth itself.

use surface_core::report::ChangeReport;
use surface_core::ribbon::{Ribbon, RibbonPoint};
use surface_tests::proving::{Course, ORIGIN_M};

/// Cells of the truth, metres.
const STEP_M: f64 = 0.02;
/// The truth is looked at so far around what a change is said to reach, metres.
const ROOM_M: f64 = 0.8;

/// A change as it is.
#[derive(Debug, Clone, Copy)]
pub struct Extent {
    /// Where it is over half of its bulk height ∫d²/∫d, m².
    pub area_m2: f64,
    pub volume_m3: f64,
}

/// The work that `change` reports, in cells of 20 mm.
pub fn extent(old: &Course, new: &Course, change: &ChangeReport, ribbon: &Ribbon) -> Extent {
    let cells = cells(old, new, change, ribbon);
    let sum = |of: &dyn Fn(f64) -> f64| cells.iter().map(|[d, area]| of(*d) * area).sum::<f64>();
    let (volume_m3, squares) = (sum(&|d| d), sum(&|d| d * d));
    let half = 0.5 * squares / volume_m3;
    let beyond = |d: f64| f64::from(u8::from(d * half.signum() > half.abs()));
    Extent {
        area_m2: sum(&beyond),
        volume_m3,
    }
}

/// Height difference and area of every cell around a change.
fn cells(old: &Course, new: &Course, change: &ChangeReport, ribbon: &Ribbon) -> Vec<[f64; 2]> {
    let [[from_s, to_s], [from_t, to_t]] = change.reach_m;
    let count = |a: f64, b: f64| surface_core::numeric::to_index((b - a + 2.0 * ROOM_M) / STEP_M);
    let mut out = Vec::new();
    for i in 0..count(from_s, to_s) {
        let s = ribbon
            .line
            .wrap_s(from_s - ROOM_M + (i as f64 + 0.5) * STEP_M);
        let curvature = ribbon.line.curvature_per_m(s);
        for j in 0..count(from_t, to_t) {
            let t = from_t - ROOM_M + (j as f64 + 0.5) * STEP_M;
            let [x, y] = ribbon.line.to_local(RibbonPoint { s, t });
            let at = [0, 1].map(|k| [x, y][k] + ribbon.frame.origin_m[k] - ORIGIN_M[k]);
            let height = |c: &Course| c.height_m(at[0], at[1]);
            if let (Some(a), Some(b)) = (height(old), height(new)) {
                out.push([b - a, STEP_M * STEP_M * (1.0 - curvature * t)]);
            }
        }
    }
    out
}
