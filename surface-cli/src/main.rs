//! The command line `surface`: scans of a circuit in, drivable surface out.
//!
//! Standard output is the answer, standard error everything else. Exit codes are in [`exit`].

mod args;
mod cmd;
mod exit;
mod plan;
mod progress;
mod term;

use clap::Parser;

fn main() -> std::process::ExitCode {
    let arguments = args::Args::parse();
    let stop = surface_core::progress::StopFlag::default();
    let handler = stop.clone();
    // Without a handler the run still ends on Ctrl-C, only less cleanly.
    let _ = ctrlc::set_handler(move || handler.stop());
    exit::end(cmd::run(&arguments, &stop))
}
