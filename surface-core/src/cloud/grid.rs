//! A grid of square cells over the cloud, with order-independent sums: where is what kind of ground?

use std::collections::BTreeMap;

use crate::numeric::floor_i32;

/// Cells along one side of a block.
const BLOCK: i32 = 32;
/// Heights are summed as multiples of this, so that sums do not depend on order.
const Z_UNIT_M: f64 = 1e-4;

/// What fell into one cell. All sums are integers: any order of adding gives the same cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
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

    /// What fell into both cells.
    fn with(&self, other: &Self) -> Self {
        Self {
            n: self.n + other.n,
            z_min: self.z_min.min(other.z_min),
            z_max: self.z_max.max(other.z_max),
            sum_z: self.sum_z + other.sum_z,
            sum_zz: self.sum_zz + other.sum_zz,
            sum_i: self.sum_i + other.sum_i,
            sum_ii: self.sum_ii + other.sum_ii,
        }
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

/// Cells that a block keeps one by one; with more it is a full table of 64 kB.
const FEW: usize = 16;

/// The cells of a block.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
enum Block {
    /// Those with points, by place in the block, in order.
    Few(Vec<(usize, Cell)>),
    /// All of them.
    Full(Vec<Cell>),
}

impl Block {
    fn get(&self, k: usize) -> Option<&Cell> {
        match self {
            Self::Few(cells) => {
                let at = cells.binary_search_by_key(&k, |c| c.0).ok()?;
                Some(&cells[at].1)
            }
            Self::Full(cells) => cells.get(k).filter(|c| c.n > 0),
        }
    }

    fn is_full(&self) -> bool {
        matches!(self, Self::Full(_))
    }

    /// The cell at a place of the block, made where there is none.
    fn cell(&mut self, k: usize) -> &mut Cell {
        if let Self::Few(cells) = self
            && cells.len() == FEW
            && cells.binary_search_by_key(&k, |c| c.0).is_err()
        {
            let mut all = vec![Cell::default(); (BLOCK * BLOCK) as usize];
            for &(k, cell) in cells.iter() {
                all[k] = cell;
            }
            *self = Self::Full(all);
        }
        match self {
            Self::Full(cells) => &mut cells[k],
            Self::Few(cells) => {
                let at = cells
                    .binary_search_by_key(&k, |c| c.0)
                    .unwrap_or_else(|at| {
                        cells.insert(at, (k, Cell::default()));
                        at
                    });
                &mut cells[at].1
            }
        }
    }

    /// The cells with points, by place in the block.
    fn iter(&self) -> impl Iterator<Item = (usize, &Cell)> {
        let (few, full) = match self {
            Self::Few(cells) => (cells.as_slice(), [].as_slice()),
            Self::Full(cells) => ([].as_slice(), cells.as_slice()),
        };
        let full = full.iter().enumerate().filter(|(_, c)| c.n > 0);
        few.iter().map(|(k, c)| (*k, c)).chain(full)
    }
}

/// Square cells of `cell_m` over the cloud; cell (i, j) covers
/// `[i, i+1) × [j, j+1)` cells east and north of the grid's origin.
///
/// Stored in blocks of 32 × 32 cells, so that a long thin course costs no empty area; of blocks with
/// a few cells only those, so that single far returns cost hundreds of bytes each.
#[derive(Debug, Clone, Default, serde::Serialize, serde::Deserialize)]
pub struct CellGrid {
    cell_m: f64,
    blocks: BTreeMap<(i32, i32), Block>,
    points: u64,
    /// Full blocks that may be held.
    most_full: usize,
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
            most_full: usize::MAX,
        }
    }

    /// The grid with cells twice as wide whenever more than `blocks` blocks (64 kB each) would be
    /// held in full, as often as it takes: the same grid in whatever order points are added.
    #[must_use]
    pub fn bounded(mut self, blocks: usize) -> Self {
        self.most_full = blocks.max(1);
        self
    }

    /// Put four cells together in each.
    fn widen(&mut self) {
        let mut wider = Self {
            cell_m: 2.0 * self.cell_m,
            blocks: BTreeMap::new(),
            ..*self
        };
        for ((i, j), cell) in self.iter() {
            let (i, j) = (i.div_euclid(2), j.div_euclid(2));
            let both = wider.block_mut(i, j).cell(cell_in_block(i, j));
            *both = both.with(cell);
        }
        *self = wider;
    }

    fn block_mut(&mut self, i: i32, j: i32) -> &mut Block {
        let key = (i.div_euclid(BLOCK), j.div_euclid(BLOCK));
        let none = || Block::Few(Vec::new());
        self.blocks.entry(key).or_insert_with(none)
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
        let mut block: Option<&mut Block> = None;
        for k in 0..x.len() {
            let (i, j) = (floor_i32(x[k] * inv), floor_i32(y[k] * inv));
            let here = (i.div_euclid(BLOCK), j.div_euclid(BLOCK));
            if here != key || block.is_none() {
                key = here;
                block = Some(self.block_mut(i, j));
            }
            if let Some(block) = block.as_deref_mut() {
                let z = crate::numeric::round_i32(z[k] / Z_UNIT_M);
                block.cell(cell_in_block(i, j)).add(z, intensity[k]);
            }
        }
        self.points += x.len() as u64;
        let most = self
            .most_full
            .saturating_mul((BLOCK * BLOCK) as usize * size_of::<Cell>());
        while self.blocks.len() > self.most_full && self.bytes() > most {
            self.widen();
        }
    }

    /// Blocks of 32 × 32 cells held: what the grid costs in memory (64 kB each at most).
    #[must_use]
    pub fn blocks(&self) -> usize {
        self.blocks.len()
    }

    /// What the full blocks hold, bytes; those of a few cells are a small part of it.
    #[must_use]
    pub fn bytes(&self) -> usize {
        let full = self.blocks.values().filter(|b| b.is_full()).count();
        full * (BLOCK * BLOCK) as usize * size_of::<Cell>()
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
        block.get(cell_in_block(i, j))
    }

    /// All cells with points, with their indices, in a fixed order.
    pub fn iter(&self) -> impl Iterator<Item = ((i32, i32), &Cell)> {
        self.blocks.iter().flat_map(|(&(bi, bj), block)| {
            block.iter().map(move |(k, cell)| {
                let k = i32::try_from(k).unwrap_or(0);
                let (i, j) = (k.rem_euclid(BLOCK), k.div_euclid(BLOCK));
                ((bi * BLOCK + i, bj * BLOCK + j), cell)
            })
        })
    }
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
    fn blocks_with_few_cells_keep_only_those_and_tell_the_same() {
        let mut grid = CellGrid::new(0.25);
        // Single far returns, and one block that fills up cell by cell, from its end.
        let far = |k: i32| f64::from(k) * 37.0;
        for k in 0..1000 {
            grid.add(&[far(k)], &[-far(k)], &[1.0], &[7]);
        }
        let single = |b: &Block| matches!(b, Block::Few(cells) if cells.capacity() < FEW);
        assert!(grid.blocks.values().all(single) && grid.blocks() == 1000);
        let full: Vec<i32> = (0..1024).rev().collect();
        for (n, k) in full.iter().enumerate() {
            let at = |v: i32| 0.25 * (f64::from(v) + 0.5);
            let (i, j) = (k % 32 - 320, k / 32 - 320);
            grid.add(&[at(i)], &[at(j)], &[2.0], &[9]);
            let here = grid.iter().filter(|((i, _), _)| *i < 0);
            assert_eq!(here.count(), n + 1);
            assert_eq!(grid.get(i, j).map(|c| c.n), Some(1));
        }
        let keys: Vec<_> = grid.iter().map(|(k, _)| k).filter(|k| k.0 < 0).collect();
        assert_eq!(
            (keys[0], keys[1], keys[32]),
            ((-320, -320), (-319, -320), (-320, -319))
        );
        assert!(grid.get(-320, -288).is_none());
    }

    #[test]
    fn a_bounded_grid_has_wider_cells_on_more_ground_in_any_order() {
        // 64 × 64 m in points 0.25 m apart, blocks of 8 × 8 m: 64 of them.
        let at = |k: i32| 0.25 * (f64::from(k) + 0.5) - 32.0;
        let mut points: Vec<[f64; 2]> = (0..65_536).map(|k| [at(k % 256), at(k / 256)]).collect();
        let made = |points: &[[f64; 2]], most: usize| {
            let mut grid = CellGrid::new(0.25).bounded(most);
            for part in points.chunks(1000) {
                let (x, y): (Vec<f64>, Vec<f64>) = part.iter().map(|p| (p[0], p[1])).unzip();
                let z: Vec<f64> = part.iter().map(|p| 0.1 * p[0] * p[1]).collect();
                grid.add(&x, &y, &z, &vec![5; part.len()]);
            }
            grid
        };
        assert_eq!(made(&points, 64).cell_m(), 0.25);
        let few = made(&points, 20);
        assert_eq!(
            (few.cell_m(), few.blocks(), few.points()),
            (0.5, 16, 65_536)
        );
        let mut plain = CellGrid::new(0.5);
        for [x, y] in &points {
            plain.add(&[*x], &[*y], &[0.1 * x * y], &[5]);
        }
        assert!(few.iter().eq(plain.iter()));
        points.reverse();
        assert!(made(&points, 20).iter().eq(few.iter()));
        assert_eq!(made(&points, 5).cell_m(), 1.0);
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
