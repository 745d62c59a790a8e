//! The variable length records of a LAS file that say something about coordinates.

use crate::cloud::io::CrsRecord;
use crate::cloud::io::geokeys::GeoKeys;
use crate::cloud::io::units::{self, CrsUnits};
use crate::cloud::io::wkt;

/// A variable length record, ordinary or extended.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Record {
    pub user: String,
    pub id: u16,
    pub data: Vec<u8>,
}

const PROJECTION: &str = "LASF_Projection";
const WKT: u16 = 2112;
const KEYS: u16 = 34735;
const DOUBLES: u16 = 34736;
const TEXT: u16 = 34737;

fn data(records: &[Record], id: u16) -> Option<&[u8]> {
    let found = |r: &&Record| r.user == PROJECTION && r.id == id;
    records.iter().find(found).map(|r| r.data.as_slice())
}

fn keys(records: &[Record]) -> Option<GeoKeys<'_>> {
    let directory = data(records, KEYS)?;
    let doubles = data(records, DOUBLES).unwrap_or_default();
    Some(GeoKeys::new(
        directory,
        doubles,
        data(records, TEXT).unwrap_or_default(),
    ))
}

fn text(records: &[Record]) -> Option<String> {
    data(records, WKT).map(|bytes| String::from_utf8_lossy(bytes).into_owned())
}

/// The units that the records tell: the WKT first (the newer rule of LAS 1.4), then the keys.
pub(super) fn units(records: &[Record]) -> CrsUnits {
    let from_text = text(records).map_or(CrsUnits::Silent, |t| units::from_wkt(&t));
    match (from_text, keys(records)) {
        (CrsUnits::Silent, Some(keys)) => keys.units(),
        (CrsUnits::Known(by_text), Some(keys)) => match keys.units() {
            // The keys may tell the unit of z where the text does not.
            CrsUnits::Known(by_keys)
                if !by_text.vertical_told
                    && by_keys.vertical_told
                    && by_keys.horizontal == by_text.horizontal =>
            {
                CrsUnits::Known(by_keys)
            }
            _ => CrsUnits::Known(by_text),
        },
        (other, _) => other,
    }
}

/// The system's name, for reports.
pub(super) fn crs_name(records: &[Record]) -> Option<String> {
    let by_text = text(records).and_then(|t| wkt::read(&t)).map(|s| s.name);
    by_text.or_else(|| keys(records).and_then(|k| k.name()))
}

/// The system itself, to be handed on: the text, else the keys.
pub(super) fn crs_record(records: &[Record]) -> Option<CrsRecord> {
    let bytes = |id| data(records, id).unwrap_or_default().to_vec();
    let text = text(records).map(|t| t.trim_end_matches('\0').to_owned());
    match text.filter(|t| !t.trim().is_empty()) {
        Some(text) => Some(CrsRecord::Wkt(text)),
        None => data(records, KEYS).map(|directory| CrsRecord::GeoKeys {
            directory: directory.to_vec(),
            doubles: bytes(DOUBLES),
            text: bytes(TEXT),
        }),
    }
}
