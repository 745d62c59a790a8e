//! `surface fit`: the main job.

use surface_core::build::{self, ExportParams};
use surface_core::progress::StopFlag;

use super::answer::Answer;
use crate::args::FitArgs;
use crate::exit::Exit;
use crate::plan;
use crate::term::Bar;

/// Build the surface, print the summary (or the report), tell whether the tolerance is met.
pub fn run(args: &FitArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    let plan = plan::of_fit(args)?;
    let report = build::fit(&plan.scans, &args.out, &plan.params, &mut Bar::new(stop))?;
    for format in &plan.also {
        let file = args.out.join(format.product());
        let params = ExportParams::default();
        build::export(&args.out, *format, &file, &params, &mut Bar::new(stop))?;
    }
    let answer = Answer {
        json: report.to_json()?,
        text: report.to_text(),
    };
    answer.print(
        plan.format,
        &args.out,
        "surface.ply, deviation.png, report.json, …",
    )?;
    Ok(Exit::of_verdict(&report.deviation.verdict))
}
