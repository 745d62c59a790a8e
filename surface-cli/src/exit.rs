//! How a run ends: the one table of exit codes, and the last words on standard error.

use std::process::ExitCode;

use surface_core::build::{BuildError, GateError};
use surface_core::cloud::inspect::InspectError;
use surface_core::cloud::io::ReadError;
use surface_core::deviation::Verdict;
use surface_core::mesh::MeshCheck;
use surface_core::ribbon::{RibbonFileError, RoughLineError};
use surface_tests::proving::demo::DemoError;

use crate::config::ConfigError;
use crate::given::GivenError;
use crate::term;

/// Exit codes of every command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// Done, and within tolerance where there is one.
    Done = 0,
    /// Done, but the tolerance is not met or the mesh has defects; the report says where.
    OutOfTolerance = 1,
    /// Not done: usage, input or run error.
    Failed = 2,
}

impl Exit {
    /// The code for a deviation map's verdict: what could not be judged is not within tolerance.
    pub fn of_verdict(verdict: &Verdict) -> Self {
        match verdict {
            Verdict::WithinTolerance => Self::Done,
            Verdict::Beyond { .. } | Verdict::NothingJudged => Self::OutOfTolerance,
        }
    }

    /// The code for a build: a mesh with defects is none to drive on, however near the points are.
    pub fn of_build(verdict: &Verdict, mesh: &MeshCheck) -> Self {
        if mesh.is_valid() {
            Self::of_verdict(verdict)
        } else {
            Self::OutOfTolerance
        }
    }
}

/// End the run: print what went wrong and what helps.
pub fn end(result: anyhow::Result<Exit>) -> ExitCode {
    let exit = match result {
        Ok(exit) => exit,
        // Whoever reads our answer has seen enough (`surface ... | head`): that is no failure.
        Err(error) if is_broken_pipe(&error) => Exit::Done,
        Err(error) => {
            term::error(&message(&error), &hint(&error));
            Exit::Failed
        }
    };
    ExitCode::from(exit as u8)
}

/// End a run that was typed wrong like any other that failed; help and version end here too.
pub fn usage(error: &clap::Error) -> ExitCode {
    if !error.use_stderr() {
        // Whoever asked for help and closed the pipe has seen enough.
        let _ = error.print();
        return ExitCode::from(Exit::Done as u8);
    }
    let words = error.render();
    let words = if term::colours() {
        words.ansi().to_string()
    } else {
        words.to_string()
    };
    // The last line is clap's own way to give a hint.
    let said = words.split("\nFor more information").next();
    term::usage(
        said.unwrap_or_default(),
        "add --help to the command to see what it takes",
    );
    ExitCode::from(Exit::Failed as u8)
}

/// The error and its causes, each said once: many errors already hold their cause's words.
fn message(error: &anyhow::Error) -> String {
    let mut out = error.to_string();
    for cause in error.chain().skip(1).map(ToString::to_string) {
        if !out.contains(&cause) {
            out.push_str(": ");
            out.push_str(&cause);
        }
    }
    out
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    let broken = |e: &std::io::Error| e.kind() == std::io::ErrorKind::BrokenPipe;
    error.chain().filter_map(|e| e.downcast_ref()).any(broken)
}

/// What helps, from the first error in the chain that knows.
fn hint(error: &anyhow::Error) -> String {
    let known = error.chain().find_map(hint_of);
    known.unwrap_or_else(|| "see `surface help`".to_owned())
}

/// What helps against this very error, if it is of a kind that knows.
fn hint_of(cause: &(dyn std::error::Error + 'static)) -> Option<String> {
    fn of<'a, E: std::error::Error + 'static>(
        cause: &'a (dyn std::error::Error + 'static),
        hint: impl FnOnce(&'a E) -> &'static str,
    ) -> Option<String> {
        cause.downcast_ref::<E>().map(|e| hint(e).to_owned())
    }
    let longer = || {
        let build = cause.downcast_ref::<BuildError>().map(BuildError::hint);
        build.or_else(|| cause.downcast_ref::<ConfigError>().map(ConfigError::hint))
    };
    longer()
        .or_else(|| of(cause, ReadError::hint))
        .or_else(|| of(cause, InspectError::hint))
        .or_else(|| of(cause, GivenError::hint))
        .or_else(|| of(cause, RoughLineError::hint))
        .or_else(|| of(cause, RibbonFileError::hint))
        .or_else(|| of(cause, GateError::hint))
        .or_else(|| of(cause, DemoError::hint))
        .or_else(|| of(cause, of_system))
}

/// What helps where only the system said what is wrong.
fn of_system(error: &std::io::Error) -> &'static str {
    match error.kind() {
        std::io::ErrorKind::NotFound => "check the path",
        std::io::ErrorKind::StorageFull => "free space on the disk that is written to",
        _ => "see `surface help`",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hint_of_the_innermost_error_is_found_through_its_context() {
        let inspect = InspectError::from(ReadError::NoFiles);
        let error = anyhow::Error::new(inspect).context("while reading");
        assert_eq!(hint(&error), ReadError::NoFiles.hint());
    }

    #[test]
    fn a_cause_that_the_error_already_tells_is_not_said_again() {
        let cause = std::io::Error::other("no such thing");
        let error = anyhow::Error::new(cause).context("road.ply: no such thing");
        assert_eq!(message(&error), "road.ply: no such thing");
        let error = error.context("while holding");
        assert_eq!(message(&error), "while holding: road.ply: no such thing");
    }

    #[test]
    fn a_mesh_with_a_defect_is_not_done() {
        let whole = MeshCheck {
            faces: 2,
            parts: 1,
            ..MeshCheck::default()
        };
        let code = |mesh: &MeshCheck| Exit::of_build(&Verdict::WithinTolerance, mesh);
        assert_eq!(code(&whole), Exit::Done);
        let hanging = MeshCheck {
            hanging_vertices: 1,
            ..whole.clone()
        };
        let torn = MeshCheck { parts: 2, ..whole };
        assert_eq!(code(&hanging), Exit::OutOfTolerance);
        assert_eq!(code(&torn), Exit::OutOfTolerance);
    }

    #[test]
    fn a_reader_that_went_away_is_no_failure() {
        let broken = std::io::Error::from(std::io::ErrorKind::BrokenPipe);
        assert!(is_broken_pipe(
            &anyhow::Error::new(broken).context("printing")
        ));
        assert!(!is_broken_pipe(&anyhow::anyhow!("other")));
    }
}
