//! A grid of square cells over the cloud, with order-independent sums: where is what kind of ground?

use std::collections::BTreeMap;

use crate::numeric::floor_i32;

/// Cells along one side of a block.
const BLOCK: i32 = 32;
/// Heights are summed as multiples of this, so that sums do not depend on order.
const Z_UNIT_M: f64 = 1e-4;

/// What fell into one cell. All sums are integers: any order of adding gives the same cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cell {
    /// Points in the cell.
    pub n: u32,
    /// Lowest height, in 0.1 mm above the grid's height datum.
    pub z_min: i32,
    /// Highest height, in 0.1 mm.
    pub z_max: i32,
    sum_z: i64,
    sum_zz: i128,
    sum_i: u64,
    sum_ii: u64,
}

impl Default for Cell {
    fn default() -> Self {
        Self {
            n: 0,
            z_min: i32::MAX,
            z_max: i32::MIN,
            sum_z: 0,
            sum_zz: 0,
            sum_i: 0,
            sum_ii: 0,
        }
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "sums stay far below 2^53 of their unit per cell"
)]
impl Cell {
    fn add(&mut self, z: i32, intensity: u16) {
        self.n += 1;
        self.z_min = self.z_min.min(z);
        self.z_max = self.z_max.max(z);
        self.sum_z += i64::from(z);
        self.sum_zz += i128::from(z) * i128::from(z);
        self.sum_i += u64::from(intensity);
        self.sum_ii += u64::from(intensity) * u64::from(intensity);
    }

    /// Mean height above the grid's height datum, metres. NaN when empty.
    #[must_use]
    pub fn z_mean_m(&self) -> f64 {
        Z_UNIT_M * self.sum_z as f64 / f64::from(self.n)
    }

    /// Lowest height above the grid's height datum, metres.
    #[must_use]
    pub fn z_min_m(&self) -> f64 {
        Z_UNIT_M * f64::from(self.z_min)
    }

    /// Standard deviation (divisor n) of the heights, metres. NaN when empty.
    #[must_use]
    pub fn z_sd_m(&self) -> f64 {
        let n = i128::from(self.n);
        let scatter = n * self.sum_zz - i128::from(self.sum_z) * i128::from(self.sum_z);
        Z_UNIT_M * (scatter as f64).sqrt() / f64::from(self.n)
    }

    /// Mean intensity, 0..=65535. NaN when empty.
    #[must_use]
    pub fn intensity_mean(&self) -> f64 {
        self.sum_i as f64 / f64::from(self.n)
    }

    /// Standard deviation (divisor n) of the intensity. NaN when empty.
    #[must_use]
    pub fn intensity_sd(&self) -> f64 {
        let mean = self.intensity_mean();
        (self.sum_ii as f64 / f64::from(self.n) - mean * mean)
            .max(0.0)
            .sqrt()
    }
}

/// Square cells of `cell_m` over the cloud; cell (i, j) covers
/// `[i, i+1) × [j, j+1)` cells east and north of the grid's origin.
///
/// Stored in blocks of 32 × 32 cells, so that a long thin course costs no empty area.
#[derive(Debug, Clone)]
pub struct CellGrid {
    cell_m: f64,
    blocks: BTreeMap<(i32, i32), Vec<Cell>>,
    points: u64,
}

impl CellGrid {
    /// An empty grid of cells `cell_m` metres wide (must be positive and finite).
    ///
    /// # Panics
    /// Never for a positive finite width; that is the caller's contract.
    #[must_use]
    pub fn new(cell_m: f64) -> Self {
        debug_assert!(cell_m.is_finite() && cell_m > 0.0, "cell width {cell_m}");
        Self {
            cell_m,
            blocks: BTreeMap::new(),
            points: 0,
        }
    }

    /// Width of a cell, metres.
    #[must_use]
    pub fn cell_m(&self) -> f64 {
        self.cell_m
    }

    /// Points added so far.
    #[must_use]
    pub fn points(&self) -> u64 {
        self.points
    }

