//! Which format is a file? Its first bytes decide, its name only explains.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use super::error::ReadError;
use super::las;
use super::source::Opened;

/// Bytes looked at to tell the format.
const LOOK: usize = 4096;

/// Open a scan file of any format.
pub(super) fn open(path: &Path) -> Result<Opened, ReadError> {
    let first = first_bytes(path)?;
    if first.starts_with(b"LASF") {
        return las::open(path);
    }
    Err(ReadError::UnknownFormat {
        path: path.to_owned(),
        found: describe(path, &first),
    })
}

fn first_bytes(path: &Path) -> Result<Vec<u8>, ReadError> {
    let fail = |source| ReadError::from_io(path, source);
    let meta = std::fs::metadata(path).map_err(fail)?;
    if meta.is_dir() {
        return Err(ReadError::Folder {
            path: path.to_owned(),
        });
    }
    let mut first = Vec::with_capacity(LOOK);
    let file = File::open(path).map_err(fail)?;
    file.take(LOOK as u64)
        .read_to_end(&mut first)
        .map_err(fail)?;
    if first.is_empty() {
        return Err(ReadError::Empty {
            path: path.to_owned(),
        });
    }
    Ok(first)
}

fn describe(path: &Path, first: &[u8]) -> String {
    let extension = path
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    let promised = match extension.as_deref() {
        Some("las" | "laz") => Some("LAS"),
        Some("e57") => Some("E57"),
        Some("ply") => Some("PLY"),
        _ => None,
    };
    match promised {
        Some(format) => format!("the name says {format}, but the first bytes do not"),
        None if first.contains(&0) => "binary data of an unknown kind".to_owned(),
        None => "text without columns of numbers".to_owned(),
    }
}
