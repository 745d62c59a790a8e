//! Edges found in whole scans of the proving ground, with all errors, clutter and shadows.

use std::convert::Infallible;

use surface_core::cloud::{CellGrid, Frame, PackedPoint, TileStore, TileWriter};
use surface_core::numeric::{floor_i32, to_index};
use surface_core::progress::Silent;
use surface_core::ribbon::{
    CourseHints, HalfWidths, Ribbon, RibbonParams, RibbonPoint, find_course,
};
use surface_tests::proving::edges::{Polyline, score_edges};
use surface_tests::proving::returns::Returns;
use surface_tests::proving::scanner::scan;
use surface_tests::proving::setups::ScanParams;
use surface_tests::proving::{Course, CourseSpec};

/// What 95 % of the edges are within, metres.
const AIM_M: f64 = 0.05;

/// The scan as `fit` would have it: tiles, cells, setups.
struct Scanned {
    tiles: TileStore,
    grid: CellGrid,
    setups: Vec<[f64; 2]>,
}

fn scanned(course: &Course, params: &ScanParams, dir: &std::path::Path) -> Scanned {
    let mut writer = TileWriter::create(&dir.join("tiles"), 1 << 26).unwrap();
    let mut grid = CellGrid::new(0.25);
    let setups = scan(course, params, &mut |_, r| {
        grid.add(&r.x_m, &r.y_m, &r.z_m, &r.intensity);
        keep(&mut writer, &r);
        Ok::<(), Infallible>(())
    });
    let place = |s: &surface_tests::proving::setups::Setup| [s.position_m[0], s.position_m[1]];
    Scanned {
        tiles: writer.finish().unwrap(),
        grid,
        setups: setups.unwrap().iter().map(place).collect(),
    }
}

fn keep(writer: &mut TileWriter, r: &Returns) {
    for k in 0..r.len() {
        let p = [r.x_m[k], r.y_m[k], r.z_m[k]];
        let key = (floor_i32(p[0] / 16.0), floor_i32(p[1] / 16.0));
        let abc = p.map(|v| Frame::pack(v).unwrap());
        let (intensity, setup) = (r.intensity[k], 0);
        let point = PackedPoint {
            abc,
            intensity,
            setup,
        };
        writer.append(key, &[point]).unwrap();
    }
}

fn found(scanned: &Scanned) -> Ribbon {
    let hints = CourseHints {
        setups: &scanned.setups,
        ..CourseHints::default()
    };
    let rough = find_course(&scanned.grid, &hints, &mut Silent).unwrap();
    let params = RibbonParams {
        half_width: Some(HalfWidths::Constant(rough.half_width_m)),
        ..RibbonParams::default()
    };
    let frame = Frame { origin_m: [0.0; 3] };
    let (line, tiles) = (&rough.polyline_m, &scanned.tiles);
    Ribbon::from_course(line, rough.closed, frame, tiles, &params, &mut Silent).unwrap()
}

/// The edges as polylines with vertices 0.25 m apart.
fn edges(ribbon: &Ribbon) -> [Vec<[f64; 2]>; 2] {
    let count = to_index(ribbon.line.length_m() / 0.25);
    let stations = || (0..count).map(|k| k as f64 * 0.25);
    let at = |s: f64, t: f64| ribbon.line.to_local(RibbonPoint { s, t });
    [
        stations().map(|s| at(s, ribbon.edges.left_m(s))).collect(),
        stations().map(|s| at(s, ribbon.edges.right_m(s))).collect(),
    ]
}

fn lines(edges: &[Vec<[f64; 2]>; 2]) -> [Polyline<'_>; 2] {
    [0, 1].map(|k| Polyline {
        vertices: &edges[k],
        closed: true,
    })
}

fn assert_near(spec: &CourseSpec, params: &ScanParams) {
    let course = Course::build(spec).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let ribbon = found(&scanned(&course, params, dir.path()));
    assert!(ribbon.line.is_closed());
    let (ours, truth) = (edges(&ribbon), course.edge_polylines(0.25));
    let score = score_edges(&lines(&ours), &lines(&truth)).unwrap();
    println!("{:.0} m: {score:?}", ribbon.line.length_m());
    // Measured 33 to 46 mm and 99.4 to 100 %. A kerb's tapers lost are 3 %, the shadow behind its
    // back taken for road 15 %, a car not seen through 2 %.
    assert!(score.p95_m <= AIM_M, "{score:?}");
    assert!(
        score.completeness >= 0.99 && score.correctness >= 0.99,
        "{score:?}"
    );
}

#[test]
fn edges_with_kerbs_and_a_passing_car_in_the_bend_are_found_on_an_oval() {
    assert_near(&CourseSpec::oval(), &ScanParams::demo());
}

#[test]
fn edges_are_found_on_an_oval_of_other_seeds() {
    let params = ScanParams {
        seed: 3,
        ..ScanParams::demo()
    };
    assert_near(&CourseSpec::oval().with_seed(5), &params);
}

#[test]
fn edges_are_found_in_a_hairpin_of_three_metres_inside() {
    assert_near(&CourseSpec::tight_hairpin(), &ScanParams::demo());
}
