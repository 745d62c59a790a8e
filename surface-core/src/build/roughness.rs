//! Roughness along wheel paths of a finished build.

use std::fmt::Write as _;
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use super::BuildError;
use super::clock::StageClock;
use super::finished::not_a_build;
use super::folder::{BuildFolder, write_error};
use super::halves::{Finished, HalfProfiles, Halves, Split, halves};
use super::keep::keep_inputs;
use super::profiles::{from_field, from_mesh, heights_of_field};
use super::roughness_params::RoughnessParams;
use crate::export::{
    FieldStore, PathFigures, coherence_chart, iri_chart, spectrum_chart, straightedge_chart,
};
use crate::mesh::{MeshReadError, SurfaceMesh};
use crate::numeric::{CrossSpectra, to_index};
use crate::progress::Progress;
use crate::report::{
    CAUTIONS, Carried, CarriedSection, FORMAT_VERSION, HalvesReport, PathParameters, PathReport,
    RoughnessReport,
};
use crate::ribbon::{Ribbon, RibbonPoint};
use crate::roughness::{
    CHANNELS, EventParams, IndexParams, PathPoint, Profile, SECTIONS_M, WheelPath, carried,
    crossfalls, resolved_wavelength_m,
};

/// What a roughness run leaves.
pub const ROUGHNESS_PRODUCTS: [&str; 8] = [
    "profiles.csv",
    "bands.csv",
    "events.csv",
    "spectrum.svg",
    "coherence.svg",
    "iri.svg",
    "straightedge.svg",
    "roughness.json",
];

/// Longest wave of the comparison with the points, metres.
const LONGEST_M: f64 = 10.0;
/// Segment of a section's own spectra, metres: waves up to 3 m are told well.
const SECTION_SEGMENT_M: f64 = 12.8;
/// Longest wave that a section's own spectra tell, metres.
const SECTION_LONGEST_M: f64 = 3.0;

/// A finished build, read back.
struct Built {
    ribbon: Ribbon,
    mesh: SurfaceMesh,
    field: FieldStore,
    level_m: f64,
    bridge_m: f64,
    /// What checkpoints took off all heights, metres.
    shift_m: f64,
    /// Hashes of the scans that it was built from.
    hashes: Vec<String>,
}

/// Wheel paths with everything that is read along them.
struct Read {
    paths: Vec<WheelPath>,
    mesh: Vec<Profile>,
    field: Vec<Profile>,
    /// Crossfall by station, m/m.
    crossfall: Vec<Vec<f64>>,
}

/// How rough is the road of the build in `dir`, and which of its waves does the mesh carry?
///
/// Profiles along two wheel paths, indices, events and pictures go to the folder `out`. With
/// `scans` (those of the build) the mesh is held against two halves of the points.
///
/// # Errors
/// [`BuildError`] naming the file or place and the remedy.
pub fn roughness(
    dir: &Path,
    scans: &[PathBuf],
    out: &Path,
    params: &RoughnessParams,
    progress: &mut dyn Progress,
) -> Result<RoughnessReport, BuildError> {
    params.check(!scans.is_empty())?;
    if out.join("manifest.json").exists() {
        return Err(BuildError::Parameter {
            name: "--out",
            value: out.display().to_string(),
            why: "it holds a finished build; give another folder",
        });
    }
    keep_inputs(scans, out, &ROUGHNESS_PRODUCTS)?;
    let mut clock = StageClock::start();
    let built = read_build(dir)?;
    let read = read_profiles(&built, params)?;
    clock.lap("profiles");
    let mut folder = BuildFolder::open(out, params.scratch.as_deref())?;
    let halves = match scans {
        [] => None,
        scans => Some(halves(
            scans,
            &Finished {
                ribbon: &built.ribbon,
                field: &built.field,
                level_m: built.level_m,
                bridge_m: built.bridge_m,
                shift_m: built.shift_m,
            },
            &read.paths,
            &params.fit_params(),
            &folder,
            progress,
        )?),
    };
    clock.lap("halves");
    let mut report = report(&built, &read, halves.as_ref(), params);
    clock.lap("indices");
    put_tables(&built, &read, halves.as_ref(), &report, &mut folder)?;
    put_charts(&report, &mut folder)?;
    clock.lap("pictures");
    report.run = clock.report();
    let text = report
        .to_json()
        .map_err(|e| write_error(&out.join("roughness.json"))(e.into()))?;
    folder.put("roughness.json", text.as_bytes())?;
    folder.publish(&ROUGHNESS_PRODUCTS)?;
    Ok(report)
}

