//! The ribbon with its heights, station by station, and the spots.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use super::ExportParams;
use super::report::ExportReport;
use super::stream::sections;
use crate::build::BuildError;
use crate::build::built::FinishedBuild;
use crate::build::finished::not_a_build;
use crate::build::folder::write_error;
use crate::export::{ParquetWriter, TextFile};
use crate::mesh::{MeshSection, SectionIndex};
use crate::numeric::to_index;
use crate::progress::Progress;
use crate::ribbon::RibbonPoint;

/// Columns of the table of stations: metres in world coordinates, radians, ratios.
pub(super) const COLUMNS: [&str; 18] = [
    "s_m",
    "x_m",
    "y_m",
    "z_m",
    "sigma_m",
    "heading_rad",
    "curvature_per_m",
    "crossfall",
    "left_t_m",
    "left_x_m",
    "left_y_m",
    "left_z_m",
    "right_t_m",
    "right_x_m",
    "right_y_m",
    "right_z_m",
    "width_m",
    "grade",
];
const GRADE: usize = 17;
/// Heights at an edge are read as near to it as the mesh has any, metres: its sides are straight
/// from row to row, the edges are not.
const INSIDE_M: [f64; 4] = [1e-6, 1e-3, 5e-3, 2e-2];
/// The grade is taken over ± this way, metres.
const GRADE_REACH_M: f64 = 1.0;

type Station = [f64; COLUMNS.len()];

/// Where stations lie: equally spaced, the end of an open course included.
struct Stations<'a> {
    build: &'a FinishedBuild,
    step_m: f64,
    count: usize,
}

impl<'a> Stations<'a> {
    fn of(build: &'a FinishedBuild, wanted_m: f64) -> Self {
        let length = build.ribbon.line.length_m();
        let pieces = to_index((length / wanted_m).round()).max(2);
        Self {
            build,
            step_m: length / pieces as f64,
            count: pieces + usize::from(!build.ribbon.line.is_closed()),
        }
    }

    fn s_m(&self, k: usize) -> f64 {
        k as f64 * self.step_m
    }

    /// The stations whose rows a section holds.
    fn range(&self, section: usize) -> std::ops::Range<usize> {
        let [from, to] = self.build.lattice.section_rows(section);
        let first = |row: usize| {
            to_index((row as f64 * self.build.lattice.s_step_m / self.step_m - 1e-9).ceil())
        };
        let last = section + 1 == self.build.lattice.sections();
        let end = if last { self.count } else { first(to) };
        first(from).min(self.count)..end.min(self.count)
    }

    /// A station without heights.
    fn bare(&self, k: usize) -> Station {
        let (s, line) = (self.s_m(k), &self.build.ribbon.line);
        let origin = self.build.ribbon.frame.origin_m;
        let world = |t: f64| {
            let p = line.to_local(RibbonPoint { s, t });
            [p[0] + origin[0], p[1] + origin[1]]
        };
        let edges = &self.build.ribbon.edges;
        let (left, right) = (edges.left_m(s), edges.right_m(s));
        let ([x, y], [lx, ly], [rx, ry]) = (world(0.0), world(left), world(right));
        let none = f64::NAN;
        [
            s,
            x,
            y,
            none,
            none,
            line.heading_rad(s),
            line.curvature_per_m(s),
            none,
            left,
            lx,
            ly,
            none,
            right,
            rx,
            ry,
            none,
            left - right,
            none,
        ]
    }

    fn met(&self, index: &SectionIndex, k: usize) -> Station {
        let mut out = self.bare(k);
        let (s, up) = (self.s_m(k), self.build.ribbon.frame.origin_m[2]);
        let at = |t: f64| index.at(self.build.ribbon.line.to_local(RibbonPoint { s, t }));
        let z = |t: f64| at(t).map_or(f64::NAN, |p| p.z_m + up);
        if let Some(middle) = at(0.0) {
            out[3] = middle.z_m + up;
            out[4] = middle.sigma_m;
        }
        let near = |t: f64, inward: f64| {
            let heights = INSIDE_M.map(|d| z(t + inward * d));
            heights
                .into_iter()
                .find(|z| z.is_finite())
                .unwrap_or(f64::NAN)
        };
        out[11] = near(out[8], -1.0);
        out[15] = near(out[12], 1.0);
        // Positive where the left side is higher.
        out[7] = (out[11] - out[15]) / out[16];
        out
    }

    /// All stations with their heights.
    fn all(&self, progress: &mut dyn Progress) -> Result<Vec<Station>, BuildError> {
        let mut out: Vec<Station> = (0..self.count).map(|k| self.bare(k)).collect();
        let mut mesh = self.build.mesh()?;
        let work = |section: &MeshSection| -> Vec<(usize, Station)> {
            let index = SectionIndex::new(section);
            let range = self.range(section.section);
            range.map(|k| (k, self.met(&index, k))).collect()
        };
        let total = self.build.lattice.sections();
        sections(&mut mesh, total, progress, work, |_, found| {
            found.into_iter().for_each(|(k, row)| out[k] = row);
            Ok(())
        })?;
        self.add_grade(&mut out);
        Ok(out)
    }

    fn add_grade(&self, rows: &mut [Station]) {
        let (n, closed) = (rows.len(), self.build.ribbon.line.is_closed());
        let reach = to_index(GRADE_REACH_M / self.step_m).clamp(1, (n - 1) / 2 + 1);
        for k in 0..n {
            let (a, b) = if closed {
                ((k + n - reach % n) % n, (k + reach) % n)
            } else {
                (k.saturating_sub(reach), (k + reach).min(n - 1))
            };
            let steps = if closed { 2 * reach } else { b - a };
            rows[k][GRADE] = (rows[b][3] - rows[a][3]) / (steps as f64 * self.step_m);
        }
    }
}

