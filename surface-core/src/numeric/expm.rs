//! The matrix exponential of small matrices.

type Square<const N: usize> = [[f64; N]; N];

/// Norm below which the series is summed; smaller arguments come from halving.
const SERIES_NORM: f64 = 0.25;
/// Terms of the series: 0.25¹⁶/16! is below 1e-23.
const TERMS: u32 = 16;

fn product<const N: usize>(a: &Square<N>, b: &Square<N>) -> Square<N> {
    let mut out = [[0.0; N]; N];
    for (row, a) in out.iter_mut().zip(a) {
        for (j, out) in row.iter_mut().enumerate() {
            *out = a.iter().zip(b).map(|(a, b)| a * b[j]).sum();
        }
    }
    out
}

/// e^A by scaling and squaring of the Taylor series (Moler and Van Loan, SIAM Review 45, 2003,
/// method 3). For stable matrices with entries of very different sizes about ten digits are good.
#[must_use]
pub fn matrix_exponential<const N: usize>(a: &Square<N>) -> Square<N> {
    let row_sum = |row: &[f64; N]| row.iter().map(|v| v.abs()).sum::<f64>();
    let norm = a.iter().map(row_sum).fold(0.0, f64::max);
    let mut halvings = 0;
    while norm / f64::powi(2.0, halvings) > SERIES_NORM && halvings < 60 {
        halvings += 1;
    }
    let small = a.map(|row| row.map(|v| v / f64::powi(2.0, halvings)));
    let mut out = series(&small);
    for _ in 0..halvings {
        out = product(&out, &out);
    }
    out
}

/// 1 + A(1 + A/2(1 + A/3(…))), from the inside.
fn series<const N: usize>(a: &Square<N>) -> Square<N> {
    let mut out = identity();
    for term in (1..=TERMS).rev() {
        out = product(&a.map(|row| row.map(|v| v / f64::from(term))), &out);
        for (k, row) in out.iter_mut().enumerate() {
            row[k] += 1.0;
        }
    }
    out
}

fn identity<const N: usize>() -> Square<N> {
    let mut out = [[0.0; N]; N];
    for (k, row) in out.iter_mut().enumerate() {
        row[k] = 1.0;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_comes_out_as_sine_and_cosine() {
        let e = matrix_exponential(&[[0.0, -30.0], [30.0, 0.0]]);
        assert!((e[0][0] - 30f64.cos()).abs() < 1e-12 && (e[1][0] - 30f64.sin()).abs() < 1e-12);
    }

    #[test]
    fn a_nilpotent_matrix_ends_its_series() {
        let e = matrix_exponential(&[[0.0, 2.0, 0.0], [0.0, 0.0, 3.0], [0.0; 3]]);
        assert!((e[0][2] - 3.0).abs() < 1e-12 && (e[0][1] - 2.0).abs() < 1e-12);
    }
}
