//! Delimited text: x y z [intensity] in columns, with or without a header line.
//!
//! Columns are parted by commas, semicolons, tabs or blanks. Lines that begin with `#` or `//`
//! are comments; one with the names of columns is a header all the same, since some programs
//! write it so, when the first line of points has as many columns as it has words. A line with a
//! single whole number is the count of the points that follow. Text has no checksum: a number cut short at the very end of a file cannot be told from a whole one.

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use super::error::ReadError;
use super::intensity::Scale;
use super::lines::Lines;
use super::source::{Head, Opened, SetupRule, Source};
use super::units::CrsUnits;
use crate::cloud::Columns;

/// Points of a batch.
const BATCH: usize = 65_536;
/// Lines looked at for the layout before giving up.
const LOOK: usize = 1000;

/// Which column holds what.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Layout {
    delimiter: Delimiter,
    xyz: [usize; 3],
    intensity: Option<usize>,
    time: Option<usize>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Delimiter {
    Char(char),
    Blank,
}

impl Delimiter {
    fn of(line: &str) -> Self {
        let found = [';', '\t', ','].into_iter().find(|&c| line.contains(c));
        found.map_or(Self::Blank, Self::Char)
    }

    /// Call `f` with every field and its number.
    fn each<'a>(self, line: &'a str, mut f: impl FnMut(usize, &'a str)) {
        match self {
            Self::Char(c) => line.split(c).enumerate().for_each(|(k, v)| f(k, v.trim())),
            Self::Blank => line
                .split_ascii_whitespace()
                .enumerate()
                .for_each(|(k, v)| f(k, v)),
        }
    }

    fn fields(self, line: &str) -> Vec<&str> {
        let mut out = Vec::new();
        self.each(line, |_, v| out.push(v));
        out
    }
}

/// Names that columns go by, lower case.
const NAMES: [(&[&str], Role); 5] = [
    (&["x", "east", "easting", "e"], Role::X),
    (&["y", "north", "northing", "n"], Role::Y),
    (&["z", "height", "elevation", "h", "up"], Role::Z),
    (
        &[
            "intensity",
            "i",
            "scalar_intensity",
            "scalar intensity",
            "reflectance",
        ],
        Role::Intensity,
    ),
    (
        &["time", "gpstime", "gps_time", "gps time", "gps-time"],
        Role::Time,
    ),
];

#[derive(Debug, Clone, Copy, PartialEq)]
enum Role {
    X,
    Y,
    Z,
    Intensity,
    Time,
}

/// What a line turns out to be.
enum Line<'a> {
    Nothing,
    Count(u64),
    /// A comment that may name columns.
    Named(&'a str),
    Header(Layout),
    Data(Layout),
}

fn comment(line: &str) -> Option<&str> {
    line.strip_prefix('#').or_else(|| line.strip_prefix("//"))
}

/// Read the first lines; `None` when they are no columns of numbers.
fn classify(line: &str) -> Option<Line<'_>> {
    if line.is_empty() {
        return Some(Line::Nothing);
    }
    if let Some(rest) = comment(line) {
        let rest = rest.trim();
        return Some(header(rest).map_or(Line::Nothing, |_| Line::Named(rest)));
    }
    if let Ok(count) = line.parse() {
        return Some(Line::Count(count));
    }
    header(line)
        .map(Line::Header)
        .or_else(|| data(line).map(Line::Data))
}

fn header(line: &str) -> Option<Layout> {
    let delimiter = Delimiter::of(line);
    let fields = delimiter.fields(line);
    let find = |role: Role| {
        let (names, _) = NAMES.iter().find(|(_, r)| *r == role)?;
        let clean = |f: &str| f.trim_matches(['"', '\'', ' ']).to_ascii_lowercase();
        fields
            .iter()
            .position(|f| names.contains(&clean(f).as_str()))
    };
    Some(Layout {
        delimiter,
        xyz: [find(Role::X)?, find(Role::Y)?, find(Role::Z)?],
        intensity: find(Role::Intensity),
        time: find(Role::Time),
    })
}

/// The layout that a comment names, if `first`, the first line that is none, has as many columns:
/// a comment may speak of x, y and z without being a header. What parts columns is told by the line.
fn named(comment: &str, first: &str) -> Option<Layout> {
    let count = |delimiter: Delimiter, line: &str| {
        let fields = delimiter.fields(line);
        let empty = fields.iter().rev().take_while(|f| f.is_empty()).count();
        fields.len() - empty
    };
    let layout = header(comment)?;
    let delimiter = Delimiter::of(first);
    let same = count(layout.delimiter, comment) == count(delimiter, first);
    let named = Layout {
        delimiter,
        ..layout
    };
    (same && named.row(first).is_ok()).then_some(named)
}

