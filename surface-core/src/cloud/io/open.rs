//! Which format is a file? Its first bytes decide, its name only explains.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use super::crs::CrsRecord;
use super::error::ReadError;
use super::source::Opened;
use super::{e57, las, ply, text};

/// Bytes looked at to tell the format.
const LOOK: usize = 4096;

/// Open a scan file of any format.
pub(super) fn open(path: &Path) -> Result<Opened, ReadError> {
    let first = first_bytes(path)?;
    if first.starts_with(b"LASF") {
        las::open(path)
    } else if first.starts_with(b"ASTM-E57") {
        e57::open(path)
    } else if first.starts_with(b"ply\n") || first.starts_with(b"ply\r\n") {
        ply::open(path)
    } else if let Some(found) = no_text(path, &first) {
        let path = path.to_owned();
        Err(ReadError::UnknownFormat { path, found })
    } else {
        text::open(path)
    }
}

/// The coordinate system that a scan file states, as far as it can be handed on; the file may hold
/// no point.
///
/// # Errors
/// [`ReadError`] when the header cannot be read.
pub fn crs_record_of(path: &Path) -> Result<Option<CrsRecord>, ReadError> {
    Ok(open(path)?.head.crs_record)
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

/// Why a file cannot be text: its name promises another format, or its bytes are none.
fn no_text(path: &Path, first: &[u8]) -> Option<String> {
    let extension = path
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    let promised = match extension.as_deref() {
        Some("las" | "laz") => Some("LAS"),
        Some("e57") => Some("E57"),
        Some("ply") => Some("PLY"),
        _ => None,
    };
    if let Some(format) = promised {
        return Some(format!(
            "the name says {format}, but the first bytes do not"
        ));
    }
    if first.starts_with(&[0xff, 0xfe]) || first.starts_with(&[0xfe, 0xff]) {
        return Some("text in UTF-16; save it as UTF-8".to_owned());
    }
    first
        .contains(&0)
        .then(|| "binary data of an unknown kind".to_owned())
}
