//! e⁻ˣ without a call: windows take it a hundred million times on a kilometre of road.

/// Largest x that is told from infinity; e⁻⁷⁰⁰ is 1e-304.
const FARTHEST: f64 = 700.0;
/// A number added to 1.5·2⁵² has its nearest whole number in the lowest bits.
const WHOLE: f64 = 6_755_399_441_055_744.0;

/// e⁻ˣ for x ≥ 0 to 1e-8 of itself; e⁻⁷⁰⁰ (as good as nothing) beyond 700, and 1 below 0.
///
/// e⁻ˣ = 2⁻ᵏ·e⁻ʳ with k whole and |r| ≤ ln 2 / 2, e⁻ʳ by its series to r⁷. Without branches and
/// conversions, so that the processor need not wait for one to begin the next.
#[must_use]
#[inline]
pub fn exp_of_minus(x: f64) -> f64 {
    let x = x.clamp(0.0, FARTHEST);
    let shifted = x * std::f64::consts::LOG2_E + WHOLE;
    let r = (shifted - WHOLE) * std::f64::consts::LN_2 - x;
    let r2 = r * r;
    let low = (1.0 + r) + r2 * (1.0 / 2.0 + r * (1.0 / 6.0));
    let high = (1.0 / 24.0 + r * (1.0 / 120.0)) + r2 * (1.0 / 720.0 + r * (1.0 / 5040.0));
    // 2⁻ᵏ: what lies above the lowest bits of k is shifted out.
    let power = (1023_u64 << 52).wrapping_sub(shifted.to_bits() << 52);
    (low + r2 * r2 * high) * f64::from_bits(power)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_the_librarys_to_a_hundred_millionth() {
        for k in 0..200_000 {
            let x = f64::from(k) * 0.003_49;
            let (is, should) = (exp_of_minus(x), (-x).exp());
            // The series' next term is 0.347⁸/8! = 5e-9.
            assert!((is / should - 1.0).abs() < 1e-8, "{x}: {is} {should}");
        }
        assert!(exp_of_minus(1e9) < 1e-300 && (exp_of_minus(-1.0) - 1.0).abs() < 1e-15);
    }
}
