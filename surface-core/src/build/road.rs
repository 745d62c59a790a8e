//! The first half of the job: from scan files to the ribbon.

use std::path::{Path, PathBuf};

use super::BuildError;
use super::folder::BuildFolder;
use super::ingest::{Ingested, Pass, ingest};
use super::keep::keep_file;
use super::kept_pass::KeptPass;
use super::params::{FitParams, SetupPlace};
use super::space::{POINT, check_scratch};
use crate::cloud::inspect::reading_doubts;
use crate::cloud::io::{ReadOptions, Scans, SetupInfo};
use crate::cloud::{CellGrid, Frame};
use crate::progress::Progress;
use crate::report::RibbonReport;
use crate::ribbon::{CourseError, CourseHints, HalfWidths, Ribbon, RibbonParams, find_course};

/// The cloud on disk and the road in it.
#[derive(Debug)]
pub(super) struct Road {
    pub cloud: Ingested,
    pub ribbon: Ribbon,
    /// What was decided on the way.
    pub notes: Vec<String>,
    /// The setups by number.
    pub setups: Vec<KnownSetup>,
    /// What reading told that the user should know.
    pub doubts: Vec<String>,
}

/// A setup's name, and where it stood.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
pub(super) struct KnownSetup {
    pub name: String,
    /// Local x, y, z, where known.
    pub position_m: Option<[f64; 3]>,
}

/// Open the scans and check that they can be read.
pub(super) fn open(paths: &[PathBuf], params: &FitParams) -> Result<Scans, BuildError> {
    params.check()?;
    Ok(Scans::open(
        paths,
        &ReadOptions {
            units: params.units,
        },
    )?)
}

/// What is said of a ribbon that was not looked for.
const GIVEN: &str = "the ribbon was given and is used as it is";

/// Where the points of a pass lie until the road is found.
#[derive(Debug, Clone, Copy)]
pub(super) enum Squares<'a> {
    /// In this file, which goes with them.
    Passing(&'a Path),
    /// With a record of the pass, for a run that is stopped to be gone on from.
    Kept(&'a KeptPass<'a>),
}

/// Read all scans once, points to `squares`, and find the road.
pub(super) fn find_road(
    scans: &mut Scans,
    squares: Squares,
    params: &FitParams,
    clock: &mut super::clock::StageClock,
    progress: &mut dyn Progress,
) -> Result<Road, BuildError> {
    let frame = match &params.ribbon {
        Some(ribbon) => ribbon.frame,
        None => Frame {
            origin_m: scans.suggest_origin()?,
        },
    };
    let kept = match squares {
        Squares::Passing(_) => None,
        Squares::Kept(kept) => Some(kept),
    };
    let cloud = read(scans, frame, squares, params, progress)?;
    if cloud.taken_over > 0 {
        clock.taken_over(&format!("{} points read", cloud.taken_over));
    }
    clock.lap("read");
    let setups = setup_places(scans, params, frame);
    let known = known_setups(scans, params, frame);
    let finding = kept.filter(|_| params.ribbon.is_none());
    let recorded = finding.and_then(KeptPass::ribbon);
    if recorded.is_some() {
        clock.taken_over("ribbon");
    }
    let (ribbon, notes) = match (&params.ribbon, recorded) {
        (Some(given), _) => (given.clone(), vec![GIVEN.to_owned()]),
        (None, Some(found)) => found,
        (None, None) => find_ribbon((scans, &cloud), params, &setups, progress)?,
    };
    finding.map_or(Ok(()), |kept| kept.save_ribbon(&ribbon, &notes))?;
    clock.lap("ribbon");
    Ok(Road {
        // What follows has better use for its memory.
        cloud: Ingested {
            grid: CellGrid::default(),
            ..cloud
        },
        ribbon,
        notes,
        setups: known,
        doubts: doubts(scans, params),
    })
}

fn read(
    scans: &mut Scans,
    frame: Frame,
    squares: Squares,
    params: &FitParams,
    progress: &mut dyn Progress,
) -> Result<Ingested, BuildError> {
    let (scratch, kept) = match squares {
        Squares::Passing(path) => (path.to_owned(), None),
        Squares::Kept(kept) => (kept.points(), Some(kept)),
    };
    let pass = Pass {
        frame,
        scratch: &scratch,
        budget_bytes: params.sorting_bytes(),
        grid_bytes: params.ribbon.is_none().then(|| params.grid_bytes()),
        kept,
    };
    ingest(scans, &pass, progress)
}

/// Every setup of the scans, its position as given under its name, else as its file tells.
fn known_setups(scans: &Scans, params: &FitParams, frame: Frame) -> Vec<KnownSetup> {
    let local = |p: [f64; 3]| [0, 1, 2].map(|k| p[k] - frame.origin_m[k]);
    let of = |setup: &SetupInfo| {
        let surely = |place: &&SetupPlace| {
            let name = place.name.as_deref()?;
            setup.answers_to(name)
        };
        // The first of the surest names: a later one that fits less well is another setup's.
        let given = params.setups.iter().rev().max_by_key(surely);
        let given = given.filter(|place| surely(place).is_some());
        let position = given.map(|place| place.position_m).or(setup.position_m);
        KnownSetup {
            name: setup.name.clone(),
            position_m: position.map(local),
        }
    };
    scans.setups().iter().map(of).collect()
}

/// Names of given scanner positions that no setup of the scans answers to.
fn unmatched(scans: &Scans, params: &FitParams) -> Vec<String> {
    let names = params.setups.iter().filter_map(|place| place.name.as_ref());
    let answers = |name: &&String| scans.setups().iter().any(|s| s.answers_to(name).is_some());
    names.filter(|name| !answers(name)).cloned().collect()
}

