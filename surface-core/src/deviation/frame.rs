//! Where the cells lie: rows along the course (or eastward), columns across (or northward).

use crate::cloud::TileKey;
use crate::numeric::{floor_i32, round_i32};

/// Why cells cannot be laid out.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FrameError {
    /// A cell or tile width that is not a positive number.
    #[error("cell width {cell_m} m is not a positive number")]
    BadCell {
        /// The width asked for.
        cell_m: f64,
    },
    /// Section borders must rise.
    #[error("section {section} ends at {to_m} m, not after its start at {from_m} m")]
    BadSection {
        /// Index of the section.
        section: usize,
        /// Its start, metres along the line.
        from_m: f64,
        /// Its end, metres along the line.
        to_m: f64,
    },
    /// A tile must hold a whole number of cells, or cells of two tiles would overlap.
    #[error("a tile of {tile_m} m holds no whole number of cells of {cell_m} m")]
    Straddling {
        /// Tile width, metres.
        tile_m: f64,
        /// Cell width, metres.
        cell_m: f64,
    },
    /// A section that the frame does not have.
    #[error("no section {key:?} in this course")]
    NoSection {
        /// The key asked for.
        key: TileKey,
    },
}

/// Whether the last row of cells touches the first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Closure {
    /// The course has two ends.
    Open,
    /// A lap: the last row is beside row 0.
    Closed,
}

/// Rows of one section: `rows` cells of `cell_m` from `from_m`, the first being row `first`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Span {
    pub from_m: f64,
    pub cell_m: f64,
    pub first: i32,
    pub rows: i32,
}

#[derive(Debug, Clone, PartialEq)]
enum Rows {
    /// Along a ribbon: one span a section, in order.
    Sections { spans: Vec<Span>, closure: Closure },
    /// Square tiles of the plane.
    Tiles { cells_per_tile: i32 },
}

/// Layout of cells over a course in (s, t), or over the plane in (x, y).
///
/// Across, cell j covers `[j, j + 1) · cell_m`. Along a ribbon, a section's border is seldom a
/// multiple of the cell width (on a lap the lattice step itself is lap ÷ whole number), so each
/// section takes round(length ÷ cell width) equal rows: cells never straddle a border, and a row
/// is at most half a cell in the section's count of cells off its nominal length. In the plane
/// cells are squares aligned to multiples of `cell_m`, and a tile holds a whole number of them.
#[derive(Debug, Clone, PartialEq)]
pub struct CellFrame {
    cell_m: f64,
    rows: Rows,
}

impl CellFrame {
    /// Cells along a ribbon whose sections meet at `borders_m` (start, inner borders, end).
    ///
    /// # Errors
    /// [`FrameError::BadCell`], or [`FrameError::BadSection`] where borders do not rise.
    pub fn ribbon(borders_m: &[f64], closure: Closure, cell_m: f64) -> Result<Self, FrameError> {
        check_width(cell_m)?;
        let mut spans = Vec::with_capacity(borders_m.len());
        let mut first = 0;
        for (section, pair) in borders_m.windows(2).enumerate() {
            let (from_m, to_m) = (pair[0], pair[1]);
            if !(to_m > from_m && from_m.is_finite() && to_m.is_finite()) {
                return Err(FrameError::BadSection {
                    section,
                    from_m,
                    to_m,
                });
            }
            let rows = round_i32((to_m - from_m) / cell_m).max(1);
            let cell_m = (to_m - from_m) / f64::from(rows);
            spans.push(Span {
                from_m,
                cell_m,
                first,
                rows,
            });
            first += rows;
        }
        Ok(Self {
            cell_m,
            rows: Rows::Sections { spans, closure },
        })
    }

    /// Square cells of the plane in tiles of `tile_m`; section (i, j) is the tile whose south-west
    /// corner is at (i, j) · `tile_m`.
    ///
    /// # Errors
    /// [`FrameError::BadCell`], or [`FrameError::Straddling`].
    pub fn plane(tile_m: f64, cell_m: f64) -> Result<Self, FrameError> {
        check_width(cell_m)?;
        check_width(tile_m)?;
        let cells = (tile_m / cell_m).round();
        if cells < 1.0 || (cells * cell_m - tile_m).abs() > 1e-9 * tile_m {
            return Err(FrameError::Straddling { tile_m, cell_m });
        }
        Ok(Self {
            cell_m,
            rows: Rows::Tiles {
                cells_per_tile: round_i32(cells),
            },
        })
    }

    /// Nominal cell width, metres (exact across, within half a cell a section along).
    #[must_use]
    pub fn cell_m(&self) -> f64 {
        self.cell_m
    }

    /// Whether cells follow a course (s, t) rather than the plane (x, y).
    #[must_use]
    pub fn is_ribbon(&self) -> bool {
        matches!(self.rows, Rows::Sections { .. })
    }

    /// Number of rows around a lap, where the last row touches the first.
    #[must_use]
    pub fn lap_rows(&self) -> Option<i32> {
        match &self.rows {
            Rows::Sections {
                spans,
                closure: Closure::Closed,
            } => spans.last().map(|s| s.first + s.rows),
            _ => None,
        }
    }

    /// Where the course begins and ends, metres along the line; `None` in the plane.
    #[must_use]
    pub fn extent_m(&self) -> Option<(f64, f64)> {
        let Rows::Sections { spans, .. } = &self.rows else {
            return None;
        };
        let (first, last) = (spans.first()?, spans.last()?);
        Some((
            first.from_m,
            last.from_m + f64::from(last.rows) * last.cell_m,
        ))
    }

