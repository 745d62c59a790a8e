//! Why a scan could not be read, where in the file, and what helps.

use std::fmt;
use std::path::{Path, PathBuf};

/// Where in a file something is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Counted from the beginning of the file, first byte 0.
    Byte(u64),
    /// Counted in the file's order, first point 1.
    Point(u64),
    /// Counted in the file's order, first line 1.
    Line(u64),
    /// The file's header.
    Header,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Byte(n) => write!(f, "byte {n}"),
            Self::Point(n) => write!(f, "point {n}"),
            Self::Line(n) => write!(f, "line {n}"),
            Self::Header => write!(f, "the header"),
        }
    }
}

/// Why a scan could not be read. [`ReadError::hint`] says what helps.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// No file was named.
    #[error("no scan file given")]
    NoFiles,
    /// The file does not exist.
    #[error("{path}: no such file")]
    Missing {
        /// The file.
        path: PathBuf,
    },
    /// A folder was given where a file is needed.
    #[error("{path}: is a folder, not a scan file")]
    Folder {
        /// The folder.
        path: PathBuf,
    },
    /// The system refuses to open the file.
    #[error("{path}: no permission to read")]
    Permission {
        /// The file.
        path: PathBuf,
    },
    /// The system failed while reading.
    #[error("{path}: {source}")]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file has no byte.
    #[error("{path}: the file is empty (0 bytes)")]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// Neither the first bytes nor the name tell a format that can be read.
    #[error("{path}: not a scan format that can be read ({found})")]
    UnknownFormat {
        /// The file.
        path: PathBuf,
        /// What the first bytes look like.
        found: String,
    },
    /// The file ends before what it promises.
    #[error("{path}: ends at byte {len}, but {what} needs {needed} bytes: the file is cut off")]
    Truncated {
        /// The file.
        path: PathBuf,
        /// What is cut off.
        what: String,
        /// Bytes there are.
        len: u64,
        /// Bytes that are needed.
        needed: u64,
    },
    /// Something in the file contradicts its format.
    #[error("{path}: {what} at {place}")]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
        /// Where.
        place: Place,
    },
    /// The format is right, but this variant of it cannot be read.
    #[error("{path}: {what} is not supported")]
    Unsupported {
        /// The file.
        path: PathBuf,
        /// The variant.
        what: String,
    },
    /// The number of points is not the declared one.
    #[error("{path}: {declared} points are declared, {found} are there")]
    WrongCount {
        /// The file.
        path: PathBuf,
        /// Points that the header promises.
        declared: u64,
        /// Points that were found.
        found: u64,
    },
    /// No file has a usable point.
    #[error(
        "{path}: no point in {files} file(s) ({rejected} with coordinates that are no numbers, \
         {withheld} marked as deleted)"
    )]
    NoPoints {
        /// The first file.
        path: PathBuf,
        /// How many files there are.
        files: usize,
        /// Points dropped because a coordinate is NaN or infinite.
        rejected: u64,
        /// Points dropped because the file marks them as deleted.
        withheld: u64,
    },
    /// The coordinates are degrees or earth-centred, which are no plane metres.
    #[error("{path}: coordinates are {system}, not lengths on a map")]
    NotProjected {
        /// The file.
        path: PathBuf,
        /// The kind of coordinate system.
        system: String,
    },
    /// The file's own records name a unit that is neither metre nor foot.
    #[error("{path}: unit '{unit}' is neither metre nor foot")]
    UnknownUnit {
        /// The file.
        path: PathBuf,
        /// The unit's name in the file.
        unit: String,
    },
    /// One file is known to be in feet and another says nothing.
    #[error(
        "{unknown} does not say its unit, while {known} is in {unit}: they cannot be one cloud"
    )]
    MixedUnits {
        /// The file known to be in feet.
        known: PathBuf,
        /// Its unit.
        unit: &'static str,
        /// The file that says nothing.
        unknown: PathBuf,
    },
    /// More scanner positions than a setup number can hold.
    #[error("{path}: more than {limit} setups")]
    TooManySetups {
        /// The file that went over the limit.
        path: PathBuf,
        /// The limit.
        limit: usize,
    },
}

impl ReadError {
    /// What the user can do about it.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::NoFiles => "name one or more scan files (LAS, LAZ, E57, PLY or text)",
            Self::Missing { .. } => "check the path; it is relative to the current folder",
            Self::Folder { .. } => "name the files inside it, for example FOLDER/*.laz",
            Self::Permission { .. } => "change the file's permissions or copy it",
            Self::Io { .. } => "check the disk or the network drive, then try again",
            Self::Empty { .. } | Self::Truncated { .. } => {
                "copy or export the file again; the transfer or the export was not complete"
            }
            Self::UnknownFormat { .. } => {
                "LAS, LAZ, E57, PLY and text with x y z columns can be read; export to one of them"
            }
            Self::Damaged { .. } | Self::WrongCount { .. } => {
                "export the scan again from the program that made it"
            }
            Self::Unsupported { .. } => {
                "export it in another variant or format, for example LAZ 1.4"
            }
            Self::NoPoints { .. } => "leave out this file; it holds nothing to work with",
            Self::NotProjected { .. } => {
                "reproject the scan to a map projection in metres, for example UTM"
            }
            Self::UnknownUnit { .. } | Self::MixedUnits { .. } => {
                "say the unit of all files with --units m, ft or us-ft"
            }
            Self::TooManySetups { .. } => "read fewer files at once or renumber the setups",
        }
    }

    /// What the system said about opening or reading `path`, as the nearest variant.
    pub(super) fn from_io(path: &Path, source: std::io::Error) -> Self {
        let path = path.to_owned();
        match source.kind() {
            std::io::ErrorKind::NotFound => Self::Missing { path },
            std::io::ErrorKind::PermissionDenied => Self::Permission { path },
            std::io::ErrorKind::IsADirectory => Self::Folder { path },
            _ => Self::Io { path, source },
        }
    }

    pub(super) fn damaged(path: &Path, what: impl Into<String>, place: Place) -> Self {
        Self::Damaged {
            path: path.to_owned(),
            what: what.into(),
            place,
        }
    }

    pub(super) fn truncated(path: &Path, what: impl Into<String>, len: u64, needed: u64) -> Self {
        Self::Truncated {
            path: path.to_owned(),
            what: what.into(),
            len,
            needed,
        }
    }
}
