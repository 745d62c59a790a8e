//! Smoothing of values along a curve.

use crate::numeric::BandedSpd;

/// `values` v, `step_m` apart, of a curve that bends by b besides, without waves much shorter than `wave_m`:
/// minimises Σ w·(x − v)² + λ·w̄·Σ (x₋ − 2x + x₊ + b)² (Whittaker 1923, "On a new method of
/// graduation"), with λ such that a wave of `wave_m` keeps half of its amplitude. The curve is straight
/// where weights are zero; `values` themselves where fewer than three, or where nothing weighs.
pub(super) fn smoothed(
    (values, bends): (&[f64], &[f64]),
    weights: &[f64],
    step_m: f64,
    wave_m: f64,
) -> Vec<f64> {
    let n = values.len();
    debug_assert_eq!(n, bends.len());
    let mean = weights.iter().sum::<f64>() / n.max(1) as f64;
    if n < 3 || mean.is_nan() || mean <= 0.0 {
        return values.to_vec();
    }
    let lambda = mean * (wave_m / (std::f64::consts::TAU * step_m)).powi(4);
    let mut matrix = BandedSpd::zeros(n, 2, false);
    for (k, w) in weights.iter().enumerate() {
        matrix.add(k, k, *w);
    }
    let mut out: Vec<f64> = values.iter().zip(weights).map(|(v, w)| v * w).collect();
    for (k, bend) in bends.iter().enumerate().take(n - 1).skip(1) {
        let row = [(k - 1, 1.0), (k, -2.0), (k + 1, 1.0)];
        for (i, x) in row {
            out[i] -= lambda * x * bend;
        }
        for (a, (i, x)) in row.iter().enumerate() {
            for (j, y) in &row[..=a] {
                matrix.add(*i, *j, lambda * x * y);
            }
        }
    }
    match matrix.factor() {
        Ok(factor) => {
            factor.solve(&mut out);
            out
        }
        Err(_) => values.to_vec(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_stays_and_a_short_wave_goes() {
        let at = |k: i32| f64::from(k) * 0.1;
        let line: Vec<f64> = (0..200).map(|k| 3.0 - 0.2 * at(k)).collect();
        let wave = |length: f64| -> Vec<f64> {
            let sine = |k: i32| (std::f64::consts::TAU * at(k) / length).sin();
            (0..200).map(|k| 3.0 - 0.2 * at(k) + sine(k)).collect()
        };
        let (even, straight) = (vec![2.0; 200], vec![0.0; 200]);
        let off = |values: &[f64]| {
            let smooth = smoothed((values, &straight), &even, 0.1, 2.0);
            let inner = (50..150).map(|k| (smooth[k] - line[k]).abs());
            inner.fold(0.0, f64::max)
        };
        // Rounding grows with the condition of the system, about 1e4.
        assert!(off(&line) < 1e-9, "{}", off(&line));
        assert!((off(&wave(2.0)) - 0.5).abs() < 0.05, "{}", off(&wave(2.0)));
        assert!(off(&wave(0.5)) < 0.01 && off(&wave(10.0)) > 0.98);
    }

    #[test]
    fn what_does_not_weigh_is_bridged_straight() {
        let values = [0.0, 1.0, 99.0, 3.0, 4.0];
        let (weights, none) = ([1.0, 1.0, 0.0, 1.0, 1.0], [0.0; 5]);
        let smooth = smoothed((&values, &none), &weights, 0.25, 1.0);
        assert!((smooth[2] - 2.0).abs() < 1e-9, "{smooth:?}");
        assert_eq!(smoothed((&values, &none), &none, 0.25, 1.0), values);
    }

    #[test]
    fn distances_from_a_wavy_curve_to_a_straight_line_stay() {
        let wave = |k: usize| 0.05 * (k as f64 * 1.3).sin();
        let chain: Vec<f64> = (0..100).map(wave).collect();
        let away: Vec<f64> = chain.iter().map(|c| 0.3 - c).collect();
        let bend = |k: usize| match k {
            0 | 99 => 0.0,
            k => chain[k - 1] - 2.0 * chain[k] + chain[k + 1],
        };
        let bends: Vec<f64> = (0..100).map(bend).collect();
        let smooth = smoothed((&away, &bends), &[5.0; 100], 0.25, 1.5);
        let off = smooth.iter().zip(&away).map(|(a, b)| (a - b).abs());
        assert!(off.fold(0.0, f64::max) < 1e-9);
    }
}
