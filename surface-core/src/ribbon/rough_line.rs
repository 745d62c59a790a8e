//! A rough line along the course, as a person draws it: CSV or GeoJSON.

use serde_json::Value;

use crate::geom::{ends_meet, without_repeats};

/// Points nearer than this are one point, metres.
const REPEAT_M: f64 = 1e-3;

/// Why a text is not a rough line.
#[derive(Debug, thiserror::Error)]
pub enum RoughLineError {
    /// A row that is not two or three numbers.
    #[error("{file}, line {line}: {text:?} is not x,y or x,y,z (decimal points, one point a row)")]
    Row {
        /// The file.
        file: String,
        /// Row, counted from 1.
        line: usize,
        /// What it says.
        text: String,
    },
    /// Not JSON.
    #[error("{file}, line {line}: not JSON: {source}")]
    Json {
        /// The file.
        file: String,
        /// Row, counted from 1.
        line: usize,
        /// What the parser said.
        source: serde_json::Error,
    },
    /// GeoJSON without a line.
    #[error("{file}: no LineString, MultiLineString or Polygon in it; draw the course as one line")]
    NoLine {
        /// The file.
        file: String,
    },
    /// A position that is not two numbers.
    #[error("{file}: position {index} of the line is not a pair of numbers")]
    Position {
        /// The file.
        file: String,
        /// Which position, from 0.
        index: usize,
    },
    /// Too few different points.
    #[error("{file}: {points} different points are too few for a course, 3 are needed")]
    TooFew {
        /// The file.
        file: String,
        /// How many there are.
        points: usize,
    },
}

impl RoughLineError {
    /// What the user can do about it, as one sentence.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Row { .. } => "correct that row of the line, or begin it with #",
            Self::Json { .. } => {
                "save the line as GeoJSON again, or give it as CSV with one x,y a row"
            }
            Self::NoLine { .. } => "give GeoJSON with one LineString along the course",
            Self::Position { .. } => {
                "give every position of the line as [x, y], in the scans' coordinates"
            }
            Self::TooFew { .. } => {
                "give three points or more along the course, tens of metres apart"
            }
        }
    }
}

/// A rough line in world coordinates.
#[derive(Debug, Clone, PartialEq)]
pub struct RoughLine {
    /// World x, y, metres (in the unit of the file; the caller knows it).
    pub points: Vec<[f64; 2]>,
    /// Whether the course is closed, as the file says it (`"closed"` of the reference line, or of a
    /// single feature); else whether the ends are nearer than 2 % of the length.
    pub closed: bool,
}

impl RoughLine {
    /// Read a line from the text of a CSV (x,y\[,z\], optional header, `#` comments, commas,
    /// semicolons, tabs or blanks) or GeoJSON file (the first line in it; in a ribbon file the
    /// reference line). `file` is only for messages.
    ///
    /// # Errors
    /// [`RoughLineError`] with file, row and what to do.
    pub fn parse(file: &str, text: &str) -> Result<Self, RoughLineError> {
        let text = text.trim_start_matches('\u{feff}');
        let (points, said) = if text.trim_start().starts_with(['{', '[']) {
            from_geojson(file, text)?
        } else {
            (from_csv(file, text)?, None)
        };
        let points = without_repeats(&points, false, REPEAT_M);
        if points.len() < 3 {
            let (file, points) = (file.to_owned(), points.len());
            return Err(RoughLineError::TooFew { file, points });
        }
        let closed = said.unwrap_or_else(|| ends_meet(&points));
        let points = without_repeats(&points, closed, REPEAT_M);
        Ok(Self { points, closed })
    }
}

fn from_csv(file: &str, text: &str) -> Result<Vec<[f64; 2]>, RoughLineError> {
    let mut points = Vec::new();
    let mut header_seen = false;
    for (k, row) in text.lines().enumerate() {
        let row = row.trim();
        if row.is_empty() || row.starts_with('#') {
            continue;
        }
        match numbers(row) {
            Some(point) => points.push(point),
            None if points.is_empty() && !header_seen && has_letters(row) => header_seen = true,
            None => {
                let (file, text) = (file.to_owned(), row.chars().take(80).collect());
                let line = k + 1;
                return Err(RoughLineError::Row { file, line, text });
            }
        }
    }
    Ok(points)
}

fn has_letters(row: &str) -> bool {
    row.chars().any(char::is_alphabetic)
}

fn numbers(row: &str) -> Option<[f64; 2]> {
    let fields = row.split([',', ';', '\t', ' ']).map(str::trim);
    let values: Result<Vec<f64>, _> = fields.filter(|f| !f.is_empty()).map(str::parse).collect();
    match values.ok()?.as_slice() {
        [x, y] | [x, y, _] if (x + y).is_finite() => Some([*x, *y]),
        _ => None,
    }
}

/// The positions, and whether a ribbon file says that the line is closed.
type Found = (Vec<[f64; 2]>, Option<bool>);

