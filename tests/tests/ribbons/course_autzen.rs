//! A measured aerial scan with a ring road in it: the course is found along a rough circle.

use surface_core::cloud::io::{ReadOptions, Scans};
use surface_core::cloud::{CellGrid, Columns};
use surface_core::progress::Silent;
use surface_core::ribbon::{CourseHints, find_course};
use surface_tests::datasets;

const FOOT_M: f64 = 0.3048;
/// Middle of the ring road, metres.
const CENTRE: [f64; 2] = [636_486.04 * FOOT_M, 849_073.37 * FOOT_M];
/// Radii between which all of it is paved: 12 ft within to 4 ft beyond 95.93 ft (29.24 m)…
const PAVED_M: [f64; 2] = [(95.93 - 12.0) * FOOT_M, (95.93 + 4.0) * FOOT_M];
/// …and where the blur of the outer edge ends, so that 29.24 m is the middle of all that is dark.
const BLURRED_M: f64 = (95.93 + 12.0) * FOOT_M;

fn cells() -> Option<CellGrid> {
    let path = datasets::fetch("autzen_trim.laz")?;
    let mut scans = Scans::open(&[path], &ReadOptions::default()).unwrap();
    let (mut batch, mut grid) = (Columns::default(), CellGrid::new(1.0));
    while scans.next_batch(&mut batch).unwrap() > 0 {
        let local = |v: &[f64], o: f64| v.iter().map(|c| c - o).collect::<Vec<_>>();
        let (x, y) = (local(&batch.x, CENTRE[0]), local(&batch.y, CENTRE[1]));
        grid.add(&x, &y, &local(&batch.z, 130.0), &batch.intensity);
    }
    Some(grid)
}

#[test]
fn a_ring_road_in_an_aerial_scan_is_followed_along_a_rough_circle() {
    let Some(grid) = cells() else { return };
    // Two metres too small and moved by two metres.
    let circle: Vec<[f64; 2]> = (0..36)
        .map(|k| f64::from(10 * k).to_radians())
        .map(|a| [2.0 + 27.2 * a.cos(), 1.0 + 27.2 * a.sin()])
        .collect();
    let hints = CourseHints {
        line: Some(&circle),
        // Its ends are a leg apart, 2.9 % of the line: that it is a ring is found.
        closed: None,
        setups: &[],
    };
    let course = find_course(&grid, &hints, &mut Silent).unwrap();
    let radii: Vec<f64> = course.polyline_m.iter().map(|p| p[0].hypot(p[1])).collect();
    let mean = radii.iter().sum::<f64>() / radii.len() as f64;
    // Where other paving joins or trees hide it the middle is a matter of taste; the line has to
    // be on the paving that is certain: a metre inside its inner edge, and not beyond the outer
    // one by more than half a cell of 1 m. Measured: 26.8 to 30.5 m, mean 28.6 m.
    let [inner, outer] = PAVED_M;
    assert!(course.closed);
    assert!(
        radii.iter().all(|r| (inner + 1.0..outer + 0.5).contains(r)),
        "{radii:.2?}"
    );
    let middles = 0.5 * (inner + outer)..0.5 * (inner + BLURRED_M);
    assert!(middles.contains(&mean), "mean radius {mean:.2} m");
}

#[test]
fn without_a_line_the_same_scan_is_refused_with_the_advice_to_give_one() {
    let Some(grid) = cells() else { return };
    let error = find_course(&grid, &CourseHints::default(), &mut Silent).unwrap_err();
    assert!(error.to_string().contains("equally uneven"), "{error}");
    assert!(error.hint().contains("rough line"));
}
