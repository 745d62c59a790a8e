//! All cells of a course, by row and column.

use super::cells::SectionCells;
use super::frame::CellFrame;
use super::histogram::Histogram;
use super::robust::MIN_POINTS;
use crate::numeric::to_u32;

/// One cell of the map; 24 bytes.
#[derive(Debug, Clone, Copy)]
pub struct Cell {
    /// Column across: covers `[column, column + 1) · cell_m`.
    pub column: i32,
    /// Points with a distance.
    pub n: u32,
    /// Robust mean of the signed distances, metres; NaN without verdict.
    pub mean_m: f32,
    /// Robust standard deviation of a point, metres; NaN without verdict.
    pub spread_m: f32,
    /// Half width of the mean's 95 % interval, metres; NaN without verdict.
    pub u95_m: f32,
    /// What the field says of the ground ([`crate::field::flags`]).
    pub marks: u8,
    /// Share of points that carry no weight, in 255ths.
    pub outliers: u8,
    /// Mean intensity of the points, 0..=65535; 0 where the scan has none.
    pub intensity: u16,
}

/// What can be said of a cell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CellState {
    /// Surface, but no points to hold it to.
    NoPoints,
    /// Fewer than [`MIN_POINTS`] points: no verdict.
    Sparse,
    /// Enough points for a mean and its uncertainty.
    Judged,
}

impl Cell {
    pub(super) fn empty(column: i32) -> Self {
        Self {
            column,
            n: 0,
            mean_m: f32::NAN,
            spread_m: f32::NAN,
            u95_m: f32::NAN,
            marks: 0,
            outliers: 0,
            intensity: 0,
        }
    }

    /// What can be said of this cell.
    #[must_use]
    pub fn state(&self) -> CellState {
        match self.n as usize {
            0 => CellState::NoPoints,
            n if n < MIN_POINTS => CellState::Sparse,
            _ => CellState::Judged,
        }
    }

    /// Whether the mean is beyond the tolerance by more than its own 95 % uncertainty.
    #[must_use]
    pub fn is_beyond(&self, tolerance_m: f64) -> bool {
        f64::from(self.mean_m.abs()) - f64::from(self.u95_m) > tolerance_m
    }
}

impl PartialEq for Cell {
    /// Bit for bit, so that cells without verdict equal themselves.
    fn eq(&self, other: &Self) -> bool {
        let bits = |c: &Self| [c.mean_m, c.spread_m, c.u95_m].map(f32::to_bits);
        let words = |c: &Self| (c.column, c.n, c.marks, c.outliers, c.intensity);
        words(self) == words(other) && bits(self) == bits(other)
    }
}

/// Joins the cells of sections, in whatever order they come, into a map.
#[derive(Debug)]
pub struct MapBuilder {
    frame: CellFrame,
    cells: Vec<(i32, Cell)>,
    histogram: Histogram,
    points_off_surface: u64,
    cells_off_surface: u64,
    bare_cells: u64,
}

impl MapBuilder {
    /// An empty map of this layout.
    #[must_use]
    pub fn new(frame: CellFrame) -> Self {
        Self {
            frame,
            cells: Vec::new(),
            histogram: Histogram::default(),
            points_off_surface: 0,
            cells_off_surface: 0,
            bare_cells: 0,
        }
    }

    /// Take one section's cells (each section once).
    pub fn push(&mut self, section: SectionCells) {
        self.cells.extend(section.cells);
        self.histogram.merge(&section.histogram);
        self.points_off_surface += section.points_off_surface;
        self.cells_off_surface += section.cells_off_surface;
    }

    /// Count points that never reached a section because there is no surface near them, and the
    /// cells that they cover.
    pub fn count_off_surface(&mut self, points: u64, cells: u64) {
        self.points_off_surface += points;
        self.cells_off_surface += cells;
    }

    /// Count cells of surface far from any point, which the map does not hold.
    pub fn count_bare(&mut self, cells: u64) {
        self.bare_cells += cells;
    }

    /// The map; the order of pushing does not matter.
    #[must_use]
    pub fn finish(mut self) -> DeviationMap {
        self.cells
            .sort_unstable_by_key(|(row, cell)| (*row, cell.column));
        let first_row = self.cells.first().map_or(0, |c| c.0);
        let rows = self
            .cells
            .last()
            .map_or(0, |c| c.0.abs_diff(first_row) as usize + 1);
        let mut start = vec![0u32; rows + 1];
        for (row, _) in &self.cells {
            start[row.abs_diff(first_row) as usize + 1] += 1;
        }
        (1..start.len()).for_each(|k| start[k] += start[k - 1]);
        DeviationMap {
            frame: self.frame,
            first_row,
            start,
            cells: self.cells.into_iter().map(|c| c.1).collect(),
            histogram: self.histogram,
            points_off_surface: self.points_off_surface,
            cells_off_surface: self.cells_off_surface,
            bare_cells: self.bare_cells,
        }
    }
}