fn read_build(dir: &Path) -> Result<Built, BuildError> {
    let text = |name: &str| {
        let path = dir.join(name);
        std::fs::read_to_string(&path).map_err(|e| not_a_build(&path, e))
    };
    let ribbon = Ribbon::from_geojson(&text("ribbon.geojson")?)
        .map_err(|e| not_a_build(&dir.join("ribbon.geojson"), e))?;
    let found: serde_json::Value = serde_json::from_str(&text("report.json")?)
        .map_err(|e| not_a_build(&dir.join("report.json"), e))?;
    let number = |part: &str, name: &str| {
        let why = format!("no {part}.{name} in it");
        let value = found[part][name].as_f64().filter(|v| v.is_finite());
        value.ok_or_else(|| not_a_build(&dir.join("report.json"), why))
    };
    let store = dir.join("field");
    let (field, _) = FieldStore::open(&store).map_err(|e| not_a_build(&store, e))?;
    let path = dir.join("surface.ply");
    let file = File::open(&path).map_err(|source| MeshReadError::Io {
        file: path.clone(),
        source,
    })?;
    Ok(Built {
        ribbon,
        mesh: SurfaceMesh::read(BufReader::with_capacity(1 << 18, file), &path)?,
        field,
        level_m: number("field", "level_m")?,
        bridge_m: number("parameters", "bridge_m")?,
        shift_m: 1e-3 * found["checkpoints"]["shift_mm"].as_f64().unwrap_or(0.0),
        hashes: hashes(&found),
    })
}

/// Hashes of the inputs in a build's report, in order.
fn hashes(report: &serde_json::Value) -> Vec<String> {
    let inputs = report["inputs"].as_array().into_iter().flatten();
    let hash = |input: &serde_json::Value| input["blake3"].as_str().map(str::to_owned);
    inputs.filter_map(hash).collect()
}

/// Left and right wheel path.
fn lay_paths(ribbon: &Ribbon, params: &RoughnessParams) -> Result<Vec<WheelPath>, BuildError> {
    let origin = ribbon.frame.origin_m;
    let local: Option<(Vec<[f64; 2]>, bool)> = params.line.as_ref().map(|(line, closed)| {
        let points = line.iter().map(|p| [p[0] - origin[0], p[1] - origin[1]]);
        (points.collect(), *closed)
    });
    let one = |(name, side): (&str, f64)| {
        let t_m = params.offset_m + side * 0.5 * params.track_m;
        Ok(match &local {
            None => WheelPath::beside_line(name, ribbon, t_m, params.step_m)?,
            Some((points, closed)) => {
                let line = (points.as_slice(), *closed);
                WheelPath::beside_points(name, ribbon, line, t_m, params.step_m)?
            }
        })
    };
    [("left", 1.0), ("right", -1.0)]
        .into_iter()
        .map(one)
        .collect()
}

fn read_profiles(built: &Built, params: &RoughnessParams) -> Result<Read, BuildError> {
    let paths = lay_paths(&built.ribbon, params)?;
    let field: Result<Vec<Profile>, BuildError> =
        paths.iter().map(|p| from_field(&built.field, p)).collect();
    let field = field?;
    let mesh = paths
        .iter()
        .zip(&field)
        .map(|(p, near)| from_mesh(&built.mesh, &built.ribbon, p, near));
    let mesh = mesh.collect();
    let across = paths
        .iter()
        .map(|p| crossfall_along(built, p, params.track_m));
    let crossfall: Result<Vec<Vec<f64>>, BuildError> = across.collect();
    Ok(Read {
        mesh,
        field,
        crossfall: crossfall?,
        paths,
    })
}

