//! The file: header and rows, as text or big-endian numbers.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::line::Chords;
use crate::export::draft::{Draft, WriteError, named};
use crate::numeric::to_f32;

/// Bytes of a record of the binary format.
const RECORD: usize = 80;
/// Fields of a record of the text format, and characters of a field.
const FIELDS: usize = 8;
const FIELD: usize = 10;

/// What the header of a grid tells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CrgGrid<'a> {
    /// The reference line.
    pub chords: &'a Chords,
    /// World coordinates of the zero of the chords, metres.
    pub origin_m: [f64; 3],
    /// Height of the reference line at its first and last corner, relative to the zero, metres.
    pub ends_z_m: [f64; 2],
    /// Column k of `columns` lies at v = (`first_column` + k) · `dv_m`.
    pub dv_m: f64,
    /// See [`CrgGrid::dv_m`].
    pub first_column: i32,
    /// Number of long sections.
    pub columns: usize,
    /// Slope and banking at both ends.
    pub ends_slope_banking: [[f64; 2]; 2],
}

/// One cross section of a grid.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Row<'a> {
    head: [f64; 3],
    grid: &'a [f64],
}

/// Writes a grid row by row, as OpenCRG 1.2 in single precision: text (`LRFI`) or binary
/// (`KRBI`).
///
/// Positions are world coordinates; an empty part of modifiers keeps readers from moving them.
#[derive(Debug)]
pub struct CrgWriter {
    path: PathBuf,
    body: Draft,
    text: bool,
    bytes: Vec<u8>,
    written: usize,
}

impl CrgWriter {
    /// Begin `path`; `notes` are lines for people.
    ///
    /// # Errors
    /// [`WriteError`] when the draft cannot be made.
    pub fn create(
        path: &Path,
        grid: &CrgGrid,
        text: bool,
        notes: &[String],
    ) -> Result<Self, WriteError> {
        let mut body = Draft::create(named(path, ".part"))?;
        body.put(header(grid, text, notes).as_bytes())?;
        Ok(Self {
            path: path.to_owned(),
            body,
            text,
            bytes: Vec::new(),
            written: 0,
        })
    }

    /// Append a cross section: heading and slope of the chord that ends there (NaN in the first),
    /// its banking, and the grid from right to left (NaN off the road).
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn row(
        &mut self,
        [phi_rad, slope, banking]: [f64; 3],
        grid: &[f64],
    ) -> Result<(), WriteError> {
        self.bytes.clear();
        let row = Row {
            head: [phi_rad, slope, banking],
            grid,
        };
        if self.text {
            row.text(&mut self.bytes);
        } else {
            row.binary(&mut self.bytes);
        }
        self.written += self.bytes.len();
        self.body.put(&self.bytes)
    }

    /// Fill the last record and give the file its name.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn finish(mut self) -> Result<(), WriteError> {
        while !self.text && !self.written.is_multiple_of(RECORD) {
            self.body.put(&f32::NAN.to_be_bytes())?;
            self.written += size_of::<f32>();
        }
        self.body.publish(&self.path)
    }
}

impl Row<'_> {
    fn values(&self) -> impl Iterator<Item = f64> + '_ {
        self.head.into_iter().chain(self.grid.iter().copied())
    }

    fn binary(&self, out: &mut Vec<u8>) {
        for v in self.values() {
            out.extend_from_slice(&to_f32(v).to_be_bytes());
        }
    }

    /// Every row starts a record; a record is filled with blanks.
    fn text(&self, out: &mut Vec<u8>) {
        for (k, v) in self.values().enumerate() {
            if k > 0 && k % FIELDS == 0 {
                out.push(b'\n');
            }
            out.extend_from_slice(field(v).as_bytes());
        }
        out.push(b'\n');
    }
}

/// A number in ten characters; none is a row of stars.
fn field(v: f64) -> String {
    if !v.is_finite() {
        return "*".repeat(FIELD);
    }
    let decimals = (0..=7).rev();
    let mut texts = decimals.map(|d| format!("{v:FIELD$.d$}"));
    texts
        .find(|t| t.len() == FIELD)
        .unwrap_or_else(|| "*".repeat(FIELD))
}

fn header(grid: &CrgGrid, text: bool, notes: &[String]) -> String {
    let mut out = String::from("$CT\n");
    let app = concat!("surface ", env!("CARGO_PKG_VERSION"), ", metres");
    for note in std::iter::once(app).chain(notes.iter().map(String::as_str)) {
        // Lines longer than 72 characters are cut by readers; a section ends with a `$`.
        let clean: String = note
            .chars()
            .map(|c| {
                if c.is_ascii_graphic() && c != '$' {
                    c
                } else {
                    ' '
                }
            })
            .collect();
        for line in clean.as_bytes().chunks(70) {
            let _ = writeln!(out, "{}", String::from_utf8_lossy(line));
        }
    }
    out.push_str("$\n$ROAD_CRG_MODS\n$\n$ROAD_CRG\n");
    for (key, value) in entries(grid) {
        let _ = writeln!(out, "{key:<25} = {value}");
    }
    let format = if text { "LRFI" } else { "KRBI" };
    let _ = write!(
        out,
        "$\n$KD_DEFINITION\n#:{format}\nU:reference line u,m,0.000,{:.3}\n\
         D:reference line phi,rad\nD:reference line slope,m/m\nD:reference line banking,m/m\n",
        grid.chords.du_m
    );
    for k in 1..=grid.columns {
        let _ = writeln!(out, "D:long section {k},m");
    }
    let _ = writeln!(out, "$\n{}", "$".repeat(72));
    out
}

