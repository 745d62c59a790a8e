//! Sums over columns, two numbers at a time and always in the same order: the same bits on every
//! processor.

use wide::f64x2;

/// Σ `each` over columns of one length. With an odd number of rows the last comes with a row of
/// zeros, for which `each` must give zeros.
#[inline(always)]
pub(crate) fn column_sums<const C: usize, const N: usize>(
    columns: [&[f64]; C],
    each: impl Fn([f64x2; C]) -> [f64x2; N],
) -> [f64; N] {
    let rows = columns.iter().map(|c| c.len()).min().unwrap_or(0);
    let mut sums = [f64x2::ZERO; N];
    let mut row = [f64x2::ZERO; C];
    // Loops, as closures over arrays are not always taken into the caller.
    let mut add = |row: [f64x2; C]| {
        let terms = each(row);
        for k in 0..N {
            sums[k] += terms[k];
        }
    };
    for pair in 0..rows / 2 {
        for (x, column) in row.iter_mut().zip(&columns) {
            *x = f64x2::new([column[2 * pair], column[2 * pair + 1]]);
        }
        add(row);
    }
    if rows % 2 == 1 {
        for (x, column) in row.iter_mut().zip(&columns) {
            *x = f64x2::new([column[rows - 1], 0.0]);
        }
        add(row);
    }
    sums.map(|sum| sum.to_array().iter().sum())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odd_and_even_rows_and_none_are_summed() {
        let x: Vec<f64> = (1..8).map(f64::from).collect();
        for (rows, squares, cubes) in [
            (0, 0.0, 0.0),
            (1, 1.0, 1.0),
            (6, 91.0, 441.0),
            (7, 140.0, 784.0),
        ] {
            let found = column_sums([&x[..rows], &x], |[a, b]| [a * b, a * a * b]);
            assert!(
                (found[0] - squares).abs() + (found[1] - cubes).abs() < 1e-12,
                "{found:?}"
            );
        }
    }
}
