//! The (s, t) lattice of the height field, and a contiguous run of its rows.

use std::ops::Range;

use crate::numeric::{ceil_i32, floor_i32, round_i32};

/// Rows of a section, the piece of road that is fitted, meshed and measured at a time.
///
/// Fixed, not chosen by memory, so that the products do not depend on how much memory there is.
/// A multiple of 8, the coarsest thinning of rows in a tight bend.
pub const SECTION_ROWS: usize = 128;

/// [`Lattice::along`] makes the number of row gaps a multiple of this, so that thinned rows in a
/// tight bend come out even at the end of the course and where a closed course meets itself.
const ROW_BLOCK: i32 = 8;

/// Why a lattice or a run of rows cannot exist.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LatticeError {
    /// A step is not a positive, finite length.
    #[error("lattice step {step_m} m is not a positive length")]
    BadStep {
        /// The step given, metres.
        step_m: f64,
    },
    /// Too few rows or columns for a surface.
    #[error("a lattice of {rows} rows and {columns} columns holds no surface")]
    TooSmall {
        /// Rows asked for.
        rows: usize,
        /// Columns asked for.
        columns: usize,
    },
    /// More nodes than indices of 32 bits can name.
    #[error("a lattice of {rows} rows and {columns} columns is too large; use a wider spacing")]
    TooLarge {
        /// Rows asked for.
        rows: usize,
        /// Columns asked for.
        columns: usize,
    },
    /// The rows lie outside the lattice.
    #[error("rows {first} to {last} lie outside a lattice of {rows} rows")]
    RowsOutside {
        /// First row of the run.
        first: usize,
        /// Last row of the run.
        last: usize,
        /// Rows of the lattice.
        rows: usize,
    },
    /// A column of the run has the wrong number of values.
    #[error("{name} holds {found} values where {expected} belong")]
    Length {
        /// Which array.
        name: &'static str,
        /// Its length.
        found: usize,
        /// The length that fits the rows.
        expected: usize,
    },
}

/// Where the nodes of the height field lie: row i at `s = i · s_step_m`, column c at
/// `t = (first_column + c) · t_step_m`.
///
/// On a closed course row `rows` is row 0 again, so `rows · s_step_m` is its length.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Lattice {
    /// Distance between rows along the reference line, metres.
    pub s_step_m: f64,
    /// Distance between columns across it, metres.
    pub t_step_m: f64,
    /// Number of rows.
    pub rows: usize,
    /// Column 0 lies at `t = first_column · t_step_m`.
    pub first_column: i32,
    /// Number of columns.
    pub columns: usize,
    /// Whether the last row is followed by the first.
    pub closed: bool,
}

impl Lattice {
    /// A lattice of the given steps and size.
    ///
    /// # Errors
    /// [`LatticeError`] when a step is not a positive length, when there are fewer than two rows
    /// (three when closed) or no column, or more than 2³¹ nodes.
    pub fn new(
        steps_m: [f64; 2],
        rows: usize,
        columns: Range<i32>,
        closed: bool,
    ) -> Result<Self, LatticeError> {
        for step_m in steps_m {
            if !(step_m.is_finite() && step_m > 0.0) {
                return Err(LatticeError::BadStep { step_m });
            }
        }
        let first_column = columns.start;
        let columns = usize::try_from(i64::from(columns.end) - i64::from(columns.start));
        let columns = columns.unwrap_or(0);
        if rows < 2 + usize::from(closed) || columns == 0 {
            return Err(LatticeError::TooSmall { rows, columns });
        }
        // Two more than the columns: the rails are numbered with them.
        if rows.saturating_mul(columns + 2) >= 1 << 31 {
            return Err(LatticeError::TooLarge { rows, columns });
        }
        let [s_step_m, t_step_m] = steps_m;
        Ok(Self {
            s_step_m,
            t_step_m,
            rows,
            first_column,
            columns,
            closed,
        })
    }