fn entries(grid: &CrgGrid) -> Vec<(&'static str, String)> {
    let rows = grid.chords.s_m.len();
    let [from, to] = grid
        .chords
        .ends_m
        .map(|p| [p[0] + grid.origin_m[0], p[1] + grid.origin_m[1]]);
    let [low, high] = grid.ends_z_m.map(|z| z + grid.origin_m[2]);
    let [start, end] = grid.ends_slope_banking;
    let phi = |k: usize| grid.chords.phi_rad.get(k).copied().unwrap_or(0.0);
    let column = |k: f64| format!("{:.3}", (f64::from(grid.first_column) + k) * grid.dv_m);
    let precise = |v: f64| format!("{v:.16e}");
    let last = rows.saturating_sub(1);
    vec![
        ("REFERENCE_LINE_START_U", "0.000".to_owned()),
        (
            "REFERENCE_LINE_END_U",
            format!("{:.3}", last as f64 * grid.chords.du_m),
        ),
        (
            "REFERENCE_LINE_INCREMENT",
            format!("{:.3}", grid.chords.du_m),
        ),
        ("LONG_SECTION_V_RIGHT", column(0.0)),
        (
            "LONG_SECTION_V_LEFT",
            column(grid.columns.saturating_sub(1) as f64),
        ),
        ("LONG_SECTION_V_INCREMENT", format!("{:.3}", grid.dv_m)),
        ("REFERENCE_LINE_START_X", precise(from[0])),
        ("REFERENCE_LINE_START_Y", precise(from[1])),
        ("REFERENCE_LINE_START_Z", precise(low)),
        ("REFERENCE_LINE_START_PHI", precise(phi(1))),
        ("REFERENCE_LINE_START_S", precise(start[0])),
        ("REFERENCE_LINE_START_B", precise(start[1])),
        ("REFERENCE_LINE_END_X", precise(to[0])),
        ("REFERENCE_LINE_END_Y", precise(to[1])),
        ("REFERENCE_LINE_END_Z", precise(high)),
        ("REFERENCE_LINE_END_PHI", precise(phi(last))),
        ("REFERENCE_LINE_END_S", precise(end[0])),
        ("REFERENCE_LINE_END_B", precise(end[1])),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_takes_ten_characters() {
        assert_eq!(field(0.012_345_6), " 0.0123456");
        assert_eq!(field(-3.000_000_46), "-3.0000005");
        assert_eq!(field(-12.5), "-12.500000");
        assert_eq!(field(f64::NAN), "**********");
        assert_eq!(field(-1e12), "**********");
        for v in [0.0, -0.0, 1e-9, -99_999.0, 123_456_789.0] {
            assert_eq!(field(v).len(), FIELD);
        }
    }

    #[test]
    fn a_binary_file_ends_with_a_whole_record() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.crg");
        let chords = Chords {
            du_m: 0.1,
            s_m: vec![0.0, 0.1],
            phi_rad: vec![f64::NAN, 0.0],
            ends_m: [[0.0, 0.0], [0.1, 0.0]],
        };
        let grid = CrgGrid {
            chords: &chords,
            origin_m: [500_000.0, 5_000_000.0, 100.0],
            ends_z_m: [1.0, 1.0],
            dv_m: 0.1,
            first_column: -1,
            columns: 3,
            ends_slope_banking: [[0.0; 2]; 2],
        };
        let mut writer = CrgWriter::create(&path, &grid, false, &["a $ note".to_owned()]).unwrap();
        for _ in 0..2 {
            writer
                .row([0.0, 0.0, 0.5], &[f64::NAN, 0.25, -1.0])
                .unwrap();
        }
        writer.finish().unwrap();
        let bytes = std::fs::read(&path).unwrap();
        let end = [&b"$"[..]; 72].concat();
        let at = bytes.windows(72).position(|w| w == end).unwrap() + 73;
        assert_eq!(bytes.len() - at, RECORD);
        assert_eq!(bytes[at + 8..at + 12], 0.5f32.to_be_bytes());
        assert_eq!(bytes[at + 16..at + 20], 0.25f32.to_be_bytes());
        let head = String::from_utf8_lossy(&bytes[..at]);
        assert!(head.lines().all(|l| l.len() <= 72), "{head}");
        assert!(head.contains("REFERENCE_LINE_START_X    = 5.0000000000000000e5"));
        assert!(head.contains("LONG_SECTION_V_LEFT       = 0.100"));
    }
}
