//! Courses made in the test, scanned by a simple rule, and found again.

use std::rc::Rc;

use super::polyline::{distance, length, resample};
use super::*;
use crate::cloud::CellGrid;
use crate::progress::Silent;

/// Deterministic numbers (splitmix64).
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// About standard normal: twelve uniforms summed, less six.
    fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// Ground along some roads, seen from setups along them.
struct Scene {
    roads: Vec<(Vec<[f64; 2]>, bool)>,
    half_width_m: f64,
    /// How far beside the road ground was measured.
    verge_m: f64,
    cell_m: f64,
    points_a_cell: u32,
    grass_sd_m: f64,
    /// Discs without any points.
    holes: Vec<([f64; 2], f64)>,
    /// Boxes standing on the ground: low corner, high corner; 1.4 m tall.
    boxes: Vec<[[f64; 2]; 2]>,
}

impl Scene {
    fn of(roads: Vec<(Vec<[f64; 2]>, bool)>) -> Self {
        Self {
            roads,
            half_width_m: 5.0,
            verge_m: 25.0,
            cell_m: 0.5,
            points_a_cell: 8,
            grass_sd_m: 0.015,
            holes: Vec::new(),
            boxes: Vec::new(),
        }
    }

    fn scan(&self) -> CellGrid {
        let mut grid = CellGrid::new(self.cell_m);
        let mut dice = Dice(7);
        for (i, j, away, near) in self.cells() {
            let mut columns = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
            for _ in 0..self.points_a_cell {
                let p = [
                    (i as f64 + dice.unit()) * self.cell_m,
                    (j as f64 + dice.unit()) * self.cell_m,
                ];
                let (z, intensity) = self.point(p, (away, &near), &mut dice);
                columns.0.push(p[0]);
                columns.1.push(p[1]);
                columns.2.push(z);
                columns.3.push(intensity);
            }
            grid.add(&columns.0, &columns.1, &columns.2, &columns.3);
        }
        grid
    }

    /// Cells in reach of the roads, how far from the centre line, and its points near each.
    fn cells(&self) -> Vec<(i64, i64, f64, Rc<Vec<[f64; 2]>>)> {
        let reach = self.half_width_m + self.verge_m;
        let mut near = std::collections::BTreeMap::<(i64, i64), Vec<[f64; 2]>>::new();
        let coarse = |v: f64| crate::numeric::floor_i32(v / 16.0) as i64;
        for (road, closed) in &self.roads {
            for p in resample(road, *closed, 1.0) {
                let r = (reach / 16.0).ceil() as i64;
                for a in -r..=r {
                    for b in -r..=r {
                        near.entry((coarse(p[0]) + a, coarse(p[1]) + b))
                            .or_default()
                            .push(p);
                    }
                }
            }
        }
        let per = (16.0 / self.cell_m) as i64;
        let mut cells = Vec::new();
        for ((a, b), points) in near {
            let points = Rc::new(points);
            for (i, j) in (0..per * per).map(|k| (a * per + k % per, b * per + k / per)) {
                let p = [
                    (i as f64 + 0.5) * self.cell_m,
                    (j as f64 + 0.5) * self.cell_m,
                ];
                let away = nearest(&points, p);
                if away < reach && !self.holes.iter().any(|h| distance(h.0, p) < h.1) {
                    cells.push((i, j, away, points.clone()));
                }
            }
        }
        cells
    }

    fn point(&self, p: [f64; 2], (away, road): (f64, &[[f64; 2]]), dice: &mut Dice) -> (f64, u16) {
        // A tripod every 40 m along x and y: heights get noisier, echoes weaker with distance.
        let far = ((p[0] / 40.0 - (p[0] / 40.0).round()) * 40.0)
            .hypot((p[1] / 40.0 - (p[1] / 40.0).round()) * 40.0);
        let noise = 0.0004 + 0.00005 * far;
        let ground = 0.02 * p[0] + 3.0 * (p[1] / 90.0).sin();
        let echo = 1.0 / (1.0 + 0.02 * far);
        let inside = |b: &[[f64; 2]; 2]| (0..2).all(|a| (b[0][a]..b[1][a]).contains(&p[a]));
        if self.boxes.iter().any(inside) {
            return (ground + 0.3 + 1.1 * dice.unit(), 20_000);
        }
        // Only cells on the edge need a look at every point.
        let on_edge = (away - self.half_width_m).abs() < self.cell_m;
        let away = if on_edge { nearest(road, p) } else { away };
        if away < self.half_width_m {
            (
                ground + noise * dice.bell(),
                (9_000.0 * echo * (1.0 + 0.1 * dice.bell())) as u16,
            )
        } else {
            let rough = self.grass_sd_m * dice.bell();
            (
                ground + rough,
                (14_000.0 * echo * (1.0 + 0.15 * dice.bell())) as u16,
            )
        }
    }
}

