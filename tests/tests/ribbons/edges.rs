//! The road found in scans of the proving ground, without a hint: line, edges, how far off.

use surface_core::cloud::{CellGrid, Frame, PackedPoint, TileStore, TileWriter};
use surface_core::numeric::{floor_i32, to_index, to_u16};
use surface_core::progress::Silent;
use surface_core::ribbon::{CourseHints, HalfWidths, Ribbon, RibbonParams, find_course};
use surface_tests::proving::{Course, CourseSpec, rng::Rng};

/// Height of the longest blades of grass, metres.
const GRASS_M: f64 = 0.06;

/// What 95 % of the edges are within, metres.
const AIM_M: f64 = 0.05;

/// Points beside the course as setups every 30 m see them: density and strength fall with range.
fn scan(course: &Course, per_m2: f64) -> Vec<([f64; 3], u16)> {
    let line = course.line();
    let length = course.length_m();
    let mut rng = Rng::stream(&[42, 7]);
    let reach = 14.0;
    let mut out = Vec::new();
    let candidates = to_index(length * 2.0 * reach * per_m2 * 1.5);
    for _ in 0..candidates {
        let (s, t) = (rng.between(0.0, length), rng.between(-reach, reach));
        let keep = rng.unit();
        let range = (s.rem_euclid(30.0) - 15.0).hypot(t - 2.0).max(2.0);
        let seen = (1.0 - line.curvature_per_m(s) * t) / 1.5 * (9.0 / range).powi(2).min(1.0);
        if keep > seen {
            continue;
        }
        let [x, y] = line.at(s, t);
        let Some(place) = course.place(x, y) else {
            continue;
        };
        if (place.foot.t_m - t).abs() > 1e-3 {
            continue; // another leg is nearer and scans it
        }
        let blade = if place.outside_m > 0.0 && rng.unit() < 0.6 {
            GRASS_M * place.outside_m.mul_add(5.0, 0.3).min(1.0) * rng.unit()
        } else {
            0.0
        };
        let z = course.ground_at_m(Some(&place), x, y) + blade + 0.0012 * rng.normal();
        let strength = course.reflectance(Some(&place)) / (1.0 + (range / 12.0).powi(2));
        let intensity = 40_000.0 * strength * (1.0 + 0.1 * rng.normal());
        out.push(([x, y, z], to_u16(intensity)));
    }
    out
}

fn stored(points: &[([f64; 3], u16)], dir: &std::path::Path) -> TileStore {
    let mut writer = TileWriter::create(&dir.join("tiles"), 1 << 24).unwrap();
    for (p, intensity) in points {
        let key = (floor_i32(p[0] / 16.0), floor_i32(p[1] / 16.0));
        let abc = p.map(|v| Frame::pack(v).unwrap());
        let point = PackedPoint {
            abc,
            intensity: *intensity,
            setup: 0,
        };
        writer.append(key, &[point]).unwrap();
    }
    writer.finish().unwrap()
}

fn gridded(points: &[([f64; 3], u16)]) -> CellGrid {
    let mut grid = CellGrid::new(0.25);
    let column = |k: usize| points.iter().map(|p| p.0[k]).collect::<Vec<f64>>();
    let intensity: Vec<u16> = points.iter().map(|p| p.1).collect();
    grid.add(&column(0), &column(1), &column(2), &intensity);
    grid
}

/// Distances of the found edges' vertices from the true edges, metres, and the share of the true
/// paving that was found and of the found that is true.
fn judge(course: &Course, ribbon: &Ribbon) -> (Vec<f64>, f64, f64) {
    let mut off = Vec::new();
    let (mut both, mut found, mut truth) = (0.0, 0.0, 0.0);
    let edges = &ribbon.edges;
    for k in 0..edges.left_t_m.len() {
        let s = k as f64 * edges.step_m;
        for t in [edges.left_t_m[k], edges.right_t_m[k]] {
            let p = ribbon
                .line
                .to_local(surface_core::ribbon::RibbonPoint { s, t });
            off.push(
                course
                    .place(p[0], p[1])
                    .map_or(99.0, |place| place.outside_m.abs()),
            );
        }
        for j in -200..=200 {
            let t = f64::from(j) * 0.05;
            let here = surface_core::ribbon::RibbonPoint { s, t };
            let p = ribbon.line.to_local(here);
            let is = ribbon.contains(here);
            let should = course
                .place(p[0], p[1])
                .is_some_and(|place| place.outside_m <= 0.0);
            // Another leg of the course is not this leg's business.
            if t.abs() < 7.0 {
                found += f64::from(u8::from(is));
                truth += f64::from(u8::from(should));
                both += f64::from(u8::from(is && should));
            }
        }
    }
    off.sort_by(f64::total_cmp);
    (off, both / truth, both / found)
}

fn found_without_a_hint(spec: &CourseSpec, name: &str) {
    let course = Course::build(spec).unwrap();
    let points = scan(&course, 500.0);
    let dir = tempfile::tempdir().unwrap();
    let tiles = stored(&points, dir.path());
    let rough = find_course(&gridded(&points), &CourseHints::default(), &mut Silent).unwrap();
    assert!(rough.closed, "{name}");
    let params = RibbonParams {
        half_width: Some(HalfWidths::Constant(rough.half_width_m)),
        ..RibbonParams::default()
    };
    let frame = Frame {
        origin_m: [500_000.0, 5_000_000.0, 0.0],
    };
    let made = Ribbon::from_course(&rough.polyline_m, true, frame, &tiles, &params, &mut Silent);
    let ribbon = made.unwrap();
    let (off, complete, correct) = judge(&course, &ribbon);
    let p95 = off[off.len() * 95 / 100];
    println!(
        "{name}: p50 {:.4} p95 {p95:.4} max {:.3} complete {complete:.4} correct {correct:.4} \
         fold {:.3} gaps {:?}",
        off[off.len() / 2],
        off[off.len() - 1],
        ribbon.fold_ratio(),
        ribbon.gaps
    );
    // Point spacing gives 10 mm, a missed kerb a metre.
    assert!(p95 <= AIM_M, "{name}: {p95}");
    assert!(
        complete >= 0.99 && correct >= 0.99,
        "{name}: {complete} {correct}"
    );
    assert!(
        ribbon.fold_ratio() <= 0.85,
        "{name}: {}",
        ribbon.fold_ratio()
    );
    let text = ribbon.to_geojson().unwrap();
    assert_eq!(Ribbon::from_geojson(&text).unwrap(), ribbon);
}

#[test]
fn an_oval_with_kerbs_and_joints_is_found_without_a_hint() {
    found_without_a_hint(&CourseSpec::oval(), "oval");
}

#[test]
fn a_hairpin_of_three_metres_inside_is_found_without_a_hint() {
    found_without_a_hint(&CourseSpec::tight_hairpin(), "hairpin");
}

#[test]
fn two_legs_side_by_side_are_found_without_a_hint() {
    found_without_a_hint(&CourseSpec::near_legs(), "legs");
}