    /// The lattice of about `spacing_m` over a line of `length_m`, with columns over
    /// `t_range_m` (least, greatest) and one more on either side.
    ///
    /// The step along s is the length over a multiple of eight; the step across is `spacing_m`.
    ///
    /// # Errors
    /// As [`Lattice::new`].
    pub fn along(
        length_m: f64,
        spacing_m: f64,
        t_range_m: [f64; 2],
        closed: bool,
    ) -> Result<Self, LatticeError> {
        let blocks = round_i32(length_m / spacing_m / f64::from(ROW_BLOCK));
        let gaps = blocks.clamp(1, i32::MAX / ROW_BLOCK) * ROW_BLOCK;
        let columns =
            floor_i32(t_range_m[0] / spacing_m) - 1..ceil_i32(t_range_m[1] / spacing_m) + 2;
        let rows = usize::try_from(gaps).unwrap_or(0) + usize::from(!closed);
        Self::new(
            [length_m / f64::from(gaps), spacing_m],
            rows,
            columns,
            closed,
        )
    }

    /// The station of row `row`, metres. On a closed course rows past the end wrap.
    #[must_use]
    #[inline]
    #[expect(clippy::cast_precision_loss, reason = "rows are fewer than 2^31")]
    pub fn row_s_m(&self, row: usize) -> f64 {
        self.wrap(row) as f64 * self.s_step_m
    }

    /// How far left of the reference line column `column` lies, metres.
    #[must_use]
    #[inline]
    #[expect(clippy::cast_precision_loss, reason = "columns are fewer than 2^31")]
    pub fn column_t_m(&self, column: usize) -> f64 {
        (f64::from(self.first_column) + column as f64) * self.t_step_m
    }

    /// Row `row`, with rows past the end of a closed course counted from its start again.
    #[must_use]
    #[inline]
    pub fn wrap(&self, row: usize) -> usize {
        if self.closed { row % self.rows } else { row }
    }

    /// Gaps between successive rows: one fewer than the rows, or as many when closed.
    #[must_use]
    pub fn row_gaps(&self) -> usize {
        self.rows - usize::from(!self.closed)
    }

    /// Number of sections.
    #[must_use]
    pub fn sections(&self) -> usize {
        self.row_gaps().div_ceil(SECTION_ROWS)
    }

    /// First and last row of section `section`, both included: the last is the first of the next
    /// section. On a closed course the last section ends at row `rows`, which is row 0.
    #[must_use]
    pub fn section_rows(&self, section: usize) -> [usize; 2] {
        let first = section * SECTION_ROWS;
        [first, (first + SECTION_ROWS).min(self.row_gaps())]
    }
}

/// The field on the edge of the road, at the station of a row.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct RailNode {
    /// Height relative to the frame's origin, metres; NaN where there is none.
    pub z_m: f64,
    /// Standard deviation of the height, metres.
    pub sigma_m: f32,
    /// ∂z/∂s of the fitted surface.
    pub slope_s: f32,
    /// ∂z/∂t of the fitted surface.
    pub slope_t: f32,
    /// Bits of [`flags`](super::flags).
    pub flags: u8,
}

impl RailNode {
    /// No height here.
    pub const VOID: Self = Self {
        z_m: f64::NAN,
        sigma_m: f32::NAN,
        slope_s: 0.0,
        slope_t: 0.0,
        flags: 0,
    };
}

/// What the field holds at one node.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldNode {
    /// Height relative to the frame's origin, metres.
    pub z_m: f64,
    /// Standard deviation of the height, metres.
    pub sigma_m: f32,
    /// Shortest wavelength of which the field holds more road than noise, metres.
    pub wavelength_m: f32,
    /// Points that made the height.
    pub n: u32,
    /// Bits of [`flags`](super::flags).
    pub flags: u8,
    /// ∂z/∂s of the fitted surface.
    pub slope_s: f32,
    /// ∂z/∂t of the fitted surface.
    pub slope_t: f32,
}

