//! Which units do a LAS file's GeoTIFF keys name?
//!
//! Keys as in OGC 19-008 (GeoTIFF 1.1), carried by LAS records 34735 (directory) and 34736
//! (doubles) and 34737 (text) of user `LASF_Projection`.

use super::units::{self, CrsUnits, Unit};
use super::wkt::Length;

const MODEL_TYPE: u16 = 1024;
const CITATION: u16 = 1026;
const PROJECTED_SYSTEM: u16 = 3072;
const PROJECTED_CITATION: u16 = 3073;
const LINEAR_UNITS: u16 = 3076;
const LINEAR_UNIT_SIZE: u16 = 3077;
const VERTICAL_UNITS: u16 = 4099;

/// Place of a value that is stored in the directory itself.
const IN_DIRECTORY: u16 = 0;
const IN_DOUBLES: u16 = 34736;
const IN_TEXT: u16 = 34737;
/// Codes of units of length in the EPSG register. Anything else in a key of units is "user
/// defined" (32767), or nonsense that some writers put there, and tells nothing.
const UNITS: std::ops::RangeInclusive<u16> = 9001..=9099;
/// "User defined" in any key of codes.
const USER_DEFINED: u16 = 32767;

/// The keys of one file.
#[derive(Debug, Default)]
pub(super) struct GeoKeys<'a> {
    entries: Vec<[u16; 4]>,
    doubles: &'a [u8],
    text: &'a [u8],
}

impl<'a> GeoKeys<'a> {
    /// Entries that run over the end of the directory are left out.
    pub fn new(directory: &[u8], doubles: &'a [u8], text: &'a [u8]) -> Self {
        let (words, _) = directory.as_chunks::<2>();
        let words: Vec<u16> = words.iter().map(|&w| u16::from_le_bytes(w)).collect();
        let (entries, _) = words.as_chunks::<4>();
        let count = entries.first().map_or(0, |header| usize::from(header[3]));
        Self {
            entries: entries.iter().skip(1).take(count).copied().collect(),
            doubles,
            text,
        }
    }

    fn entry(&self, key: u16) -> Option<&[u16; 4]> {
        self.entries.iter().find(|e| e[0] == key)
    }

    fn code(&self, key: u16) -> Option<u16> {
        self.entry(key)
            .filter(|e| e[1] == IN_DIRECTORY)
            .map(|e| e[3])
    }

    fn double(&self, key: u16) -> Option<f64> {
        let entry = self.entry(key).filter(|e| e[1] == IN_DOUBLES)?;
        let (values, _) = self.doubles.as_chunks::<8>();
        values
            .get(usize::from(entry[3]))
            .map(|&v| f64::from_le_bytes(v))
    }

    fn citation(&self, key: u16) -> Option<String> {
        let entry = self.entry(key).filter(|e| e[1] == IN_TEXT)?;
        let from = usize::from(entry[3]);
        let bytes = self.text.get(from..from + usize::from(entry[2]))?;
        let text = String::from_utf8_lossy(bytes);
        Some(text.trim_matches(['|', '\0', ' ']).to_owned())
    }

    /// The system's name or number, for reports.
    pub fn name(&self) -> Option<String> {
        let text = self
            .citation(PROJECTED_CITATION)
            .or_else(|| self.citation(CITATION));
        match self.epsg() {
            Some(code) => Some(match text {
                Some(text) => format!("EPSG:{code} ({text})"),
                None => format!("EPSG:{code}"),
            }),
            None => text,
        }
    }

    /// Number of the projected system in the EPSG register.
    pub fn epsg(&self) -> Option<u16> {
        self.code(PROJECTED_SYSTEM)
            .filter(|&c| c != USER_DEFINED && c != 0)
    }

