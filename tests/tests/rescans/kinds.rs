//! Kinds of change and of errors that take whole builds to show: long, so asked for by name.
//! `cargo test -p surface-tests --test rescans kinds -- --ignored --nocapture --test-threads 1`

use std::path::Path;

use surface_core::build::{FitParams, RescanParams, SetupPlace, fit, rescan};
use surface_core::progress::Silent;
use surface_core::report::RescanReport;
use surface_core::rescan::Kind;
use surface_tests::proving::demo::{Truth, read_truth, write_course};
use surface_tests::proving::paving::Feature;
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::proving::score::score;
use surface_tests::proving::{CourseSpec, Noise, ORIGIN_M, ScanParams, Zone};

use crate::epochs::{before, course, first_build, rescanned, scan, scan_params};

/// Error of a build's waves under 4 m on clean asphalt, and the median σ of its heights, metres. (Long
/// waves are the old surface's, to which the new scan is tied.)
fn error_and_sigma(build: &Path) -> [f64; 2] {
    let mesh = read_ply(&build.join("surface.ply")).unwrap();
    let heights = MeshHeights::new(&mesh, ORIGIN_M);
    let course = course(&before());
    let surface = |x: f64, y: f64| heights.height_m(x, y);
    let found = score(&course, [0.0, course.length_m()], &surface, None);
    let report = std::fs::read_to_string(build.join("report.json")).unwrap();
    let report: serde_json::Value = serde_json::from_str(&report).unwrap();
    let sigma_mm = report["field"]["sigma_median_mm"].as_f64().unwrap();
    [found.short_waves[&Zone::Asphalt].rmse_m, 1e-3 * sigma_mm]
}

#[test]
#[ignore = "half a minute; a build and a rescan"]
fn refining_sharpens_what_did_not_change() {
    let dir = tempfile::tempdir().unwrap();
    let again = scan(&dir.path().join("new"), &before(), 103);
    let out = dir.path().join("next");
    let params = RescanParams {
        refine: true,
        ..RescanParams::default()
    };
    rescan(first_build(), &again, Some(&out), &params, &mut Silent).unwrap();
    let (old, new) = (error_and_sigma(first_build()), error_and_sigma(&out));
    println!("error and median σ, m: {old:?} before, {new:?} refined");
    // Two scans alike are worth √2 of one; σ counts the old surface's long waves, which stay.
    assert!(new[0] < 0.9 * old[0] && new[1] < 0.9 * old[1]);
}

/// A panel of 9 mm whose left border is at `left_m`.
fn panel(left_m: f64) -> CourseSpec {
    CourseSpec::oval().with_works(&[Feature::Panel {
        low: [56.0, -3.1],
        high: [70.0, left_m],
        height_m: 0.009,
    }])
}

#[test]
#[ignore = "half a minute; a build and a rescan"]
fn a_seam_that_moved_is_called_so() {
    let dir = tempfile::tempdir().unwrap();
    let (old, build) = (dir.path().join("old"), dir.path().join("build"));
    let files = scan(&old, &panel(0.9), 7);
    fit(&files, &build, &FitParams::default(), &mut Silent).unwrap();
    let again = scan(&dir.path().join("new"), &panel(1.2), 101);
    let report = rescanned(&build, &again, &dir.path().join("next"));
    println!("{:?}", report.changes);
    let [seam] = report.changes.as_slice() else {
        panic!("{:?}", report.changes);
    };
    assert_eq!(seam.kind, Kind::SeamMoved);
    // 14 by 0.3 m by 9 mm.
    assert!((seam.area_m2 / 4.2 - 1.0).abs() < 0.1, "{seam:?}");
    assert!((seam.volume_m3 / 0.0378 - 1.0).abs() < 0.1, "{seam:?}");
    assert_eq!(report.rebuilt.vertices.outside, 0);
}

fn scanners(truth: &Truth) -> Vec<SetupPlace> {
    let place = |setup: &surface_tests::proving::Setup| SetupPlace {
        name: Some(setup.id.to_string()),
        position_m: [0, 1, 2].map(|k| setup.position_m[k] + truth.origin_m[k]),
    };
    truth.setups.iter().map(place).collect()
}

/// A rescan of the same road by setups with slow errors of 40 µrad.
fn slowly_off(dir: &Path, setups: bool) -> RescanReport {
    let params = ScanParams {
        noise: Noise {
            slow_rad: 40e-6,
            ..Noise::TYPICAL
        },
        ..scan_params(102)
    };
    let made = write_course(&dir.join("scan"), &before(), &params).unwrap();
    let (truth, _) = read_truth(&made.truth).unwrap();
    let params = RescanParams {
        setups: if setups { scanners(&truth) } else { Vec::new() },
        ..RescanParams::default()
    };
    let out = dir.join("next");
    rescan(
        first_build(),
        &[made.cloud],
        Some(&out),
        &params,
        &mut Silent,
    )
    .unwrap()
}

#[test]
#[ignore = "half a minute; a build and two rescans"]
fn slow_errors_of_a_new_scan_are_corrected_where_positions_are_known() {
    let dir = tempfile::tempdir().unwrap();
    let known = slowly_off(&dir.path().join("known"), true);
    let told = known.tie.slow_error.clone().unwrap();
    println!("{told:?}; {:?}", known.changes);
    assert!(told.corrected && (25.0..55.0).contains(&told.spread_urad));
    assert!(known.changes.is_empty(), "{:?}", known.changes);
    let blind = slowly_off(&dir.path().join("blind"), false);
    println!("without positions: {:?}", blind.changes);
    assert_eq!(blind.tie.slow_error, None);
    // What slow errors do is learnt as chance: changes have to be larger to be seen.
    let level = |report: &RescanReport| report.detection.scales[3].lod95_m;
    println!("level over 3 m: {} and {} m", level(&known), level(&blind));
    assert!(level(&known) < 0.7 * level(&blind));
}
