//! `surface ribbon`: find the road.

use std::io::Write;

use surface_core::build;
use surface_core::progress::StopFlag;

use crate::args::{Format, RibbonArgs};
use crate::exit::Exit;
use crate::plan;
use crate::progress::Bar;

/// Find the ribbon, write it as GeoJSON, print it in numbers.
pub fn run(args: &RibbonArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    let plan = plan::of_ribbon(&args.road)?;
    let report = build::ribbon(
        &plan.scans,
        &args.out,
        &plan.params,
        &mut Bar::new(plan.voice.progress, stop),
    )?;
    let text = match plan.voice.format {
        Format::Json => serde_json::to_string_pretty(&report)? + "\n",
        Format::Text => report.to_text(),
    };
    std::io::stdout().lock().write_all(text.as_bytes())?;
    Ok(Exit::Done)
}