/// A contiguous run of rows of the height field: row-major arrays of `rows · columns` values.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldRows {
    /// The lattice that the rows belong to.
    pub lattice: Lattice,
    /// Global index of the first row.
    pub first_row: usize,
    /// Number of rows here.
    pub rows: usize,
    /// Heights relative to the frame's origin, metres; NaN where there is none.
    pub z_m: Vec<f64>,
    /// Standard deviations of the heights, metres.
    pub sigma_m: Vec<f32>,
    /// Shortest wavelengths of which the field holds more road than noise, metres; NaN where there
    /// is no height.
    pub wavelength_m: Vec<f32>,
    /// Points that made each height.
    pub n: Vec<u32>,
    /// Bits of [`flags`](super::flags).
    pub flags: Vec<u8>,
    /// ∂z/∂s of the fitted surface.
    pub slope_s: Vec<f32>,
    /// ∂z/∂t of the fitted surface.
    pub slope_t: Vec<f32>,
    /// The left edge, one node a row.
    pub left: Vec<RailNode>,
    /// The right edge, one node a row.
    pub right: Vec<RailNode>,
}

impl FieldRows {
    /// Rows `first_row .. first_row + rows` without any height, to be filled.
    ///
    /// # Errors
    /// [`LatticeError::RowsOutside`] when the rows lie outside the lattice. The last row of a
    /// closed course may be followed by row 0, as row `lattice.rows`.
    pub fn empty(lattice: Lattice, first_row: usize, rows: usize) -> Result<Self, LatticeError> {
        let last = first_row.saturating_add(rows.max(1) - 1);
        if rows == 0 || last > lattice.row_gaps() {
            return Err(LatticeError::RowsOutside {
                first: first_row,
                last,
                rows: lattice.rows,
            });
        }
        let nodes = rows * lattice.columns;
        Ok(Self {
            lattice,
            first_row,
            rows,
            z_m: vec![f64::NAN; nodes],
            sigma_m: vec![f32::NAN; nodes],
            wavelength_m: vec![f32::NAN; nodes],
            n: vec![0; nodes],
            flags: vec![0; nodes],
            slope_s: vec![0.0; nodes],
            slope_t: vec![0.0; nodes],
            left: vec![RailNode::VOID; rows],
            right: vec![RailNode::VOID; rows],
        })
    }

    /// Check that every array has the length that the rows ask for.
    ///
    /// # Errors
    /// [`LatticeError`] naming the array and both lengths, or rows outside the lattice.
    pub fn check(&self) -> Result<(), LatticeError> {
        let last = self.first_row.saturating_add(self.rows.max(1) - 1);
        if self.rows == 0 || last > self.lattice.row_gaps() {
            return Err(LatticeError::RowsOutside {
                first: self.first_row,
                last,
                rows: self.lattice.rows,
            });
        }
        let nodes = self.rows * self.lattice.columns;
        let lengths = [
            ("z_m", self.z_m.len(), nodes),
            ("sigma_m", self.sigma_m.len(), nodes),
            ("wavelength_m", self.wavelength_m.len(), nodes),
            ("n", self.n.len(), nodes),
            ("flags", self.flags.len(), nodes),
            ("slope_s", self.slope_s.len(), nodes),
            ("slope_t", self.slope_t.len(), nodes),
            ("left", self.left.len(), self.rows),
            ("right", self.right.len(), self.rows),
        ];
        match lengths
            .into_iter()
            .find(|(_, found, expected)| found != expected)
        {
            None => Ok(()),
            Some((name, found, expected)) => Err(LatticeError::Length {
                name,
                found,
                expected,
            }),
        }
    }

    /// The global index of the last row.
    #[must_use]
    pub fn last_row(&self) -> usize {
        self.first_row + self.rows - 1
    }

    /// Where the values of (global `row`, `column`) stand in the arrays; `None` when not here.
    #[must_use]
    #[inline]
    pub fn index(&self, row: usize, column: usize) -> Option<usize> {
        let local = row.checked_sub(self.first_row)?;
        (local < self.rows && column < self.lattice.columns)
            .then(|| local * self.lattice.columns + column)
    }

