//! `surface demo`: the invented course's scan.

use std::io::Write;

use surface_core::progress::StopFlag;
use surface_tests::proving::demo;

use crate::args::DemoArgs;
use crate::exit::Exit;

/// Write the scan, the scanner positions and the truth.
pub fn run(args: &DemoArgs, stop: &StopFlag) -> anyhow::Result<Exit> {
    let made = demo::write(&args.out, &|| stop.is_set())?;
    let folder = args.out.display();
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "{} points from {} setups in {folder}/course.laz",
        made.points, made.setup_count
    )?;
    Ok(Exit::Done)
}
