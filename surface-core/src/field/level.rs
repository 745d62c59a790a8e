//! How rough the road is: the level A of its spectrum S(k) = A·k⁻³, from the cells themselves.

use super::cells::CellSums;
use super::lattice::Lattice;
use crate::numeric::{MEDIAN_CHI2, median, to_index};

/// Second differences are taken over this length, metres: long enough that the road moves more
/// than the noise of a cell, short enough that grade and crowns do not matter.
const LAG_M: f64 = 0.4;
/// E[(z₋ − 2z₀ + z₊)²] = 2·8π²·A·lag for S(k) = A·k⁻³ (from the structure function 8π²·A·d).
const SECOND_DIFFERENCE: f64 = 157.914;
/// Fewest second differences that tell a level.
const FEWEST: usize = 200;

/// The level A of one run of rows, metres; `None` where too few cells tell.
///
/// The median of squared second differences along s, less the median of the cells' own noise:
/// steps and kerbs are the minority and do not count.
#[must_use]
pub fn road_level_m(sums: &CellSums, lattice: &Lattice) -> Option<f64> {
    let lag = to_index((LAG_M / lattice.s_step_m).round()).max(1);
    let mut squares = Vec::new();
    let mut noises = Vec::new();
    for row in lag..sums.rows.saturating_sub(lag) {
        for column in 0..sums.columns {
            let k = row * sums.columns + column;
            let cells = [k - lag * sums.columns, k, k + lag * sums.columns];
            let Some(slope) = slope_across(sums, lattice, row, column) else {
                continue;
            };
            if let Some((d2, noise)) = second_difference(sums, lattice, cells, slope) {
                squares.push(d2);
                noises.push(noise);
            }
        }
    }
    if squares.len() < FEWEST {
        return None;
    }
    let signal = median(&mut squares)? / MEDIAN_CHI2 - median(&mut noises)?;
    Some(signal / (SECOND_DIFFERENCE * lag_length(lag, lattice)))
}

#[expect(clippy::cast_precision_loss, reason = "a small number of rows")]
fn lag_length(lag: usize, lattice: &Lattice) -> f64 {
    lag as f64 * lattice.s_step_m
}

/// Square of the second difference along s and the variance that the cells' noise gives it.
///
/// The points of a cell do not lie about its node evenly: on a road that falls to one side by 2 %
/// a middle 15 mm off is 0.3 mm of height, as much as the road's own waves. Heights are taken
/// where the points are along s, and moved to the node by the slope across.
fn second_difference(
    sums: &CellSums,
    lattice: &Lattice,
    cells: [usize; 3],
    slope_t: f64,
) -> Option<(f64, f64)> {
    if cells.iter().any(|&k| sums.n[k] < 3) {
        return None;
    }
    let lag_m = lag_length((cells[1] - cells[0]) / sums.columns, lattice);
    let at = |i: usize, k: usize| {
        let over = sums.w[k].recip();
        let s = [-lag_m, 0.0, lag_m][i] + sums.ws[k] * over;
        (s, sums.wz[k] * over - slope_t * sums.wt[k] * over)
    };
    let [(sa, a), (sb, b), (sc, c)] = [0, 1, 2].map(|i| at(i, cells[i]));
    let share = (sb - sa) / (sc - sa);
    let between = b - a - share * (c - a);
    let [na, nb, nc] = cells.map(|k| sums.w[k].recip());
    Some((4.0 * between * between, na + 4.0 * nb + nc))
}

/// The slope across is taken over this on either side, metres.
const SLOPE_REACH_M: f64 = 0.4;

/// Slope across the road at a cell; `None` near the edges or where points are few.
fn slope_across(sums: &CellSums, lattice: &Lattice, row: usize, column: usize) -> Option<f64> {
    let reach = to_index((SLOPE_REACH_M / lattice.t_step_m).round()).max(1);
    let (right, left) = (column.checked_sub(reach)?, column + reach);
    let at = |c: usize| {
        let k = row * sums.columns + c;
        let over = (c < sums.columns && sums.n[k] >= 3).then(|| sums.w[k].recip())?;
        Some((sums.wt[k] * over, sums.wz[k] * over))
    };
    let ((tr, zr), (tl, zl)) = (at(right)?, at(left)?);
    let apart = lag_length(2 * reach, lattice) / lattice.s_step_m * lattice.t_step_m;
    Some((zl - zr) / (apart + tl - tr))
}

/// Smoothest and roughest road that is believed, metres: a quarter of a millimetre rms over
/// 10 m, and a broken track.
const BELIEVED_M: std::ops::RangeInclusive<f64> = 1e-10..=1e-6;

/// Level of a good circuit, metres.
const USUAL_M: f64 = 1e-8;

/// The course's level from its runs': their median, kept within what is believed; the level of a
/// good circuit (1e-8 m) where none could tell.
#[must_use]
pub fn course_level_m(levels: &[Option<f64>]) -> f64 {
    let mut found: Vec<f64> = levels.iter().copied().flatten().collect();
    let level_m = median(&mut found).unwrap_or(USUAL_M);
    level_m.clamp(*BELIEVED_M.start(), *BELIEVED_M.end())
}
