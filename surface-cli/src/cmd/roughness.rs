//! `surface roughness`: how rough is the road, and which of its waves does the mesh carry?

use std::io::Write;

use surface_core::build;
use surface_core::progress::StopFlag;

use crate::args::{Format, RoughnessArgs};
use crate::exit::Exit;
use crate::plan;
use crate::term::Bar;

/// Measure, print the summary (or the report), tell whether the limits are kept.
pub fn run(args: &RoughnessArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    let plan = plan::of_roughness(args)?;
    let mut bar = Bar::new(stop);
    let report = build::roughness(&args.dir, &args.scans, &args.out, &plan.params, &mut bar)?;
    drop(bar);
    let mut out = std::io::stdout().lock();
    match plan.format {
        Format::Json => out.write_all(report.to_json()?.as_bytes())?,
        Format::Text => {
            out.write_all(report.to_text().as_bytes())?;
            let folder = args.out.display();
            writeln!(
                out,
                "files       {folder}: profiles.csv, spectrum.svg, roughness.json, …"
            )?;
        }
    }
    Ok(if report.gates_kept() {
        Exit::Done
    } else {
        Exit::OutOfTolerance
    })
}
