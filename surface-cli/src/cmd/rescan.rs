//! `surface rescan`: rebuild only what a new scan changed.

use std::io::Write;
use std::path::Path;

use anyhow::bail;
use surface_core::build;
use surface_core::progress::StopFlag;

use super::answer::Answer;
use crate::args::{Format, RescanArgs};
use crate::exit::Exit;
use crate::plan;
use crate::term::Bar;

/// Rebuild (or compare), print the summary (or the report), tell whether only the expected changed.
pub fn run(args: &RescanArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    let plan = plan::of_rescan(args)?;
    if args.compare {
        return compare(args, plan.format, stop);
    }
    let (out, params) = (args.out.as_deref(), &plan.params);
    let mut bar = Bar::new(stop);
    let report = build::rescan(&args.dir, &args.scans, out, params, &mut bar)?;
    drop(bar);
    let (json, text) = (report.to_json()?, report.to_text());
    match out.filter(|_| !params.dry_run) {
        Some(out) => Answer { json, text }.print(
            plan.format,
            out,
            "surface.ply, changes.png, changes.csv, vertices.csv, report.json, …",
        )?,
        None => print(plan.format, &json, &text)?,
    }
    Ok(if report.is_expected() {
        Exit::Done
    } else {
        Exit::OutOfTolerance
    })
}

fn compare(args: &RescanArgs, format: Format, stop: &StopFlag) -> anyhow::Result<Exit> {
    let [second] = args.scans.as_slice() else {
        bail!("--compare takes two folders: surface rescan --compare DIR1 DIR2");
    };
    let second: &Path = second;
    let mut bar = Bar::new(stop);
    let report = build::compare(&args.dir, second, &mut bar)?;
    drop(bar);
    print(format, &report.to_json()?, &report.to_text())?;
    Ok(Exit::Done)
}

fn print(format: Format, json: &str, text: &str) -> std::io::Result<()> {
    let answer = match format {
        Format::Json => json,
        Format::Text => text,
    };
    match std::io::stdout().lock().write_all(answer.as_bytes()) {
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        done => done,
    }
}
