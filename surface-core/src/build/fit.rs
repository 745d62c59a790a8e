//! The main job: from scan files to a build folder.

use std::path::{Path, PathBuf};

use super::BuildError;
use super::also::{discard_unnamed, export_unnamed};
use super::checkpoints::Checkpoints;
use super::clock::StageClock;
use super::export::{ExportFormat, ExportReport};
use super::folder::{BuildFolder, write_error};
use super::heights::Steps;
use super::keep::{keep_foreign, keep_inputs};
use super::levelled::{Course, LevelledRoad};
use super::manifest::Manifest;
use super::page;
use super::params::{DeviationPoints, FitParams};
use super::parts::SectionPlan;
use super::report_parts::{inputs_of, spot_report};
use super::rescan::RESCAN_PRODUCTS;
use super::road::open;
use super::stages::{Keys, RoadInWords, SortedRoad, Stages, check_before};
use super::surface::Mesher;
use super::trust::Trusted;
use super::unchanged::unchanged;
use super::work::Work;
use crate::cloud::io::{CrsRecord, ProductCrs, Scans};
use crate::deviation::{DeviationMap, Spot};
use crate::export::{BesideStore, DeviationLaz, FieldStore, MapPicture, PageData, write_spots_csv};
use crate::field::{Lattice, RailNode};
use crate::mesh::{Layout, MaskReport, MeshCheck, SeamPlan, SeamReport};
use crate::progress::{Counted, Progress};
use crate::report::{
    CAUTIONS, CheckpointsReport, FORMAT_VERSION, FieldCounts, Input, Report, RunReport,
};
use crate::ribbon::{Ribbon, RibbonPoint};

/// The products of a build, in the order in which they get their names: the manifest last, so
/// that a folder with a manifest is whole.
pub const PRODUCTS: [&str; 11] = [
    "surface.ply",
    "ribbon.geojson",
    "breaklines.geojson",
    "beside",
    "field",
    "deviation.png",
    "deviation.csv",
    "deviation.laz",
    "report.json",
    "report.html",
    "manifest.json",
];

/// The stages of a build, by the names that they are told under.
fn stages(params: &FitParams, also: bool) -> Vec<&'static str> {
    let mut names = vec!["hash", "read"];
    if params.ribbon.is_none() {
        names.push("evenness of the ground");
        names.push(match params.line {
            Some(_) => "rough line onto the paved ground",
            None => "course through the paved ground",
        });
        names.push("edges");
    }
    names.extend(["sort", "level"]);
    if params.breaklines.is_none() {
        names.push("breaklines");
    }
    names.extend(["fit", "mask", "mesh and hold", "page", "hash"]);
    if also {
        names.push("export");
    }
    names
}

/// Everything that the stages left, before it becomes a report.
struct Findings {
    lattice: Lattice,
    field: FieldCounts,
    mask: MaskReport,
    check: MeshCheck,
    seams: SeamReport,
    map: DeviationMap,
    spots: Vec<Spot>,
    points_on_road: u64,
    trusted: Trusted,
    checkpoints: Option<CheckpointsReport>,
    page: Option<PageData>,
}

/// Build the drivable surface of the course in `paths` into the folder `out`.
///
/// Where `out` holds that very build already, whole, nothing is made, and the report is that build's
/// (not so with other formats, which are made with it).
/// Else it reads the scans once, streams through scratch files in `out`, and gives the products their
/// names when all are whole; after an error or a stop the folder is as it was.
///
/// # Errors
/// [`BuildError`] naming the file or place and the remedy.
pub fn fit(
    paths: &[PathBuf],
    out: &Path,
    params: &FitParams,
    progress: &mut dyn Progress,
) -> Result<Report, BuildError> {
    Ok(fit_and_export(paths, out, params, &[], progress)?.0)
}

