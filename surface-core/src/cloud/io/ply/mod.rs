//! PLY, ASCII and binary of both byte orders: the vertices are the points.
//!
//! Vertices may have any further properties, lists among them, and any elements may stand before
//! and after: a wrong number of vertices shows in those after them, which must end where the file
//! does. A line `comment origin X Y Z` in the header is added to the coordinates.

mod ascii;
mod binary;
mod header;

use std::path::Path;

use self::header::Header;
use super::error::ReadError;
use super::source::{Head, Opened, SetupRule, Source};
use super::units::CrsUnits;
use crate::cloud::ply_layout::Encoding;

/// Points of a batch.
const BATCH: u64 = 65_536;

/// Open a PLY file.
pub(super) fn open(path: &Path) -> Result<Opened, ReadError> {
    let (header, reader) = header::read(path)?;
    let head = head(&header);
    let source: Box<dyn Source> = match header.encoding {
        Encoding::Ascii => Box::new(ascii::AsciiSource::open(path, reader, header)?),
        Encoding::Binary(order) => {
            Box::new(binary::BinarySource::open(path, reader, header, order)?)
        }
    };
    Ok(Opened { head, source })
}

fn head(header: &Header) -> Head {
    Head {
        format: format!("PLY, {}", header.encoding.name()),
        declared_points: Some(header.vertices().count),
        bounds: None,
        step: None,
        units: CrsUnits::Silent,
        crs: None,
        crs_record: None,
        crs_units: None,
        has_intensity: header.wanted.intensity.is_some(),
        has_time: header.wanted.time.is_some(),
        setups: SetupRule::File,
        notes: Vec::new(),
    }
}

#[cfg(test)]
mod tests;
