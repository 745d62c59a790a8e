//! Rescans: rebuild only what changed, and leave the rest byte for byte alone.

use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Instant;

use super::BuildError;
use super::clock::StageClock;
use super::finished::{Finished, Skeleton};
use super::fit::{all_products, deviation_laz, keep, put_report, spots_of, write_map};
use super::folder::{BuildFolder, read_error, write_error};
use super::heights::HeightFitter;
use super::manifest::Manifest;
use super::page;
use super::params::{DeviationPoints, FitParams};
use super::plain_runs::PlainRuns;
use super::report_parts::{inputs_of, spot_report};
use super::rescan_doubts::{doubts_after, rescan_doubts};
use super::rescan_find::{Found, find_changes};
use super::rescan_join::{Joined, join};
use super::rescan_mesh::{Meshes, VertexChanges, VertexComparison};
use super::rescan_out::{change_reports, detection_report, put_changes, rebuilt_m2};
use super::rescan_params::RescanParams;
use super::rescan_tie::{TiedScan, tie_report, tie_scan};
use super::road::{KnownSetup, Squares, find_road, open};
use super::sections::sort_by_section;
use super::space::{SORTED_POINT, check_folder, field_bytes, product_bytes};
use super::surface::{LevelledPoints, Mesher};
use crate::cloud::TileStore;
use crate::cloud::io::{CrsRecord, ProductCrs, Scans};
use crate::deviation::{DeviationMap, Spot};
use crate::export::{PageData, VertexRecords, write_ids};
use crate::field::Lattice;
use crate::mesh::{MaskReport, MeshCheck, Patch};
use crate::progress::{Counted, Progress};
use crate::report::{
    FORMAT_VERSION, Input, Parameters, RebuiltReport, Report, RescanReport, RunReport,
};
use crate::ribbon::Ribbon;
use crate::setups::SetupModels;

/// What a rescan leaves, in the order in which it gets its names: those of a build, and what
/// changed. The manifest comes last, so that a folder with a manifest is whole.
pub const RESCAN_PRODUCTS: [&str; 16] = [
    "surface.ply",
    "ribbon.geojson",
    "breaklines.geojson",
    "beside",
    "field",
    "deviation.png",
    "deviation.csv",
    "deviation.laz",
    "changes.csv",
    "changes.geojson",
    "changes.png",
    "vertices.csv",
    "ids.npy",
    "report.json",
    "report.html",
    "manifest.json",
];

/// Writing, hashing and meshing take about this long a node of the field, seconds; measured on
/// the demo.
const MESH_S: f64 = 3e-6;
/// Fitting touched runs with new breaklines takes this many times as long as the first fit.
const AGAIN: f64 = 2.5;

/// Rebuild what the new `scans` changed of the build in `dir`, into the folder `out`.
///
/// Line, edges, lattice and vertices stay those of the old build. The new scan is tied to the
/// ground that stayed, its heights are held against the old ones, and where they differ by more
/// than chance the new points alone make the surface; around each change what is left between old
/// and new is blended. All else stays as it was, byte for byte. Without `out` (on a dry run) nothing
/// is written but scratch files.
///
/// # Errors
/// [`BuildError`] naming the file or place and the remedy; `out` is then as it was.
pub fn rescan(
    dir: &Path,
    scans: &[PathBuf],
    out: Option<&Path>,
    params: &RescanParams,
    progress: &mut dyn Progress,
) -> Result<RescanReport, BuildError> {
    params.check()?;
    let target = target(dir, out, params)?;
    if out.is_some() {
        keep(scans, &target)?;
    }
    let mut clock = StageClock::start();
    let old = Finished::read(dir, progress)?;
    let skeleton = old.skeleton()?;
    clock.lap("check");
    let fit = params.fit_params(&built_params(&old));
    let mut cloud = open(scans, &fit)?;
    let folder = BuildFolder::open(&target, params.scratch.as_deref())?;
    check_space(&cloud, old.lattice(), &folder, params)?;
    let scan = read_scan(
        &mut cloud,
        &old,
        (&fit, params),
        &folder,
        &mut clock,
        progress,
    )?;
    let started = Instant::now();
    let fitter = scan.fitter(&old, &fit);
    let work = (&fitter, scan.tied.runs.as_slice());
    let found = find_changes(&old, &skeleton, work, params, &folder, progress)?;
    let seconds = started.elapsed().as_secs_f64();
    clock.lap("changes");
    let inputs = inputs_of(&cloud, scans, progress)?;
    let mut report = report(&old, &scan, &found, inputs, params);
    if params.dry_run {
        report.rebuilt.seconds_left = Some(seconds_left(&old, &scan, &found, seconds));
        report.run = clock.report();
        return Ok(report);
    }
    let state = State {
        old: &old,
        skeleton: &skeleton,
        scan: &scan,
        fitter: &fitter,
        fit: &fit,
        params,
    };
    state.build(found, report, &cloud, folder, clock, progress)
}

