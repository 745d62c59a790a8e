//! `surface deviation`: hold any mesh against any cloud.

use std::io::Write;

use surface_core::build;
use surface_core::deviation::Verdict;
use surface_core::progress::StopFlag;

use crate::args::{DeviationArgs, Format};
use crate::exit::Exit;
use crate::plan;
use crate::term::Bar;

/// Hold the mesh, print the summary (or the report), tell whether the tolerance is met.
pub fn run(args: &DeviationArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    let plan = plan::of_deviation(args)?;
    let report = build::hold(
        &args.mesh,
        &args.scans.files,
        &args.out,
        &plan.params,
        &mut Bar::new(stop),
    )?;
    let mut out = std::io::stdout().lock();
    match plan.format {
        Format::Json => out.write_all(report.to_json()?.as_bytes())?,
        Format::Text => {
            out.write_all(report.to_text().as_bytes())?;
            let folder = args.out.display();
            writeln!(
                out,
                "files       {folder}: deviation.png, deviation.csv, report.json, …"
            )?;
        }
    }
    Ok(match report.deviation.verdict {
        Verdict::WithinTolerance => Exit::Done,
        Verdict::Beyond { .. } | Verdict::NothingJudged => Exit::OutOfTolerance,
    })
}
