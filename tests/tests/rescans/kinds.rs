//! Kinds of change and of errors that take whole builds to show: long, so asked for by name.
//! `cargo test -p surface-tests --test rescans kinds -- --ignored --nocapture --test-threads 1`

use std::path::Path;

use surface_core::build::{FitParams, RescanParams, SetupPlace, fit, rescan};
use surface_core::progress::Silent;
use surface_core::report::RescanReport;
use surface_core::rescan::Kind;
use surface_tests::proving::demo::{Truth, read_truth, write_course};
use surface_tests::proving::paving::Feature;
use surface_tests::proving::{CourseSpec, Noise, ScanParams};

use crate::epochs::{before, first_build, rescanned, scan, scan_params};

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
