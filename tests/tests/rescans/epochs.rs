//! Epochs of an invented oval for the tests of rescans: its scan before and after works.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use surface_core::build::{FitParams, RescanParams, fit, rescan};
use surface_core::progress::Silent;
use surface_core::report::RescanReport;
use surface_core::ribbon::Ribbon;
use surface_tests::proving::demo::write_by_setup;
use surface_tests::proving::paving::Feature;
use surface_tests::proving::{Course, CourseSpec, ScanParams};

/// A panel of 14 × 4 m raised by 9 mm.
pub const PANEL: Feature = Feature::Panel {
    low: [56.0, -3.1],
    high: [70.0, 0.9],
    height_m: 0.009,
};
/// A bump of 12 mm, half a metre long.
pub const BUMP: Feature = Feature::Bump {
    at: [100.0, 1.0],
    half: [0.25, 1.8],
    height_m: 0.012,
};
/// A ridge of 3 mm over 4 m².
pub const RIDGE: Feature = Feature::Bump {
    at: [30.0, -1.5],
    half: [1.0, 1.0],
    height_m: 0.003,
};

/// Works one after another, for a chain of rescans.
pub fn works() -> Vec<Feature> {
    let panel = |from: f64, height_m: f64| Feature::Panel {
        low: [from, -2.0],
        high: [from + 6.0, 1.5],
        height_m,
    };
    vec![panel(60.0, 0.008), panel(110.0, -0.006)]
}

/// The oval, at first with the ridge.
pub fn before() -> CourseSpec {
    CourseSpec::oval().with_works(&[RIDGE])
}

/// The oval after the works: panel and bump came, the ridge was planed.
pub fn after() -> CourseSpec {
    CourseSpec::oval().with_works(&[PANEL, BUMP])
}

/// The demonstration's scan with another draw of errors, clutter and places.
pub fn scan_params(seed: u64) -> ScanParams {
    ScanParams {
        seed,
        ..ScanParams::demo()
    }
}

/// Scan files, one a setup.
pub fn scan(dir: &Path, spec: &CourseSpec, seed: u64) -> Vec<PathBuf> {
    write_by_setup(dir, spec, &scan_params(seed)).unwrap()
}

/// The first build of the oval before the works: made once for all tests of a binary.
pub fn first_build() -> &'static Path {
    static BUILD: OnceLock<tempfile::TempDir> = OnceLock::new();
    let dir = BUILD.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let files = scan(&dir.path().join("scan"), &before(), 7);
        fit(
            &files,
            &dir.path().join("build"),
            &FitParams::default(),
            &mut Silent,
        )
        .unwrap();
        dir
    });
    static PATH: OnceLock<PathBuf> = OnceLock::new();
    PATH.get_or_init(|| dir.path().join("build"))
}

/// The ribbon of a build.
pub fn read_ribbon(dir: &Path) -> Ribbon {
    let text = std::fs::read_to_string(dir.join("ribbon.geojson")).unwrap();
    Ribbon::from_geojson(&text).unwrap()
}

/// Rescan with default parameters.
pub fn rescanned(dir: &Path, scans: &[PathBuf], out: &Path) -> RescanReport {
    let params = RescanParams::default();
    rescan(dir, scans, Some(out), &params, &mut Silent).unwrap()
}

/// The truth of a course.
pub fn course(spec: &CourseSpec) -> Course {
    Course::build(spec).unwrap()
}
