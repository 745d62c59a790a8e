//! Tables and pictures of a roughness run.

use std::fmt::Write as _;

use super::BuildError;
use super::folder::BuildFolder;
use super::halves::Halves;
use super::roughness::{Built, Read};
use crate::export::{
    EventStrip, MOST_EVENTS, ParquetWriter, PathFigures, Sheet, TextFile, coherence_chart,
    events_sheet, iri_chart, spectrum_chart, straightedge_chart, wavelength_sheet,
};
use crate::numeric::{ceil_i32, floor_i32, to_index};
use crate::report::{PathReport, RoughnessReport};
use crate::roughness::{CarriedBand, FeltEvent, PointMeans, WavelengthAt, WheelPath};

fn scientific(v: f64) -> String {
    if v.is_finite() {
        format!("{v:.4e}")
    } else {
        String::new()
    }
}

fn cell(v: f64, digits: usize) -> String {
    if v.is_finite() {
        format!("{v:.digits$}")
    } else {
        String::new()
    }
}

/// Columns of the profiles behind the name of the path, and the decimals of each.
const COLUMNS: [(&str, usize); 10] = [
    ("way_m", 3),
    ("s_m", 4),
    ("t_m", 4),
    ("x_m", 4),
    ("y_m", 4),
    ("z_mesh_m", 5),
    ("z_field_m", 5),
    ("z_points_a_m", 5),
    ("z_points_b_m", 5),
    ("crossfall", 5),
];

/// The rows of the profiles, one a station, in world coordinates; NaN where there is no height.
fn profile_rows<'a>(
    built: &'a Built,
    read: &'a Read,
    halves: Option<&'a Halves>,
) -> impl Iterator<Item = (&'a str, [f64; COLUMNS.len()])> {
    let [east, north, up] = built.ribbon.frame.origin_m;
    let row = move |k: usize, i: usize| {
        let (path, points) = (&read.paths[k], halves.map(|h| &h.paths[k].middle.points));
        let of = |which: usize| points.map_or(f64::NAN, |p| p[which].profile.z_m[i] + up);
        let at = path.points[i];
        let row = [
            i as f64 * path.step_m,
            at.at.s,
            at.at.t,
            at.xy_m[0] + east,
            at.xy_m[1] + north,
            read.mesh[k].z_m[i] + up,
            read.field[k].z_m[i] + up,
            of(0),
            of(1),
            read.crossfall[k][i],
        ];
        (path.name.as_str(), row)
    };
    let paths = read.paths.iter().enumerate();
    paths.flat_map(move |(k, path)| (0..path.points.len()).map(move |i| row(k, i)))
}

/// The profiles as CSV and as Parquet, row by row.
fn put_profiles(
    built: &Built,
    read: &Read,
    halves: Option<&Halves>,
    folder: &mut BuildFolder,
) -> Result<(), BuildError> {
    let names = COLUMNS.map(|(name, _)| name);
    let mut csv = TextFile::create(&folder.part("profiles.csv")?)?;
    csv.put(&format!("path,{}\n", names.join(",")))?;
    let origin = serde_json::json!(built.ribbon.frame.origin_m).to_string();
    let notes = vec![("origin", origin)];
    let part = folder.part("profiles.parquet")?;
    let mut parquet = ParquetWriter::labelled(&part, "path", &names, notes)?;
    let mut line = String::new();
    for (name, row) in profile_rows(built, read, halves) {
        line.clear();
        line.push_str(name);
        for (v, (_, digits)) in row.iter().zip(COLUMNS) {
            line.push(',');
            line.push_str(&cell(*v, digits));
        }
        line.push('\n');
        csv.put(&line)?;
        parquet.labelled_row(name, &row)?;
    }
    csv.finish()?;
    Ok(parquet.finish()?)
}