fn cell(v: f64, digits: usize) -> String {
    if v.is_finite() {
        format!("{v:.digits$}")
    } else {
        String::new()
    }
}

/// Decimals of a column: a hundredth of a millimetre for lengths.
fn digits(column: usize) -> usize {
    match column {
        4 => 6,
        5..=7 | GRADE => 7,
        _ => 5,
    }
}

fn stations<'a>(build: &'a FinishedBuild, params: &ExportParams) -> Stations<'a> {
    Stations::of(build, params.spacing_m.unwrap_or(build.lattice.t_step_m))
}

fn said(report: &mut ExportReport, rows: usize, step_m: f64) {
    report.holds(format!(
        "{rows} stations {step_m:.4} m apart: line, edges, heights, crossfall, grade"
    ));
}

pub(super) fn csv(
    build: &FinishedBuild,
    out: &Path,
    params: &ExportParams,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let stations = stations(build, params);
    let rows = stations.all(progress)?;
    let mut file = TextFile::create(out)?;
    file.put(&(COLUMNS.join(",") + "\n"))?;
    let mut text = String::new();
    for row in &rows {
        text.clear();
        for (k, v) in row.iter().enumerate() {
            let comma = if k > 0 { "," } else { "" };
            let _ = write!(text, "{comma}{}", cell(*v, digits(k)));
        }
        text.push('\n');
        file.put(&text)?;
    }
    file.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    said(&mut report, rows.len(), stations.step_m);
    Ok(report)
}

pub(super) fn parquet(
    build: &FinishedBuild,
    out: &Path,
    params: &ExportParams,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let stations = stations(build, params);
    let rows = stations.all(progress)?;
    let origin = json!(build.ribbon.frame.origin_m).to_string();
    let mut notes = vec![("origin", origin)];
    notes.extend(build.crs().map(|name| ("crs", name.to_owned())));
    let mut file = ParquetWriter::create(out, &COLUMNS, notes)?;
    rows.iter().try_for_each(|row| file.row(row))?;
    file.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    said(&mut report, rows.len(), stations.step_m);
    Ok(report)
}

/// The spots of `deviation.csv`, a feature each; none where the build has no such file.
fn spots(path: &PathBuf) -> Result<Vec<Value>, BuildError> {
    let text = std::fs::read_to_string(path).map_err(|e| not_a_build(path, e))?;
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().unwrap_or_default().split(',').collect();
    let mut out = Vec::new();
    for line in lines {
        let mut properties = serde_json::Map::new();
        properties.insert("role".to_owned(), json!("spot"));
        for (name, word) in names.iter().zip(line.split(',')) {
            let number = || word.parse::<f64>().ok().filter(|v| v.is_finite());
            let value = match word.parse::<i64>() {
                Ok(whole) => json!(whole),
                Err(_) => number().map_or_else(|| json!(word), |v| json!(v)),
            };
            properties.insert((*name).to_owned(), value);
        }
        let at = ["x_m", "y_m"].map(|k| properties.get(k).and_then(Value::as_f64));
        let [Some(x), Some(y)] = at else {
            return Err(not_a_build(path, format!("no place in its line {line:?}")));
        };
        out.push(json!({
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [x, y]},
            "properties": properties,
        }));
    }
    Ok(out)
}

/// A line of the stations; places without a height lie in plan only, which GeoJSON allows.
fn feature(role: &str, rows: &[Station], columns: [usize; 3], closed: bool) -> Value {
    let round = |v: f64| (v * 1e5).round() / 1e5;
    let place = |row: &Station| {
        let [x, y, z] = columns.map(|k| round(row[k]));
        if z.is_finite() {
            json!([x, y, z])
        } else {
            json!([x, y])
        }
    };
    let first = closed.then(|| rows.first()).flatten();
    let coordinates: Vec<Value> = rows.iter().chain(first).map(place).collect();
    json!({
        "type": "Feature",
        "geometry": {"type": "LineString", "coordinates": coordinates},
        "properties": {"role": role, "closed": closed},
    })
}

pub(super) fn geojson(
    build: &FinishedBuild,
    out: &Path,
    params: &ExportParams,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let wanted_m = params.spacing_m.unwrap_or(0.5);
    let stations = Stations::of(build, wanted_m);
    let rows = stations.all(progress)?;
    let closed = build.ribbon.line.is_closed();
    let mut features = vec![
        feature("reference_line", &rows, [1, 2, 3], closed),
        feature("left_edge", &rows, [9, 10, 11], closed),
        feature("right_edge", &rows, [13, 14, 15], closed),
    ];
    let spots = spots(&build.path("deviation.csv"))?;
    let count = spots.len();
    features.extend(spots);
    let mut file = TextFile::create(out)?;
    let whole = json!({
        "type": "FeatureCollection",
        "origin": build.ribbon.frame.origin_m,
        "crs_name": build.crs(),
        "features": features,
    });
    let text = serde_json::to_string(&whole).map_err(|e| write_error(out)(e.into()))?;
    file.put(&text)?;
    file.put("\n")?;
    file.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    report.holds(format!(
        "line and edges with heights, a place about every {wanted_m} m, and {count} spots"
    ));
    report.loses("longitude and latitude: coordinates are those of the scans");
    Ok(report)
}
