//! The rows of the lattice that are compared: stretches of the course, one after another.

use std::ops::Range;

use crate::field::Lattice;

/// Rows of a lattice that two states are compared on, and which of them are neighbours.
///
/// Nodes are numbered row by row as the rows are held here; rows of different stretches are no
/// neighbours, the last and the first of a closed course are.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    lattice: Lattice,
    /// Which row of the lattice each row here is.
    rows: Vec<usize>,
}

impl Grid {
    /// The grid of runs of rows that are given in order.
    #[must_use]
    pub fn new(lattice: Lattice, runs: &[Range<usize>]) -> Self {
        let inside = |row: &usize| *row < lattice.rows;
        let rows = runs.iter().cloned().flatten().filter(inside).collect();
        Self { lattice, rows }
    }

    /// Distance of rows and columns, metres.
    #[must_use]
    pub fn steps_m(&self) -> [f64; 2] {
        [self.lattice.s_step_m, self.lattice.t_step_m]
    }

    /// The lattice that the rows are of.
    #[must_use]
    pub fn lattice(&self) -> &Lattice {
        &self.lattice
    }

    /// Columns of a row.
    #[must_use]
    pub fn columns(&self) -> usize {
        self.lattice.columns
    }

    /// Number of rows here.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.rows.len()
    }

    /// Number of nodes.
    #[must_use]
    pub fn nodes(&self) -> usize {
        self.rows.len() * self.lattice.columns
    }

    /// (s, t) of a node, metres.
    #[must_use]
    pub fn place(&self, node: usize) -> [f64; 2] {
        let (row, column) = (node / self.columns(), node % self.columns());
        [
            self.lattice.row_s_m(self.rows[row]),
            self.lattice.column_t_m(column),
        ]
    }

    /// Row of the lattice and column of a node.
    #[must_use]
    pub fn row_and_column(&self, node: usize) -> (usize, usize) {
        (self.rows[node / self.columns()], node % self.columns())
    }

    /// The node at a row of the lattice and a column, where the grid has it.
    #[must_use]
    pub fn node(&self, lattice_row: usize, column: usize) -> Option<usize> {
        let row = self.rows.binary_search(&lattice_row).ok()?;
        (column < self.columns()).then(|| row * self.columns() + column)
    }

    /// The row here after row `row`, if it is its neighbour on the road.
    #[must_use]
    pub fn next(&self, row: usize) -> Option<usize> {
        let after = (row + 1) % self.rows.len();
        let follows = self.lattice.wrap(self.rows[row] + 1) == self.rows[after];
        (follows && (after > row || self.lattice.closed)).then_some(after)
    }

    /// The row here before row `row`, if it is its neighbour on the road.
    #[must_use]
    pub fn previous(&self, row: usize) -> Option<usize> {
        let count = self.rows.len();
        let before = (row + count - 1) % count;
        (self.next(before) == Some(row)).then_some(before)
    }

    /// The row `by` rows further on (back when negative), as far as the stretch reaches.
    #[must_use]
    pub fn row_from(&self, row: usize, by: i32) -> Option<usize> {
        let mut at = row;
        for _ in 0..by.unsigned_abs() {
            at = if by > 0 {
                self.next(at)?
            } else {
                self.previous(at)?
            };
        }
        Some(at)
    }

    /// The up to eight neighbours of a node.
    pub fn around(&self, node: usize) -> impl Iterator<Item = usize> + use<> {
        let columns = self.columns();
        let (row, column) = (node / columns, node % columns);
        let rows = [self.previous(row), Some(row), self.next(row)];
        let across = column.saturating_sub(1)..(column + 2).min(columns);
        rows.into_iter()
            .flatten()
            .flat_map(move |r| across.clone().map(move |c| r * columns + c))
            .filter(move |&k| k != node)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_of_one_stretch_are_neighbours_and_a_closed_course_closes() {
        let lattice = Lattice::new([0.1, 0.1], 16, -2..3, true).unwrap();
        let grid = Grid::new(lattice, &[0..3, 8..10, 15..16]);
        assert_eq!((grid.rows(), grid.nodes()), (6, 30));
        assert_eq!(
            (grid.next(0), grid.next(2), grid.next(5)),
            (Some(1), None, Some(0))
        );
        assert_eq!((grid.previous(0), grid.previous(3)), (Some(5), None));
        assert_eq!(grid.row_from(5, 3), Some(2));
        assert_eq!(grid.row_from(5, 4), None);
        assert_eq!(grid.node(9, 1), Some(21));
        assert_eq!(grid.node(7, 1), None);
        assert_eq!(grid.around(0).count(), 5);
        assert_eq!(grid.around(11).count(), 5);
        let open = Lattice::new([0.1, 0.1], 16, -2..3, false).unwrap();
        let grid = Grid::new(open, &[0..3, 15..16]);
        assert_eq!((grid.next(3), grid.previous(0)), (None, None));
    }
}
