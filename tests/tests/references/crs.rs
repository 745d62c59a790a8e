//! The coordinate system of the scans is what pyproj finds in the products, or is left out.

use std::path::{Path, PathBuf};

use surface_core::cloud::io::{ProductCrs, ReadOptions, Scans};
use surface_core::export::{DeviationLaz, HeldPoint};
use surface_tests::python;

/// ETRS89 / UTM zone 32N in the EPSG register.
const CODE: &str = "25832";

fn product_crs(path: &Path) -> ProductCrs {
    let scans = Scans::open(&[path.to_owned()], &ReadOptions::default()).unwrap();
    scans.product_crs()
}

/// The code that pyproj finds in a file of points with this system.
fn found_by_pyproj(python: &Path, dir: &Path, crs: &ProductCrs) -> String {
    let path = dir.join("deviation.laz");
    let mut laz = DeviationLaz::create(&path, [500_000.0, 5_000_000.0, 0.0], crs.record()).unwrap();
    let point = HeldPoint {
        xyz_m: [1.0, 2.0, 3.0],
        d_m: 0.004,
        intensity: 900,
        setup: 0,
    };
    laz.add(&[point]).unwrap();
    laz.finish().unwrap();
    let said = python::run(python, "crs_reference.py", &[&path]).unwrap();
    let deviation = python::run(python, "read_deviation.py", &[&path]).unwrap();
    let last = deviation.trim().rsplit('\n').next().unwrap_or_default();
    assert!(last.starts_with("500001.0 5000002.0 3.0 0.004"), "{last}");
    said.trim().to_owned()
}

#[test]
fn well_known_text_and_geotiff_keys_arrive_in_the_points_and_feet_do_not() {
    let Some(python) = python::venv() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let (write, folder) = (PathBuf::from("write"), dir.path());
    python::run(&python, "crs_reference.py", &[&write, folder]).unwrap();
    for name in ["text.las", "keys.las"] {
        let crs = product_crs(&folder.join(name));
        let text = crs.name().unwrap();
        assert!(text.contains("UTM zone 32N"), "{name}: {text}");
        assert_eq!(found_by_pyproj(&python, folder, &crs), CODE, "{name}");
    }
    let crs = product_crs(&folder.join("feet.las"));
    assert!(
        matches!(&crs, ProductCrs::Dropped(why) if why.contains("Montana (ft)")),
        "{crs:?}"
    );
}