    /// What the field holds at (global `row`, `column`); `None` when the row is not here or the
    /// node has no height.
    #[must_use]
    pub fn node(&self, row: usize, column: usize) -> Option<FieldNode> {
        let k = self.index(row, column)?;
        self.z_m[k].is_finite().then(|| FieldNode {
            z_m: self.z_m[k],
            sigma_m: self.sigma_m[k],
            wavelength_m: self.wavelength_m[k],
            n: self.n[k],
            flags: self.flags[k],
            slope_s: self.slope_s[k],
            slope_t: self.slope_t[k],
        })
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "exact small cases")]
mod tests {
    use super::*;

    #[test]
    fn a_closed_lattice_wraps_its_last_section_to_row_zero() {
        let lattice = Lattice::new([0.1, 0.1], 300, -10..11, true).unwrap();
        assert_eq!(lattice.sections(), 3);
        assert_eq!(lattice.section_rows(0), [0, 128]);
        assert_eq!(lattice.section_rows(2), [256, 300]);
        assert_eq!(lattice.row_s_m(300), 0.0);
        assert_eq!(lattice.column_t_m(0), -1.0);
        assert_eq!(lattice.columns, 21);
    }

    #[test]
    fn an_open_lattice_ends_at_its_last_row() {
        let lattice = Lattice::new([0.1, 0.1], 257, 0..5, false).unwrap();
        assert_eq!(lattice.sections(), 2);
        assert_eq!(lattice.section_rows(1), [128, 256]);
    }

    #[test]
    fn a_lattice_along_a_line_ends_exactly_at_its_end_in_whole_blocks() {
        for closed in [false, true] {
            let lattice = Lattice::along(1003.7, 0.1, [-5.03, 4.0], closed).unwrap();
            assert_eq!(lattice.row_gaps() % 8, 0);
            #[expect(clippy::cast_precision_loss, reason = "a small count")]
            let length = lattice.row_gaps() as f64 * lattice.s_step_m;
            // Rounding of one product of 1e3 m.
            assert!((length - 1003.7).abs() < 1e-9);
            assert!(lattice.column_t_m(0) < -5.1 && lattice.column_t_m(0) > -5.25);
        }
    }

    #[test]
    fn senseless_lattices_are_refused_with_their_numbers() {
        let bad = Lattice::new([0.1, f64::NAN], 10, 0..5, false);
        assert!(matches!(bad, Err(LatticeError::BadStep { .. })));
        let none = Lattice::new([0.1, 0.1], 10, 5..5, false);
        assert_eq!(
            none,
            Err(LatticeError::TooSmall {
                rows: 10,
                columns: 0
            })
        );
        let vast = Lattice::new([0.1, 0.1], usize::MAX, 0..5, false);
        assert!(matches!(vast, Err(LatticeError::TooLarge { .. })));
    }

    #[test]
    fn rows_give_nodes_by_global_index_and_nothing_where_no_height_is() {
        let lattice = Lattice::new([0.1, 0.1], 300, 0..5, true).unwrap();
        let mut rows = FieldRows::empty(lattice, 256, 45).unwrap();
        let k = rows.index(300, 2).unwrap();
        rows.z_m[k] = 7.0;
        assert_eq!(rows.node(300, 2).unwrap().z_m, 7.0);
        assert_eq!(rows.node(300, 1), None);
        assert_eq!(rows.node(255, 2), None);
        assert_eq!(rows.node(300, 5), None);
        assert!(FieldRows::empty(lattice, 256, 46).is_err());
    }

    #[test]
    fn an_array_of_wrong_length_is_named() {
        let lattice = Lattice::new([0.1, 0.1], 300, 0..5, false).unwrap();
        let mut rows = FieldRows::empty(lattice, 0, 10).unwrap();
        rows.check().unwrap();
        rows.flags.pop();
        let error = rows.check().unwrap_err().to_string();
        assert_eq!(error, "flags holds 49 values where 50 belong");
    }
}
