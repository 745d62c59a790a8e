//! One small build for all tests, and its exports.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use surface_core::build::{
    DeviationPoints, ExportFormat, ExportParams, ExportReport, FitParams, export, fit,
};
use surface_core::mesh::SurfaceMesh;
use surface_core::progress::Silent;
use surface_core::ribbon::Ribbon;
use surface_tests::proving::demo::write_course;
use surface_tests::proving::{CourseSpec, ScanParams};
use surface_tests::python;

/// Distance of the build's nodes, metres: what a quick scan carries.
pub const SPACING_M: f64 = 0.2;

/// The oval of 250 m at a low density, with all points of the road in its deviation map.
pub fn build() -> &'static Path {
    static BUILD: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    let (_, build) = BUILD.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let params = ScanParams {
            azimuth_step_rad: 4e-3,
            elevation_step_rad: 1e-3,
            ..ScanParams::demo().thinned(0.15)
        };
        let made = write_course(&dir.path().join("scan"), &CourseSpec::oval(), &params).unwrap();
        let out = dir.path().join("build");
        let params = FitParams {
            deviation_points: DeviationPoints::All,
            spacing_m: SPACING_M,
            ..FitParams::default()
        };
        fit(&[made.cloud], &out, &params, &mut Silent).unwrap();
        (dir, out)
    });
    build
}

/// The build in another format, in a folder of its own.
pub fn exported(format: ExportFormat) -> (tempfile::TempDir, PathBuf, ExportReport) {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join(format!("road.{}", format.ending()));
    let report = export(build(), format, &out, &ExportParams::default(), &mut Silent).unwrap();
    for file in &report.files {
        assert_eq!(file.bytes, std::fs::metadata(&file.path).unwrap().len());
    }
    let left = std::fs::read_dir(dir.path()).unwrap().count();
    assert_eq!(left, report.files.len(), "{format:?} left something behind");
    (dir, out, report)
}

/// The mesh of the build, and its ribbon.
pub fn mesh() -> &'static (SurfaceMesh, Ribbon) {
    static MESH: OnceLock<(SurfaceMesh, Ribbon)> = OnceLock::new();
    MESH.get_or_init(|| {
        let path = build().join("surface.ply");
        let file = BufReader::new(File::open(&path).unwrap());
        let text = std::fs::read_to_string(build().join("ribbon.geojson")).unwrap();
        let ribbon = Ribbon::from_geojson(&text).unwrap();
        (SurfaceMesh::read(file, &path).unwrap(), ribbon)
    })
}

/// Numbers from 0 to 1 in an order that looks like none (Weyl's sequence).
pub fn spread(k: u32, which: u32) -> f64 {
    (f64::from(k) * [0.618_033_988_749_895, 0.754_877_666_246_693][which as usize % 2]).fract()
}

/// What the script `read_NAME.py` prints of the files, as JSON; `None` without Python.
pub fn told(script: &str, files: &[&Path]) -> Option<serde_json::Value> {
    let python = python::venv()?;
    let text = python::run(&python, script, files).unwrap();
    println!("{script}: {}", text.trim());
    Some(serde_json::from_str(&text).unwrap())
}