fn report(
    built: &Built,
    read: &Read,
    halves: Option<&Halves>,
    params: &RoughnessParams,
) -> RoughnessReport {
    let indices = IndexParams {
        speed_km_h: params.speed_km_h,
        events: EventParams::default(),
    };
    let path = |k: usize| PathReport {
        name: read.paths[k].name.clone(),
        mesh: read.mesh[k].indices(&indices),
        field_iri_mm_per_m: read.field[k].iri(SECTIONS_M[1]).0,
        carried: halves.map(|h| carried_along(&read.mesh[k], &h.paths[k])),
    };
    let paths: Vec<PathReport> = (0..read.paths.len()).map(path).collect();
    RoughnessReport {
        format_version: FORMAT_VERSION,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        parameters: PathParameters {
            step_m: params.step_m,
            track_m: params.track_m,
            offset_m: params.offset_m,
            line_given: params.line.is_some(),
            speed_km_h: params.speed_km_h,
        },
        origin_m: built.ribbon.frame.origin_m,
        crossfall: crossfall(read),
        halves: halves.map(|h| HalvesReport {
            split: match h.split {
                Split::Setups => "setups".to_owned(),
                Split::Points => "points".to_owned(),
            },
            points: h.points,
            inputs: h.inputs.clone(),
        }),
        gates: params.require.iter().map(|g| g.judge(&paths)).collect(),
        paths,
        left_out: left_out(built, halves),
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
        run: StageClock::start().report(),
    }
}

fn left_out(built: &Built, halves: Option<&Halves>) -> Vec<String> {
    let Some(halves) = halves else {
        return vec![
            "which waves the mesh carries: name the scans of the build after its folder to have it held against two halves of the points".to_owned(),
        ];
    };
    let mut out = Vec::new();
    if halves.split == Split::Points {
        out.push("errors that all points of a setup share: too few places are seen from setups of both halves, so the points were split in turn".to_owned());
    }
    let mut given: Vec<&str> = halves.inputs.iter().map(|i| i.blake3.as_str()).collect();
    let mut built: Vec<&str> = built.hashes.iter().map(String::as_str).collect();
    given.sort_unstable();
    built.sort_unstable();
    if given != built {
        out.push("that the mesh was made of these points: the scans given are not those that the build's report names".to_owned());
    }
    out
}

/// Crossfall of the height field at every station of a path, over the track's width, m/m.
fn crossfall_along(built: &Built, path: &WheelPath, track_m: f64) -> Result<Vec<f64>, BuildError> {
    let beside = |dt: f64| {
        let moved = |p: &PathPoint| RibbonPoint {
            s: p.at.s,
            t: p.at.t + dt,
        };
        let places: Vec<RibbonPoint> = path.points.iter().map(moved).collect();
        heights_of_field(&built.field, &places)
    };
    let (left, right) = (beside(0.5 * track_m)?, beside(-0.5 * track_m)?);
    Ok(crossfalls(&left, &right, track_m))
}

/// Least, mean and greatest crossfall over all stations.
fn crossfall(read: &Read) -> Option<[f64; 3]> {
    let mut all = read.crossfall.concat();
    all.retain(|v| v.is_finite());
    let least = all.iter().copied().reduce(f64::min)?;
    let most = all.iter().copied().reduce(f64::max)?;
    Some([least, all.iter().sum::<f64>() / all.len() as f64, most])
}

/// Mesh, points and fits of both halves, with narrow holes carried over, in the order of the
/// channels; a closed lap runs on over its start.
fn channels(mesh: &Profile, halves: &HalfProfiles, over: usize) -> Vec<Vec<f64>> {
    let [a, b] = &halves.points;
    let [fit_a, fit_b] = &halves.fits;
    let one = |p: &Profile| {
        let mut z = p.carried_over();
        if p.closed {
            z.extend_from_within(..over.min(z.len()));
        }
        z
    };
    [mesh, a, b, fit_a, fit_b].into_iter().map(one).collect()
}