    /// The units that the keys tell.
    pub fn units(&self) -> CrsUnits {
        match self.code(MODEL_TYPE) {
            Some(2) => return CrsUnits::NotProjected("degrees".to_owned()),
            Some(3) => return CrsUnits::NotProjected("earth-centred".to_owned()),
            _ => {}
        }
        let vertical = self.code(VERTICAL_UNITS).filter(is_unit).map(coded);
        match self.horizontal() {
            Some(length) => units::both(length, vertical, "the file's GeoTIFF keys"),
            None => match self.epsg().filter(|&code| is_metric(code)) {
                Some(code) => units::both(
                    Length::new("metre", 1.0),
                    vertical,
                    &format!("EPSG:{code} in the file's GeoTIFF keys, a system in metres"),
                ),
                None => CrsUnits::Silent,
            },
        }
    }

    fn horizontal(&self) -> Option<Length> {
        match self.code(LINEAR_UNITS).filter(is_unit) {
            None => self
                .double(LINEAR_UNIT_SIZE)
                .map(|size| Length::new("user-defined", size)),
            Some(code) => Some(coded(code)),
        }
    }
}

fn is_unit(code: &u16) -> bool {
    UNITS.contains(code)
}

fn coded(code: u16) -> Length {
    let factor_m = Unit::from_epsg(code).map_or(f64::NAN, Unit::factor_m);
    Length::new(&format!("EPSG unit {code}"), factor_m)
}

/// Whether an EPSG projected system without a unit key is surely in metres: the UTM zones of
/// WGS 84 and ETRS89 and a few national grids. Anything else is left unknown rather than guessed.
fn is_metric(code: u16) -> bool {
    matches!(code, 32601..=32660 | 32701..=32760 | 25828..=25838 | 3857)
        || matches!(
            code,
            2154 | 27700 | 28992 | 31466..=31469 | 2056 | 31370 | 3067 | 3006
        )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn directory(keys: &[[u16; 4]]) -> Vec<u8> {
        let count = crate::numeric::to_u32(keys.len()).try_into().unwrap();
        let mut words = vec![1, 1, 0, count];
        words.extend(keys.iter().flatten());
        words.iter().flat_map(|w: &u16| w.to_le_bytes()).collect()
    }

    fn units_of(keys: &[[u16; 4]]) -> CrsUnits {
        GeoKeys::new(&directory(keys), &0.3048f64.to_le_bytes(), &[]).units()
    }

    fn known(keys: &[[u16; 4]]) -> (Unit, Unit) {
        match units_of(keys) {
            CrsUnits::Known(units) => (units.horizontal, units.vertical),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn coded_units_are_read_for_the_plane_and_for_z() {
        let keys = [[1024, 0, 1, 1], [3076, 0, 1, 9003], [4099, 0, 1, 9001]];
        assert_eq!(known(&keys), (Unit::UsSurveyFoot, Unit::Metre));
        assert_eq!(known(&keys[..2]), (Unit::UsSurveyFoot, Unit::UsSurveyFoot));
    }

    #[test]
    fn a_user_defined_unit_is_known_by_its_size() {
        let keys = [[3076, 0, 1, 32767], [3077, 34736, 1, 0]];
        assert_eq!(known(&keys).0, Unit::InternationalFoot);
    }

    #[test]
    fn degrees_are_refused_and_a_bare_number_of_a_system_is_silent() {
        assert!(matches!(
            units_of(&[[1024, 0, 1, 2]]),
            CrsUnits::NotProjected(_)
        ));
        assert_eq!(units_of(&[[3072, 0, 1, 2992]]), CrsUnits::Silent);
        assert_eq!(known(&[[3072, 0, 1, 25832]]).0, Unit::Metre);
        assert_eq!(units_of(&[[3076, 0, 1, 32632]]), CrsUnits::Silent);
        assert!(matches!(
            units_of(&[[3076, 0, 1, 9036]]),
            CrsUnits::Unknown(..)
        ));
    }

    #[test]
    fn a_directory_that_is_cut_off_is_no_reason_to_fail() {
        let whole = directory(&[
            [3076, 0, 1, 9002],
            [3077, 34736, 1, 7],
            [1026, 34737, 9, 60_000],
        ]);
        for len in 0..whole.len() {
            let keys = GeoKeys::new(&whole[..len], &[], b"abc");
            let _ = (keys.units(), keys.name());
        }
    }
}
