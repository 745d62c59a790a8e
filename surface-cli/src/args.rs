//! What was typed. No input or output happens here.

use std::path::PathBuf;

use clap::{Args as Group, Parser, Subcommand, ValueEnum};
use surface_core::cloud::io::{ReadOptions, Unit};

/// From registered laser scans of a circuit to its drivable surface.
#[derive(Debug, Parser)]
#[command(name = "surface", version, about, long_about = None)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands, one file in `cmd` each.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Say what scan files hold, and what is wrong with them
    Inspect(Inspect),
}

/// `surface inspect`.
#[derive(Debug, Group)]
pub struct Inspect {
    /// The scans, and how to read them.
    #[command(flatten)]
    pub scans: ScanArgs,
    /// Form of the answer
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
}

/// Scan files as input of a command.
#[derive(Debug, Group)]
pub struct ScanArgs {
    /// Scan files (LAS, LAZ, E57, PLY, text); several are one cloud
    #[arg(value_name = "SCAN", required = true)]
    pub files: Vec<PathBuf>,
    /// Unit of all files, over what they say themselves
    #[arg(long, value_enum)]
    pub units: Option<UnitName>,
}

impl ScanArgs {
    /// How to read them.
    pub fn options(&self) -> ReadOptions {
        ReadOptions {
            units: self.units.map(UnitName::unit),
        }
    }
}

/// A unit as it is typed.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum UnitName {
    /// Metres
    M,
    /// International feet (0.3048 m)
    Ft,
    /// US survey feet (1200/3937 m)
    UsFt,
}

impl UnitName {
    fn unit(self) -> Unit {
        match self {
            Self::M => Unit::Metre,
            Self::Ft => Unit::InternationalFoot,
            Self::UsFt => Unit::UsSurveyFoot,
        }
    }
}

/// Form of the answer on standard output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people
    Text,
    /// For programs
    Json,
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_consistent() {
        Args::command().debug_assert();
    }

    #[test]
    fn units_are_typed_short() {
        let args = Args::parse_from(["surface", "inspect", "a.las", "b.las", "--units", "us-ft"]);
        let Command::Inspect(inspect) = args.command;
        assert_eq!(inspect.scans.options().units, Some(Unit::UsSurveyFoot));
        assert_eq!(
            (inspect.scans.files.len(), inspect.format),
            (2, Format::Text)
        );
    }
}
