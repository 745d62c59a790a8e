//! The new state: breaklines merged, heights spliced, everything else as it was.

use std::collections::HashMap;
use std::fs;
use std::path::Path;

use super::BuildError;
use super::breaklines::find_breaklines_in;
use super::finished::{Finished, Skeleton};
use super::fit::put_breaklines;
use super::folder::{BuildFolder, write_error};
use super::heights::{HeightFitter, RailHeights, Steps, Tally};
use super::rescan_find::{Found, scratch_field};
use crate::export::FieldStore;
use crate::field::RailNode;
use crate::mesh::{Layout, SeamPlan};
use crate::progress::{Counted, Progress};
use crate::report::{FieldCounts, Report, SetupState};
use crate::rescan::{Blend, merge_lines, new_node, splice_cells, splice_node, splice_rows};
use crate::zones::Breaklines;

/// What the new mesh is made of.
#[derive(Debug)]
pub(super) struct Joined {
    pub lines: Breaklines,
    pub plan: SeamPlan,
    pub field: FieldStore,
    pub beside: RailHeights,
    pub counts: FieldCounts,
}

/// Fit the touched runs anew and join them to the old state; the products wait in `folder`. The
/// pair of `found` gets the heights that were fitted with the new breaklines.
pub(super) fn join(
    old: &Finished,
    skeleton: &Skeleton,
    fitter: &HeightFitter,
    found: &mut Found,
    folder: &mut BuildFolder,
    progress: &mut dyn Progress,
) -> Result<Joined, BuildError> {
    let blend = &found.blend;
    let touched = &found.touched;
    let new_lines = match touched.as_slice() {
        [] => Breaklines::default(),
        runs => find_breaklines_in(fitter, runs, progress)?,
    };
    let lines = merge_lines(&old.lines, &new_lines, &|s, t| blend.is_new(s, t));
    let plan = SeamPlan::new(&skeleton.layout, &lines);
    let steps = Steps {
        lines: &lines,
        layout: &skeleton.layout,
        plan: &plan,
    };
    let store = scratch_field(old, folder, "new-touched")?;
    let level_m = old.report.field.level_m;
    let points = fitter.points_of(touched.iter().copied());
    progress.stage("fit", points, Counted::Points);
    let level = (level_m, &mut Vec::new());
    let fitted = fitter.fit_runs(touched, level, &steps, &store, progress)?;
    let (_, rails) = fitted.counts(level_m);
    let field = copy_field(old, &folder.part("field")?)?;
    let datum_m = datum_m(&old.report);
    for &run in touched {
        let (was, new) = (old.field.section(run)?, store.section(run)?);
        let joined = splice_rows(&was, &new, blend, datum_m)?;
        let cells = [old.field.cells(run)?, store.cells(run)?];
        field.write_cells(&splice_cells(&cells, [&was, &new, &joined], blend))?;
        field.write(&joined)?;
        found.pair.put(&was, &new);
    }
    let beside = Beside {
        old: skeleton,
        blend,
        plan: &plan,
        datum_m,
    };
    let beside = beside.all(touched, &rails);
    put_breaklines(&steps, &beside, &old.ribbon, folder)?;
    let counts = recount(&field, fitter.runs(), level_m)?;
    Ok(Joined {
        lines,
        plan,
        field,
        beside,
        counts,
    })
}

/// What the old surface is uncertain by wherever a new scan may be tied to it, metres: how well the
/// setups of the first build were levelled. States after it stand on the same datum.
fn datum_m(old: &Report) -> f64 {
    let setups = old.levelling.setups.iter();
    let levelled = setups.filter(|s| matches!(s.state, SetupState::Levelled | SetupState::WasOff));
    let variances: Vec<f64> = levelled.map(|s| s.offset_sd_mm.powi(2)).collect();
    1e-3 * (variances.iter().sum::<f64>() / variances.len().max(1) as f64).sqrt()
}

/// The old field's files in a folder of their own.
fn copy_field(old: &Finished, to: &Path) -> Result<FieldStore, BuildError> {
    copy_tree(&old.dir.join("field"), to)?;
    Ok(FieldStore::open(to)?.0)
}

fn copy_tree(from: &Path, to: &Path) -> Result<(), BuildError> {
    fs::create_dir_all(to).map_err(write_error(to))?;
    for entry in fs::read_dir(from).map_err(write_error(from))? {
        let path = entry.map_err(write_error(from))?.path();
        let target = to.join(path.file_name().unwrap_or_default());
        if path.is_dir() {
            copy_tree(&path, &target)?;
        } else {
            fs::copy(&path, &target).map_err(write_error(&target))?;
        }
    }
    Ok(())
}

fn recount(field: &FieldStore, runs: usize, level_m: f64) -> Result<FieldCounts, BuildError> {
    let mut tally = Tally::default();
    for run in 0..runs {
        tally.add(&field.section(run)?);
    }
    Ok(tally.counts(level_m))
}

/// Heights beside breaklines of the new state.
struct Beside<'a> {
    old: &'a Skeleton,
    blend: &'a Blend,
    plan: &'a SeamPlan,
    datum_m: f64,
}

impl Beside<'_> {
    fn all(&self, touched: &[usize], fitted: &RailHeights) -> RailHeights {
        let run = |run: usize| {
            let new = touched
                .binary_search(&run)
                .ok()
                .map(|k| fitted[k].as_slice());
            self.run(run, new.unwrap_or_default())
        };
        (0..self.old.beside.len()).map(run).collect()
    }

    /// Places of rails that were there before keep or blend their heights, others have the new ones.
    fn run(&self, run: usize, new: &[RailNode]) -> Vec<RailNode> {
        let layout: &Layout = &self.old.layout;
        let key = |p: &[f64; 2]| p.map(f64::to_bits);
        let places = self.old.plan.places(layout, run);
        let before: HashMap<[u64; 2], RailNode> = places
            .iter()
            .map(key)
            .zip(self.old.beside[run].iter().copied())
            .collect();
        let places = self.plan.places(layout, run);
        let one = |(k, place): (usize, &[f64; 2])| {
            let fresh = new.get(k).copied().unwrap_or(RailNode::VOID);
            let Some(was) = before.get(&key(place)) else {
                return new_node(fresh, self.datum_m);
            };
            let [s, t] = *place;
            let slopes = self.blend.slopes_at(s, t);
            let weight = (self.blend.weight_at(s, t), slopes);
            splice_node(*was, fresh, weight, self.datum_m)
        };
        places.iter().enumerate().map(one).collect()
    }
}
