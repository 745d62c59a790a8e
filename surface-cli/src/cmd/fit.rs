//! `surface fit`: the main job.

use anyhow::Result;
use surface_core::build;
use surface_core::deviation::Verdict;

use crate::args::{FitArgs, Format};
use crate::exit::Exit;
use crate::{plan, term};

/// Build the surface, print the summary (or the report), tell whether the tolerance is met.
pub fn run(args: &FitArgs) -> Result<Exit> {
    let plan = plan::of_fit(args)?;
    let mut progress = term::Terminal::new();
    let built = build::fit(&plan.scans, &args.out, &plan.params, &mut progress);
    progress.done();
    let report = built?;
    match plan.format {
        Format::Json => term::print_answer(&report.to_json()?)?,
        Format::Text => {
            let folder = args.out.display();
            let files =
                format!("files       {folder}: surface.ply, deviation.png, report.json, …\n");
            term::print_answer(&(report.to_text() + &files))?;
        }
    }
    Ok(match report.deviation.verdict {
        Verdict::WithinTolerance => Exit::Done,
        Verdict::Beyond { .. } | Verdict::NothingJudged => Exit::Beyond,
    })
}
