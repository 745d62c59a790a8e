//! The command line `surface`: scans of a circuit in, drivable surface out.
//!
//! Standard output is the answer, standard error everything else. Exit codes are in [`exit`].

mod args;
mod cmd;
mod config;
mod exit;
mod given;
mod plan;
mod progress;
mod term;

use clap::Parser;
use signal_hook::consts::{SIGINT, SIGTERM};

fn main() -> std::process::ExitCode {
    let arguments = match args::Args::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => return exit::usage(&error),
    };
    let stop = surface_core::progress::StopFlag::default();
    for signal in [SIGINT, SIGTERM] {
        // Without a handler the run still ends at once, only less cleanly.
        let _ = signal_hook::flag::register(signal, stop.shared());
    }
    exit::end(cmd::run(&arguments, &stop))
}
