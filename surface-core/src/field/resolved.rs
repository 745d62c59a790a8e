//! Down to which wavelength the surface holds more road than noise.
//!
//! Observations of density W (Σ1/σ_z² per m²) have the flat spectrum 1/W, the road S(k) = A·k⁻³:
//! they are as strong as each other at k = (A·W)^(1/3), whatever window is laid over both. A
//! Gaussian window of width b passes exp(−2π²b²k²) of a wave, a half at the wavelength
//! π·√(2/ln 2)·b; with what is given back (`bend`) it passes exp(−x) + x·exp(−3.61x),
//! x = 2π²b²k²: a half at x = 0.789 (chords' sag, which is made up for, left aside). Shorter ones it
//! mostly leaves out. Waves under two steps the lattice cannot hold.
//!
//! The best window passes 0.61 of the waves that are as strong as the noise (0.54 the plane alone).
//! Of a wave 1.031 times as long (as long) the height errs by half of the road's power, by the
//! transfer functions, and by less of longer ones: that wavelength is given.

/// Wavelength of which a Gaussian passes a half, over its width: π·√(2/ln 2); and with what is given
/// back, π·√(2/0.789).
const HALF_PASSED: [f64; 2] = [5.336, 5.002];
/// Wavelength at which the best window errs by half of the road's power over that at which road and
/// noise are as strong as each other: of the plane, and with what is given back.
const HALF_OF_POWER: [f64; 2] = [1.0, 1.031];
/// Steps of the lattice in the shortest wave that it holds.
const STEPS_A_WAVE: f64 = 2.0;

/// The shortest wavelength that is held, metres: that at which the best window for road of level
/// `level_m` and observations of density `density` (1/m⁴) errs by half of the road's power, that of
/// which the window, `spread_m` wide with the box of its cells, passes a half where `bent` (0 to 1)
/// of what it takes off is given back, or two steps, whichever is longest.
pub(super) fn resolved_m(level_m: f64, density: f64, spread_m: f64, step_m: f64, bent: f64) -> f64 {
    let of = |[plane, whole]: [f64; 2]| plane + bent * (whole - plane);
    let equal = of(HALF_OF_POWER) * (level_m * density).cbrt().recip();
    let passed = of(HALF_PASSED) * spread_m;
    equal.max(passed).max(STEPS_A_WAVE * step_m)
}

/// Width of the window that Gaussian weights of width `b` on cells `step` apart make with the box
/// of the cells: the way back from [`super::kernel::Window`]'s choice of `b`.
pub(super) fn spread_of(b: f64, step: f64) -> f64 {
    let square = step * step;
    let narrow = (b * b - 0.095 * square).max(0.0) / 0.73;
    (narrow.min(b * b) + square / 12.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::bend::WIDER;

    #[test]
    fn half_of_a_wave_passes_where_it_is_said() {
        let x = |half: f64| 2.0 * (std::f64::consts::PI / half).powi(2);
        let [plane, bent] = HALF_PASSED.map(x);
        assert!(((-plane).exp() - 0.5).abs() < 1e-4, "{plane}");
        let passed = (-bent).exp() + bent * (-WIDER * WIDER * bent).exp();
        assert!((passed - 0.5).abs() < 2e-4, "{passed}");
    }

    #[test]
    fn the_best_window_errs_by_half_of_the_power_where_it_is_said() {
        for (bent, longer) in [0.0, 1.0].into_iter().zip(HALF_OF_POWER) {
            // x = 2π²·(0.1764·k/k₀)²; the error is the road's that is left out, and the noise's.
            let x = 2.0 * (std::f64::consts::PI * 0.1764 / longer).powi(2);
            let passed = (-x).exp() + bent * x * (-WIDER * WIDER * x).exp();
            let error = (1.0 - passed).powi(2) + (passed / longer).powi(2) / longer;
            assert!((error - 0.5).abs() < 5e-3, "{error}");
        }
    }

    #[test]
    fn the_longest_of_the_three_lengths_counts() {
        // A·W = 8 per m³: as strong as each other at half a metre.
        let held = |spread, step| resolved_m(1e-8, 8e8, spread, step, 0.0);
        assert!((held(0.05, 0.1) - 0.5).abs() < 1e-12);
        assert!((held(0.2, 0.1) - 1.0672).abs() < 1e-12);
        assert!((held(0.05, 0.3) - 0.6).abs() < 1e-12);
        assert!((resolved_m(1e-8, 8e8, 0.05, 0.1, 1.0) - 0.5155).abs() < 1e-12);
        // A window that bends passes shorter waves.
        assert!((resolved_m(1e-8, 8e8, 0.2, 0.1, 1.0) - 1.0004).abs() < 1e-12);
        // Nothing seen, nothing held.
        assert!(resolved_m(1e-8, 0.0, 0.1, 0.1, 0.0).is_infinite());
    }

    #[test]
    fn the_way_back_from_weights_on_cells_finds_their_spread() {
        for (b, expected) in [(0.3, 0.3), (0.06, 0.06)] {
            let (found, step) = (spread_of(b, 0.1_f64), 0.1_f64);
            let spread = (found * found - step * step / 12.0).sqrt();
            // The spread of weights at whole steps, by its sum; the fit is within 4 %.
            let terms = (-40..=40).map(|k| {
                let d2 = (f64::from(k) * step).powi(2);
                (d2, (-d2 / (2.0 * b * b)).exp())
            });
            let (top, all) = terms.fold((0.0, 0.0), |(t, a), (d2, g)| (t + d2 * g, a + g));
            assert!((spread - (top / all).sqrt()).abs() < 0.04 * expected, "{b}");
        }
    }
}
