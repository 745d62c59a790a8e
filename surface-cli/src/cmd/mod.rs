//! The commands, one file each: arguments in, a call of the library, the answer out.

mod answer;
mod demo;
mod deviation;
mod export;
mod fit;
mod inspect;
mod rescan;
mod ribbon;
mod roughness;
mod section;

use surface_core::progress::StopFlag;

use crate::args::{Args, Command};
use crate::exit::Exit;

/// Run the command that was typed; `stop` is set on Ctrl-C.
pub fn run(args: &Args, stop: &StopFlag) -> anyhow::Result<Exit> {
    match &args.command {
        Command::Inspect(inspect) => inspect::run(inspect, stop),
        Command::Ribbon(ribbon) => ribbon::run(ribbon, stop),
        Command::Fit(fit) => fit::run(fit, stop),
        Command::Deviation(deviation) => deviation::run(deviation, stop),
        Command::Roughness(roughness) => roughness::run(roughness, stop),
        Command::Export(export) => export::run(export, stop),
        Command::Section(section) => section::run(section, stop),
        Command::Rescan(rescan) => rescan::run(rescan, stop),
        Command::Demo(demo) => demo::run(demo, stop),
    }
}