/// What the files, once read, and the scanner positions beside them leave in doubt.
fn doubts(scans: &Scans, params: &FitParams) -> Vec<String> {
    let told = reading_doubts(scans);
    let told = told.iter().map(ToString::to_string);
    told.chain(unmatched_doubt(&unmatched(scans, params)))
        .collect()
}

/// Names that are listed in a doubt; more are only counted.
const MOST_NAMES: usize = 5;

/// The doubt about given scanner positions whose names no setup answers to.
fn unmatched_doubt(names: &[String]) -> Option<String> {
    let (first, more) = names.split_at(names.len().min(MOST_NAMES));
    let more = match more.len() {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    (!names.is_empty()).then(|| {
        format!(
            "no setup in the scans bears these names of given scanner positions: {}{more}; they weigh nothing",
            first.join(", ")
        )
    })
}

/// Scanner positions in plan, local metres, in order: as given, else from the files when all of
/// them tell.
fn setup_places(scans: &Scans, params: &FitParams, frame: Frame) -> Vec<[f64; 2]> {
    let local = |p: &[f64; 3]| [p[0] - frame.origin_m[0], p[1] - frame.origin_m[1]];
    if !params.setups.is_empty() {
        return params.setups.iter().map(|s| local(&s.position_m)).collect();
    }
    let told: Option<Vec<[f64; 2]>> = scans
        .setups()
        .iter()
        .map(|s| s.position_m.as_ref().map(local))
        .collect();
    told.filter(|places| places.len() > 1).unwrap_or_default()
}

/// What kept a course from being found, with the files that it was looked for in.
fn no_course(error: CourseError, scans: &Scans, params: &FitParams, frame: Frame) -> BuildError {
    let [east, north, _] = frame.origin_m;
    let (path, files) = (scans.files()[0].path.clone(), scans.files().len());
    match error {
        CourseError::Cancelled(stop) => stop.into(),
        CourseError::LineMissesCloud {
            missed_percent,
            reach_m,
            distance_m,
            x_m,
            y_m,
        } => BuildError::LineMissesScan {
            line: params.line_file.clone(),
            path,
            files,
            missed_percent,
            reach_m,
            distance_m,
            line_xy_m: [east + x_m, north + y_m],
            scan_xy_m: [east, north],
        },
        source => BuildError::Course {
            path,
            files,
            source,
        },
    }
}

fn find_ribbon(
    (scans, cloud): (&Scans, &Ingested),
    params: &FitParams,
    setups: &[[f64; 2]],
    progress: &mut dyn Progress,
) -> Result<(Ribbon, Vec<String>), BuildError> {
    let origin = cloud.frame.origin_m;
    let line: Option<Vec<[f64; 2]>> = params.line.as_ref().map(|line| {
        line.iter()
            .map(|p| [p[0] - origin[0], p[1] - origin[1]])
            .collect()
    });
    let hints = CourseHints {
        line: line.as_deref(),
        closed: params.closed,
        setups,
    };
    let course = find_course(&cloud.grid, &hints, progress);
    let course = course.map_err(|e| no_course(e, scans, params, cloud.frame))?;
    let ribbon_params = RibbonParams {
        half_width: Some(HalfWidths::Constant(course.half_width_m)),
        ..RibbonParams::default()
    };
    let ribbon = Ribbon::from_course(
        &course.polyline_m,
        course.closed,
        cloud.frame,
        &cloud.tiles,
        &ribbon_params,
        progress,
    )?;
    Ok((ribbon, course.notes))
}

/// The ribbon in numbers, with what was decided on the way to it.
pub(super) fn ribbon_report(ribbon: &Ribbon, notes: &[String]) -> RibbonReport {
    RibbonReport {
        length_m: ribbon.line.length_m(),
        closed: ribbon.line.is_closed(),
        widths_m: ribbon.widths_m(),
        fold_ratio: ribbon.fold_ratio(),
        gaps: ribbon.gaps.clone(),
        notes: notes.to_vec(),
    }
}

/// Find the road in scans: reference line and edges. Scratch files go beside `out` and are gone
/// afterwards; `out` itself (GeoJSON) gets its name when it is whole.
///
/// # Errors
/// [`BuildError`] naming the file or place and the remedy.
pub fn ribbon(
    paths: &[PathBuf],
    out: &Path,
    params: &FitParams,
    progress: &mut dyn Progress,
) -> Result<RibbonReport, BuildError> {
    keep_file(out, paths, None)?;
    let mut scans = open(paths, params)?;
    let parent = out.parent().filter(|p| !p.as_os_str().is_empty());
    let parent = parent.unwrap_or_else(|| Path::new("."));
    let folder = BuildFolder::open(parent, params.scratch.as_deref())?;
    check_scratch(&folder.scratch(""), scans.guessed_points(), POINT, 0)?;
    let mut clock = super::clock::StageClock::start();
    let road = find_road(
        &mut scans,
        Squares::Passing(&folder.scratch("cloud")),
        params,
        &mut clock,
        progress,
    )?;
    let text = road.ribbon.to_geojson()?;
    // In the scratch folder until it is whole, unless that lies on another disk.
    let part = match params.scratch {
        None => folder.scratch("ribbon"),
        Some(_) => out.with_extension("geojson.part"),
    };
    let named = std::fs::write(&part, text).and_then(|()| std::fs::rename(&part, out));
    if named.is_err() {
        // What could not be named is of no use; the error that follows is the one to tell.
        let _ = std::fs::remove_file(&part);
    }
    named.map_err(super::folder::write_error(out))?;
    let notes = [road.notes, road.doubts].concat();
    Ok(ribbon_report(&road.ribbon, &notes))
}
