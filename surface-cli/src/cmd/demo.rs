//! `surface demo`: the invented course's scan.

use std::io::Write;

use surface_tests::proving::demo;

use crate::args::DemoArgs;
use crate::exit::Exit;

/// Write the scan, the scanner positions and the truth.
pub fn run(args: &DemoArgs) -> anyhow::Result<Exit> {
    std::fs::create_dir_all(&args.out)?;
    let made = demo::write(&args.out)?;
    let folder = args.out.display();
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "{} points from {} setups in {folder}/course.laz",
        made.points, made.setup_count
    )?;
    Ok(Exit::Done)
}
