//! What the page has room for: which nodes of the lattice and which cells of the map it shows.

use crate::deviation::DeviationMap;
use crate::field::{Lattice, SECTION_ROWS};
use crate::numeric::{ceil_i32, floor_i32, round_i32, to_index};

/// Nodes that the page holds at most: about 0.6 bytes each when packed.
const MOST_NODES: usize = 6_000_000;
/// Cells that the page holds at most: about 5 bytes each for all layers when packed.
const MOST_CELLS: usize = 1_200_000;
/// Rows are thinned by a divisor of the section's.
const MOST_THINNING: usize = 8;

/// The nodes and cells of a course that its page shows: all of them, or every second, fourth or
/// eighth where the course is too large.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PageGrid {
    lattice: Lattice,
    /// Each so many rows and columns of the lattice are shown.
    pub(super) node_thinning: usize,
    /// So many cells of the map are one of the page, along and across.
    pub(super) cell_thinning: usize,
    /// First and last column of the map's cells.
    columns: (i32, i32),
}

impl PageGrid {
    /// What the page of a course shows; `None` for a map of the plane or without cells.
    #[must_use]
    pub fn new(lattice: &Lattice, map: &DeviationMap) -> Option<Self> {
        map.frame().extent_m()?;
        let columns = map.column_range()?;
        let nodes = lattice.rows.saturating_mul(lattice.columns);
        let (first, last) = map.row_range();
        let cells = last.abs_diff(first) as usize * (columns.1.abs_diff(columns.0) as usize + 1);
        Some(Self {
            lattice: *lattice,
            node_thinning: thinning(nodes, MOST_NODES),
            cell_thinning: thinning(cells, MOST_CELLS),
            columns,
        })
    }

    /// The lattice that it is taken from.
    #[must_use]
    pub fn lattice(&self) -> &Lattice {
        &self.lattice
    }

    /// Rows of the lattice that are shown of a section, first and one past the last, each
    /// `node_thinning` rows; the last row of an open course belongs to its last section.
    pub(super) fn node_rows(&self, section: usize) -> std::iter::StepBy<std::ops::Range<usize>> {
        let [first, last] = self.lattice.section_rows(section);
        let is_end = !self.lattice.closed && section + 1 == self.lattice.sections();
        (first..last + usize::from(is_end)).step_by(self.node_thinning)
    }

    /// Columns of the lattice that are shown.
    pub(super) fn node_columns(&self) -> std::iter::StepBy<std::ops::Range<usize>> {
        (0..self.lattice.columns).step_by(self.node_thinning)
    }

    /// Rows of the page's cells in a section of the map that covers so many metres with so many
    /// rows: as many as are about `cell_thinning` of the map's long.
    pub(super) fn cell_rows(&self, map_rows: i32) -> usize {
        let rows = f64::from(map_rows) / self.cell_thinning as f64;
        to_index(f64::from(round_i32(rows).max(1)))
    }

    /// First column of the page's cells, in the page's own cell widths, and their number.
    pub(super) fn cell_columns(&self) -> (i32, usize) {
        let wide = self.cell_thinning as f64;
        let first = floor_i32(f64::from(self.columns.0) / wide);
        let end = ceil_i32((f64::from(self.columns.1) + 1.0) / wide);
        (first, usize::try_from(end - first).unwrap_or(1).max(1))
    }

    /// The page's column of a column of the map; 0 for the first.
    pub(super) fn cell_column(&self, map_column: i32) -> usize {
        let column = floor_i32((f64::from(map_column) + 0.5) / self.cell_thinning as f64);
        usize::try_from(column - self.cell_columns().0).unwrap_or(0)
    }
}

/// Least of 1, 2, 4, 8 that leaves at most `most` of `count`.
fn thinning(count: usize, most: usize) -> usize {
    let mut by = 1;
    while by < MOST_THINNING && count / (by * by) > most {
        by *= 2;
    }
    by
}

const _: () = assert!(SECTION_ROWS.is_multiple_of(MOST_THINNING));

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn four_kilometres_are_shown_in_full_and_ten_times_as_much_in_parts() {
        // 4 km, 12 m wide, spacing 0.1 m, cells of 0.25 m.
        assert_eq!(thinning(40_000 * 125, MOST_NODES), 1);
        assert_eq!(thinning(16_000 * 50, MOST_CELLS), 1);
        assert_eq!(thinning(400_000 * 125, MOST_NODES), 4);
        assert_eq!(thinning(usize::MAX, MOST_NODES), MOST_THINNING);
    }
}