fn spectra_of(
    series: &[Vec<f64>],
    range: std::ops::Range<usize>,
    segment: usize,
    step_m: f64,
) -> CrossSpectra {
    let mut out = CrossSpectra::new(segment, step_m, CHANNELS);
    let part = |z: &Vec<f64>| z[range.start.min(z.len())..range.end.min(z.len())].to_vec();
    let parts: Vec<Vec<f64>> = series.iter().map(part).collect();
    let slices: Vec<&[f64]> = parts.iter().map(Vec::as_slice).collect();
    out.add(&slices);
    out
}

fn carried_along(mesh: &Profile, halves: &HalfProfiles) -> Carried {
    let step = mesh.step_m;
    let segment = mesh.segment();
    let series = channels(mesh, halves, segment / 2);
    let shortest = 2.0 * step;
    let all = spectra_of(&series, 0..series[0].len(), segment, step);
    let bands = carried(&all, step, LONGEST_M, shortest);
    let [a, b] = &halves.fits;
    let (iri_a, iri_b) = (a.iri(SECTIONS_M[1]), b.iri(SECTIONS_M[1]));
    Carried {
        resolved_m: resolved_wavelength_m(&bands),
        bands,
        sections: sections(mesh, &series, shortest),
        iri_halves_mm_per_m: [iri_a.0, iri_b.0],
        iri_halves_by_section: iri_a
            .1
            .into_iter()
            .zip(iri_b.1)
            .map(|(a, b)| [a, b])
            .collect(),
        coverage: [halves.points[0].coverage(), halves.points[1].coverage()],
    }
}

/// The shortest wavelength carried in every section of 100 m.
fn sections(mesh: &Profile, series: &[Vec<f64>], shortest_m: f64) -> Vec<CarriedSection> {
    let step = mesh.step_m;
    let segment = to_index(SECTION_SEGMENT_M / step + 0.5);
    let one = |cut: std::ops::Range<usize>| {
        let spectra = spectra_of(series, cut.clone(), segment, step);
        let bands = carried(&spectra, step, SECTION_LONGEST_M, shortest_m);
        CarriedSection {
            from_m: cut.start as f64 * step,
            to_m: cut.end as f64 * step,
            resolved_m: resolved_wavelength_m(&bands),
        }
    };
    mesh.cuts(SECTIONS_M[1]).into_iter().map(one).collect()
}

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

/// One row a station, in world coordinates; empty where there is no height.
fn profiles_csv(built: &Built, read: &Read, halves: Option<&Halves>) -> String {
    let mut out = String::from(
        "path,way_m,s_m,t_m,x_m,y_m,z_mesh_m,z_field_m,z_points_a_m,z_points_b_m,crossfall\n",
    );
    let [east, north, up] = built.ribbon.frame.origin_m;
    for (k, path) in read.paths.iter().enumerate() {
        let points = halves.map(|h| &h.paths[k].points);
        for (i, p) in path.points.iter().enumerate() {
            let of = |which: usize| points.map_or(f64::NAN, |p| p[which].z_m[i] + up);
            let _ = writeln!(
                out,
                "{},{:.3},{},{},{:.4},{:.4},{},{},{},{},{}",
                path.name,
                i as f64 * path.step_m,
                cell(p.at.s, 4),
                cell(p.at.t, 4),
                p.xy_m[0] + east,
                p.xy_m[1] + north,
                cell(read.mesh[k].z_m[i] + up, 5),
                cell(read.field[k].z_m[i] + up, 5),
                cell(of(0), 5),
                cell(of(1), 5),
                cell(read.crossfall[k][i], 5)
            );
        }
    }
    out
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

fn put_tables(
    built: &Built,
    read: &Read,
    halves: Option<&Halves>,
    report: &RoughnessReport,
    folder: &mut BuildFolder,
) -> Result<(), BuildError> {
    folder.put("profiles.csv", profiles_csv(built, read, halves).as_bytes())?;
    folder.put("events.csv", events_csv(read, report).as_bytes())?;
    if halves.is_some() {
        folder.put("bands.csv", bands_csv(report).as_bytes())?;
    }
    Ok(())
}

fn put_charts(report: &RoughnessReport, folder: &mut BuildFolder) -> Result<(), BuildError> {
    let figures = |p: &'_ PathReport| -> (Vec<crate::roughness::CarriedBand>, Option<f64>) {
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
    Ok(())
}
