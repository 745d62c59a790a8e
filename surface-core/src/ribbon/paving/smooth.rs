//! Refined edges smoothed along the line: strays go, tapers and changes of width stay.

use super::profile::CellSize;
use crate::numeric::{TUKEY_C, biweight, ceil_i32, floor_i32, huber, reweighted_fit};

/// Half the length of the local fit, metres: seven stations. A parabola over it follows a kerb
/// that comes in over 5 m to 10 mm (`a_taper_keeps_its_shape`); a line would be off by 60 mm.
const HALF_M: f64 = 1.5;
/// Errors of a refined edge that are ordinary, metres; twice and more is a stray.
const ORDINARY_M: f64 = 0.015;
/// The same as a share of the profiles' cell width, when cells are wide.
const ORDINARY_CELLS: f64 = 0.3;
/// Rounds of reweighting, the first ones by 1/|r| (least absolute deviations).
const ROUNDS: usize = 12;
const ABSOLUTE_ROUNDS: usize = 8;
/// Residuals below this share of the ordinary ones weigh alike in those: 1/0 has to be avoided.
const ABSOLUTE_SHARE: f64 = 0.1;

/// Robust local parabolas through the values at stations `step_m` apart, seen in cells of `size`;
/// `None` where no station nearby has a value.
pub(super) fn smoothed(
    raw: &[Option<f64>],
    step_m: f64,
    size: CellSize,
    closed: bool,
) -> Vec<Option<f64>> {
    // Edges of neighbouring stations share points where cells are long: a longer fit is needed.
    let reach = ceil_i32(HALF_M.max(size.half_length_m) / step_m);
    let ordinary = ORDINARY_M.max(ORDINARY_CELLS * size.width_m);
    let n = floor_i32(raw.len() as f64);
    let at = |k: i32, d: i32| {
        let j = if closed { (k + d).rem_euclid(n) } else { k + d };
        let value = usize::try_from(j).ok().and_then(|j| *raw.get(j)?);
        value.map(|v| (f64::from(d) * step_m, v))
    };
    (0..n)
        .map(|k| {
            local_value(
                &(-reach..=reach)
                    .filter_map(|d| at(k, d))
                    .collect::<Vec<_>>(),
                ordinary,
            )
        })
        .collect()
}

/// Value at 0 of a parabola through (distance, value) pairs: least absolute deviations, then
/// Tukey's weights. Fewer than five pairs, or all on one side, take their median instead.
fn local_value(pairs: &[(f64, f64)], ordinary: f64) -> Option<f64> {
    let mut values: Vec<f64> = pairs.iter().map(|p| p.1).collect();
    let middle = crate::numeric::median(&mut values)?;
    let sides = pairs.iter().any(|p| p.0 <= 0.0) && pairs.iter().any(|p| p.0 >= 0.0);
    if pairs.len() < 5 || !sides {
        return Some(middle);
    }
    let samples: Vec<([f64; 3], f64)> = pairs.iter().map(|&(x, y)| ([1.0, x, x * x], y)).collect();
    let fit = reweighted_fit(&samples, [middle, 0.0, 0.0], ROUNDS, |round, rs, ws| {
        for (w, r) in ws.iter_mut().zip(rs) {
            *w = match round {
                0 => 1.0,
                _ if round < ABSOLUTE_ROUNDS => huber(r / (ABSOLUTE_SHARE * ordinary)),
                _ => biweight(r / (TUKEY_C * ordinary)),
            };
        }
    });
    Some(fit[0])
}

#[cfg(test)]
mod tests {
    use super::*;

    const DENSE: CellSize = CellSize {
        width_m: 0.05,
        half_length_m: 0.25,
    };

    fn taper(s: f64) -> f64 {
        let u = ((s - 10.0) / 5.0).clamp(0.0, 1.0);
        4.5 + u * u * (3.0 - 2.0 * u)
    }

    #[test]
    fn a_taper_keeps_its_shape() {
        let raw: Vec<_> = (0..60).map(|k| Some(taper(f64::from(k) * 0.5))).collect();
        for (k, v) in smoothed(&raw, 0.5, DENSE, false).iter().enumerate() {
            let error = v.unwrap() - taper(k as f64 * 0.5);
            assert!(error.abs() < 0.012, "{k}: {error}");
        }
    }

    #[test]
    fn a_stray_is_passed_over_and_a_hole_stays_a_hole() {
        let mut raw: Vec<_> = (0..60).map(|k| Some(taper(f64::from(k) * 0.5))).collect();
        raw[25] = Some(9.0);
        raw[26] = None;
        raw[40..52].fill(None);
        let smooth = smoothed(&raw, 0.5, DENSE, false);
        assert!(
            (smooth[25].unwrap() - taper(12.5)).abs() < 0.012,
            "{:?}",
            smooth[25]
        );
        assert!(smooth[26].is_some() && smooth[46].is_none());
    }
}
