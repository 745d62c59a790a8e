//! LAS 1.0 to 1.4 and LAZ, all point formats (ASPRS LAS 1.4 R15; LAZ through the crate `laz`).
//!
//! The header is read here and checked against the file's size before anything is decoded, so a
//! corrupt count or length is an error and never an allocation.

mod decode;
mod header;
mod laz;
mod laz_count;
mod records;

use std::path::Path;

use self::header::LasHeader;
use super::error::ReadError;
use super::source::{Head, Opened, SetupRule, Source};

/// Open a LAS or LAZ file.
pub(super) fn open(path: &Path) -> Result<Opened, ReadError> {
    let (header, file) = header::read(path)?;
    let mut head = head(path, &header)?;
    let source: Box<dyn Source> = match &header.laz {
        Some(record) => laz::open(path, file, &header, record, &mut head.notes)?,
        None => Box::new(decode::LasSource::open(path, file, &header)?),
    };
    Ok(Opened { head, source })
}

fn head(path: &Path, header: &LasHeader) -> Result<Head, ReadError> {
    let packed = if header.laz.is_some() { "LAZ" } else { "LAS" };
    Ok(Head {
        format: format!(
            "{packed} 1.{}, point format {}",
            header.minor_version, header.point_format
        ),
        declared_points: Some(header.points),
        bounds: Some([header.min, header.max]),
        step: Some(header.scale),
        units: records::units(&header.records),
        crs: records::crs_name(&header.records),
        crs_record: records::crs_record(&header.records),
        crs_units: None,
        has_intensity: true,
        has_time: header.fields().time.is_some(),
        setups: SetupRule::SourceIds,
        notes: header.notes(path)?,
    })
}

#[cfg(test)]
mod tests;
