//! `surface rescan`: rebuild only what a new scan changed.

use anyhow::bail;
use surface_core::build;
use surface_core::progress::StopFlag;

use super::answer::Answer;
use crate::args::{Format, RescanArgs};
use crate::exit::Exit;
use crate::plan;
use crate::progress::Bar;

/// Rebuild (or compare), print the summary (or the report), tell whether only the expected changed.
pub fn run(args: &RescanArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    let plan = plan::of_rescan(args)?;
    let mut bar = Bar::new(plan.voice.progress, stop);
    if args.compare {
        return compare(args, bar, plan.voice.format);
    }
    let (out, params) = (args.out.as_deref(), &plan.params);
    let report = build::rescan(&args.dir, &args.scans, out, params, &mut bar)?;
    drop(bar);
    let answer = Answer {
        json: report.to_json()?,
        text: report.to_text(),
    };
    match out.filter(|_| !params.dry_run) {
        Some(out) => answer.print(
            plan.voice.format,
            out,
            "surface.ply, changes.png, changes.csv, vertices.csv, report.json, …",
        )?,
        None => answer.print_alone(plan.voice.format)?,
    }
    Ok(if report.is_expected() {
        Exit::Done
    } else {
        Exit::OutOfTolerance
    })
}

fn compare(args: &RescanArgs, mut bar: Bar, format: Format) -> anyhow::Result<Exit> {
    let [second] = args.scans.as_slice() else {
        bail!("--compare takes two folders: surface rescan --compare DIR1 DIR2");
    };
    let report = build::compare(&args.dir, second, &mut bar)?;
    drop(bar);
    let answer = Answer {
        json: report.to_json()?,
        text: report.to_text(),
    };
    answer.print_alone(format)?;
    Ok(Exit::Done)
}
