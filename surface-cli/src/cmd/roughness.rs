//! `surface roughness`: how rough is the road, and which of its waves does the mesh carry?

use surface_core::build;
use surface_core::progress::StopFlag;

use super::answer::Answer;
use crate::args::RoughnessArgs;
use crate::exit::Exit;
use crate::plan;
use crate::progress::Bar;

/// Measure, print the summary (or the report), tell whether the limits are kept.
pub fn run(args: &RoughnessArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    let plan = plan::of_roughness(args)?;
    let mut bar = Bar::new(plan.voice.progress, stop);
    let report = build::roughness(&args.dir, &args.scans, &args.out, &plan.params, &mut bar)?;
    drop(bar);
    let answer = Answer {
        json: report.to_json()?,
        text: report.to_text(),
    };
    answer.print(
        plan.voice.format,
        &args.out,
        "profiles.csv, spectrum.svg, roughness.json, …",
    )?;
    Ok(if report.gates_kept() {
        Exit::Done
    } else {
        Exit::OutOfTolerance
    })
}
