//! What the cells of a run of rows say about height: the finder's first input.

/// Heights of the cells of a run of rows, with as much of the rows before and after it as the
/// finder reaches ([`super::HALO_ROWS`]), or less where the course ends.
#[derive(Debug, Clone, PartialEq)]
pub struct CellHeights {
    /// Row of the first cells; negative before the start of a closed course.
    pub first_row: i64,
    /// Rows here.
    pub rows: usize,
    /// Cells a row.
    pub columns: usize,
    /// Size of a cell along s and t, metres.
    pub steps_m: [f64; 2],
    /// t of the middle of column 0, metres.
    pub first_t_m: f64,
    /// What each cell says, row by row; `None` where no point counts.
    pub cells: Vec<Option<CellHeight>>,
    /// How bright each setup saw the cells; empty where the scans have no intensity.
    pub shades: Vec<CellShade>,
}

/// How bright one setup saw one cell.
///
/// Setups are kept apart: what distance, incidence and an instrument's gain make of a reflectance is
/// a setup's own, and smooth, so that an edge of reflectance is one in each setup alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellShade {
    /// Number of the cell among [`CellHeights::cells`].
    pub cell: usize,
    /// Number of the setup.
    pub setup: u16,
    /// Points that it saw.
    pub points: f64,
    /// Logarithm of their mean intensity.
    pub log_intensity: f64,
    /// Their mean place less the middle of the cell along s and t, metres.
    pub off_m: [f64; 2],
}

/// What the points of one cell say together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellHeight {
    /// Mean place of the points less the middle of the cell along s and t, metres.
    pub off_m: [f64; 2],
    /// Mean height, metres.
    pub z_m: f64,
    /// Variance of that from the noise of the points, m².
    pub variance_m2: f64,
}

impl CellHeights {
    /// The cell in a row and column of the run; `None` outside of it, or where no point counts.
    #[must_use]
    #[inline]
    pub fn at(&self, row: i64, column: i64) -> Option<&CellHeight> {
        let (row, column) = (usize::try_from(row).ok()?, usize::try_from(column).ok()?);
        if row >= self.rows || column >= self.columns {
            return None;
        }
        self.cells.get(row * self.columns + column)?.as_ref()
    }
}
