//! What the readers' tests share.

use std::path::{Path, PathBuf};

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

/// A LAS file of one point at (1, 2, 3) with this well-known text.
pub(super) fn las_with_wkt(path: &Path, text: &str) {
    let mut builder = las::Builder::from((1, 4));
    builder.point_format = las::point::Format::new(6).unwrap();
    let mut header = builder.into_header().unwrap();
    header.set_wkt_crs(text.as_bytes().to_vec()).unwrap();
    let mut writer = las::Writer::from_path(path, header).unwrap();
    let point = las::Point {
        x: 1.0,
        y: 2.0,
        z: 3.0,
        gps_time: Some(0.0),
        ..las::Point::default()
    };
    writer.write_point(point).unwrap();
    writer.close().unwrap();
}