fn bands_csv(report: &RoughnessReport) -> String {
    let mut out = String::from(
        "path,wavelength_m,road_m3,road_sd_m3,plain_m3,noise_m3,mesh_m3,mesh_db,gain,coherence2,halves_coherence2\n",
    );
    for path in &report.paths {
        for b in path.carried.iter().flat_map(|c| &c.bands) {
            let _ = writeln!(
                out,
                "{},{:.4},{},{},{},{},{},{},{},{},{}",
                path.name,
                b.wavelength_m,
                scientific(b.road_m3),
                scientific(b.road_sd_m3),
                scientific(b.plain_m3),
                scientific(b.noise_m3),
                scientific(b.surface_m3),
                cell(b.surface_db.unwrap_or(f64::NAN), 3),
                cell(b.gain, 4),
                cell(b.coherence, 4),
                cell(b.halves_coherence, 4)
            );
        }
    }
    out
}

fn events_csv(read: &Read, report: &RoughnessReport) -> String {
    let mut out = String::from("path,kind,way_m,s_m,t_m,height_mm,length_m,acceleration_m_s2\n");
    for (path, found) in read.paths.iter().zip(&report.paths) {
        for felt in &found.mesh.events {
            let station = to_index(felt.event.x_m / path.step_m).min(path.points.len() - 1);
            let at = path.points[station].at;
            let kind = felt.event.kind.name();
            let _ = writeln!(
                out,
                "{},{kind},{:.2},{},{},{:.2},{:.2},{:.2}",
                path.name,
                felt.event.x_m,
                cell(at.s, 2),
                cell(at.t, 2),
                1e3 * felt.event.signed_m(),
                felt.event.length_m,
                felt.acceleration_m_s2
            );
        }
    }
    out
}

/// λ along each path, one row a piece of 20 m; empty where none is carried or can be told.
fn wavelength_csv(read: &Read, report: &RoughnessReport) -> String {
    let mut out = String::from("path,from_m,to_m,s_m,wavelength_m,shortest_told_m,points_per_m2\n");
    for (path, found) in read.paths.iter().zip(&report.paths) {
        for at in found.carried.iter().flat_map(|c| &c.along) {
            let number = |v: Option<f64>| cell(v.unwrap_or(f64::NAN), 3);
            let _ = writeln!(
                out,
                "{},{:.2},{:.2},{},{},{},{:.1}",
                path.name,
                at.from_m,
                at.to_m,
                cell(station(path, 0.5 * (at.from_m + at.to_m)), 2),
                number(at.resolved_m),
                number(at.told_m),
                at.points_per_m2
            );
        }
    }
    out
}

/// Station of the reference line at a way along the path, metres; NaN off the paving.
fn station(path: &WheelPath, way_m: f64) -> f64 {
    let k = to_index(way_m / path.step_m).min(path.points.len() - 1);
    path.points[k].at.s
}

pub(super) fn put_tables(
    built: &Built,
    read: &Read,
    halves: Option<&Halves>,
    report: &RoughnessReport,
    folder: &mut BuildFolder,
) -> Result<(), BuildError> {
    put_profiles(built, read, halves, folder)?;
    folder.put("events.csv", events_csv(read, report).as_bytes())?;
    if halves.is_some() {
        folder.put("bands.csv", bands_csv(report).as_bytes())?;
        folder.put("wavelength.csv", wavelength_csv(read, report).as_bytes())?;
    }
    Ok(())
}

/// The pictures by their files' names, in the order in which they are looked at.
pub(super) fn pictures(
    read: &Read,
    halves: Option<&Halves>,
    report: &RoughnessReport,
) -> Vec<(&'static str, String)> {
    let figures = |p: &'_ PathReport| -> (Vec<CarriedBand>, Option<f64>) {
        p.carried
            .as_ref()
            .map_or_else(Default::default, |c| (c.bands.clone(), c.resolved_m))
    };
    let carried: Vec<_> = report.paths.iter().map(figures).collect();
    let paths: Vec<PathFigures> = report
        .paths
        .iter()
        .zip(&carried)
        .map(|(p, (bands, resolved_m))| PathFigures {
            name: &p.name,
            mesh: &p.mesh,
            bands,
            resolved_m: *resolved_m,
        })
        .collect();
    let mut out = vec![("spectrum.svg", spectrum_chart(&paths).to_svg())];
    if paths.iter().any(|p| !p.bands.is_empty()) {
        out.push(("coherence.svg", coherence_chart(&paths).to_svg()));
    }
    out.extend(wavelengths(report).map(|sheet| ("wavelength.svg", sheet.to_svg())));
    out.push(("iri.svg", iri_chart(&paths).to_svg()));
    out.push(("straightedge.svg", straightedge_chart(&paths).to_svg()));
    let events = events_picture(read, halves, report);
    out.push(("events.svg", events.to_svg()));
    out
}

