//! Which coordinate system do products in metres share with the scans?

use super::scans::FileInfo;
use super::units::{CrsUnits, FileUnits, Unit};

/// A coordinate system as a file states it, to be handed on byte for byte.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CrsRecord {
    /// Well-known text.
    Wkt(String),
    /// GeoTIFF keys, as LAS stores them.
    GeoKeys {
        /// Record 34735.
        directory: Vec<u8>,
        /// Record 34736; may be empty.
        doubles: Vec<u8>,
        /// Record 34737; may be empty.
        text: Vec<u8>,
    },
}

impl CrsRecord {
    /// Number of the projected system in the EPSG register, where the record tells it.
    #[must_use]
    pub fn epsg(&self) -> Option<u16> {
        match self {
            Self::Wkt(text) => super::wkt::read(text)?.epsg,
            Self::GeoKeys {
                directory,
                doubles,
                text,
            } => super::geokeys::GeoKeys::new(directory, doubles, text).epsg(),
        }
    }
}

/// The coordinate system of products whose lengths are metres.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ProductCrs {
    /// The scans name none.
    Unknown,
    /// The scans' own.
    Same {
        /// Its name.
        name: String,
        /// As the first file with one states it.
        record: CrsRecord,
    },
    /// The scans' own would be wrong for the products; why, as a sentence.
    Dropped(String),
}

impl ProductCrs {
    /// The system's name, where the products have one.
    #[must_use]
    pub fn name(&self) -> Option<&str> {
        match self {
            Self::Same { name, .. } => Some(name),
            _ => None,
        }
    }

    /// The system as it was stated, where the products have one.
    #[must_use]
    pub fn record(&self) -> Option<&CrsRecord> {
        match self {
            Self::Same { record, .. } => Some(record),
            _ => None,
        }
    }
}

/// Whether coordinates read as `taken` are those of the file's own system, which speaks of `own`.
pub(super) fn in_metres(own: &CrsUnits, taken: &FileUnits) -> bool {
    let metres = |u: &FileUnits| u.horizontal == Unit::Metre && u.vertical == Unit::Metre;
    let stated = match own {
        CrsUnits::Known(units) => metres(units),
        CrsUnits::Silent => true,
        CrsUnits::NotProjected(_) | CrsUnits::Unknown(_) => false,
    };
    stated && metres(taken)
}

/// The system that products of all `files` are in.
pub(super) fn of_products(files: &[FileInfo]) -> ProductCrs {
    let mut named = files
        .iter()
        .filter_map(|f| Some((f, f.crs.as_ref()?, f.crs_record.as_ref()?)));
    let Some((first, name, record)) = named.clone().next() else {
        return ProductCrs::Unknown;
    };
    if let Some((file, feet, _)) = named.clone().find(|(f, _, _)| !f.crs_in_metres) {
        return ProductCrs::Dropped(format!(
            "the coordinate system '{feet}' of {} is not in metres, as all lengths of the products are: they name none",
            file.path.display()
        ));
    }
    if let Some((file, other, _)) = named.find(|(_, _, r)| *r != record) {
        return ProductCrs::Dropped(format!(
            "{} is in the coordinate system '{name}', {} in '{other}' or another record of it: the products name none",
            first.path.display(),
            file.path.display()
        ));
    }
    ProductCrs::Same {
        name: name.clone(),
        record: record.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::io::testing::{las_with_wkt, read};
    use crate::cloud::io::{ReadOptions, Scans};

    const METRES: &str = "PROJCS[\"grid in metres\",UNIT[\"metre\",1]]";
    const FEET: &str = "PROJCS[\"grid in feet\",UNIT[\"US survey foot\",0.304800609601219]]";

    fn of(texts: &[&str], options: &ReadOptions) -> ProductCrs {
        let dir = tempfile::tempdir().unwrap();
        let file = |(k, text): (usize, &&str)| {
            let path = dir.path().join(format!("{k}.las"));
            las_with_wkt(&path, text);
            path
        };
        let paths: Vec<_> = texts.iter().enumerate().map(file).collect();
        Scans::open(&paths, options).unwrap().product_crs()
    }

    #[test]
    fn a_system_in_metres_is_handed_on_as_it_is_written() {
        let crs = of(&[METRES, METRES], &ReadOptions::default());
        assert_eq!(crs.name(), Some("grid in metres"));
        assert_eq!(crs.record(), Some(&CrsRecord::Wkt(METRES.to_owned())));
    }

    #[test]
    fn a_system_in_feet_is_dropped_whatever_the_caller_says_of_the_unit() {
        for units in [None, Some(Unit::Metre)] {
            let crs = of(&[FEET], &ReadOptions { units });
            assert!(matches!(&crs, ProductCrs::Dropped(why) if why.contains("grid in feet")));
            assert_eq!(crs.record(), None);
        }
        let feet = Some(Unit::InternationalFoot);
        assert!(
            of(&[METRES], &ReadOptions { units: feet })
                .record()
                .is_none()
        );
    }

    #[test]
    fn a_record_tells_its_number_in_the_register() {
        let wkt = |text: &str| CrsRecord::Wkt(text.to_owned()).epsg();
        let one = "PROJCS[\"a\",GEOGCS[\"b\",AUTHORITY[\"EPSG\",\"4258\"]],AUTHORITY[\"EPSG\",\"25832\"]]";
        let two = "PROJCRS[\"a\",BASEGEOGCRS[\"b\",ID[\"EPSG\",4258]],ID[\"EPSG\",25833]]";
        assert_eq!((wkt(one), wkt(two)), (Some(25832), Some(25833)));
        let compound = format!("COMPD_CS[\"c\",{one},VERT_CS[\"v\"],AUTHORITY[\"EPSG\",\"5555\"]]");
        assert_eq!((wkt(&compound), wkt(METRES)), (Some(25832), None));
    }

    #[test]
    fn two_systems_are_none() {
        let other = METRES.replace("grid", "another grid");
        let crs = of(&[METRES, &other], &ReadOptions::default());
        assert!(matches!(crs, ProductCrs::Dropped(why) if why.contains("another grid in metres")));
    }

    #[test]
    fn a_file_without_a_system_names_none() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.xyz");
        std::fs::write(&path, "1 2 3\n").unwrap();
        let (_, scans) = read(&[path]).unwrap();
        assert_eq!(scans.product_crs(), ProductCrs::Unknown);
    }
}
