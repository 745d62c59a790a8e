//! `surface ribbon`: find the road.

use anyhow::Result;
use surface_core::build;

use crate::args::{Format, RibbonArgs};
use crate::exit::Exit;
use crate::{plan, term};

/// Find the ribbon, write it as GeoJSON, print it in numbers.
pub fn run(args: &RibbonArgs) -> Result<Exit> {
    let plan = plan::of_ribbon(&args.scan)?;
    let mut progress = term::Terminal::new();
    let found = build::ribbon(&plan.scans, &args.out, &plan.params, &mut progress);
    progress.done();
    let report = found?;
    let text = match plan.format {
        Format::Json => serde_json::to_string_pretty(&report)? + "\n",
        Format::Text => report.to_text(),
    };
    term::print_answer(&text)?;
    Ok(Exit::Done)
}
