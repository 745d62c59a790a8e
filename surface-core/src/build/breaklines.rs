//! The curves at which the road's height jumps, found section by section.
//!
//! Twice over the sections: cells give the ridge of step evidence, which is linked to chains over
//! the whole course; then the points beside the chains say where the step lies and whether it is
//! one. Memory holds the sections in flight, and what grows with the length of the chains.

use std::path::{Path, PathBuf};

use super::BuildError;
use super::clock::StageClock;
use super::fit::lattice_of;
use super::folder::BuildFolder;
use super::heights::HeightFitter;
use super::levelled::{Course, LevelledRoad};
use super::order::in_order;
use super::params::FitParams;
use super::road::{find_road, open};
use crate::field::{CellSums, SECTION_ROWS, Trust, road_points};
use crate::progress::Progress;
use crate::ribbon::Ribbon;
use crate::zones::{
    Breaklines, CellHeight, CellHeights, HALO_ROWS, RidgePoint, Rows, StripPoint, StripSums,
    StripTotals, Strips, link, ridge,
};

/// Find the road in scans and the curves at which its height jumps, without making its surface.
/// Scratch files go into `scratch` and are gone afterwards.
///
/// # Errors
/// [`BuildError`] naming the file or place and the remedy.
pub fn breaklines(
    paths: &[PathBuf],
    scratch: &Path,
    params: &FitParams,
    progress: &mut dyn Progress,
) -> Result<(Ribbon, Breaklines), BuildError> {
    let mut scans = open(paths, params)?;
    let folder = BuildFolder::open(scratch, None)?;
    let mut clock = StageClock::start();
    let road = find_road(
        &mut scans,
        &folder.scratch("cloud"),
        params,
        &mut clock,
        progress,
    )?;
    let lattice = lattice_of(&road.ribbon, params.spacing_m)?;
    let course = Course {
        ribbon: &road.ribbon,
        lattice: &lattice,
        setups: &road.setups,
        marks: &[],
    };
    let levelled = LevelledRoad::new(road.cloud, course, params, &folder, &mut clock, progress)?;
    let fitter = levelled.fitter(course, params.bridge_m);
    let lines = find_breaklines(&fitter, progress)?;
    Ok((road.ribbon, lines))
}

/// The breaklines of the course whose points `fitter` has; the same for any number of threads.
pub(super) fn find_breaklines(
    fitter: &HeightFitter,
    progress: &mut dyn Progress,
) -> Result<Breaklines, BuildError> {
    let runs: Vec<usize> = (0..fitter.runs()).collect();
    find_breaklines_in(fitter, &runs, progress)
}

/// The breaklines in some runs of rows alone, given in order.
pub(super) fn find_breaklines_in(
    fitter: &HeightFitter,
    runs: &[usize],
    progress: &mut dyn Progress,
) -> Result<Breaklines, BuildError> {
    let lattice = fitter.lattice;
    let rows = Rows {
        rows: i64::try_from(lattice.rows).unwrap_or(i64::MAX),
        steps_m: [lattice.s_step_m, lattice.t_step_m],
        closed: lattice.closed,
    };
    progress.stage("breaklines", 2 * runs.len() as u64);
    let chains = link(&course_ridge(fitter, runs, progress)?, rows);
    let strips = Strips::along(&chains, rows);
    let mut totals = StripTotals::new(&strips);
    in_order(
        runs,
        |&run| strip_sums(fitter, &strips, run),
        |_, sums| {
            totals.add(&sums);
            Ok::<(), BuildError>(progress.advance(1)?)
        },
    )?;
    Ok(strips.breaklines(&totals))
}

/// The ridge of step evidence of the whole course, in order of rows and columns.
fn course_ridge(
    fitter: &HeightFitter,
    runs: &[usize],
    progress: &mut dyn Progress,
) -> Result<Vec<RidgePoint>, BuildError> {
    let (mut known, mut found) = (Vec::new(), Vec::new());
    let at_a_time = 2 * rayon::current_num_threads().max(1);
    for batch in runs.chunks(at_a_time) {
        fitter.provide(batch, &Breaklines::default(), &mut known, progress)?;
        in_order(
            batch,
            |&run| Ok(run_ridge(fitter, run, &known)),
            |_, points| {
                found.extend(points);
                Ok::<(), BuildError>(progress.advance(1)?)
            },
        )?;
    }
    Ok(found)
}

fn run_ridge(fitter: &HeightFitter, run: usize, known: &[(usize, CellSums)]) -> Vec<RidgePoint> {
    let find = |run: Option<usize>| known.iter().find(|(k, _)| Some(*k) == run).map(|(_, s)| s);
    let Some(own) = find(Some(run)) else {
        return Vec::new();
    };
    let (mut cells, mut halo) = (Vec::new(), 0);
    if let Some(before) = find(fitter.before(run)) {
        halo = HALO_ROWS.min(before.rows);
        cells.extend(cells_of(before, before.rows - halo..before.rows));
    }
    cells.extend(cells_of(own, 0..own.rows));
    if let Some(after) = find(fitter.after(run)) {
        cells.extend(cells_of(after, 0..HALO_ROWS.min(after.rows)));
    }
    let lattice = fitter.lattice;
    let first = i64::try_from(run * SECTION_ROWS).unwrap_or(i64::MAX);
    let heights = CellHeights {
        first_row: first - i64::try_from(halo).unwrap_or(0),
        rows: cells.len() / lattice.columns,
        columns: lattice.columns,
        steps_m: [lattice.s_step_m, lattice.t_step_m],
        first_t_m: lattice.column_t_m(0),
        cells,
    };
    ridge(&heights, halo..halo + own.rows)
}

fn cells_of(
    sums: &CellSums,
    rows: std::ops::Range<usize>,
) -> impl Iterator<Item = Option<CellHeight>> {
    (rows.start * sums.columns..rows.end * sums.columns).map(|k| {
        let w = sums.w[k];
        (w > 0.0).then(|| CellHeight {
            off_m: [sums.ws[k] / w, sums.wt[k] / w],
            z_m: sums.wz[k] / w,
            variance_m2: w.recip(),
        })
    })
}

/// What the points of a run say of the strips.
fn strip_sums(fitter: &HeightFitter, strips: &Strips, run: usize) -> Result<StripSums, BuildError> {
    let (lattice, first) = (fitter.lattice, run * SECTION_ROWS);
    let limits = fitter.limits(run);
    let from = lattice.row_s_m(first);
    let to = from + limits.left_t_m.len() as f64 * lattice.s_step_m;
    if !strips.any_between(from, to) {
        return Ok(StripSums::default());
    }
    let place = |s, t| fitter.place(s, t);
    let trust = Trust {
        setups: fitter.setups,
        place: &place,
    };
    let points = road_points(&fitter.read(run)?, lattice, first, &limits, trust);
    Ok(strips.sums(points.iter().map(|p| StripPoint {
        s: p.s_m,
        t: p.t_m,
        z: p.z_m,
        weight: p.weight,
    })))
}