/// Refuse at once where the new points, a field of them alone, another of what is blended and the
/// new state do not fit.
fn check_space(
    cloud: &Scans,
    lattice: &Lattice,
    folder: &BuildFolder,
    params: &RescanParams,
) -> Result<(), BuildError> {
    let Some(points) = cloud.guessed_points() else {
        return Ok(());
    };
    let scratch = points.saturating_mul(SORTED_POINT) + 2 * field_bytes(lattice);
    let products = match params.dry_run {
        true => 0,
        false => product_bytes(lattice, points, DeviationPoints::Beyond),
    };
    let what = format!("scratch files and products of {points} new points");
    check_folder(&what, folder, [scratch, products])
}

/// The folder to work in: `out`, or on a dry run without it the system's folder for passing files.
fn target(dir: &Path, out: Option<&Path>, params: &RescanParams) -> Result<PathBuf, BuildError> {
    let refuse = |value: String, why| {
        Err(BuildError::Parameter {
            name: "--out",
            value,
            why,
        })
    };
    match out {
        None if params.dry_run => Ok(std::env::temp_dir()),
        None => refuse("missing".to_owned(), "give a folder for the new state"),
        Some(out) => {
            let same = |a: &Path, b: &Path| {
                let real = (std::fs::canonicalize(a), std::fs::canonicalize(b));
                matches!(real, (Ok(a), Ok(b)) if a == b)
            };
            if same(dir, out) {
                let why = "it is the old build, which stays as it is; give another folder";
                return refuse(out.display().to_string(), why);
            }
            Ok(out.to_owned())
        }
    }
}

/// How the old build was fitted.
fn built_params(old: &Finished) -> FitParams {
    let p = &old.report.parameters;
    FitParams {
        ribbon: Some(old.ribbon.clone()),
        spacing_m: p.spacing_m,
        tolerance_m: 1e-3 * p.tolerance_mm,
        bridge_m: p.bridge_m,
        ..FitParams::default()
    }
}

/// The new scan on the old ribbon.
struct Scan {
    points: TileStore,
    setups: Vec<KnownSetup>,
    doubts: Vec<String>,
    tied: TiedScan,
    read: u64,
    strays: u64,
    crs: ProductCrs,
}

impl Scan {
    fn fitter<'a>(&'a self, old: &'a Finished, fit: &FitParams) -> HeightFitter<'a> {
        HeightFitter {
            points: &self.points,
            ribbon: &old.ribbon,
            lattice: old.lattice(),
            setups: &self.tied.models,
            bridge_m: fit.bridge_m,
            flight_bytes: fit.flight_bytes(),
            plain: PlainRuns::default(),
        }
    }

    fn on_road(&self) -> u64 {
        self.points.keys().map(|key| self.points.count(key)).sum()
    }
}

