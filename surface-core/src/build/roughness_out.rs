//! Tables and pictures of a roughness run.

use std::fmt::Write as _;

use super::BuildError;
use super::folder::BuildFolder;
use super::halves::Halves;
use super::roughness::{Built, Read};
use crate::export::{
    ParquetWriter, PathFigures, TextFile, coherence_chart, iri_chart, spectrum_chart,
    straightedge_chart, wavelength_sheet,
};
use crate::numeric::to_index;
use crate::report::{PathReport, RoughnessReport};
use crate::roughness::{CarriedBand, WavelengthAt, WheelPath};

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
        let (path, points) = (&read.paths[k], halves.map(|h| &h.paths[k].points));
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
            let kind = format!("{:?}", felt.event.kind).to_lowercase();
            let _ = writeln!(
                out,
                "{},{kind},{:.2},{},{},{:.2},{:.2},{:.2}",
                path.name,
                felt.event.x_m,
                cell(at.s, 2),
                cell(at.t, 2),
                1e3 * felt.event.height_m,
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

pub(super) fn put_charts(
    report: &RoughnessReport,
    folder: &mut BuildFolder,
) -> Result<(), BuildError> {
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
    folder.put("spectrum.svg", spectrum_chart(&paths).to_svg().as_bytes())?;
    folder.put("iri.svg", iri_chart(&paths).to_svg().as_bytes())?;
    let chart = straightedge_chart(&paths).to_svg();
    folder.put("straightedge.svg", chart.as_bytes())?;
    if paths.iter().any(|p| !p.bands.is_empty()) {
        folder.put("coherence.svg", coherence_chart(&paths).to_svg().as_bytes())?;
    }
    put_wavelengths(report, folder)
}

fn put_wavelengths(report: &RoughnessReport, folder: &mut BuildFolder) -> Result<(), BuildError> {
    let along = |p: &'_ PathReport| -> Option<(String, Vec<WavelengthAt>)> {
        Some((p.name.clone(), p.carried.as_ref()?.along.clone()))
    };
    let paths: Vec<_> = report.paths.iter().filter_map(along).collect();
    if paths.is_empty() {
        return Ok(());
    }
    let paths: Vec<(&str, &[WavelengthAt])> =
        paths.iter().map(|(n, a)| (n.as_str(), &a[..])).collect();
    let length_m = report.paths.iter().map(|p| p.mesh.length_m);
    let sheet = wavelength_sheet(&paths, length_m.fold(1.0, f64::max));
    folder.put("wavelength.svg", sheet.to_svg().as_bytes())
}
