//! Drain slots and expansion joints across the road: which are breaklines and which are too narrow.

use surface_core::build::breaklines;
use surface_core::progress::Silent;
use surface_tests::proving::paving::Feature;
use surface_tests::proving::stretch::write_stretch;
use surface_tests::proving::{Course, CourseSpec, ORIGIN_M, ScanParams};

use crate::stretch_params;

/// The stretch that is scanned, metres.
const STRETCH_S_M: [f64; 2] = [12.0, 44.0];

/// A groove over 7 m of the road's width, from `s` on.
fn groove(s: f64, wide_m: f64, deep_m: f64) -> Feature {
    Feature::Panel {
        low: [s, -3.5],
        high: [s + wide_m, 3.5],
        height_m: -deep_m,
    }
}

/// Mean s and length of the lines found across the road, in order of s, metres.
fn lines_across(works: &[Feature]) -> Vec<[f64; 2]> {
    let course = Course::build(&CourseSpec::oval().smooth().with_works(works)).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("stretch.laz");
    let scan = (&course, &ScanParams::demo().clear());
    let setups = write_stretch(&path, scan, STRETCH_S_M, &mut |_, _| {}).unwrap();
    let params = stretch_params(&course, STRETCH_S_M, &setups);
    let (ribbon, lines) = breaklines(&[path], dir.path(), &params, &mut Silent).unwrap();
    let shift = [0, 1].map(|k| ribbon.frame.origin_m[k] - ORIGIN_M[k]);
    let s = |p: &surface_core::ribbon::RibbonPoint| {
        let [x, y] = ribbon.line.to_local(*p);
        course
            .locate(x + shift[0], y + shift[1])
            .map_or(f64::NAN, |f| f.s_m)
    };
    let mean = |line: &surface_core::zones::Breakline| {
        let sum: f64 = line.points.iter().map(s).sum();
        [sum / line.points.len() as f64, line.length_m()]
    };
    let mut found: Vec<[f64; 2]> = lines.iter().map(mean).collect();
    found.sort_by(|a, b| a[0].total_cmp(&b[0]));
    found
}

#[test]
fn a_slot_of_two_cells_is_two_steps_a_joint_with_a_step_is_one_and_narrow_slots_are_none() {
    let found = lines_across(&[
        groove(16.0, 0.012, 0.012),
        groove(20.0, 0.03, 0.03),
        groove(26.0, 0.25, 0.03),
        // A joint 20 mm wide before a slab that lies 4 mm lower.
        groove(34.0, 0.02, 0.02),
        groove(34.02, 6.0, 0.004),
    ]);
    println!("{found:.3?}");
    let near = |s: f64| {
        let own = found.iter().filter(|l| (l[0] - s).abs() < 0.05);
        own.map(|l| l[1]).sum::<f64>()
    };
    assert!(near(26.0) > 6.0 && near(26.25) > 6.0, "{found:?}");
    assert!(near(34.01) > 6.0, "{found:?}");
    assert!(near(16.006) + near(20.015) < 1e-9, "{found:?}");
}
