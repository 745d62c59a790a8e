//! Roughness along wheel paths of a finished build.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use super::BuildError;
use super::built::manifest_hash;
use super::clock::StageClock;
use super::finished::not_a_build;
use super::folder::{BuildFolder, write_error};
use super::halves::{Finished, HalfProfiles, Halves, Split, halves};
use super::keep::keep_inputs;
use super::profiles::{from_field, from_mesh, heights_of_field};
use super::roughness_out::{pictures, put_tables};
use super::roughness_params::RoughnessParams;
use super::strip::beside;
use crate::export::FieldStore;
use crate::mesh::{MeshReadError, SurfaceMesh};
use crate::progress::Progress;
use crate::report::{
    CAUTIONS, Carried, CarriedSection, FORMAT_VERSION, HalvesReport, PathParameters, PathReport,
    RoughnessReport,
};
use crate::ribbon::Ribbon;
use crate::roughness::{
    EventParams, Halved, IndexParams, PointMeans, Profile, SECTIONS_M, WINDOW_M, WheelPath,
    crossfalls, resolved_wavelength_m, worst_band_db,
};

/// What a roughness run leaves.
pub const ROUGHNESS_PRODUCTS: [&str; 13] = [
    "profiles.csv",
    "profiles.parquet",
    "bands.csv",
    "wavelength.csv",
    "events.csv",
    "spectrum.svg",
    "coherence.svg",
    "wavelength.svg",
    "iri.svg",
    "straightedge.svg",
    "events.svg",
    "roughness.json",
    "roughness.html",
];

/// Longest wave of the comparison with the points, metres.
const LONGEST_M: f64 = 10.0;

/// A larger share of points over 20 mm from the mesh is spoken of.
const MOST_OFF: f64 = 1e-3;

/// A finished build, read back.
pub(super) struct Built {
    pub ribbon: Ribbon,
    mesh: SurfaceMesh,
    field: FieldStore,
    level_m: f64,
    bridge_m: f64,
    /// What checkpoints took off all heights, metres.
    shift_m: f64,
    /// BLAKE3 of its manifest.
    hash: Option<String>,
    /// Hashes of the scans that it was built from.
    hashes: Vec<String>,
}

/// Wheel paths with everything that is read along them.
pub(super) struct Read {
    pub paths: Vec<WheelPath>,
    pub mesh: Vec<Profile>,
    pub field: Vec<Profile>,
    /// Crossfall by station, m/m.
    pub crossfall: Vec<Vec<f64>>,
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
                mesh: &built.mesh,
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
    let pictures = pictures(&read, halves.as_ref(), &report);
    for (name, svg) in &pictures {
        folder.put(name, svg.as_bytes())?;
    }
    let page = report.to_html(pictures.iter().map(|(_, svg)| svg.as_str()));
    folder.put("roughness.html", page.as_bytes())?;
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
        hash: manifest_hash(dir)?,
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
        carried: halves.map(|h| carried_along(&h.paths[k])),
    };
    let paths: Vec<PathReport> = (0..read.paths.len()).map(path).collect();
    RoughnessReport {
        format_version: FORMAT_VERSION,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        build: built.hash.clone(),
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
            on_paths: on_paths(h),
            inputs: h.inputs.clone(),
        }),
        gates: params.require.iter().map(|g| g.judge(&paths)).collect(),
        paths,
        left_out: left_out(built, halves),
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
        run: StageClock::start().report(),
    }
}

/// Points of all tracks of all paths, and those among them that were too far from the mesh.
fn on_paths(halves: &Halves) -> [u64; 2] {
    let paths = || halves.paths.iter();
    let tracks = || paths().flat_map(|p| std::iter::once(&p.middle).chain(&p.beside));
    let points = || tracks().flat_map(|t| &t.points);
    let counted = |p: &PointMeans| p.counts.iter().map(|n| u64::from(*n)).sum::<u64>();
    let off = points().map(|p| p.left_out).sum::<u64>();
    [points().map(counted).sum::<u64>() + off, off]
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
    let [all, off] = on_paths(halves);
    if off as f64 > MOST_OFF * all as f64 {
        out.push(format!(
            "{off} of the {all} points of the wheel paths: they are over 20 mm from the mesh. Where the mesh lacks road, and not the road a vehicle, what is said of it is too good"
        ));
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
    let heights = |dt: f64| heights_of_field(&built.field, &beside(path, dt));
    let (left, right) = (heights(0.5 * track_m)?, heights(-0.5 * track_m)?);
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

fn carried_along(halves: &HalfProfiles) -> Carried {
    let mesh = &halves.middle.surface;
    let step = mesh.step_m;
    let halved = Halved::new(&halves.middle, &halves.beside);
    let (bands, segment_m) = halved.bands(mesh.segment(), LONGEST_M);
    let [a, b] = &halves.middle.fits;
    let (iri_a, iri_b) = (a.iri(SECTIONS_M[1]), b.iri(SECTIONS_M[1]));
    let section = |cut: std::ops::Range<usize>| {
        let bands = halved.bands_of(cut.clone());
        CarriedSection {
            from_m: cut.start as f64 * step,
            to_m: cut.end as f64 * step,
            resolved_m: resolved_wavelength_m(&bands),
            band_error_db: worst_band_db(&bands),
        }
    };
    let cuts = mesh.cuts(SECTIONS_M[1]).into_iter();
    Carried {
        resolved_m: resolved_wavelength_m(&bands),
        bands,
        segment_m,
        sections: cuts.map(section).collect(),
        along: halved.along(WINDOW_M),
        iri_halves_mm_per_m: [iri_a.0, iri_b.0],
        iri_halves_by_section: iri_a
            .1
            .into_iter()
            .zip(iri_b.1)
            .map(|(a, b)| [a, b])
            .collect(),
        coverage: halves
            .middle
            .points
            .each_ref()
            .map(|p| p.profile.coverage()),
    }
}
