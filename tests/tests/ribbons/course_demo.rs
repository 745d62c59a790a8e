//! Courses of the proving ground, scanned with all errors and clutter, found in the cloud alone.

use surface_core::cloud::CellGrid;
use surface_core::progress::Silent;
use surface_core::ribbon::course::paved_mask;
use surface_core::ribbon::{Course, CourseHints, find_course};
use surface_tests::proving::scanner::scan;
use surface_tests::proving::setups::{ScanParams, Setup};
use surface_tests::proving::{self, CourseSpec};

/// The scan in cells, and the setups in order.
fn scanned(course: &proving::Course, params: &ScanParams) -> (CellGrid, Vec<[f64; 2]>) {
    let mut grid = CellGrid::new(0.25);
    let setups: Vec<Setup> = scan(course, params, &mut |_, r| {
        grid.add(&r.x_m, &r.y_m, &r.z_m, &r.intensity);
        Ok::<(), std::convert::Infallible>(())
    })
    .unwrap();
    let places = setups.iter().map(|s| [s.position_m[0], s.position_m[1]]);
    (grid, places.collect())
}

fn nearest(points: &[[f64; 2]], p: [f64; 2]) -> f64 {
    let away = |q: &[f64; 2]| (p[0] - q[0]).hypot(p[1] - q[1]);
    points.iter().map(away).fold(f64::INFINITY, f64::min)
}

/// Points of a closed polyline, filled up to a quarter of a metre.
fn filled(line: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let pairs = line.iter().zip(line.iter().cycle().skip(1));
    pairs
        .flat_map(|(a, b)| {
            (0..8)
                .map(move |k| f64::from(k) / 8.0)
                .map(move |f| [a[0] + f * (b[0] - a[0]), a[1] + f * (b[1] - a[1])])
        })
        .collect()
}

/// Middle of the paving: half way between the edges.
fn middle(course: &proving::Course) -> Vec<[f64; 2]> {
    let [left, right] = course.edge_polylines(0.25);
    left.iter()
        .zip(right)
        .map(|(l, r)| [0.5 * (l[0] + r[0]), 0.5 * (l[1] + r[1])])
        .collect()
}

/// Largest distance from the found line to the truth, and from the truth to the found line.
fn distances(found: &Course, truth: &[[f64; 2]]) -> (f64, f64) {
    let line = filled(&found.polyline_m);
    let off = line.iter().map(|&p| nearest(truth, p)).fold(0.0, f64::max);
    let missed = truth.iter().map(|&p| nearest(&line, p)).fold(0.0, f64::max);
    (off, missed)
}

fn assert_found(spec: &CourseSpec, params: &ScanParams, tolerance_m: f64) {
    let truth = proving::Course::build(spec).unwrap();
    let (grid, setups) = scanned(&truth, params);
    dump(&grid);
    for setups in [&setups[..], &[]] {
        let hints = CourseHints {
            setups,
            ..CourseHints::default()
        };
        let found = find_course(&grid, &hints, &mut Silent).unwrap();
        let (step, count) = (0.25, (truth.length_m() / 0.25).floor());
        let line = (0..).map(f64::from).take_while(|k| *k < count);
        let line: Vec<[f64; 2]> = line.map(|k| truth.line().point(k * step)).collect();
        let (off, missed) = distances(&found, &line);
        let from_middle = distances(&found, &middle(&truth));
        eprintln!(
            "{:#?}\n{off:.2} {missed:.2} middle {from_middle:.2?}",
            found.notes
        );
        assert!(found.closed, "{:?}", found.notes);
        assert!(
            off < tolerance_m && missed < tolerance_m,
            "{off:.2} {missed:.2}"
        );
    }
}

/// Writes the mask as a grey picture where the variable says so: for looking at, not for testing.
fn dump(grid: &CellGrid) {
    let Some(path) = std::env::var_os("COURSE_DUMP") else {
        return;
    };
    let Ok(mask) = paved_mask(grid, &mut Silent) else {
        return;
    };
    let (w, h) = mask.size();
    let mut bytes = format!("P5 {w} {h} 255\n").into_bytes();
    let rows: Vec<_> = mask.rows().collect();
    for row in rows.iter().rev() {
        bytes.extend(row.iter().map(|p| if *p { 255u8 } else { 40 }));
    }
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn the_course_of_the_demonstration_is_found_whole_and_closed() {
    // Kerbs up to 1 m wide on one side and a swinging width move the middle of the paving off
    // the reference line by up to a metre; the cells are 0.5 m.
    assert_found(&CourseSpec::demo(), &ScanParams::demo(), 1.5);
}

#[test]
fn two_legs_eight_metres_apart_are_not_taken_for_one_road() {
    assert_found(&CourseSpec::near_legs(), &ScanParams::demo(), 1.5);
}

#[test]
fn a_hairpin_with_an_inner_radius_of_three_metres_is_followed() {
    assert_found(&CourseSpec::tight_hairpin(), &ScanParams::demo(), 1.5);
}