/// [`fit`], with the build in other formats beside it: the folder gets them together with the
/// build, so that a run that is killed while it writes them goes on like any other.
///
/// # Errors
/// [`BuildError`] naming the file or place and the remedy.
pub fn fit_and_export(
    paths: &[PathBuf],
    out: &Path,
    params: &FitParams,
    formats: &[ExportFormat],
    progress: &mut dyn Progress,
) -> Result<(Report, Vec<ExportReport>), BuildError> {
    keep(paths, out)?;
    let mut scans = open(paths, params)?;
    let (mut folder, work) = BuildFolder::resumable(out, params.scratch.as_deref())?;
    folder.discard_parts(&all_products(), &["field"])?;
    discard_unnamed(&work)?;
    if !out.join("manifest.json").exists() {
        check_before(&scans, &work)?;
    }
    progress.plan(&stages(params, !formats.is_empty()));
    let mut clock = StageClock::start();
    let inputs = inputs_of(&scans, paths, progress)?;
    clock.lap("hash");
    let keys = Keys::new(&inputs, params);
    let made_from = keys.products(params, formats);
    if formats.is_empty()
        && let Some(report) = unchanged(out, &made_from, progress)?
    {
        // What a stopped run with other parameters has left is of no use any more.
        folder.discard_parts(&all_products(), &[])?;
        work.finish();
        return Ok((report, Vec::new()));
    }
    let mut stages = Stages {
        params,
        also: formats,
        keys,
        clock: &mut clock,
        progress,
    };
    let (mut findings, road) = surface_of(&mut scans, &mut stages, &mut folder, &work)?;
    let ribbon_text = road.ribbon.to_geojson()?;
    folder.put("ribbon.geojson", ribbon_text.as_bytes())?;
    let map = (&findings.map, findings.spots.as_slice());
    write_map(map, &road.ribbon, params.tolerance_m, &mut folder)?;
    clock.lap("picture");
    let page = findings.page.take();
    let report = report(inputs, &road, findings, params, clock.report());
    put_report(&report, page.as_ref(), &mut folder)?;
    let manifest = Manifest::of(&folder, &report, &made_from, progress)?;
    let others = export_unnamed(&mut folder, &work, &manifest, formats, progress)?;
    folder.put("manifest.json", manifest.as_bytes())?;
    folder.publish(&all_products())?;
    Ok((report, others))
}

/// Names that products had once.
const FORMER_PRODUCTS: [&str; 1] = ["surface-single.ply"];

/// Everything that a build folder may hold: other formats of the build before would speak of
/// another surface.
pub(super) fn all_products() -> Vec<&'static str> {
    let others = ExportFormat::all().flat_map(ExportFormat::products);
    others
        .chain(RESCAN_PRODUCTS)
        .chain(FORMER_PRODUCTS)
        .collect()
}

/// Refuse to build in `out` where scans or files that no build has left would be lost.
pub(super) fn keep(scans: &[PathBuf], out: &Path) -> Result<(), BuildError> {
    keep_inputs(scans, out, &all_products())?;
    keep_foreign(out)
}

/// The report for scripts and for readers.
pub(super) fn put_report(
    report: &Report,
    page: Option<&PageData>,
    folder: &mut BuildFolder,
) -> Result<(), BuildError> {
    let text = report
        .to_json()
        .map_err(|e| write_error(Path::new("report.json"))(e.into()))?;
    folder.put("report.json", text.as_bytes())?;
    page.map_or(Ok(()), |page| {
        page::write(page, report, &folder.part("report.html")?)
    })
}

