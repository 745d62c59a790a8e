//! Exports that cannot be: named, with a remedy, and nothing is changed.

use std::path::Path;

use surface_core::build::{BuildError, ExportFormat, ExportParams, Layer, export};
use surface_core::export::DeviationLaz;
use surface_core::progress::{Cancelled, Counted, Progress, Silent};

use crate::built::build;

fn refused(dir: &Path, format: ExportFormat, out: &Path) -> BuildError {
    export(dir, format, out, &ExportParams::default(), &mut Silent).unwrap_err()
}

#[test]
fn a_folder_that_is_no_finished_build_is_named_with_a_remedy() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("a.glb");
    let nowhere = refused(Path::new("no/such"), ExportFormat::Gltf, &out);
    assert!(
        nowhere.to_string().contains("no/such/manifest.json"),
        "{nowhere}"
    );
    assert!(nowhere.hint().contains("surface fit"));
    // All of a build but its manifest: the run that made it did not come to its end.
    let half = dir.path().join("half");
    std::fs::create_dir(&half).unwrap();
    for name in ["surface.ply", "ribbon.geojson", "report.json"] {
        std::fs::copy(build().join(name), half.join(name)).unwrap();
    }
    let error = refused(&half, ExportFormat::Gltf, &out);
    assert!(error.to_string().contains("manifest.json"), "{error}");
    std::fs::write(half.join("manifest.json"), "{}").unwrap();
    let error = refused(&half, ExportFormat::Gltf, &out);
    assert!(error.to_string().contains("field"), "{error}");
    assert!(!out.exists());
}

#[test]
fn a_build_without_points_says_how_to_have_them() {
    let dir = tempfile::tempdir().unwrap();
    let bare = dir.path().join("bare");
    std::fs::create_dir(&bare).unwrap();
    for name in [
        "surface.ply",
        "ribbon.geojson",
        "report.json",
        "manifest.json",
    ] {
        std::os::unix::fs::symlink(build().join(name), bare.join(name)).unwrap();
    }
    std::os::unix::fs::symlink(build().join("field"), bare.join("field")).unwrap();
    let out = dir.path().join("a.laz");
    let error = refused(&bare, ExportFormat::Laz, &out);
    assert!(error.hint().contains("--deviation-points all"), "{error}");
    assert!(!out.exists());
}

#[test]
fn a_product_of_the_build_is_not_written_over() {
    let before = std::fs::read(build().join("ribbon.geojson")).unwrap();
    let out = build().join("ribbon.geojson");
    let error = refused(build(), ExportFormat::GeoJson, &out);
    assert!(
        error.to_string().contains("product of the build"),
        "{error}"
    );
    assert_eq!(std::fs::read(out).unwrap(), before);
    let dir = tempfile::tempdir().unwrap();
    let materials = refused(build(), ExportFormat::Obj, &dir.path().join("road.mtl"));
    assert!(materials.to_string().contains(".obj"), "{materials}");
}

#[test]
fn a_build_without_a_point_beyond_the_tolerance_is_handed_over() {
    let dir = tempfile::tempdir().unwrap();
    let calm = dir.path().join("calm");
    std::fs::create_dir(&calm).unwrap();
    for name in [
        "surface.ply",
        "ribbon.geojson",
        "report.json",
        "manifest.json",
        "field",
    ] {
        std::os::unix::fs::symlink(build().join(name), calm.join(name)).unwrap();
    }
    let none = DeviationLaz::create(&calm.join("deviation.laz"), [0.0; 3], None).unwrap();
    none.finish().unwrap();
    for format in [ExportFormat::GeoTiff, ExportFormat::OpenDrive] {
        let out = dir.path().join("road");
        let params = ExportParams::default();
        export(&calm, format, &out, &params, &mut Silent).unwrap();
    }
    let error = refused(&calm, ExportFormat::Laz, &dir.path().join("a.laz"));
    assert!(error.hint().contains("--deviation-points all"), "{error}");
}

#[test]
fn an_option_that_a_format_does_not_have_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("a");
    let spacing = ExportParams {
        spacing_m: Some(0.5),
        ..ExportParams::default()
    };
    let layer = ExportParams {
        layer: Some(Layer::Sigma),
        ..ExportParams::default()
    };
    for (params, name) in [(spacing, "--spacing"), (layer, "--layer")] {
        let error = export(build(), ExportFormat::Gltf, &out, &params, &mut Silent);
        assert!(error.unwrap_err().to_string().contains(name));
    }
}

/// Stops after a few steps.
struct Impatient(u32);

impl Progress for Impatient {
    fn stage(&mut self, _name: &str, _total: u64, _counted: Counted) {}

    fn advance(&mut self, _units: u64) -> Result<(), Cancelled> {
        self.0 = self.0.saturating_sub(1);
        if self.0 == 0 { Err(Cancelled) } else { Ok(()) }
    }
}

#[test]
fn a_stop_or_a_bad_place_leaves_the_file_before_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    for format in ExportFormat::all() {
        let out = dir.path().join("before");
        std::fs::write(&out, "before").unwrap();
        let params = ExportParams::default();
        let stop = export(build(), format, &out, &params, &mut Impatient(1));
        assert!(matches!(stop, Err(BuildError::Cancelled(_))), "{format:?}");
        assert_eq!(std::fs::read(&out).unwrap(), b"before", "{format:?}");
        let left = std::fs::read_dir(dir.path()).unwrap().count();
        assert_eq!(left, 1, "{format:?} left something behind");
        let nowhere = dir.path().join("no/such/file");
        let error = refused(build(), format, &nowhere);
        assert!(error.to_string().contains("no/such"), "{format:?}: {error}");
        assert!(
            error.hint().contains("can be written") || error.hint().contains("check the path"),
            "{format:?}: {error}"
        );
    }
}

#[test]
fn the_same_build_gives_the_same_bytes() {
    for format in ExportFormat::all() {
        let (_a, first, _) = crate::built::exported(format);
        let (_b, second, _) = crate::built::exported(format);
        let same = std::fs::read(&first).unwrap() == std::fs::read(&second).unwrap();
        assert!(same, "{format:?}");
    }
}

#[test]
fn a_spacing_that_no_grid_can_have_is_named() {
    let dir = tempfile::tempdir().unwrap();
    for spacing_m in [0.0, f64::NAN, 50.0] {
        let params = ExportParams {
            spacing_m: Some(spacing_m),
            ..ExportParams::default()
        };
        let out = dir.path().join("a.crg");
        let error = export(build(), ExportFormat::OpenCrg, &out, &params, &mut Silent);
        assert!(error.unwrap_err().to_string().contains("--spacing"));
    }
}