/// The layout of a line of numbers: x y z, then intensity unless the rest is a colour (six
/// columns: x y z red green blue).
fn data(line: &str) -> Option<Layout> {
    let delimiter = Delimiter::of(line);
    let fields = delimiter.fields(line);
    let numbers = fields
        .iter()
        .take_while(|f| f.parse::<f64>().is_ok())
        .count();
    (numbers >= 3).then_some(Layout {
        delimiter,
        xyz: [0, 1, 2],
        intensity: (numbers > 3 && numbers != 6).then_some(3),
        time: None,
    })
}

/// Open a text file whose first bytes are text.
pub(super) fn open(path: &Path) -> Result<Opened, ReadError> {
    let fail = |e| ReadError::from_io(path, e);
    let mut first = Lines::new(path, File::open(path).map_err(fail)?);
    let (layout, declared_points) = layout(path, &mut first)?;
    let head = Head {
        format: "text".to_owned(),
        declared_points,
        bounds: None,
        step: None,
        units: CrsUnits::Silent,
        crs: None,
        crs_record: None,
        crs_units: None,
        has_intensity: layout.intensity.is_some(),
        has_time: layout.time.is_some(),
        setups: SetupRule::File,
        notes: Vec::new(),
    };
    let file = File::open(path).map_err(fail)?;
    let source = TextSource {
        path: path.to_owned(),
        guessed: guess(&file),
        lines: Lines::new(path, file),
        layout,
        counted: None,
        found: 0,
        scale: None,
        raw_intensity: Vec::new(),
    };
    Ok(Opened {
        head,
        source: Box::new(source),
    })
}

/// Windows that the number of lines is guessed by, evenly spread over the file.
const WINDOWS: u64 = 8;
/// Bytes of a window.
const WINDOW: u64 = 1 << 16;

/// About how many points a file has, one at least: lines in some windows of it, as if the rest were
/// like them, for lines may grow with their number. `None` for what has no length, such as a pipe.
fn guess(file: &File) -> Option<u64> {
    let len = file
        .metadata()
        .ok()
        .filter(std::fs::Metadata::is_file)?
        .len();
    let last = len.saturating_sub(WINDOW);
    let windows = if last == 0 { 1 } else { WINDOWS };
    let (mut lines, mut bytes) = (0, 0);
    let mut window = Vec::new();
    for k in 0..windows {
        let at = last / (windows - 1).max(1) * k;
        window.resize(usize::try_from(len.min(WINDOW)).unwrap_or(0), 0);
        file.read_exact_at(&mut window, at).ok()?;
        lines += window.iter().map(|&b| u64::from(b == b'\n')).sum::<u64>();
        bytes += window.len() as u64;
    }
    // The last line may have no end.
    Some((len.saturating_mul(lines) / bytes.max(1)).max(1))
}

fn layout(path: &Path, lines: &mut Lines) -> Result<(Layout, Option<u64>), ReadError> {
    let (mut declared, mut names) = (None, String::new());
    for _ in 0..LOOK {
        let Some(line) = lines.next()? else { break };
        if !line.is_empty()
            && comment(line).is_none()
            && let Some(layout) = named(&names, line)
        {
            return Ok((layout, declared));
        }
        match classify(line) {
            Some(Line::Nothing) => {}
            Some(Line::Named(line)) => line.clone_into(&mut names),
            Some(Line::Count(count)) => declared = Some(count),
            Some(Line::Header(layout) | Line::Data(layout)) => return Ok((layout, declared)),
            None => {
                let start: String = line.chars().take(40).collect();
                let found =
                    format!("'{start}' is neither x y z in numbers nor the names of columns");
                return Err(unknown(path, found));
            }
        }
    }
    Err(unknown(path, "text without a line of numbers".to_owned()))
}

fn unknown(path: &Path, found: String) -> ReadError {
    ReadError::UnknownFormat {
        path: path.to_owned(),
        found,
    }
}

struct TextSource {
    path: PathBuf,
    /// About how many points there are.
    guessed: Option<u64>,
    lines: Lines,
    layout: Layout,
    /// Sum of the counts that the file states, if it states any.
    counted: Option<u64>,
    found: u64,
    scale: Option<Scale>,
    raw_intensity: Vec<f64>,
}

/// The numbers of one line.
struct Row {
    xyz: [f64; 3],
    intensity: f64,
    time: f64,
}

