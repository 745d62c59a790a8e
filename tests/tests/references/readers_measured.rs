//! Measured scans: what is known about them from other programs is what we find.

use surface_core::cloud::Columns;
use surface_core::cloud::inspect::{Doubt, inspect};
use surface_core::cloud::io::{ReadOptions, Scans, Unit};
use surface_core::progress::Silent;
use surface_tests::datasets;

/// Lowest and highest corner, and the number of points.
fn bounds(scans: &mut Scans) -> ([[f64; 3]; 2], usize) {
    let mut out = [[f64::INFINITY; 3], [f64::NEG_INFINITY; 3]];
    let (mut batch, mut n) = (Columns::default(), 0);
    while scans.next_batch(&mut batch).unwrap() > 0 {
        n += batch.len();
        for (axis, column) in [&batch.x, &batch.y, &batch.z].into_iter().enumerate() {
            out[0][axis] = column.iter().copied().fold(out[0][axis], f64::min);
            out[1][axis] = column.iter().copied().fold(out[1][axis], f64::max);
        }
    }
    (out, n)
}

#[test]
fn an_aerial_scan_in_feet_comes_out_in_metres_on_all_axes() {
    let Some(path) = datasets::fetch("autzen_trim.laz") else {
        return;
    };
    let mut scans = Scans::open(&[path], &ReadOptions::default()).unwrap();
    let units = &scans.files()[0].units;
    assert_eq!(
        (units.horizontal, units.vertical, units.known),
        (Unit::InternationalFoot, Unit::InternationalFoot, true)
    );
    let (found, n) = bounds(&mut scans);
    // The box in feet as laspy states it, times 0.3048; coordinates are steps of 0.01 ft.
    let feet = [
        [636_001.76, 848_935.20, 406.26],
        [637_179.22, 849_497.90, 520.51],
    ];
    assert_eq!(n, 110_000);
    for (found, feet) in found.iter().flatten().zip(feet.iter().flatten()) {
        assert!(
            (found - feet * 0.3048).abs() < 1e-6,
            "{found} for {feet} ft"
        );
    }
}

#[test]
fn a_mobile_scan_in_metres_keeps_its_coordinates() {
    let Some(path) = datasets::fetch("plane.laz") else {
        return;
    };
    let mut scans = Scans::open(&[path], &ReadOptions::default()).unwrap();
    assert!(scans.files()[0].units.known);
    let (found, n) = bounds(&mut scans);
    assert_eq!(n, 28_185);
    assert!((found[0][0] - 1_423_214.52).abs() < 1e-6 && (found[1][2] - 67.90).abs() < 1e-6);
}

fn inspected(name: &str) -> Option<Vec<Doubt>> {
    let path = datasets::fetch(name)?;
    let mut scans = Scans::open(&[path], &ReadOptions::default()).unwrap();
    Some(inspect(&mut scans, &mut Silent).unwrap().doubts)
}

#[test]
fn heights_in_steps_of_a_centimetre_are_a_doubt() {
    let Some(doubts) = inspected("plane.laz") else {
        return;
    };
    let step = |d: &Doubt| match d {
        Doubt::Quantised { step_mm, .. } => Some(*step_mm),
        _ => None,
    };
    let step = doubts.iter().find_map(step).unwrap();
    assert!((step - 10.0).abs() < 1e-3, "{step}");
}

/// Steps of 10 mm, rounded once more to hundredths of a foot: gaps are 3 or 4 of these (numpy: 2013
/// and 870 of 3190).
#[test]
fn heights_in_steps_of_a_centimetre_are_a_doubt_behind_feet() {
    let Some(doubts) = inspected("autzen_trim.laz") else {
        return;
    };
    let step = doubts.iter().find_map(|doubt| match doubt {
        Doubt::Quantised { step_mm, .. } => Some(*step_mm),
        _ => None,
    });
    assert!((step.unwrap() - 10.0).abs() < 0.01, "{step:?}");
}

#[test]
fn a_bush_that_is_all_road_surface_by_its_class_is_a_doubt() {
    let Some(doubts) = inspected("vegetation_1_3.las") else {
        return;
    };
    let wrong = |d: &Doubt| matches!(d, Doubt::ClassIsNoGround { class: 11, .. });
    assert!(doubts.iter().any(wrong), "{doubts:?}");
}