fn nearest(points: &[[f64; 2]], p: [f64; 2]) -> f64 {
    points
        .iter()
        .map(|&q| distance(p, q))
        .fold(f64::INFINITY, f64::min)
}

fn circle(centre: [f64; 2], radius: f64) -> Vec<[f64; 2]> {
    (0..360)
        .map(|k| f64::from(k).to_radians())
        .map(|a| [centre[0] + radius * a.cos(), centre[1] + radius * a.sin()])
        .collect()
}

/// Largest distance from the points of one line to the other line.
fn farthest(from: &[[f64; 2]], to: &[[f64; 2]], closed: bool) -> f64 {
    let dense = resample(to, closed, 0.25);
    from.iter().map(|&p| nearest(&dense, p)).fold(0.0, f64::max)
}

fn find(scene: &Scene, hints: &CourseHints) -> Result<Course, CourseError> {
    let grid = scene.scan();
    dump(&grid);
    let found = find_course(&grid, hints, &mut Silent);
    if let Ok(course) = &found {
        eprintln!("{:#?}", course.notes);
    }
    found
}

fn assert_is(course: &Course, truth: &[[f64; 2]], closed: bool, tolerance_m: f64) {
    assert_eq!(course.closed, closed);
    let off = farthest(&course.polyline_m, truth, closed);
    let missed = farthest(&resample(truth, closed, 1.0), &course.polyline_m, closed);
    eprintln!(
        "off {off:.2} missed {missed:.2} half {}",
        course.half_width_m
    );
    assert!(
        off < tolerance_m && missed < tolerance_m,
        "off {off:.2} m, missed {missed:.2} m"
    );
}

