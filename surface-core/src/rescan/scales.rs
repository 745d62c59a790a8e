//! Means over squares of the grid.

use super::grid::Grid;
use crate::numeric::{floor_i32, to_f32};

/// Weighted means of values over squares of about `width_m` around every node: nodes without a
/// value or weight do not count; NaN where the node itself has none.
pub(super) fn means(grid: &Grid, values: &[f32], weights: &[f32], width_m: f64) -> Vec<f32> {
    let [hs, ht] = grid.steps_m();
    let reach = |step: f64| floor_i32(0.5 * width_m / step + 1e-6).max(0);
    let (along, across) = (reach(hs), reach(ht));
    if along == 0 && across == 0 {
        return values.to_vec();
    }
    let rows: Vec<[Vec<f64>; 2]> = (0..grid.rows())
        .map(|row| sums_across(grid, values, weights, row, across))
        .collect();
    let columns = grid.columns();
    let mut out = Vec::with_capacity(grid.nodes());
    for row in 0..grid.rows() {
        let near: Vec<usize> = near_rows(grid, row, along);
        out.extend((0..columns).map(|column| {
            let own = row * columns + column;
            let sum = |k: usize| near.iter().map(|&r| rows[r][k][column]).sum::<f64>();
            let known = values[own].is_finite() && weights[own] > 0.0;
            if known {
                to_f32(sum(1) / sum(0))
            } else {
                f32::NAN
            }
        }));
    }
    out
}

/// Rows within `reach` of a row, in order.
fn near_rows(grid: &Grid, row: usize, reach: i32) -> Vec<usize> {
    let mut out = vec![row];
    let mut at = row;
    for _ in 0..reach {
        let Some(before) = grid.previous(at) else {
            break;
        };
        out.insert(0, before);
        at = before;
    }
    at = row;
    for _ in 0..reach {
        let Some(after) = grid.next(at) else { break };
        out.push(after);
        at = after;
    }
    out.dedup();
    out
}

/// Σ w and Σ w·v of a row over `reach` columns to either side.
fn sums_across(grid: &Grid, v: &[f32], w: &[f32], row: usize, reach: i32) -> [Vec<f64>; 2] {
    let columns = grid.columns();
    let reach = usize::try_from(reach).unwrap_or(0);
    let mut prefix = [vec![0.0; columns + 1], vec![0.0; columns + 1]];
    for column in 0..columns {
        let k = row * columns + column;
        let known = v[k].is_finite() && w[k] > 0.0;
        let own = if known { f64::from(w[k]) } else { 0.0 };
        let value = if known { f64::from(v[k]) } else { 0.0 };
        prefix[0][column + 1] = prefix[0][column] + own;
        prefix[1][column + 1] = prefix[1][column] + own * value;
    }
    prefix.map(|sum| {
        let window = |c: usize| {
            let (from, to) = (c.saturating_sub(reach), (c + reach + 1).min(columns));
            sum[to] - sum[from]
        };
        (0..columns).map(window).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::Lattice;

    #[test]
    fn means_are_those_of_a_plain_loop() {
        let lattice = Lattice::new([0.1, 0.1], 40, -6..7, true).unwrap();
        let grid = Grid::new(lattice, &[0..12, 30..40]);
        let value = |k: usize| {
            if k % 7 == 3 {
                f32::NAN
            } else {
                to_f32((k as f64).sin())
            }
        };
        let values: Vec<f32> = (0..grid.nodes()).map(value).collect();
        let weights: Vec<f32> = (0..grid.nodes())
            .map(|k| to_f32(1.0 + (k % 5) as f64))
            .collect();
        let found = means(&grid, &values, &weights, 0.5);
        for k in 0..grid.nodes() {
            let (row, column) = (k / 13, k % 13);
            let (mut sum, mut total) = (0.0, 0.0);
            for by in -2..=2 {
                let Some(r) = grid.row_from(row, by) else {
                    continue;
                };
                for c in column.saturating_sub(2)..(column + 3).min(13) {
                    let n = r * 13 + c;
                    if values[n].is_finite() {
                        sum += f64::from(weights[n]) * f64::from(values[n]);
                        total += f64::from(weights[n]);
                    }
                }
            }
            if values[k].is_nan() {
                assert!(found[k].is_nan());
            } else {
                assert!((f64::from(found[k]) - sum / total).abs() < 1e-6, "{k}");
            }
        }
    }
}