    /// Interval of u that row `row` covers, metres.
    #[must_use]
    pub fn row_m(&self, row: i32) -> (f64, f64) {
        let (from_m, cell_m, k) = match &self.rows {
            Rows::Tiles { .. } => (0.0, self.cell_m, row),
            Rows::Sections { spans, .. } => {
                let at = spans.partition_point(|s| s.first <= row).max(1) - 1;
                spans.get(at).map_or((0.0, self.cell_m, row), |s| {
                    (s.from_m, s.cell_m, row - s.first)
                })
            }
        };
        (
            from_m + f64::from(k) * cell_m,
            from_m + f64::from(k + 1) * cell_m,
        )
    }

    /// Rows of section `section` along a ribbon, first and one past the last, and the interval of
    /// s that they cover, metres; `None` in the plane and past the last section.
    #[must_use]
    pub fn section(&self, section: usize) -> Option<((i32, i32), (f64, f64))> {
        let Rows::Sections { spans, .. } = &self.rows else {
            return None;
        };
        let span = spans.get(section)?;
        let to_m = span.from_m + f64::from(span.rows) * span.cell_m;
        Some(((span.first, span.first + span.rows), (span.from_m, to_m)))
    }

    /// Interval of v that column `column` covers, metres.
    #[must_use]
    pub fn column_m(&self, column: i32) -> (f64, f64) {
        (
            f64::from(column) * self.cell_m,
            f64::from(column + 1) * self.cell_m,
        )
    }

    /// Middle of a cell, (u, v) metres.
    #[must_use]
    pub fn centre_m(&self, row: i32, column: i32) -> [f64; 2] {
        let (a, b) = self.row_m(row);
        let (c, d) = self.column_m(column);
        [0.5 * (a + b), 0.5 * (c + d)]
    }

    /// Rows of a section.
    pub(super) fn span(&self, key: TileKey) -> Result<Span, FrameError> {
        match &self.rows {
            Rows::Tiles { cells_per_tile } => Ok(Span {
                from_m: f64::from(key.0) * f64::from(*cells_per_tile) * self.cell_m,
                cell_m: self.cell_m,
                first: key.0.saturating_mul(*cells_per_tile),
                rows: *cells_per_tile,
            }),
            Rows::Sections { spans, .. } => {
                let span = usize::try_from(key.0).ok().and_then(|k| spans.get(k));
                span.copied().ok_or(FrameError::NoSection { key })
            }
        }
    }

    /// Columns of a section that cover `[from, to)` metres across: first column and count.
    /// A tile has its own columns, whatever is asked.
    pub(super) fn columns(&self, key: TileKey, across_m: (f64, f64)) -> (i32, i32) {
        match self.rows {
            Rows::Tiles { cells_per_tile } => {
                (key.1.saturating_mul(cells_per_tile), cells_per_tile)
            }
            Rows::Sections { .. } => {
                let first = floor_i32(across_m.0 / self.cell_m);
                let last = floor_i32(across_m.1 / self.cell_m);
                (first, last.saturating_sub(first).saturating_add(1).max(1))
            }
        }
    }
}

fn check_width(cell_m: f64) -> Result<(), FrameError> {
    if cell_m.is_finite() && cell_m > 0.0 {
        Ok(())
    } else {
        Err(FrameError::BadCell { cell_m })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_never_straddle_a_section_border() {
        // A lap of 1003.7 m on a lattice of 10037 rows: borders at multiples of 128 rows.
        let step = 1003.7 / 10_037.0;
        let mut borders: Vec<f64> = (0..=78).map(|k| f64::from(k * 128) * step).collect();
        borders.push(1003.7);
        let frame = CellFrame::ribbon(&borders, Closure::Closed, 0.25).unwrap();
        for (k, pair) in borders.windows(2).enumerate() {
            let span = frame.span((i32::try_from(k).unwrap(), 0)).unwrap();
            let end = frame.row_m(span.first + span.rows - 1).1;
            assert!((frame.row_m(span.first).0 - pair[0]).abs() < 1e-9);
            assert!((end - pair[1]).abs() < 1e-9);
            assert!((span.cell_m - 0.25).abs() < 0.125 / f64::from(span.rows) + 1e-12);
        }
        assert_eq!(frame.extent_m().unwrap().0.to_bits(), 0.0_f64.to_bits());
        assert!((frame.extent_m().unwrap().1 - 1003.7).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_laid_out_is_refused_with_its_numbers() {
        let bad = CellFrame::ribbon(&[0.0, 5.0, 5.0], Closure::Open, 0.25);
        assert_eq!(
            bad,
            Err(FrameError::BadSection {
                section: 1,
                from_m: 5.0,
                to_m: 5.0
            })
        );
        assert!(matches!(
            CellFrame::plane(16.0, 0.3),
            Err(FrameError::Straddling { .. })
        ));
        assert!(matches!(
            CellFrame::plane(16.0, f64::NAN),
            Err(FrameError::BadCell { .. })
        ));
        let frame = CellFrame::ribbon(&[0.0, 5.0], Closure::Open, 0.25).unwrap();
        assert!(matches!(
            frame.span((1, 0)),
            Err(FrameError::NoSection { .. })
        ));
    }
}