fn read_scan(
    cloud: &mut Scans,
    old: &Finished,
    (fit, params): (&FitParams, &RescanParams),
    folder: &BuildFolder,
    clock: &mut StageClock,
    progress: &mut dyn Progress,
) -> Result<Scan, BuildError> {
    let scratch = folder.scratch("cloud");
    let road = find_road(cloud, Squares::Passing(&scratch), fit, clock, progress)?;
    let points = sort_by_section(
        &road.cloud.tiles,
        &old.ribbon,
        old.lattice(),
        &folder.scratch("road"),
        fit,
        progress,
    )?;
    clock.lap("sort");
    let (read, strays) = (road.cloud.points, road.cloud.strays);
    let steps_known = SetupModels::of_steps(&road.cloud.z_steps_m);
    if points.keys().next().is_none() {
        let [x, y, _] = old.ribbon.frame.origin_m;
        let [east, north, _] = cloud.suggest_origin()?;
        let files = cloud.files();
        return Err(BuildError::NoCommonRoad {
            path: files.first().map(|f| f.path.clone()).unwrap_or_default(),
            files: files.len(),
            points: read,
            build_xy_m: [x, y],
            scan_xy_m: [east, north],
        });
    }
    let fitter = HeightFitter {
        points: &points,
        ribbon: &old.ribbon,
        lattice: old.lattice(),
        setups: &steps_known,
        bridge_m: fit.bridge_m,
        flight_bytes: fit.flight_bytes(),
        plain: PlainRuns::default(),
    };
    let tied = tie_scan(old, &fitter, &road.setups, params, progress)?;
    clock.lap("tie");
    Ok(Scan {
        points,
        setups: road.setups,
        doubts: road.doubts,
        tied,
        read,
        strays,
        crs: cloud.product_crs(),
    })
}

fn report(
    old: &Finished,
    scan: &Scan,
    found: &Found,
    inputs: Vec<Input>,
    params: &RescanParams,
) -> RescanReport {
    let changes = change_reports(&found.changes, found, &old.ribbon, params.expect.as_ref());
    let [new_m2, blended_m2] = rebuilt_m2(found, &old.ribbon);
    let mut out = RescanReport {
        format_version: FORMAT_VERSION,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        previous: old.hash.clone(),
        inputs,
        points: scan.read,
        points_on_road: scan.on_road(),
        dry_run: params.dry_run,
        refined: params.refine,
        tie: tie_report(&scan.tied, &scan.setups),
        detection: detection_report(&found.detection, params.detect),
        changes,
        rebuilt: RebuiltReport {
            sections: old.lattice().sections() as u64,
            fitted: found.touched.len() as u64,
            new_m2,
            blended_m2,
            ..RebuiltReport::default()
        },
        spots: None,
        mesh_defects: None,
        doubts: Vec::new(),
        run: RunReport::default(),
    };
    out.doubts = doubts(&out, scan, old);
    out
}

fn doubts(report: &RescanReport, scan: &Scan, old: &Finished) -> Vec<String> {
    let mut out = scan.doubts.clone();
    out.extend(rescan_doubts(report, |input| old.holds(input)));
    if scan.strays > 0 {
        let strays = scan.strays;
        out.push(format!(
            "{strays} points lie more than 40 km away and were left out"
        ));
    }
    if let ProductCrs::Dropped(why) = &scan.crs {
        out.push(why.clone());
    }
    out
}

fn seconds_left(old: &Finished, scan: &Scan, found: &Found, seconds: f64) -> f64 {
    let lattice = old.lattice();
    let share = found.touched.len() as f64 / scan.tied.runs.len().max(1) as f64;
    let nodes = (lattice.rows * lattice.columns) as f64;
    (AGAIN * seconds * share + MESH_S * nodes).ceil()
}

/// Everything that the new state is made from.
struct State<'a> {
    old: &'a Finished,
    skeleton: &'a Skeleton,
    scan: &'a Scan,
    fitter: &'a HeightFitter<'a>,
    fit: &'a FitParams,
    params: &'a RescanParams,
}

/// The mesh of the new state and the new points held to it.
struct Meshed {
    mask: MaskReport,
    check: MeshCheck,
    seams: crate::mesh::SeamReport,
    map: DeviationMap,
    spots: Vec<Spot>,
    page: Option<PageData>,
}

