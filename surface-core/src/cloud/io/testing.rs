//! What the readers' tests share.

use std::path::PathBuf;

use super::{ReadError, ReadOptions, Scans};
use crate::cloud::Columns;

/// All points of some files.
pub(super) fn read(paths: &[PathBuf]) -> Result<(Columns, Scans), ReadError> {
    let mut scans = Scans::open(paths, &ReadOptions::default())?;
    let (mut all, mut batch) = (Columns::default(), Columns::default());
    while scans.next_batch(&mut batch)? > 0 {
        all.x.extend(&batch.x);
        all.y.extend(&batch.y);
        all.z.extend(&batch.z);
        all.intensity.extend(&batch.intensity);
        all.setup.extend(&batch.setup);
        if let Some(time) = &batch.time_s {
            all.time_s.get_or_insert_default().extend(time);
        }
    }
    Ok((all, scans))
}

/// All points of a file with this name and content.
pub(super) fn read_bytes(name: &str, bytes: &[u8]) -> Result<(Columns, Scans), ReadError> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    read(&[path])
}

/// All points of a text file.
pub(super) fn read_text(name: &str, text: &str) -> Result<(Columns, Scans), ReadError> {
    read_bytes(name, text.as_bytes())
}
