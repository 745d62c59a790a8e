//! A small fast Fourier transform, for making roughness tiles and testing bounds.

use rayon::prelude::*;

/// A complex number as (real, imaginary).
pub type Complex = (f64, f64);

/// Transforms in place: X(k) = Σ x(j) e^(sign·2πi·jk/n), without normalisation.
///
/// Radix 2, decimation in time (Cooley and Tukey 1965). The length must be a power of two;
/// `sign` is −1 for the forward and +1 for the inverse transform.
pub fn transform(data: &mut [Complex], twiddles: &[Complex]) {
    let n = data.len();
    debug_assert!(n.is_power_of_two() && twiddles.len() == n / 2);
    reorder(data);
    let mut half = 1;
    while half < n {
        let stride = n / (2 * half);
        for block in data.chunks_exact_mut(2 * half) {
            let (low, high) = block.split_at_mut(half);
            for (k, (a, b)) in low.iter_mut().zip(high).enumerate() {
                let w = twiddles[k * stride];
                let t = (b.0 * w.0 - b.1 * w.1, b.0 * w.1 + b.1 * w.0);
                *b = (a.0 - t.0, a.1 - t.1);
                *a = (a.0 + t.0, a.1 + t.1);
            }
        }
        half *= 2;
    }
}

/// The factors e^(sign·2πi·k/n), k < n/2, for [`transform`].
#[must_use]
pub fn twiddles(n: usize, sign: f64) -> Vec<Complex> {
    let angle = |k: usize| sign * std::f64::consts::TAU * k as f64 / n as f64;
    (0..n / 2)
        .map(|k| (angle(k).cos(), angle(k).sin()))
        .collect()
}

/// Transforms a square field of `n` × `n` values in place, along rows and then columns.
pub fn transform_square(data: &mut [Complex], n: usize, sign: f64) {
    let factors = twiddles(n, sign);
    for _ in 0..2 {
        data.par_chunks_exact_mut(n)
            .for_each(|row| transform(row, &factors));
        transpose(data, n);
    }
}

fn reorder(data: &mut [Complex]) {
    let shift = usize::BITS - data.len().trailing_zeros();
    for i in 1..data.len() {
        let j = i.reverse_bits() >> shift;
        if i < j {
            data.swap(i, j);
        }
    }
}

fn transpose(data: &mut [Complex], n: usize) {
    const BLOCK: usize = 32;
    for (i0, j0) in (0..n)
        .step_by(BLOCK)
        .flat_map(|i| (i..n).step_by(BLOCK).map(move |j| (i, j)))
    {
        for i in i0..(i0 + BLOCK).min(n) {
            for j in j0.max(i + 1)..(j0 + BLOCK).min(n) {
                data.swap(i * n + j, j * n + i);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_transform_agrees_with_the_sum_that_defines_it() {
        let input: Vec<Complex> = (0..8)
            .map(|j| (f64::from(j * j % 5), f64::from(j % 3)))
            .collect();
        let mut output = input.clone();
        transform(&mut output, &twiddles(8, -1.0));
        for (k, got) in output.iter().enumerate() {
            let mut sum = (0.0, 0.0);
            for (j, v) in input.iter().enumerate() {
                let (s, c) = (-std::f64::consts::TAU * (j * k) as f64 / 8.0).sin_cos();
                sum = (sum.0 + v.0 * c - v.1 * s, sum.1 + v.0 * s + v.1 * c);
            }
            assert!((got.0 - sum.0).abs() < 1e-12 && (got.1 - sum.1).abs() < 1e-12);
        }
    }

    #[test]
    fn forward_then_inverse_in_two_dimensions_gives_the_input_times_n_squared() {
        let n = 64;
        let input: Vec<Complex> = (0..n * n)
            .map(|i| ((i * 7 % 11) as f64, (i % 4) as f64))
            .collect();
        let mut field = input.clone();
        transform_square(&mut field, n, -1.0);
        transform_square(&mut field, n, 1.0);
        let scale = (n * n) as f64;
        for (a, b) in field.iter().zip(&input) {
            assert!((a.0 / scale - b.0).abs() < 1e-11 && (a.1 / scale - b.1).abs() < 1e-11);
        }
    }
}