/// Go through `fit` as far as the height field and leave a plan of `sections` of the course that
/// [`fit_section`](super::fit_section) fits, in processes of their own and in any order; [`fit`]
/// with the same scans and parameters then joins them and ends the job. What it ends with does not
/// depend on the sections; those that are missing it fits itself.
///
/// # Errors
/// [`BuildError`] naming the file or place and the remedy.
pub fn plan_sections(
    paths: &[PathBuf],
    out: &Path,
    params: &FitParams,
    sections: usize,
    progress: &mut dyn Progress,
) -> Result<SectionPlan, BuildError> {
    if sections == 0 {
        return Err(BuildError::Parameter {
            name: "--sections",
            value: "0".to_owned(),
            why: "give at least one section",
        });
    }
    keep(paths, out)?;
    let mut scans = open(paths, params)?;
    let (mut folder, work) = BuildFolder::resumable(out, params.scratch.as_deref())?;
    check_before(&scans, &work)?;
    let mut clock = StageClock::start();
    let inputs = inputs_of(&scans, paths, progress)?;
    let mut stages = Stages {
        params,
        also: &[],
        keys: Keys::new(&inputs, params),
        clock: &mut clock,
        progress,
    };
    let road = stages.road(&mut scans, &work)?;
    let marks = Checkpoints::new(params, &road.words.ribbon).marks();
    let course = road.words.course(&road.lattice, &marks);
    let levelled = stages.level(road.points, &road.z_steps_m, course, &work)?;
    let fitter = levelled.fitter(course, params.bridge_m);
    stages.lines(&fitter, &work)?;
    let (_, plan) = stages.planned(&fitter, (&mut folder, &work), Some(sections))?;
    let plan = SectionPlan::of(&plan, &road.lattice);
    plan.write(&work)?;
    Ok(plan)
}

/// Sort, level, fit, mesh and hold: what the stages find, and the road in words.
fn surface_of(
    scans: &mut Scans,
    stages: &mut Stages,
    folder: &mut BuildFolder,
    work: &Work,
) -> Result<(Findings, RoadInWords), BuildError> {
    let SortedRoad {
        words,
        lattice,
        points,
        z_steps_m,
    } = stages.road(scans, work)?;
    let (ribbon, params) = (&words.ribbon, stages.params);
    let checkpoints = Checkpoints::new(params, ribbon);
    let marks = checkpoints.marks();
    let course = words.course(&lattice, &marks);
    let levelled = stages.level(points, &z_steps_m, course, work)?;
    let heights = heights_of(&levelled, course, stages, folder, work)?;
    let (mut mesher, mask) = heights.mesher(ribbon, stages.progress)?;
    mesher.crs = words.crs.name().map(str::to_owned);
    let (check, map) = mesh_and_hold(&mesher, &levelled, &words, folder, params, stages.progress)?;
    stages.clock.lap("mesh and hold");
    let checkpoints = checkpoints.hold(&mesher, levelled.trusted.shift_m())?;
    let spots = spots_of(&map, ribbon, params.tolerance_m);
    let points = &levelled.points;
    let page = page::gather(&mesher, levelled.held(), &map, &spots, stages.progress)?;
    stages.clock.lap("page");
    let findings = Findings {
        lattice,
        field: heights.counts.clone(),
        mask,
        check,
        seams: mesher.seams.report(),
        map,
        spots,
        points_on_road: points.keys().map(|key| points.count(key)).sum(),
        trusted: levelled.trusted,
        checkpoints,
        page,
    };
    Ok((findings, words))
}

/// The height field on disk, and what the mesh needs besides.
struct Heights {
    store: FieldStore,
    counts: FieldCounts,
    layout: Layout,
    plan: SeamPlan,
    /// Heights beside breaklines, by section.
    beside: Vec<Vec<RailNode>>,
}

impl Heights {
    fn mesher<'a>(
        &'a self,
        ribbon: &'a Ribbon,
        progress: &mut dyn Progress,
    ) -> Result<(Mesher<'a>, MaskReport), BuildError> {
        progress.stage(
            "mask",
            self.layout.lattice().sections() as u64,
            Counted::Sections,
        );
        let seams = (&self.plan, self.beside.as_slice());
        let tell = &mut |sections| progress.advance(sections);
        Mesher::new(ribbon, &self.store, &self.layout, seams, tell)
    }
}

