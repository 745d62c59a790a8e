//! How the cells of a run are grouped into blocks: squares of road as wide at any spacing.

use super::lattice::{Lattice, SECTION_ROWS};

/// Side that a block should have, metres: wide enough for a plane under the noise, and narrow
/// enough that a road is one (chosen at 0.1 m spacing, where it is four cells).
const SIDE_M: f64 = 0.4;
/// Cells along a side at least: fewer than four by four hold no plane and its scatter.
const FEWEST_CELLS: usize = 4;
/// And at most: 32 cells of 0.01 m, the least spacing.
const MOST_CELLS: usize = 32;
const _: () = assert!(SECTION_ROWS.is_multiple_of(MOST_CELLS));

/// Cells along one side of a block of 0.4 m: a power of two, so that blocks divide the rows of a
/// section.
#[must_use]
pub fn block_cells(lattice: &Lattice) -> usize {
    cells_of(SIDE_M, lattice, FEWEST_CELLS, MOST_CELLS)
}

/// How many cells side by side come nearest to `side_m`: the power of two from `fewest` to `most`.
#[must_use]
pub fn cells_of(side_m: f64, lattice: &Lattice, fewest: usize, most: usize) -> usize {
    let mut cells = fewest;
    // Twice as many are nearer where these are less than √½ of the side.
    let short = |n: usize| 2f64.sqrt() * cell_count(n) * lattice.t_step_m < (1.0 - 1e-9) * side_m;
    while cells < most && short(cells) {
        cells *= 2;
    }
    cells
}

#[expect(clippy::cast_precision_loss, reason = "at most 2^31 cells")]
fn cell_count(n: usize) -> f64 {
    n as f64
}

/// The blocks of a run of rows.
#[derive(Debug, Clone, Copy)]
pub(super) struct BlockGrid {
    /// Cells along one side of a block.
    pub side: usize,
    /// Rows of cells in the run.
    pub rows: usize,
    /// Cells a row.
    pub columns: usize,
    steps_m: [f64; 2],
}

impl BlockGrid {
    pub fn new(lattice: &Lattice, rows: usize) -> Self {
        Self {
            side: block_cells(lattice),
            rows,
            columns: lattice.columns,
            steps_m: [lattice.s_step_m, lattice.t_step_m],
        }
    }

    /// Blocks across the road.
    pub fn wide(&self) -> usize {
        self.columns.div_ceil(self.side)
    }

    /// Blocks along it.
    pub fn high(&self) -> usize {
        self.rows.div_ceil(self.side)
    }

    pub fn len(&self) -> usize {
        self.wide() * self.high()
    }

    /// Which block a cell lies in.
    #[inline]
    pub fn of_cell(&self, cell: usize) -> usize {
        let (row, column) = (cell / self.columns, cell % self.columns);
        (row / self.side) * self.wide() + column / self.side
    }

    /// Middle of a block relative to the run's first node.
    pub fn centre(&self, block: usize) -> [f64; 2] {
        let half = (cell_count(self.side) - 1.0) / 2.0;
        let at = |k: usize, step: f64| (cell_count(k * self.side) + half) * step;
        let wide = self.wide();
        [
            at(block / wide, self.steps_m[0]),
            at(block % wide, self.steps_m[1]),
        ]
    }

    /// Half a block's diagonal, metres, and a little.
    pub fn sight_m(&self) -> f64 {
        0.75 * cell_count(self.side) * self.steps_m[0].max(self.steps_m[1])
    }

    /// Blocks on either side that reach `metres` far; `fewest` at least.
    pub fn reach(&self, metres: f64, fewest: usize) -> usize {
        let block_m = cell_count(self.side) * self.steps_m[1];
        fewest.max(crate::numeric::to_index((metres / block_m - 1e-9).ceil()))
    }

    /// The blocks up to `reach` rows and columns of blocks away from `block`, itself among them,
    /// row by row.
    pub fn around(&self, block: usize, reach: usize) -> impl Iterator<Item = usize> + use<> {
        let (wide, high) = (self.wide(), self.high());
        let (row, column) = (block / wide, block % wide);
        let columns = column.saturating_sub(reach)..(column + reach + 1).min(wide);
        (row.saturating_sub(reach)..(row + reach + 1).min(high))
            .flat_map(move |r| columns.clone().map(move |c| r * wide + c))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_are_as_wide_at_any_spacing() {
        let cells = |spacing_m: f64| {
            let lattice = Lattice::new([spacing_m, spacing_m], 1024, 0..64, false).unwrap();
            block_cells(&lattice)
        };
        let found = [0.5, 0.2, 0.1, 0.08, 0.05, 0.04, 0.02, 0.01].map(cells);
        assert_eq!(found, [4, 4, 4, 4, 8, 8, 16, 32]);
    }
}