impl Layout {
    /// The numbers of a line; the text and number of the first column that is none.
    fn row(self, line: &str) -> Result<Row, String> {
        let mut row = Row {
            xyz: [0.0; 3],
            intensity: 0.0,
            time: 0.0,
        };
        let (mut found, mut wrong) = (0, None);
        self.delimiter.each(line, |k, field| {
            let axis = self.xyz.iter().position(|&c| c == k);
            let slot = match axis {
                Some(axis) => &mut row.xyz[axis],
                None if Some(k) == self.intensity => &mut row.intensity,
                None if Some(k) == self.time => &mut row.time,
                None => return,
            };
            match field.parse() {
                Ok(v) => *slot = v,
                Err(_) => wrong = wrong.or(Some((k, field))),
            }
            found += usize::from(axis.is_some());
        });
        match wrong {
            Some((k, field)) => {
                let start: String = field.chars().take(20).collect();
                Err(format!("'{start}' is no number in column {}", k + 1))
            }
            None if found < 3 => Err("fewer columns than x, y and z need".to_owned()),
            None => Ok(row),
        }
    }
}

impl TextSource {
    /// Read one line; whether the file goes on.
    fn line(&mut self, out: &mut Columns) -> Result<bool, ReadError> {
        let layout = self.layout;
        let row = match self.lines.next()? {
            None => return Ok(false),
            Some(line) if line.is_empty() || comment(line).is_some() => return Ok(true),
            Some(line) => match layout.row(line) {
                Ok(row) => Ok(row),
                Err(_) if header(line).is_some() => return Ok(true),
                Err(what) => match line.parse::<u64>() {
                    Ok(count) => {
                        let sum = self.counted.unwrap_or(0).saturating_add(count);
                        self.counted = Some(sum);
                        return Ok(true);
                    }
                    Err(_) => Err(what),
                },
            },
        };
        let row = row.map_err(|what| self.lines.damaged(what))?;
        out.push(row.xyz, 0, 0);
        self.raw_intensity.push(row.intensity);
        if let (Some(time), Some(_)) = (&mut out.time_s, layout.time) {
            time.push(row.time);
        }
        Ok(true)
    }

    fn at_end(&self) -> Result<(), ReadError> {
        match self.counted {
            Some(declared) if declared != self.found => Err(ReadError::WrongCount {
                path: self.path.clone(),
                declared,
                found: self.found,
            }),
            _ => Ok(()),
        }
    }
}

impl Source for TextSource {
    fn guessed_points(&self) -> Option<u64> {
        self.guessed
    }

    fn next(&mut self, out: &mut Columns) -> Result<usize, ReadError> {
        out.clear();
        self.raw_intensity.clear();
        out.time_s = self
            .layout
            .time
            .map(|_| out.time_s.take().unwrap_or_default());
        while out.len() < BATCH {
            if !self.line(out)? {
                break;
            }
        }
        if self.layout.intensity.is_some() {
            let raw = &self.raw_intensity;
            let scale = *self.scale.get_or_insert_with(|| Scale::learned(raw));
            out.intensity.clear();
            out.intensity.extend(raw.iter().map(|&v| scale.apply(v)));
        }
        self.found += out.len() as u64;
        if out.is_empty() {
            self.at_end()?;
        }
        Ok(out.len())
    }
}

#[cfg(test)]
mod tests {
    use crate::cloud::io::testing::{read, read_text};

    #[test]
    fn every_delimiter_and_header_gives_the_same_points() {
        let texts = [
            "1.5 2 -3e1 7\n4 5 6 8\n",
            "1.5,2,-3e1,7\r\n4,5,6,8\r\n",
            "1.5\t2\t-3e1\t7\n4\t5\t6\t8",
            "# a comment\n\n1.5;2;-3e1;7\n// another\n4;5;6;8\n",
            "//X Y Z Intensity\n1.5 2 -3e1 7\n4 5 6 8\n",
            "\u{feff}\"Intensity\",\"Easting\",\"Northing\",\"Height\"\n7,1.5,2,-30\n8,4,5,6\n",
            "2\n  1.5   2 -3e1 7 1 2 3\n 4 5 6 8 1 2 3\n",
        ];
        for text in texts {
            let (all, _) = read_text("a.xyz", text).unwrap();
            let expected = (vec![1.5, 4.0], vec![2.0, 5.0], vec![-30.0, 6.0], vec![7, 8]);
            assert_eq!((all.x, all.y, all.z, all.intensity), expected, "{text}");
        }
    }

