//! Sections of a course fitted in processes of their own: the plan, and the work on one section.
//!
//! All that a section needs is in the work folder: the points by section, the ribbon, what the
//! setups are worth, the breaklines. Each section writes rows of the field that no other writes,
//! so that any number of processes, on any machine that sees the folder, may work at once.

use std::path::Path;

use super::BuildError;
use super::folder::write_error;
use super::heights::Steps;
use super::levelled::LevelledRoad;
use super::params::flight_bytes;
use super::stages::{Plan, recorded_road};
use super::work::{Sharing, WORK, Work};
use crate::cloud::io::ProductCrs;
use crate::export::FieldStore;
use crate::field::{Lattice, SECTION_ROWS};
use crate::mesh::{Layout, SeamPlan};
use crate::progress::{Counted, Progress};
use crate::zones::{Breakline, Breaklines};

/// File of the plan in the work folder.
const PLAN_FILE: &str = "sections.json";

/// A stretch of the course that one process fits.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Section {
    /// Its number, from 1.
    pub section: usize,
    /// Where it begins, metres along the reference line.
    pub from_s_m: f64,
    /// Where it ends, metres.
    pub to_s_m: f64,
}

/// The sections of a course, in order.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct SectionPlan {
    /// All of them; fewer than were asked for where the course is short.
    pub sections: Vec<Section>,
}

impl SectionPlan {
    pub(super) fn of(plan: &Plan, lattice: &Lattice) -> Self {
        let s = |run: usize| lattice.row_s_m((run * SECTION_ROWS).min(lattice.rows));
        let section = |(k, range): (usize, &std::ops::Range<usize>)| Section {
            section: k + 1,
            from_s_m: s(range.start),
            to_s_m: s(range.end),
        };
        Self {
            sections: plan.parts.iter().enumerate().map(section).collect(),
        }
    }

    /// The plan for scripts that hand the sections out, beside what the sections need.
    pub(super) fn write(&self, work: &Work) -> Result<(), BuildError> {
        let path = work.beside(PLAN_FILE);
        let text = serde_json::to_string_pretty(self).map_err(std::io::Error::other);
        text.and_then(|text| std::fs::write(&path, text + "\n"))
            .map_err(write_error(&path))
    }
}

/// Fit section `section` (from 1) of the plan that [`plan_sections`](super::plan_sections) left
/// in the build folder `out`; done at once where it is fitted already.
///
/// # Errors
/// [`BuildError::NoPlan`], [`BuildError::NoSuchSection`], [`BuildError::Busy`] while another run
/// has the folder for itself; or what went wrong on the way.
pub fn fit_section(
    out: &Path,
    scratch: Option<&Path>,
    section: usize,
    memory_bytes: u64,
    progress: &mut dyn Progress,
) -> Result<Section, BuildError> {
    let none = || BuildError::NoPlan { folder: out.into() };
    if !out.join(WORK).is_dir() {
        return Err(none());
    }
    let work = Work::open(out, scratch, Sharing::WithSections)?;
    let plan = Plan::of(&work).ok_or_else(none)?;
    let sections = plan.parts.len();
    let range = section.checked_sub(1).and_then(|k| plan.parts.get(k));
    let range = range.ok_or(BuildError::NoSuchSection { section, sections })?;
    let keys = &plan.keys;
    // Two processes at one section would write the same rows: the second finds it done.
    let _alone = work.alone_at(&Plan::name(range), progress)?;
    let road = recorded_road(&work, &keys.road, ProductCrs::Unknown).ok_or_else(none)?;
    if plan.load(&work, range).is_none() {
        let trusted = work.load("level", &keys.level).ok_or_else(none)?;
        let lines: (Vec<Breakline>, f64) = work.load("lines", &keys.lines).ok_or_else(none)?;
        let levelled = LevelledRoad {
            points: road.points,
            trusted,
            flight_bytes: flight_bytes(memory_bytes),
        };
        let fitter = levelled.fitter(road.words.course(&road.lattice, &[]), plan.bridge_m);
        let (store, _) = FieldStore::open(&out.join("field.part"))?;
        let (lines, level_m) = (Breaklines::new(lines.0), lines.1);
        let layout = Layout::new(fitter.ribbon, fitter.lattice)?;
        let seams = SeamPlan::new(&layout, &lines);
        let steps = Steps {
            lines: &lines,
            layout: &layout,
            plan: &seams,
        };
        progress.stage("fit", fitter.points_of(range.clone()), Counted::Points);
        let level = (level_m, &mut Vec::new());
        let part = fitter.fit_part(range.clone(), level, &steps, &store, progress)?;
        plan.save(&work, range, &part)?;
    }
    Ok(SectionPlan::of(&plan, &road.lattice).sections[section - 1].clone())
}
