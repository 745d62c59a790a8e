//! The command line `surface`: scans of a circuit in, the road that a simulator drives on out.

mod args;
mod cmd;
mod exit;
mod plan;
mod term;

use clap::Parser;

use args::{Cli, Command};
use exit::Exit;

fn main() -> std::process::ExitCode {
    let cli = Cli::parse();
    let result = match &cli.command {
        Command::Ribbon(args) => cmd::ribbon::run(args),
        Command::Fit(args) => cmd::fit::run(args),
    };
    match result {
        Ok(exit) => exit.into(),
        Err(error) => {
            term::print_error(&error);
            Exit::Error.into()
        }
    }
}
