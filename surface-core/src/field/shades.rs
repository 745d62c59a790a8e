//! How bright each setup saw squares of the road.

use super::block_noise::BlockPlanes;
use super::cells::{STANDING_M, Sorted};
use super::lattice::Lattice;
use crate::zones::CellShade;

/// Sums over one setup's points in a square.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    points: f64,
    intensity: f64,
    s: f64,
    t: f64,
}

/// What each setup saw of the squares of `side` by `side` cells of a run, in order of squares (row by
/// row) and setups. Points that stand on the road do not count, nor those without intensity.
pub(super) fn shades(
    sorted: &Sorted,
    blocks: &BlockPlanes,
    lattice: &Lattice,
    side: usize,
) -> Vec<CellShade> {
    let (mut out, mut sums) = (Vec::new(), vec![Sum::default(); sorted.setups.len()]);
    if sorted.intensity.iter().all(|i| *i == 0) {
        return out;
    }
    let wide = sorted.columns.div_ceil(side);
    for square in 0..sorted.rows.div_ceil(side) * wide {
        let first = [square / wide * side, square % wide * side];
        add_square(sorted, blocks, first, side, &mut sums);
        let middle = [lattice.s_step_m, lattice.t_step_m];
        let half = 0.5 * (count(side) - 1.0);
        let middle = [0, 1].map(|d| (count(first[d]) + half) * middle[d]);
        for (dense, sum) in sums.iter_mut().enumerate().filter(|(_, s)| s.points > 0.0) {
            let sum = std::mem::take(sum);
            out.push(CellShade {
                cell: square,
                setup: sorted.setups.numbers[dense],
                points: sum.points,
                log_intensity: (sum.intensity / sum.points).ln(),
                off_m: [
                    sum.s / sum.points - middle[0],
                    sum.t / sum.points - middle[1],
                ],
            });
        }
    }
    out
}

fn add_square(
    sorted: &Sorted,
    blocks: &BlockPlanes,
    [row, column]: [usize; 2],
    side: usize,
    sums: &mut [Sum],
) {
    for row in row..(row + side).min(sorted.rows) {
        for column in column..(column + side).min(sorted.columns) {
            let cell = row * sorted.columns + column;
            let Some(block) = blocks.of_cell(cell) else {
                continue;
            };
            for k in sorted.start[cell]..sorted.start[cell + 1] {
                let (s, t) = (sorted.s[k], sorted.t[k]);
                let standing = (sorted.z[k] - block.at(s, t)).abs() >= STANDING_M;
                if sorted.intensity[k] == 0 || standing {
                    continue;
                }
                let sum = &mut sums[usize::from(sorted.setup[k])];
                sum.points += 1.0;
                sum.intensity += f64::from(sorted.intensity[k]);
                sum.s += s;
                sum.t += t;
            }
        }
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "rows and columns are far below 2^53"
)]
fn count(n: usize) -> f64 {
    n as f64
}
