//! The χ² distribution, for intervals of variances and spectra.

/// Terms of a series or continued fraction; both end long before.
const MOST_TERMS: usize = 10_000;

/// ln Γ(x) for x > 0 (Lanczos' series with g = 7 and nine terms; coefficients from memory, held
/// against scipy by a test).
fn ln_gamma(x: f64) -> f64 {
    const C: [f64; 9] = [
        0.999_999_999_999_809_9,
        676.520_368_121_885_1,
        -1_259.139_216_722_402_8,
        771.323_428_777_653_1,
        -176.615_029_162_140_6,
        12.507_343_278_686_905,
        -0.138_571_095_265_720_12,
        9.984_369_578_019_572e-6,
        1.505_632_735_149_311_6e-7,
    ];
    let x = x - 1.0;
    let t = x + 7.5;
    let sum = (1..9).fold(C[0], |sum, k| sum + C[k] / (x + k as f64));
    0.5 * std::f64::consts::TAU.ln() + (x + 0.5) * t.ln() - t + sum.ln()
}

/// The regularised lower incomplete gamma function P(a, x): series below a + 1, continued
/// fraction (Lentz) above.
fn gamma_p(a: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let front = (a * x.ln() - x - ln_gamma(a)).exp();
    if x < a + 1.0 {
        let (mut term, mut sum) = (1.0 / a, 1.0 / a);
        for k in 1..MOST_TERMS {
            term *= x / (a + k as f64);
            sum += term;
            if term < sum * 1e-16 {
                break;
            }
        }
        return front * sum;
    }
    1.0 - front * fraction(a, x)
}

fn fraction(a: f64, x: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let mut b = x + 1.0 - a;
    let (mut c, mut d) = (1.0 / TINY, 1.0 / b);
    let mut h = d;
    for k in 1..MOST_TERMS {
        let k = k as f64;
        let step = -k * (k - a);
        b += 2.0;
        d = 1.0 / (step * d + b);
        c = b + step / c;
        h *= d * c;
        if (d * c - 1.0).abs() < 1e-16 {
            break;
        }
    }
    h
}

/// The value that a χ² variable of `dof` degrees of freedom stays below with probability `p`;
/// NaN for `p` outside 0..1 or `dof` not positive. By bisection, to 12 digits.
///
/// ```
/// let q = surface_core::numeric::chi_square_quantile(0.95, 1.0);
/// assert!((q - 3.841_458_820_694_124).abs() < 1e-9);
/// ```
#[must_use]
pub fn chi_square_quantile(p: f64, dof: f64) -> f64 {
    if !(p > 0.0 && p < 1.0 && dof > 0.0) {
        return f64::NAN;
    }
    let below = |x: f64| gamma_p(0.5 * dof, 0.5 * x) < p;
    let (mut low, mut high) = (0.0, dof + 10.0);
    while below(high) && high < 1e12 {
        (low, high) = (high, 2.0 * high);
    }
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if below(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_degrees_of_freedom_are_exponential() {
        for p in [0.025f64, 0.5, 0.975] {
            let exact = -2.0 * (1.0 - p).ln();
            assert!((chi_square_quantile(p, 2.0) - exact).abs() < 1e-11 * exact);
        }
        assert!(chi_square_quantile(1.0, 2.0).is_nan());
    }
}
