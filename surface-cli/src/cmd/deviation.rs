//! `surface deviation`: hold any mesh against any cloud.

use surface_core::build;
use surface_core::progress::StopFlag;

use super::answer::Answer;
use crate::args::DeviationArgs;
use crate::exit::Exit;
use crate::plan;
use crate::progress::Bar;

/// Hold the mesh, print the summary (or the report), tell whether the tolerance is met.
pub fn run(args: &DeviationArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    let plan = plan::of_deviation(args)?;
    let report = build::hold(
        &args.mesh,
        &args.scans.files,
        &args.out,
        &plan.params,
        &mut Bar::new(plan.voice.progress, stop),
    )?;
    let answer = Answer {
        json: report.to_json()?,
        text: report.to_text(),
    };
    answer.print(
        plan.voice.format,
        &args.out,
        "deviation.png, deviation.csv, report.json, …",
    )?;
    Ok(Exit::of_verdict(&report.deviation.verdict))
}