/// Find the breaklines, unless they are known, and fit heights on either side of them.
fn heights_of(
    levelled: &LevelledRoad,
    course: Course,
    stages: &mut Stages,
    folder: &mut BuildFolder,
    work: &Work,
) -> Result<Heights, BuildError> {
    let fitter = levelled.fitter(course, stages.params.bridge_m).keeping();
    let mut found = stages.lines(&fitter, work)?;
    let layout = Layout::new(course.ribbon, course.lattice)?;
    let plan = SeamPlan::new(&layout, &found.lines);
    let steps = Steps {
        lines: &found.lines,
        layout: &layout,
        plan: &plan,
    };
    let level = (found.level_m, &mut found.known);
    let (store, fitted) = stages.field(&fitter, level, &steps, (folder, work))?;
    let (counts, beside) = fitted.counts(found.level_m);
    put_breaklines(&steps, &beside, course.ribbon, folder)?;
    Ok(Heights {
        store,
        counts: some_fitted(counts, stages.params.spacing_m)?,
        layout,
        plan,
        beside,
    })
}

/// Write the breaklines and the heights beside them: with the field, all that the mesh is made of.
pub(super) fn put_breaklines(
    steps: &Steps,
    beside: &[Vec<RailNode>],
    ribbon: &Ribbon,
    folder: &mut BuildFolder,
) -> Result<(), BuildError> {
    let text = steps.lines.to_geojson(ribbon)?;
    folder.put("breaklines.geojson", text.as_bytes())?;
    let store = BesideStore::create(&folder.part("beside")?)?;
    for (section, heights) in beside.iter().enumerate() {
        store.write(section, &steps.plan.places(steps.layout, section), heights)?;
    }
    Ok(())
}

/// Mesh the course into `surface.ply` and hold its points to it.
fn mesh_and_hold(
    mesher: &Mesher,
    levelled: &LevelledRoad,
    words: &RoadInWords,
    folder: &mut BuildFolder,
    params: &FitParams,
    progress: &mut dyn Progress,
) -> Result<(MeshCheck, DeviationMap), BuildError> {
    let mut laz = deviation_laz(folder, &words.ribbon, words.crs.record(), params)?;
    let which = (params.deviation_points, params.tolerance_m);
    let ply = folder.part("surface.ply")?;
    let done = mesher.run(&ply, levelled.held(), &mut laz, which, progress)?;
    if let Some(laz) = laz {
        laz.finish()?;
    }
    Ok(done)
}

/// The counts of a field that has at least one height.
fn some_fitted(field: FieldCounts, spacing_m: f64) -> Result<FieldCounts, BuildError> {
    if field.fitted == 0 {
        let inside = field.inside;
        return Err(BuildError::NoSurface { inside, spacing_m });
    }
    Ok(field)
}

pub(super) fn lattice_of(ribbon: &Ribbon, spacing_m: f64) -> Result<Lattice, BuildError> {
    let least_width = ribbon.widths_m()[0];
    if spacing_m > least_width / 3.0 {
        return Err(BuildError::SpacingTooWide {
            spacing_m,
            least_width_m: least_width,
        });
    }
    let edges = &ribbon.edges;
    let least = edges
        .right_t_m
        .iter()
        .copied()
        .fold(f64::INFINITY, f64::min);
    let most = edges
        .left_t_m
        .iter()
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    let line = &ribbon.line;
    Ok(Lattice::along(
        line.length_m(),
        spacing_m,
        [least, most],
        line.is_closed(),
    )?)
}

pub(super) fn deviation_laz(
    folder: &mut BuildFolder,
    ribbon: &Ribbon,
    crs: Option<&CrsRecord>,
    params: &FitParams,
) -> Result<Option<DeviationLaz>, BuildError> {
    if params.deviation_points == DeviationPoints::None {
        return Ok(None);
    }
    let path = folder.part("deviation.laz")?;
    Ok(Some(DeviationLaz::create(
        &path,
        ribbon.frame.origin_m,
        crs,
    )?))
}

