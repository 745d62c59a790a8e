//! A measured aerial scan with a ring road in it: the course is found along a rough circle.

use surface_core::cloud::io::{ReadOptions, Scans};
use surface_core::cloud::{CellGrid, Columns};
use surface_core::progress::Silent;
use surface_core::ribbon::{CourseHints, find_course};
use surface_tests::datasets;

const FOOT_M: f64 = 0.3048;
/// Middle of the ring road, metres.
const CENTRE: [f64; 2] = [636_486.04 * FOOT_M, 849_073.37 * FOOT_M];
/// Radius of the middle of its paving: 95.93 ft.
const RADIUS_M: f64 = 29.24;

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
        closed: Some(true),
        setups: &[],
    };
    let course = find_course(&grid, &hints, &mut Silent).unwrap();
    let radii: Vec<f64> = course.polyline_m.iter().map(|p| p[0].hypot(p[1])).collect();
    let mean = radii.iter().sum::<f64>() / radii.len() as f64;
    // Cells of 2 m and an outer edge that the measurement itself blurs by 2.4 m: a metre of the
    // mean, and 3.5 m in most places. Where a car park joins, and for 30 m under trees, the line
    // may be off by more.
    assert!((mean - RADIUS_M).abs() < 1.0, "mean radius {mean:.2} m");
    assert!(radii.iter().all(|r| (r - RADIUS_M).abs() < 7.0));
    let near = radii.iter().filter(|r| (*r - RADIUS_M).abs() < 3.5).count();
    assert!(
        course.closed && 10 * near >= 8 * radii.len(),
        "{near} of {}",
        radii.len()
    );
}

#[test]
fn without_a_line_the_same_scan_is_refused_with_the_advice_to_give_one() {
    let Some(grid) = cells() else { return };
    let error = find_course(&grid, &CourseHints::default(), &mut Silent).unwrap_err();
    assert!(error.to_string().contains("equally uneven"), "{error}");
    assert!(error.hint().contains("rough line"));
}
