//! From the tied scan to what changed: heights of the new points alone, held against the old ones.

use std::collections::HashSet;
use std::ops::Range;

use super::BuildError;
use super::finished::{Finished, Skeleton};
use super::folder::{BuildFolder, write_error};
use super::heights::{HeightFitter, Steps};
use super::rescan_params::RescanParams;
use crate::export::FieldStore;
use crate::field::{CellMeans, CellSums, Lattice, SECTION_ROWS};
use crate::numeric::{round_i32, to_index};
use crate::progress::{Counted, Progress};
use crate::rescan::{Blend, Change, Detection, Grid, Pair, Surroundings, changes, detect};
use crate::ribbon::Ribbon;
use crate::zones::Breaklines;

/// Cells nearer than this to a breakline are beside it, metres.
const BY_LINE_M: f64 = 0.2;

/// Old and new heights, and what changed.
#[derive(Debug)]
pub(super) struct Found {
    pub pair: Pair,
    pub detection: Detection,
    pub changes: Vec<Change>,
    pub blend: Blend,
    /// Runs of rows in which something is rebuilt, in order.
    pub touched: Vec<usize>,
}

/// Fit the new points on the old lattice and find what changed.
pub(super) fn find_changes(
    old: &Finished,
    skeleton: &Skeleton,
    (fitter, runs): (&HeightFitter, &[usize]),
    params: &RescanParams,
    folder: &BuildFolder,
    progress: &mut dyn Progress,
) -> Result<Found, BuildError> {
    let steps = Steps {
        lines: &old.lines,
        layout: &skeleton.layout,
        plan: &skeleton.plan,
    };
    let store = scratch_field(old, folder, "new-all")?;
    let points = fitter.points_of(runs.iter().copied());
    progress.stage("fit", points, Counted::Points);
    let level = (old.report.field.level_m, &mut Vec::new());
    let mut pair = Pair::new(Grid::new(*old.lattice(), &row_ranges(old.lattice(), runs)));
    let cells = &mut |run: usize, sums: &CellSums| {
        let new = CellMeans::over(&old.field.section(run)?, sums)?;
        pair.put_cells(&old.field.cells(run)?, &new);
        Ok(())
    };
    fitter.fit_runs_seen(runs, level, &steps, (&store, cells), progress)?;
    for &run in runs {
        pair.put(&old.field.section(run)?, &store.section(run)?);
    }
    let detection = detect(&pair, params.detect);
    let lines = [&old.lines, &old.lines];
    let changes = measure(&old.ribbon, &pair, &detection, lines);
    let mut blend = Blend::new(&pair, &detection.regions, &offsets(&detection, &changes));
    if params.refine {
        blend = blend.refined(&pair);
    }
    let mut touched: Vec<usize> = blend.touched_rows();
    touched.iter_mut().for_each(|row| *row /= SECTION_ROWS);
    touched.dedup();
    Ok(Found {
        pair,
        detection,
        changes,
        blend,
        touched,
    })
}

/// A field on the old lattice among the scratch files.
pub(super) fn scratch_field(
    old: &Finished,
    folder: &BuildFolder,
    name: &str,
) -> Result<FieldStore, BuildError> {
    let path = folder.scratch(name);
    std::fs::create_dir_all(&path).map_err(write_error(&path))?;
    let origin_m = old.ribbon.frame.origin_m;
    Ok(FieldStore::create(&path, *old.lattice(), origin_m)?)
}

pub(super) fn row_ranges(lattice: &Lattice, runs: &[usize]) -> Vec<Range<usize>> {
    let rows = |&run: &usize| {
        let first = run * SECTION_ROWS;
        first..(first + SECTION_ROWS).min(lattice.rows)
    };
    runs.iter().map(rows).collect()
}

/// What differs around each region.
fn offsets(detection: &Detection, changes: &[Change]) -> Vec<f64> {
    let mut out = vec![0.0; detection.regions.list.len()];
    for change in changes {
        out[change.region] = change.offset_m;
    }
    out
}

/// The changes in numbers; `lines` are the old and the new breaklines.
pub(super) fn measure(
    ribbon: &Ribbon,
    pair: &Pair,
    detection: &Detection,
    lines: [&Breaklines; 2],
) -> Vec<Change> {
    let lattice = pair.grid.lattice();
    let area_m2 = |row: usize, column: usize| node_area_m2(ribbon, lattice, row, column);
    let edge_m = |s: f64, t: f64| {
        let s = ribbon.line.wrap_s(s);
        (ribbon.edges.left_m(s) - t).min(t - ribbon.edges.right_m(s))
    };
    let near = nodes_by_lines(lattice, lines);
    let by_line = |s: f64, t: f64| near.contains(&nearest(lattice, s, t));
    let around = Surroundings {
        area_m2: &area_m2,
        edge_m: &edge_m,
        by_line: &by_line,
    };
    changes(pair, &detection.regions, &detection.lod95_m, &around)
}

/// Area of road that a node stands for, m²: 1 − κt metres of road lie in a metre of s.
pub(super) fn node_area_m2(ribbon: &Ribbon, lattice: &Lattice, row: usize, column: usize) -> f64 {
    let curvature = ribbon.line.curvature_per_m(lattice.row_s_m(row));
    let stretch = 1.0 - curvature * lattice.column_t_m(column);
    lattice.s_step_m * lattice.t_step_m * stretch
}

fn nearest(lattice: &Lattice, s: f64, t: f64) -> (i32, i32) {
    let row = round_i32(s / lattice.s_step_m);
    let rows = i32::try_from(lattice.rows).unwrap_or(i32::MAX);
    let row = if lattice.closed {
        row.rem_euclid(rows)
    } else {
        row
    };
    (row, round_i32(t / lattice.t_step_m))
}

/// Nodes beside breaklines, as (row, number of the column from t = 0).
fn nodes_by_lines(lattice: &Lattice, lines: [&Breaklines; 2]) -> HashSet<(i32, i32)> {
    let mut out = HashSet::new();
    // Vertices are 0.25 m apart at most.
    let reach = BY_LINE_M + 0.05;
    let steps = |h: f64| i32::try_from(to_index((reach / h).ceil())).unwrap_or(0);
    let (along, across) = (steps(lattice.s_step_m), steps(lattice.t_step_m));
    for p in lines.iter().flat_map(|l| l.iter()).flat_map(|l| &l.points) {
        for i in -along..=along {
            for j in -across..=across {
                let (ds, dt) = (
                    f64::from(i) * lattice.s_step_m,
                    f64::from(j) * lattice.t_step_m,
                );
                if ds.hypot(dt) <= reach {
                    out.insert(nearest(lattice, p.s + ds, p.t + dt));
                }
            }
        }
    }
    out
}