/// Where cloud and surface part, cell by cell.
#[derive(Debug, Clone)]
pub struct DeviationMap {
    frame: CellFrame,
    first_row: i32,
    /// Where each row's cells start in `cells`; one more than rows.
    start: Vec<u32>,
    cells: Vec<Cell>,
    pub(super) histogram: Histogram,
    pub(super) points_off_surface: u64,
    pub(super) cells_off_surface: u64,
    /// Cells of surface without points besides those in `cells`.
    pub(super) bare_cells: u64,
}

impl DeviationMap {
    /// Where the cells lie.
    #[must_use]
    pub fn frame(&self) -> &CellFrame {
        &self.frame
    }

    /// All cells with surface or points, by row, then column.
    #[must_use]
    pub fn cells(&self) -> &[Cell] {
        &self.cells
    }

    /// Distribution of |d| over the points.
    #[must_use]
    pub fn histogram(&self) -> &Histogram {
        &self.histogram
    }

    /// Rows with their cells, in order; rows without cells are empty.
    pub fn rows(&self) -> impl Iterator<Item = (i32, &[Cell])> {
        let spans = self.start.windows(2).map(|w| w[0] as usize..w[1] as usize);
        (self.first_row..).zip(spans.map(|span| &self.cells[span]))
    }

    /// The cells of a row, by column; none where the row has neither surface nor point.
    #[must_use]
    pub fn row(&self, row: i32) -> &[Cell] {
        let k = row.checked_sub(self.first_row).map(usize::try_from);
        let Some(Ok(k)) = k else { return &[] };
        match (self.start.get(k), self.start.get(k + 1)) {
            (Some(&from), Some(&to)) => &self.cells[from as usize..to as usize],
            _ => &[],
        }
    }

    /// The cell at (row, column); `None` where there is neither surface nor point.
    #[must_use]
    pub fn get(&self, row: i32, column: i32) -> Option<&Cell> {
        self.index(row, column).map(|k| &self.cells[k])
    }

    /// Index of the cell at (row, column) in [`DeviationMap::cells`].
    pub(super) fn index(&self, row: i32, column: i32) -> Option<usize> {
        let k = usize::try_from(row.checked_sub(self.first_row)?).ok()?;
        let (from, to) = (
            *self.start.get(k)? as usize,
            *self.start.get(k + 1)? as usize,
        );
        let at = self.cells[from..to]
            .binary_search_by_key(&column, |c| c.column)
            .ok()?;
        Some(from + at)
    }

    /// Row of the cell with index `k`.
    pub(super) fn row_of(&self, k: usize) -> i32 {
        let row = self
            .start
            .partition_point(|&s| s <= to_u32(k))
            .saturating_sub(1);
        self.first_row
            .saturating_add(i32::try_from(row).unwrap_or(i32::MAX))
    }

    /// Range of rows that hold cells, first and one past the last.
    #[must_use]
    pub fn row_range(&self) -> (i32, i32) {
        let rows = i32::try_from(self.start.len() - 1).unwrap_or(i32::MAX);
        (self.first_row, self.first_row.saturating_add(rows))
    }

    /// Columns that hold cells, first and last; `None` for an empty map.
    #[must_use]
    pub fn column_range(&self) -> Option<(i32, i32)> {
        let columns = || self.cells.iter().map(|c| c.column);
        Some((columns().min()?, columns().max()?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deviation::frame::Closure;

    fn section(cells: &[(i32, i32)]) -> SectionCells {
        let cell = |&(row, column): &(i32, i32)| (row, Cell::empty(column));
        SectionCells {
            cells: cells.iter().map(cell).collect(),
            ..SectionCells::default()
        }
    }

    #[test]
    fn cells_are_found_by_row_and_column_whatever_order_sections_came_in() {
        let frame = CellFrame::plane(16.0, 0.25).unwrap();
        let build = |parts: &[&[(i32, i32)]]| {
            let mut builder = MapBuilder::new(frame.clone());
            parts.iter().for_each(|p| builder.push(section(p)));
            builder.finish()
        };
        let (a, b): (&[_], &[_]) = (&[(-3, 5), (0, 1)], &[(-3, -7), (4, 4)]);
        let map = build(&[a, b]);
        assert_eq!(map.cells(), build(&[b, a]).cells());
        assert!(map.get(-3, -7).is_some() && map.get(4, 4).is_some() && map.get(1, 1).is_none());
        assert_eq!(
            (map.row_range(), map.column_range()),
            ((-3, 5), Some((-7, 5)))
        );
        let columns = |row| map.row(row).iter().map(|c| c.column).collect::<Vec<_>>();
        assert_eq!(
            (columns(-3), columns(1), columns(9)),
            (vec![-7, 5], vec![], vec![])
        );
        let rows: Vec<i32> = (0..4).map(|k| map.row_of(k)).collect();
        assert_eq!(rows, [-3, -3, 0, 4]);
        assert_eq!(map.rows().count(), 8);
    }

    #[test]
    fn an_empty_map_holds_nothing() {
        let frame = CellFrame::ribbon(&[0.0, 1.0], Closure::Open, 0.25).unwrap();
        let map = MapBuilder::new(frame).finish();
        assert!(map.get(0, 0).is_none() && map.rows().next().is_none());
        assert_eq!(map.column_range(), None);
    }

    #[test]
    fn a_cell_takes_24_bytes() {
        assert_eq!(size_of::<Cell>(), 24);
    }
}
