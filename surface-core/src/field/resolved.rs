//! Down to which wavelength the surface holds more road than noise.
//!
//! Observations of density W (Σ1/σ_z² per m²) have the flat spectrum 1/W, the road S(k) = A·k⁻³:
//! they are as strong as each other at k = (A·W)^(1/3), whatever window is laid over both. A
//! Gaussian window of width b passes exp(−2π²b²k²) of a wave, a half at the wavelength
//! π·√(2/ln 2)·b; shorter ones it mostly leaves out. Waves under two steps the lattice cannot hold.
//!
//! The best window passes 0.54 of the waves that are as strong as the noise, so that of a wave at
//! the wavelength given here the height errs by half of the road's power (0.50 by the two
//! transfer functions), and less of longer ones.

/// Wavelength of which a Gaussian passes a half, over its width: π·√(2/ln 2).
const HALF_PASSED: f64 = 5.336;
/// Steps of the lattice in the shortest wave that it holds.
const STEPS_A_WAVE: f64 = 2.0;

/// The shortest wavelength that is held, metres: that at which road of level `level_m` is as
/// strong as the noise of observations of density `density` (1/m⁴), that of which the window,
/// `spread_m` wide with the box of its cells, passes a half, or two steps, whichever is longest.
pub(super) fn resolved_m(level_m: f64, density: f64, spread_m: f64, step_m: f64) -> f64 {
    let equal = (level_m * density).cbrt().recip();
    let passed = HALF_PASSED * spread_m;
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

    #[test]
    fn half_of_a_wave_passes_where_it_is_said() {
        let (b, lambda) = (0.13, HALF_PASSED * 0.13);
        let passed = (-2.0 * (std::f64::consts::PI * b / lambda).powi(2)).exp();
        assert!((passed - 0.5).abs() < 1e-4, "{passed}");
    }

    #[test]
    fn the_longest_of_the_three_lengths_counts() {
        // A·W = 8 per m³: as strong as each other at half a metre.
        let held = |spread, step| resolved_m(1e-8, 8e8, spread, step);
        assert!((held(0.05, 0.1) - 0.5).abs() < 1e-12);
        assert!((held(0.2, 0.1) - 1.0672).abs() < 1e-12);
        assert!((held(0.05, 0.3) - 0.6).abs() < 1e-12);
        // Nothing seen, nothing held.
        assert!(resolved_m(1e-8, 0.0, 0.1, 0.1).is_infinite());
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