fn from_geojson(file: &str, text: &str) -> Result<Found, RoughLineError> {
    let value: Value = serde_json::from_str(text).map_err(|source| RoughLineError::Json {
        file: file.to_owned(),
        line: source.line(),
        source,
    })?;
    let whole = reference_feature(&value).unwrap_or(&value);
    let said = whole["properties"]["closed"].as_bool();
    let no_line = || RoughLineError::NoLine {
        file: file.to_owned(),
    };
    let positions = line_in(whole).ok_or_else(no_line)?;
    let points: Result<Vec<[f64; 2]>, RoughLineError> = positions
        .iter()
        .enumerate()
        .map(|(index, p)| position(p).ok_or_else(|| bad_position(file, index)))
        .collect();
    Ok((points?, said))
}

fn bad_position(file: &str, index: usize) -> RoughLineError {
    let file = file.to_owned();
    RoughLineError::Position { file, index }
}

fn position(value: &Value) -> Option<[f64; 2]> {
    Some([value.get(0)?.as_f64()?, value.get(1)?.as_f64()?])
}

fn reference_feature(value: &Value) -> Option<&Value> {
    let features = value.get("features")?.as_array()?;
    features
        .iter()
        .find(|f| f["properties"]["role"] == "reference_line")
}

/// The first line in a geometry, feature or collection.
fn line_in(value: &Value) -> Option<&Vec<Value>> {
    let coordinates = &value["coordinates"];
    match value["type"].as_str()? {
        "LineString" => coordinates.as_array(),
        "MultiLineString" | "Polygon" => coordinates.get(0)?.as_array(),
        "Feature" => line_in(&value["geometry"]),
        "FeatureCollection" => value["features"].as_array()?.iter().find_map(line_in),
        "GeometryCollection" => value["geometries"].as_array()?.iter().find_map(line_in),
        _ => None,
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "read as written")]
mod tests {
    use super::*;

    #[test]
    fn csv_with_header_comments_and_heights_gives_the_points() {
        let text = "\u{feff}# by hand\nx;y;z\n0; 0; 1\n\n10;0;1\n10 10 2\n";
        let line = RoughLine::parse("a.csv", text).unwrap();
        assert_eq!(line.points, [[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]]);
        assert!(!line.closed);
    }

    #[test]
    fn a_bad_row_is_named() {
        let error = RoughLine::parse("a.csv", "x,y\n0,0\n1,zwei\n").unwrap_err();
        assert!(
            error.to_string().starts_with("a.csv, line 3: \"1,zwei\""),
            "{error}"
        );
        assert!(RoughLine::parse("a.csv", "1,2,3,4\n").is_err());
        let few = RoughLine::parse("a.csv", "1,2\n1,2\n").unwrap_err();
        assert!(matches!(few, RoughLineError::TooFew { points: 1, .. }));
    }

    #[test]
    fn ends_that_meet_make_a_closed_course() {
        let ring = |gap: f64| format!("0,0\n100,0\n100,100\n0,100\n0,{gap}\n");
        assert!(RoughLine::parse("r", &ring(7.0)).unwrap().closed);
        assert!(!RoughLine::parse("r", &ring(25.0)).unwrap().closed);
        let exact = RoughLine::parse("r", &ring(0.0)).unwrap();
        assert_eq!(exact.points.len(), 4);
    }

    #[test]
    fn any_line_in_geojson_is_taken_and_the_reference_line_first() {
        let bare = r#"{"type":"LineString","coordinates":[[0,0],[1,0],[5,5.5]]}"#;
        assert_eq!(RoughLine::parse("g", bare).unwrap().points[2], [5.0, 5.5]);
        let role = |role: &str, x: u8| {
            format!(
                r#"{{"type":"Feature","properties":{{"role":"{role}","closed":true}},"geometry":
                {{"type":"LineString","coordinates":[[{x},0],[9,0],[9,99]]}}}}"#
            )
        };
        let text = format!(
            r#"{{"type":"FeatureCollection","features":[{},{}]}}"#,
            role("left_edge", 1),
            role("reference_line", 2)
        );
        let line = RoughLine::parse("g", &text).unwrap();
        assert!(line.closed);
        assert_eq!(line.points[0], [2.0, 0.0]);
    }

    #[test]
    fn a_file_that_says_open_is_open_though_its_ends_meet() {
        let said = |closed: &str| {
            let text = format!(
                r#"{{"type":"Feature","properties":{{{closed}}},"geometry":{{"type":"LineString",
                "coordinates":[[0,0],[100,0],[100,100],[0,100],[0,1]]}}}}"#
            );
            RoughLine::parse("g", &text).unwrap().closed
        };
        assert!(said("") && said(r#""closed":true"#));
        assert!(!said(r#""closed":false"#));
    }

    #[test]
    fn geojson_without_a_line_says_so() {
        let point = r#"{"type":"Point","coordinates":[0,0]}"#;
        assert!(matches!(
            RoughLine::parse("g", point),
            Err(RoughLineError::NoLine { .. })
        ));
        assert!(matches!(
            RoughLine::parse("g", "{\n"),
            Err(RoughLineError::Json { .. })
        ));
        let bad = r#"{"type":"LineString","coordinates":[[0,0],["a",0],[5,5.5]]}"#;
        assert!(matches!(
            RoughLine::parse("g", bad),
            Err(RoughLineError::Position { index: 1, .. })
        ));
    }
}
