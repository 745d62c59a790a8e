//! Which coordinate system the raster is in, as GeoTIFF keys.

use crate::cloud::io::CrsRecord;

const MODEL_TYPE: u16 = 1024;
const RASTER_TYPE: u16 = 1025;
const PROJECTED_SYSTEM: u16 = 3072;
const PROJECTED_CITATION: u16 = 3073;
const LINEAR_UNITS: u16 = 3076;
/// Values stand in the directory itself, or in the text.
const IN_DIRECTORY: u16 = 0;
const IN_TEXT: u16 = 34737;
const PROJECTED: u16 = 1;
/// A value belongs to a pixel's whole area.
const PIXEL_IS_AREA: u16 = 1;
const USER_DEFINED: u16 = 32767;
const METRE: u16 = 9001;

/// The three tags that name a coordinate system (34735, 34736, 34737).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct GeoKeys {
    pub(super) directory: Vec<u16>,
    pub(super) doubles: Vec<f64>,
    pub(super) text: String,
}

impl GeoKeys {
    /// Of the system as the scans stated it; with its name alone where it has no number.
    #[must_use]
    pub fn of(record: Option<&CrsRecord>, name: Option<&str>) -> Self {
        match record {
            Some(CrsRecord::GeoKeys {
                directory,
                doubles,
                text,
            }) => Self::handed_on(directory, doubles, text),
            Some(wkt) => Self::named(wkt.epsg(), name),
            None => Self::named(name.and_then(number_in), name),
        }
    }

    /// Keys of a LAS file, which are GeoTIFF's own, with the kind of raster added.
    fn handed_on(directory: &[u8], doubles: &[u8], text: &[u8]) -> Self {
        let words = directory.as_chunks::<2>().0.iter();
        let words: Vec<u16> = words.map(|w| u16::from_le_bytes(*w)).collect();
        let entries = words.as_chunks::<4>().0;
        let count = entries.first().map_or(0, |head| usize::from(head[3]));
        let given = entries.iter().skip(1).take(count).copied();
        let mut entries: Vec<[u16; 4]> = given.filter(|e| e[0] != RASTER_TYPE).collect();
        entries.push([RASTER_TYPE, IN_DIRECTORY, 1, PIXEL_IS_AREA]);
        let doubles = doubles.as_chunks::<8>().0.iter();
        let text: String = text
            .iter()
            .take_while(|b| **b != 0)
            .map(|b| char::from(*b))
            .filter(char::is_ascii)
            .collect();
        Self::sorted(
            entries,
            doubles.map(|d| f64::from_le_bytes(*d)).collect(),
            text,
        )
    }

    fn named(epsg: Option<u16>, name: Option<&str>) -> Self {
        let mut entries = vec![[RASTER_TYPE, IN_DIRECTORY, 1, PIXEL_IS_AREA]];
        let mut text = String::new();
        if let Some(name) = name {
            let plain = name.chars().filter(|c| c.is_ascii_graphic() || *c == ' ');
            text = plain.filter(|c| *c != '|').take(200).collect();
            text.push('|');
            let length = u16::try_from(text.len()).unwrap_or(0);
            entries.push([MODEL_TYPE, IN_DIRECTORY, 1, PROJECTED]);
            let system = epsg.unwrap_or(USER_DEFINED);
            entries.push([PROJECTED_SYSTEM, IN_DIRECTORY, 1, system]);
            entries.push([PROJECTED_CITATION, IN_TEXT, length, 0]);
            entries.push([LINEAR_UNITS, IN_DIRECTORY, 1, METRE]);
        }
        Self::sorted(entries, Vec::new(), text)
    }

    fn sorted(mut entries: Vec<[u16; 4]>, doubles: Vec<f64>, text: String) -> Self {
        entries.sort_unstable();
        let count = u16::try_from(entries.len()).unwrap_or(0);
        let head = [1, 1, 1, count];
        Self {
            directory: std::iter::once(head).chain(entries).flatten().collect(),
            doubles,
            text,
        }
    }
}

/// The number in a name as `EPSG:25832 (ETRS89 / UTM zone 32N)`.
fn number_in(name: &str) -> Option<u16> {
    let digits = name.strip_prefix("EPSG:")?;
    let end = digits
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(digits.len());
    digits[..end].parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_kept_and_a_name_without_one_is_said() {
        let keys = GeoKeys::of(None, Some("EPSG:25832 (x)"));
        assert_eq!(keys.directory[..4], [1, 1, 1, 5]);
        let code = keys.directory.chunks(4).find(|e| e[0] == 3072).unwrap();
        assert_eq!(code[3], 25832);
        let keys = GeoKeys::of(None, Some("a grid"));
        assert_eq!(keys.text, "a grid|");
        let code = keys.directory.chunks(4).find(|e| e[0] == 3072).unwrap();
        assert_eq!(code[3], USER_DEFINED);
        assert_eq!(GeoKeys::of(None, None).directory.len(), 8);
    }

    #[test]
    fn keys_of_a_scan_are_handed_on_with_the_kind_of_raster() {
        let words: [u16; 12] = [1, 1, 0, 2, 1024, 0, 1, 1, 3072, 0, 1, 31467];
        let directory: Vec<u8> = words.iter().flat_map(|w| w.to_le_bytes()).collect();
        let record = CrsRecord::GeoKeys {
            directory,
            doubles: 7.5f64.to_le_bytes().to_vec(),
            text: b"name|\0".to_vec(),
        };
        let keys = GeoKeys::of(Some(&record), None);
        assert_eq!(keys.directory[4..12], [1024, 0, 1, 1, 1025, 0, 1, 1]);
        assert_eq!((keys.doubles, keys.text.as_str()), (vec![7.5], "name|"));
    }
}