    /// Add points given as metres relative to the cloud's origin (x, y, z columns of equal length).
    pub fn add(&mut self, x: &[f64], y: &[f64], z: &[f64], intensity: &[u16]) {
        let inv = 1.0 / self.cell_m;
        let mut key = (i32::MIN, i32::MIN);
        let mut block: Option<&mut Vec<Cell>> = None;
        for k in 0..x.len() {
            let (i, j) = (floor_i32(x[k] * inv), floor_i32(y[k] * inv));
            let here = (i.div_euclid(BLOCK), j.div_euclid(BLOCK));
            if here != key || block.is_none() {
                key = here;
                block = Some(self.blocks.entry(here).or_insert_with(empty_block));
            }
            if let Some(cells) = block.as_deref_mut() {
                cells[cell_in_block(i, j)]
                    .add(crate::numeric::round_i32(z[k] / Z_UNIT_M), intensity[k]);
            }
        }
        self.points += x.len() as u64;
    }

    /// Blocks of 32 × 32 cells held: what the grid costs in memory (64 kB each).
    #[must_use]
    pub fn blocks(&self) -> usize {
        self.blocks.len()
    }

    /// The block that a place (metres relative to the cloud's origin) falls into.
    #[must_use]
    #[inline]
    pub fn block_at(&self, x: f64, y: f64) -> (i32, i32) {
        let index = |v: f64| floor_i32(v / self.cell_m).div_euclid(BLOCK);
        (index(x), index(y))
    }

    /// Forget the blocks that `keep` does not want. [`CellGrid::points`] still counts theirs.
    pub fn retain_blocks(&mut self, mut keep: impl FnMut((i32, i32)) -> bool) {
        self.blocks.retain(|&key, _| keep(key));
    }

    /// The cell (i, j), or `None` where nothing fell.
    #[must_use]
    pub fn get(&self, i: i32, j: i32) -> Option<&Cell> {
        let block = self
            .blocks
            .get(&(i.div_euclid(BLOCK), j.div_euclid(BLOCK)))?;
        let cell = &block[cell_in_block(i, j)];
        (cell.n > 0).then_some(cell)
    }

    /// All cells with points, with their indices, in a fixed order.
    pub fn iter(&self) -> impl Iterator<Item = ((i32, i32), &Cell)> {
        self.blocks.iter().flat_map(|(&(bi, bj), cells)| {
            cells
                .iter()
                .zip(0i32..)
                .filter(|(c, _)| c.n > 0)
                .map(move |(c, k)| {
                    (
                        (
                            bi * BLOCK + k.rem_euclid(BLOCK),
                            bj * BLOCK + k.div_euclid(BLOCK),
                        ),
                        c,
                    )
                })
        })
    }
}

fn empty_block() -> Vec<Cell> {
    vec![Cell::default(); (BLOCK * BLOCK) as usize]
}

fn cell_in_block(i: i32, j: i32) -> usize {
    (j.rem_euclid(BLOCK) * BLOCK + i.rem_euclid(BLOCK)) as usize
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "exact small cases")]
mod tests {
    use super::*;

    #[test]
    fn a_cell_reports_mean_spread_and_extremes_of_what_fell_in() {
        let mut grid = CellGrid::new(0.5);
        grid.add(
            &[0.1, 0.2, -0.1],
            &[0.1, 0.4, 0.1],
            &[1.0, 3.0, 9.0],
            &[10, 30, 7],
        );
        let cell = grid.get(0, 0).unwrap();
        assert_eq!((cell.n, cell.z_mean_m(), cell.z_sd_m()), (2, 2.0, 1.0));
        assert_eq!((cell.intensity_mean(), cell.intensity_sd()), (20.0, 10.0));
        assert_eq!(grid.get(-1, 0).unwrap().z_min_m(), 9.0);
        assert!(grid.get(5, 5).is_none());
        let keys: Vec<_> = grid.iter().map(|(k, _)| k).collect();
        assert_eq!(keys, [(-1, 0), (0, 0)]);
    }

    #[test]
    fn the_order_of_adding_does_not_change_a_bit() {
        let z: Vec<f64> = (0..1000).map(|k| f64::from(k % 37) * 0.00137).collect();
        let i: Vec<u16> = (0..1000u16).collect();
        let zero = vec![0.1; 1000];
        let mut forward = CellGrid::new(1.0);
        forward.add(&zero, &zero, &z, &i);
        let mut backward = CellGrid::new(1.0);
        let (zr, ir): (Vec<_>, Vec<_>) = z.iter().copied().zip(i).rev().unzip();
        backward.add(&zero, &zero, &zr, &ir);
        assert_eq!(forward.get(0, 0), backward.get(0, 0));
    }
}