#[test]
fn a_ring_road_in_grass_is_found_closed_and_counter_clockwise_from_the_west() {
    let ring = circle([100.0, 50.0], 60.0);
    let course = find(
        &Scene::of(vec![(ring.clone(), true)]),
        &CourseHints::default(),
    )
    .unwrap();
    assert_is(&course, &ring, true, 1.0);
    assert!(polyline::signed_area(&course.polyline_m) > 0.0);
    assert!((course.polyline_m[0][0] - 40.0).abs() < 1.0);
    assert!(
        (course.half_width_m - 5.0).abs() < 0.75,
        "{}",
        course.half_width_m
    );
    assert!((length(&course.polyline_m, true) - 377.0).abs() < 6.0);
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

/// A hairpin course: two long legs joined by half circles, their middles `apart_m` apart.
fn hairpin(length_m: f64, apart_m: f64) -> Vec<[f64; 2]> {
    let r = 0.5 * apart_m;
    let half = |cx: f64, from: f64| {
        (0..=36)
            .map(move |k| (from + 5.0 * f64::from(k)).to_radians())
            .map(move |a| [cx + r * a.cos(), r * a.sin()])
    };
    half(length_m, -90.0).chain(half(0.0, 90.0)).collect()
}

#[test]
fn the_legs_of_a_hairpin_eight_metres_apart_stay_two_legs() {
    // Paving 10 m wide, 8 m of grass between the legs.
    let truth = hairpin(150.0, 18.0);
    let course = find(
        &Scene::of(vec![(truth.clone(), true)]),
        &CourseHints::default(),
    )
    .unwrap();
    assert_is(&course, &truth, true, 1.2);
}

#[test]
fn a_chicane_on_an_open_road_is_followed_from_end_to_end() {
    let chicane = |x: f64| 15.0 * (x / 25.0).tanh();
    let truth: Vec<[f64; 2]> = (-150..=150)
        .map(f64::from)
        .map(|x| [x, chicane(x)])
        .collect();
    let course = find(
        &Scene::of(vec![(truth.clone(), false)]),
        &CourseHints::default(),
    )
    .unwrap();
    // Round caps make the paving half a width longer than the line at both ends.
    let off = farthest(&course.polyline_m, &truth, false);
    assert!(!course.closed && off < 5.5, "{off}");
    assert_is(&trimmed(&course, -150.0, 150.0), &truth, false, 2.0);
    assert!(course.polyline_m[0][0] < -150.0 && length(&course.polyline_m, false) > 300.0);
}

/// The part of a course between two meridians.
fn trimmed(course: &Course, from: f64, to: f64) -> Course {
    let mut part = course.clone();
    part.polyline_m.retain(|p| p[0] >= from && p[0] <= to);
    part
}

#[test]
fn cars_standing_on_the_road_do_not_turn_the_course_aside() {
    let ring = circle([0.0, 0.0], 70.0);
    let mut scene = Scene::of(vec![(ring.clone(), true)]);
    scene.boxes = vec![
        [[68.0, -2.0], [70.0, 2.5]],
        [[-73.0, 1.0], [-71.2, 5.5]],
        [[-5.0, 66.0], [5.0, 68.5]],
    ];
    let course = find(&scene, &CourseHints::default()).unwrap();
    // The lorry at the inner edge leaves 6.5 m of 10 m: the middle of what is seen moves by 1.75 m,
    // and by half a cell.
    assert_is(&course, &ring, true, 2.3);
}

#[test]
fn of_two_roads_apart_the_longer_is_the_course_and_the_note_says_so() {
    let ring = circle([0.0, 0.0], 60.0);
    let other: Vec<[f64; 2]> = vec![[-100.0, 100.0], [100.0, 100.0]];
    let roads = vec![(ring.clone(), true), (other, false)];
    let course = find(&Scene::of(roads), &CourseHints::default()).unwrap();
    assert_is(&course, &ring, true, 1.0);
    assert!(
        course.notes.iter().any(|n| n.contains("2 parts")),
        "{:?}",
        course.notes
    );
}

#[test]
fn a_gap_of_fifteen_metres_without_data_is_bridged_and_noted() {
    let ring = circle([0.0, 0.0], 60.0);
    let mut scene = Scene::of(vec![(ring.clone(), true)]);
    scene.holes = vec![([60.0, 0.0], 7.5)];
    let course = find(&scene, &CourseHints::default()).unwrap();
    assert_is(&course, &ring, true, 1.5);
    assert!(
        course.notes.iter().any(|n| n.contains("a gap of 1")),
        "{:?}",
        course.notes
    );
}

#[test]
fn a_cut_through_everything_is_bridged_too() {
    let ring = circle([0.0, 0.0], 60.0);
    let mut scene = Scene::of(vec![(ring.clone(), true)]);
    scene.holes = (0..30)
        .map(|k| ([30.0 + 2.0 * f64::from(k), 0.0], 7.5))
        .collect();
    let course = find(&scene, &CourseHints::default()).unwrap();
    assert_is(&course, &ring, true, 1.5);
}

#[test]
fn the_order_of_the_setups_decides_the_direction_and_the_start() {
    let ring = circle([0.0, 0.0], 60.0);
    let setups = [[0.0, 64.0], [64.0, 0.0], [0.0, -64.0], [-64.0, 0.0]];
    let hints = CourseHints {
        setups: &setups,
        ..CourseHints::default()
    };
    let course = find(&Scene::of(vec![(ring.clone(), true)]), &hints).unwrap();
    assert!(polyline::signed_area(&course.polyline_m) < 0.0);
    assert!(distance(course.polyline_m[0], [0.0, 60.0]) < 2.0);
}

#[test]
fn the_setups_choose_between_two_ways_round() {
    // A figure of two rings with a common straight: the setups stood along the smaller one.
    let ring = circle([0.0, 0.0], 60.0);
    let chord: Vec<[f64; 2]> = vec![[-22.0, -56.0], [-22.0, 56.0]];
    let scene = Scene::of(vec![(ring, true), (chord, false)]);
    let setups: Vec<[f64; 2]> = [-40.0, -10.0, 20.0, 45.0]
        .map(|y| [-22.0, y])
        .into_iter()
        .chain(
            [150.0, 180.0, 210.0]
                .map(|a: f64| [60.0 * a.to_radians().cos(), 60.0 * a.to_radians().sin()]),
        )
        .collect();
    let grid = scene.scan();
    let alone = find_course(&grid, &CourseHints::default(), &mut Silent).unwrap();
    let hints = CourseHints {
        setups: &setups,
        ..CourseHints::default()
    };
    let led = find_course(&grid, &hints, &mut Silent).unwrap();
    let east = |c: &Course| c.polyline_m.iter().any(|p| p[0] > 50.0);
    assert!(east(&alone) && !east(&led));
}

#[test]
fn a_rough_line_metres_off_is_moved_onto_the_road() {
    let truth = circle([0.0, 0.0], 60.0);
    // An octagon, 5 m off to the east, run clockwise and not closed by its last point.
    let rough: Vec<[f64; 2]> = (0..8)
        .rev()
        .map(|k| f64::from(k * 45).to_radians())
        .map(|a| [5.0 + 60.0 * a.cos(), 60.0 * a.sin()])
        .collect();
    let hints = CourseHints {
        line: Some(&rough),
        closed: Some(true),
        setups: &[],
    };
    let course = find(&Scene::of(vec![(truth.clone(), true)]), &hints).unwrap();
    assert_is(&course, &truth, true, 1.5);
    assert!(polyline::signed_area(&course.polyline_m) < 0.0);
}

#[test]
fn a_rough_line_picks_its_road_and_stays_on_its_leg_of_a_hairpin() {
    let truth = hairpin(150.0, 18.0);
    let leg: Vec<[f64; 2]> = vec![[10.0, 12.0], [140.0, 5.5]];
    let hints = CourseHints {
        line: Some(&leg),
        ..CourseHints::default()
    };
    let course = find(&Scene::of(vec![(truth, true)]), &hints).unwrap();
    assert!(!course.closed);
    assert!(
        course.polyline_m.iter().all(|p| (p[1] - 9.0).abs() < 1.5),
        "{:?}",
        course.polyline_m
    );
}

#[test]
fn a_rough_line_elsewhere_is_refused_with_its_distance() {
    let scene = Scene::of(vec![(circle([0.0, 0.0], 60.0), true)]);
    let line = [[2000.0, 0.0], [2100.0, 0.0]];
    let hints = CourseHints {
        line: Some(&line),
        ..CourseHints::default()
    };
    let error = find(&scene, &hints).unwrap_err();
    assert!(
        matches!(error, CourseError::LineMissesCloud { distance_m, .. } if (distance_m - 2010.0).abs() < 25.0),
        "{error}"
    );
    assert!(error.hint().contains("coordinate system"));
    let wrong = [[2000.0, 0.0], [-5e5, -5.7e6], [2100.0, 0.0]];
    let long = CourseHints {
        line: Some(&wrong),
        ..CourseHints::default()
    };
    let error = find(&scene, &long).unwrap_err().to_string();
    assert!(
        error.ends_with("5722 km of it between its points 2 and 3"),
        "{error}"
    );
    let short = CourseHints {
        line: Some(&line[..1]),
        ..CourseHints::default()
    };
    assert!(matches!(
        find(&scene, &short),
        Err(CourseError::LineTooShort { points: 1, .. })
    ));
}

#[test]
fn a_meadow_is_no_road_and_the_error_says_what_was_seen() {
    let mut scene = Scene::of(vec![(circle([0.0, 0.0], 60.0), true)]);
    scene.half_width_m = 0.0;
    let error = find(&scene, &CourseHints::default()).unwrap_err();
    assert!(matches!(error, CourseError::NoRoad { .. }), "{error}");
    assert!(error.to_string().contains("equally uneven"), "{error}");
}

#[test]
fn a_cloud_cropped_to_the_road_is_all_paved() {
    let ring = circle([0.0, 0.0], 60.0);
    let mut scene = Scene::of(vec![(ring.clone(), true)]);
    scene.verge_m = 0.0;
    let course = find(&scene, &CourseHints::default()).unwrap();
    assert_is(&course, &ring, true, 1.0);
}

#[test]
fn strays_a_thousand_kilometres_off_cost_nothing() {
    let ring = circle([0.0, 0.0], 60.0);
    let mut grid = Scene::of(vec![(ring.clone(), true)]).scan();
    grid.add(&[1.0e6, -9.0e8], &[2.0e6, 9.0e8], &[0.0, 1.0e5], &[0, 9]);
    let course = find_course(&grid, &CourseHints::default(), &mut Silent).unwrap();
    assert_is(&course, &ring, true, 1.0);
}

#[test]
fn no_points_one_place_and_a_bare_line_are_errors() {
    let find =
        |grid: &CellGrid| find_course(grid, &CourseHints::default(), &mut Silent).unwrap_err();
    let mut grid = CellGrid::new(0.25);
    assert!(matches!(
        find(&grid),
        CourseError::TooFewPoints { points: 0, .. }
    ));
    grid.add(&[1.0; 500], &[2.0; 500], &[0.0; 500], &[0; 500]);
    assert!(matches!(find(&grid), CourseError::NoExtent { .. }));
    let x: Vec<f64> = (0..9000).map(|k| 0.05 * f64::from(k)).collect();
    grid.add(&x, &vec![2.0; 9000], &vec![0.0; 9000], &vec![0; 9000]);
    let error = find(&grid);
    assert!(
        matches!(error, CourseError::NoExtent { length_m, .. } if length_m > 400.0),
        "{error}"
    );
}

#[test]
fn an_open_course_is_closed_on_request_only_if_little_is_missing() {
    let arc = |to: i32| -> Vec<[f64; 2]> {
        (0..=to)
            .map(|k| f64::from(k).to_radians())
            .map(|a| [60.0 * a.cos(), 60.0 * a.sin()])
            .collect()
    };
    let hints = CourseHints {
        closed: Some(true),
        ..CourseHints::default()
    };
    let nearly = find(&Scene::of(vec![(arc(300), false)]), &hints).unwrap();
    assert!(nearly.closed && nearly.notes.iter().any(|n| n.contains("closed as asked")));
    let half = find(&Scene::of(vec![(arc(180), false)]), &hints);
    assert!(matches!(half, Err(CourseError::NotClosed { gap_m }) if gap_m > 100.0));
}