impl State<'_> {
    fn build(
        &self,
        mut found: Found,
        mut report: RescanReport,
        cloud: &Scans,
        mut folder: BuildFolder,
        mut clock: StageClock,
        progress: &mut dyn Progress,
    ) -> Result<RescanReport, BuildError> {
        let (old, skeleton) = (self.old, self.skeleton);
        let joined = join(
            old,
            skeleton,
            self.fitter,
            &mut found,
            &mut folder,
            progress,
        )?;
        clock.lap("join");
        let lines = [&old.lines, &joined.lines];
        found.changes =
            super::rescan_find::measure(&old.ribbon, &found.pair, &found.detection, lines);
        let expect = self.params.expect.as_ref();
        report.changes = change_reports(&found.changes, &found, &old.ribbon, expect);
        report.doubts = doubts(&report, self.scan, old);
        let meshed = self.mesh(&joined, &found, &mut report, &mut folder, progress)?;
        clock.lap("mesh and hold");
        let touched = |s: &&Spot| found.blend.weight_at(s.at_m[0], s.at_m[1]) > 0.0;
        report.spots = Some(meshed.spots.iter().filter(touched).count() as u64);
        report.mesh_defects = meshed.check.defects_doubt();
        report.doubts.splice(0..0, report.mesh_defects.clone());
        let map = (&meshed.map, meshed.spots.as_slice());
        write_map(map, &old.ribbon, self.fit.tolerance_m, &mut folder)?;
        let ribbon = std::fs::read(old.dir.join("ribbon.geojson"));
        let ribbon = ribbon.map_err(read_error(&old.dir.join("ribbon.geojson")))?;
        folder.put("ribbon.geojson", &ribbon)?;
        clock.lap("picture");
        report.run = clock.report();
        self.publish(&report, meshed, &joined, cloud, folder, progress)?;
        Ok(report)
    }

    /// Mesh the new state, hold the vertices against the old ones and the new points to the mesh.
    fn mesh(
        &self,
        joined: &Joined,
        found: &Found,
        report: &mut RescanReport,
        folder: &mut BuildFolder,
        progress: &mut dyn Progress,
    ) -> Result<Meshed, BuildError> {
        let old = self.old;
        let (ribbon, file) = (&old.ribbon, old.dir.join("surface.ply"));
        let (before, (mut mesher, mask)) = self.meshers(joined, progress)?;
        mesher.crs = VertexRecords::open(&file)?.crs()?;
        let is_touched = |section, at| is_touched(ribbon, found, section, at);
        let meshes = Meshes {
            old: &before,
            new: &mesher,
            fitted: &found.touched,
            is_touched: &is_touched,
        };
        let mut compared = VertexComparison::new(meshes, &file, old.ids()?)?;
        let crs: Option<&CrsRecord> = self.scan.crs.record();
        let mut laz = deviation_laz(folder, ribbon, crs, self.fit)?;
        let points = LevelledPoints {
            points: &self.scan.points,
            setups: &self.scan.tied.models,
            flight_bytes: self.fit.flight_bytes(),
        };
        let which = (DeviationPoints::Beyond, self.fit.tolerance_m);
        let ply = folder.part("surface.ply")?;
        let see = &mut |patch: &Patch| compared.next(patch);
        let (check, map) = mesher.run_seen(&ply, points, &mut laz, which, see, progress)?;
        if let Some(laz) = laz {
            laz.finish()?;
        }
        let vertices = compared.finish()?;
        put_vertices(&vertices, folder)?;
        report.rebuilt.vertices = vertices.counts;
        put_changes(old, found, &report.changes, &mesher, folder)?;
        let spots = spots_of(&map, ribbon, self.fit.tolerance_m);
        let page = page::gather(&mesher, points, &map, &spots, progress)?;
        Ok(Meshed {
            mask,
            check,
            seams: mesher.seams.report(),
            map,
            spots,
            page,
        })
    }

    /// What both meshes are made by, their masks at the same time.
    fn meshers<'b>(
        &'b self,
        joined: &'b Joined,
        progress: &mut dyn Progress,
    ) -> Result<(Mesher<'b>, (Mesher<'b>, MaskReport)), BuildError> {
        let (ribbon, skeleton) = (&self.old.ribbon, self.skeleton);
        let layout = &skeleton.layout;
        progress.stage(
            "mask",
            2 * layout.lattice().sections() as u64,
            Counted::Sections,
        );
        let progress = Mutex::new(progress);
        let advance = |sections: u64| {
            // Who panicked with it ends the run.
            let mut progress = progress.lock().unwrap_or_else(PoisonError::into_inner);
            progress.advance(sections)
        };
        let old = (&skeleton.plan, skeleton.beside.as_slice());
        let new = (&joined.plan, joined.beside.as_slice());
        let (before, after) = rayon::join(
            || Mesher::new(ribbon, &self.old.field, layout, old, &mut &advance),
            || Mesher::new(ribbon, &joined.field, layout, new, &mut &advance),
        );
        Ok((before?.0, after?))
    }

    fn publish(
        &self,
        rescan: &RescanReport,
        mut meshed: Meshed,
        joined: &Joined,
        cloud: &Scans,
        mut folder: BuildFolder,
        progress: &mut dyn Progress,
    ) -> Result<(), BuildError> {
        let page = meshed.page.take();
        let report = self.whole_report(rescan, meshed, joined, cloud);
        put_report(&report, page.as_ref(), &mut folder)?;
        let chain = (Some(rescan.changes.len() as u64), self.old.history());
        let manifest = Manifest::after(&folder, &report, &rescan.inputs, chain, progress)?;
        folder.put("manifest.json", manifest.as_bytes())?;
        folder.publish(&all_products())
    }

    /// The report of the surface: the old one with what is new.
    fn whole_report(
        &self,
        rescan: &RescanReport,
        meshed: Meshed,
        joined: &Joined,
        cloud: &Scans,
    ) -> Report {
        let old = &self.old.report;
        let checkpoints_hold = rescan.changes.is_empty();
        let now = (&meshed.check, &meshed.mask, &joined.counts);
        let doubts = doubts_after(old, now, checkpoints_hold);
        let listed = meshed.spots.iter().take(Report::MOST_SPOTS);
        Report {
            version: rescan.version.clone(),
            inputs: [old.inputs.as_slice(), &rescan.inputs].concat(),
            points: old.points + rescan.points,
            points_on_road: old.points_on_road + rescan.points_on_road,
            points_dropped: old.points_dropped
                + cloud.rejected()
                + cloud.withheld()
                + self.scan.strays,
            setups: old.setups + self.scan.setups.len() as u64,
            field: joined.counts.clone(),
            mask: meshed.mask,
            seams: meshed.seams,
            mesh: meshed.check,
            parameters: Parameters {
                tolerance_mm: 1e3 * self.fit.tolerance_m,
                deviation_points: Some(DeviationPoints::Beyond.name().to_owned()),
                ..old.parameters.clone()
            },
            // They were held to the surface before it changed.
            checkpoints: old.checkpoints.clone().filter(|_| checkpoints_hold),
            deviation: meshed.map.summary(&meshed.spots, self.fit.tolerance_m),
            spots: listed.map(spot_report).collect(),
            rescan: Some(Box::new(RescanReport {
                run: RunReport::default(),
                ..rescan.clone()
            })),
            run: rescan.run.clone(),
            doubts,
            ..old.clone()
        }
    }
}

fn put_vertices(vertices: &VertexChanges, folder: &mut BuildFolder) -> Result<(), BuildError> {
    folder.put("vertices.csv", vertices.table.as_bytes())?;
    let path = folder.part("ids.npy")?;
    write_ids(&path, &vertices.ids).map_err(write_error(&path))
}

/// Whether a place (local x, y) of a section lies in a change or its blending.
fn is_touched(ribbon: &Ribbon, found: &Found, section: usize, at: [f64; 2]) -> bool {
    let lattice = found.pair.grid.lattice();
    let [first, last] = lattice.section_rows(section);
    let (from, to) = (first as f64, last as f64);
    let middle = 0.5 * (from + to) * lattice.s_step_m;
    let length = ribbon.line.length_m();
    let off = |s: f64| {
        let d = (s - middle).abs();
        if lattice.closed { d.min(length - d) } else { d }
    };
    let feet = ribbon.line.feet(at, ribbon.edges.reach_m());
    let own = feet
        .into_iter()
        .min_by(|a, b| off(a.s).total_cmp(&off(b.s)));
    own.is_some_and(|foot| found.blend.touches(foot.s, foot.t))
}
