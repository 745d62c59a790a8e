//! `surface fit`: the main job, whole or in sections.

use surface_core::build::{self, ExportReport, SectionPlan};
use surface_core::progress::StopFlag;

use super::answer::Answer;
use crate::args::FitArgs;
use crate::exit::Exit;
use crate::plan;
use crate::progress::Bar;

/// Build the surface, print the summary (or the report), tell whether the tolerance is met and the
/// mesh is whole.
pub fn run(args: &FitArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    if let Some(section) = args.section {
        return fit_section(args, section, stop);
    }
    let plan = plan::of_fit(args)?;
    let mut bar = Bar::new(plan.voice.progress, stop);
    if let Some(sections) = args.sections {
        let made = build::plan_sections(&plan.scans, &args.out, &plan.params, sections, &mut bar)?;
        drop(bar);
        planned(&made)?.print_alone(plan.voice.format)?;
        return Ok(Exit::Done);
    }
    let (scans, params) = (&plan.scans, &plan.params);
    let (report, others) = build::fit_and_export(scans, &args.out, params, &plan.also, &mut bar)?;
    drop(bar);
    let others: String = others.iter().map(ExportReport::to_text).collect();
    let answer = Answer {
        json: report.to_json()?,
        text: report.to_text() + &others,
    };
    answer.print(
        plan.voice.format,
        &args.out,
        "surface.ply, report.html, deviation.png, report.json, …",
    )?;
    Ok(Exit::of_build(&report.deviation.verdict, &report.mesh))
}

/// Fit one section of those prepared.
fn fit_section(args: &FitArgs, section: usize, stop: &StopFlag) -> anyhow::Result<Exit> {
    let plan = plan::of_section(args)?;
    let mut bar = Bar::new(plan.voice.progress, stop);
    let (scratch, memory) = (plan.scratch.as_deref(), plan.memory_bytes);
    let done = build::fit_section(&args.out, scratch, section, memory, &mut bar)?;
    drop(bar);
    let answer = Answer {
        json: serde_json::to_string_pretty(&done)? + "\n",
        text: format!(
            "section     {section} is fitted, s {:.1} to {:.1} m\n",
            done.from_s_m, done.to_s_m
        ),
    };
    answer.print_alone(plan.voice.format)?;
    Ok(Exit::Done)
}

/// The sections that were prepared.
fn planned(plan: &SectionPlan) -> anyhow::Result<Answer> {
    let line = |s: &build::Section| {
        format!(
            "section     {}: s {:.1} to {:.1} m\n",
            s.section, s.from_s_m, s.to_s_m
        )
    };
    Ok(Answer {
        json: serde_json::to_string_pretty(plan)? + "\n",
        text: plan.sections.iter().map(line).collect(),
    })
}