pub(super) fn spots_of(map: &DeviationMap, ribbon: &Ribbon, tolerance_m: f64) -> Vec<Spot> {
    let [east, north, _] = ribbon.frame.origin_m;
    map.spots(tolerance_m, &|s, t| {
        let [x, y] = ribbon.line.to_local(RibbonPoint { s, t });
        [east + x, north + y]
    })
}

/// `deviation.csv` and `deviation.png`.
pub(super) fn write_map(
    (map, spots): (&DeviationMap, &[Spot]),
    ribbon: &Ribbon,
    tolerance_m: f64,
    folder: &mut BuildFolder,
) -> Result<(), BuildError> {
    let path = folder.part("deviation.csv")?;
    let mut csv = Vec::new();
    write_spots_csv(spots, &mut csv).map_err(write_error(&path))?;
    std::fs::write(&path, csv).map_err(write_error(&path))?;
    let picture = MapPicture::of_ribbon(map, spots, ribbon, tolerance_m);
    write_picture(&picture, folder.part("deviation.png")?)
}

pub(super) fn write_picture(picture: &MapPicture, path: PathBuf) -> Result<(), BuildError> {
    let file = std::fs::File::create(&path).map_err(write_error(&path))?;
    let drawn = picture.write_png(std::io::BufWriter::new(file));
    drawn.map_err(write_error(&path))
}

fn report(
    inputs: Vec<Input>,
    road: &RoadInWords,
    found: Findings,
    params: &FitParams,
    run: RunReport,
) -> Report {
    let ribbon = &road.ribbon;
    let deviation = found.map.summary(&found.spots, params.tolerance_m);
    let doubts = doubts(road, &found, params);
    Report {
        format_version: FORMAT_VERSION,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        parameters: params.report(
            found.lattice.s_step_m,
            road.setups.iter().any(|s| s.position_m.is_some()),
        ),
        inputs,
        given: params.given.clone(),
        points: road.points,
        points_on_road: found.points_on_road,
        points_dropped: road.rejected + road.strays,
        setups: road.setups.len() as u64,
        levelling: found.trusted.report(&road.setups),
        checkpoints: found.checkpoints,
        origin_m: ribbon.frame.origin_m,
        crs: road.crs.name().map(str::to_owned),
        ribbon: super::road::ribbon_report(ribbon, &road.notes),
        field: found.field,
        mask: found.mask,
        mesh: found.check,
        seams: found.seams,
        deviation,
        spots: found
            .spots
            .iter()
            .take(Report::MOST_SPOTS)
            .map(spot_report)
            .collect(),
        rescan: None,
        doubts,
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
        run,
    }
}

fn doubts(road: &RoadInWords, found: &Findings, params: &FitParams) -> Vec<String> {
    let mut out: Vec<String> = found.check.defects_doubt().into_iter().collect();
    out.extend(found.trusted.report(&road.setups).doubts());
    out.extend_from_slice(&road.doubts);
    if let Some(checkpoints) = &found.checkpoints {
        out.extend_from_slice(checkpoints.doubts());
    }
    for gap in &road.ribbon.gaps {
        out.push(format!(
            "{} edge from s {:.1} to {:.1} m is interpolated: {}",
            gap.side, gap.from_s_m, gap.to_s_m, gap.reason
        ));
    }
    if let Some([a, b]) = road.ribbon.meets_itself_m() {
        out.push(format!(
            "the course shares ground with itself at s {a:.0} and {b:.0} m: points there are taken for \
             the nearer line's, whatever their height"
        ));
    }
    out.extend(found.field.hidden_doubts());
    out.extend(found.field.thin_doubt(params.spacing_m));
    out.extend(found.mask.cut_off_doubt());
    if let ProductCrs::Dropped(why) = &road.crs {
        out.push(why.clone());
    }
    if road.strays > 0 {
        out.push(format!(
            "{} points lie more than 40 km away and were left out",
            road.strays
        ));
    }
    out
}