/// λ along the paths; none without scans.
fn wavelengths(report: &RoughnessReport) -> Option<Sheet> {
    let along = |p: &'_ PathReport| -> Option<(String, Vec<WavelengthAt>)> {
        Some((p.name.clone(), p.carried.as_ref()?.along.clone()))
    };
    let paths: Vec<_> = report.paths.iter().filter_map(along).collect();
    let paths: Vec<(&str, &[WavelengthAt])> =
        paths.iter().map(|(n, a)| (n.as_str(), &a[..])).collect();
    let length_m = report.paths.iter().map(|p| p.mesh.length_m);
    let sheet = || wavelength_sheet(&paths, length_m.fold(1.0, f64::max));
    (!paths.is_empty()).then(sheet)
}

/// Road before and after an event that its strip shows: as much as it is long, within these limits,
/// metres.
const AROUND_M: [f64; 2] = [2.0, 6.0];

/// Events of all paths, greatest acceleration first: path and event.
fn worst_first(report: &RoughnessReport) -> Vec<(usize, &FeltEvent)> {
    let paths = report.paths.iter().enumerate();
    let mut all: Vec<(usize, &FeltEvent)> = paths
        .flat_map(|(k, p)| p.mesh.events.iter().map(move |e| (k, e)))
        .collect();
    // Stable: equals stay in the order of path and way.
    all.sort_by(|a, b| b.1.acceleration_m_s2.total_cmp(&a.1.acceleration_m_s2));
    all
}

/// The profiles around an event.
fn event_strip<'a>(
    (k, felt): (usize, &'a FeltEvent),
    read: &'a Read,
    halves: Option<&Halves>,
) -> EventStrip<'a> {
    let (path, mesh) = (&read.paths[k], &read.mesh[k]);
    let (event, step) = (&felt.event, path.step_m);
    let around = event.length_m.clamp(AROUND_M[0], AROUND_M[1]);
    let from = floor_i32((event.from_m - around) / step);
    let to = ceil_i32((event.from_m + event.length_m + around) / step);
    let n = mesh.z_m.len();
    let place = |i: i32| match path.closed {
        true => usize::try_from(i.rem_euclid(i32::try_from(n).unwrap_or(i32::MAX))).ok(),
        false => usize::try_from(i).ok().filter(|i| *i < n),
    };
    let there: Vec<(i32, usize)> = (from..=to).filter_map(|i| Some((i, place(i)?))).collect();
    let points = halves.map(|h| &h.paths[k].middle.points);
    let mean = |points: &[PointMeans; 2], i: usize| {
        let (mut sum, mut count) = (0.0, 0.0);
        for half in points.iter().filter(|p| p.counts[i] > 0) {
            sum += f64::from(half.counts[i]) * half.profile.z_m[i];
            count += f64::from(half.counts[i]);
        }
        sum / count
    };
    EventStrip {
        path: &path.name,
        felt,
        way_m: there.iter().map(|(i, _)| f64::from(*i) * step).collect(),
        mesh_m: there.iter().map(|(_, i)| mesh.z_m[*i]).collect(),
        points_m: points.map_or_else(Vec::new, |p| {
            there.iter().map(|(_, i)| mean(p, *i)).collect()
        }),
    }
}

/// Strips around the events that are felt most.
pub(super) fn events_picture(
    read: &Read,
    halves: Option<&Halves>,
    report: &RoughnessReport,
) -> Sheet {
    let all = worst_first(report);
    let shown = all.iter().take(MOST_EVENTS);
    let strips: Vec<EventStrip> = shown.map(|e| event_strip(*e, read, halves)).collect();
    events_sheet(&strips, all.len(), report.parameters.speed_km_h)
}