    #[test]
    fn a_comment_that_speaks_of_columns_names_them_only_when_it_has_as_many_words() {
        let texts = [
            "# columns: x y z intensity\n1.5 2 -30 7\n",
            "# the y axis points north, x east, z up\n1.5,2,-30,7\n",
            "# i z y x\n# a remark\n7 -30 2 1.5\n",
            "//Y;X;Z;I\n1\n2,1.5,-30,7\n",
            "# id x y z i\na1 1.5 2 -30 7\n",
        ];
        for text in texts {
            let (all, _) = read_text("a.xyz", text).unwrap();
            let point = (&all.x[..], &all.y[..], &all.z[..], &all.intensity[..]);
            let expected: (&[_], &[_], &[_], &[_]) = (&[1.5], &[2.0], &[-30.0], &[7]);
            assert_eq!(point, expected, "{text}");
        }
    }

    #[test]
    fn time_and_missing_intensity_are_told_apart_by_the_header() {
        let (all, scans) = read_text("a.csv", "x,y,z,time\n1,2,3,99.5\n").unwrap();
        assert_eq!(all.time_s, Some(vec![99.5]));
        assert!(!scans.files()[0].has_intensity && scans.files()[0].has_time);
        let (all, scans) = read_text("a.csv", "1,2,3,200,100,50\n").unwrap();
        assert!(!scans.files()[0].has_intensity && all.intensity == [0]);
    }

    #[test]
    fn numbers_that_are_none_are_counted_and_dropped() {
        let (all, scans) = read_text("a.txt", "1 2 3\nnan 2 3\n1 inf 3\n4 5 6\n").unwrap();
        assert_eq!((all.x, scans.rejected()), (vec![1.0, 4.0], 2));
    }

    #[test]
    fn a_wrong_line_is_named() {
        let error = |text| read_text("a.txt", text).unwrap_err().to_string();
        assert!(error("1 2 3\n4 5 x\n").ends_with("'x' is no number in column 3 at line 2"));
        assert!(error("1 2 3\n4 5\n").ends_with("fewer columns than x, y and z need at line 2"));
        assert!(error("3\n1 2 3\n4 5 6\n").contains("3 points are declared, 2 are there"));
        assert!(error("hello world\n").contains("'hello world' is neither"));
        assert!(error("# nothing\n").contains("without a line of numbers"));
        assert!(error("x,y,z\n").contains("no point in 1 file"));
        assert!(error(&format!("1 2 3\n{}", "1".repeat(70_000))).contains("more than 65536"));
    }

    #[test]
    fn how_many_points_there_are_is_guessed_by_the_length_and_not_promised() {
        let rows = |rows: u32| (0..rows).map(|k| format!("{k} {k}.5 -30.25 7\n"));
        let texts = [
            (rows(20_000).collect::<String>(), 20_000.0),
            (
                format!("# remark\nx,y,z\n{}", "1.5,2.5,3.5\r\n".repeat(9000)),
                9000.0,
            ),
            ("1 2 3\n".to_owned(), 1.0),
            ("1 2 3".to_owned(), 1.0),
            // A few short lines, and many long ones.
            (
                "1 2 3\n".repeat(2000) + &"1.000001 2.000002 3.000003 4\n".repeat(40_000),
                42_000.0,
            ),
        ];
        for (text, points) in texts {
            let (all, scans) = read_text("a.xyz", &text).unwrap();
            assert_eq!(all.x.len(), crate::numeric::to_index(points));
            assert_eq!(scans.declared_points(), None);
            // Lines grow with their number: the first thousand are shorter than all.
            let guessed = scans.guessed_points().unwrap() as f64;
            assert!(
                (0.99 * points..1.06 * points + 2.0).contains(&guessed),
                "{guessed} of {points}"
            );
        }
        let (_, scans) = read_text("a.pts", "2\n1 2 3\n4 5 6\n").unwrap();
        assert_eq!(
            (scans.declared_points(), scans.guessed_points()),
            (Some(2), Some(2))
        );
    }

    #[test]
    fn a_long_file_is_read_in_batches() {
        use std::fmt::Write;
        let mut text = String::new();
        for k in 0..100_000 {
            writeln!(text, "{k} 0 0").unwrap();
        }
        let (all, _) = read_text("a.txt", &text).unwrap();
        assert!(all.x.is_sorted() && all.len() == 100_000);
    }

    #[test]
    fn bytes_that_are_no_text_are_an_error_with_its_line() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.txt");
        std::fs::write(&path, b"1 2 3\n1 2 \xff\n").unwrap();
        let error = read(&[path]).unwrap_err().to_string();
        assert!(
            error.ends_with("bytes that are no text at line 2"),
            "{error}"
        );
    }
}
