//! What lies beyond breaklines in the cells of a window.

use super::cells::{CellSums, node_offset};
use super::kernel::Seen;
use super::lattice::Lattice;

/// Observations by cell, in order; found by their row, of which most have none.
#[derive(Debug)]
pub(super) struct Beyond {
    columns: usize,
    seen: Vec<(usize, Seen)>,
    /// Those of row r: `rows[r]..rows[r + 1]`.
    rows: Vec<usize>,
}

impl Beyond {
    /// Those of runs of rows that follow each other, seen from the first node of the first.
    pub fn of_runs(lattice: &Lattice, runs: &[(&CellSums, std::ops::Range<usize>)]) -> Self {
        let (mut seen, mut rows, columns) = (Vec::new(), 0, lattice.columns);
        for (sums, range) in runs {
            let here = sums.beyond.iter().filter(|part| part.w > 0.0);
            for part in here.filter(|part| range.contains(&(part.cell as usize / columns))) {
                let cell = part.cell as usize + rows * columns - range.start * columns;
                let [s, t] = node_offset(lattice, cell, columns);
                let found = Seen {
                    w: part.w,
                    s: s + part.ws / part.w,
                    t: t + part.wt / part.w,
                    z: part.wz / part.w,
                };
                seen.push((cell, found));
            }
            rows += range.len();
        }
        Self::new(seen, columns, rows)
    }

    /// Of observations in order of cells, `columns` a row, in so many rows.
    fn new(seen: Vec<(usize, Seen)>, columns: usize, rows: usize) -> Self {
        let before = |row: usize| seen.partition_point(|(cell, _)| *cell < row * columns);
        Self {
            columns,
            rows: (0..=rows).map(before).collect(),
            seen,
        }
    }

    /// What lies beyond lines in a cell.
    #[inline]
    pub fn in_cell(&self, cell: usize) -> impl Iterator<Item = Seen> {
        let row = cell / self.columns;
        let own = &self.seen[self.rows[row]..self.rows[row + 1]];
        let from = own.partition_point(|(k, _)| *k < cell);
        let here = own[from..].iter().take_while(move |(k, _)| *k == cell);
        here.map(|(_, seen)| *seen)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_cell_has_its_own_and_no_other() {
        let seen = |z: f64| Seen {
            w: 1.0,
            s: 0.0,
            t: 0.0,
            z,
        };
        let cells = [0, 3, 3, 4, 11];
        let all = cells.iter().zip([0, 10, 20, 30, 40]);
        let all = all.map(|(cell, z)| (*cell, seen(f64::from(z))));
        let beyond = Beyond::new(all.collect(), 4, 4);
        let found = |cell: usize| -> Vec<usize> {
            let heights = beyond.in_cell(cell).map(|s| s.z);
            heights.map(crate::numeric::to_index).collect()
        };
        assert_eq!(found(3), [10, 20]);
        assert_eq!([0, 4, 11].map(|cell| found(cell)[0]), [0, 30, 40]);
        let many: usize = (0..16).map(|cell| found(cell).len()).sum();
        assert_eq!(many, cells.len());
    }
}
