//! Why a mesh file cannot be read.

use std::path::PathBuf;

use super::super::MeshError;

/// Where in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// A line of text, from 1.
    Line(u64),
    /// A byte, from 0.
    Byte(u64),
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Line(line) => write!(f, "line {line}"),
            Self::Byte(byte) => write!(f, "byte {byte}"),
        }
    }
}

/// Why a mesh file cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum MeshReadError {
    /// The system could not read.
    #[error("{file}: {source}")]
    Io {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file ends before its data do.
    #[error("{file}, {place}: the file ends in the middle of {what}; copy or export it again")]
    Truncated {
        /// The file.
        file: PathBuf,
        /// Where it ends.
        place: Place,
        /// What was being read.
        what: &'static str,
    },
    /// Something stands where something else belongs.
    #[error("{file}, {place}: {expected}, found {found:?}")]
    Syntax {
        /// The file.
        file: PathBuf,
        /// Where.
        place: Place,
        /// What belongs here, and what to do.
        expected: &'static str,
        /// What stands here.
        found: String,
    },
    /// The numbers make no mesh.
    #[error("{file}: {source}; repair the mesh where it was made and export it again")]
    Invalid {
        /// The file.
        file: PathBuf,
        /// What is wrong.
        source: MeshError,
    },
}
