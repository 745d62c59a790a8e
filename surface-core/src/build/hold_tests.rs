//! Planted truth through the whole command: mesh file and scan file in, folder out.

use super::*;
use crate::cloud::io::Unit;
use crate::deviation::Verdict;
use crate::export::HeldPoint;
use crate::progress::Silent;

/// World coordinates of the mesh's zero, as on a real site.
const ORIGIN_M: [f64; 3] = [500_123.0, 5_400_000.0, 250.0];
/// The pothole: middle (relative to the origin), radius, depth, metres.
const HOLE: [f64; 4] = [12.0, 9.0, 0.7, 0.03];

fn height(x: f64, y: f64) -> f64 {
    0.02 * x - 0.03 * y
}

/// A tilted plane of 40 × 20 m, two triangles, `origin` as its comment or added to its vertices.
fn mesh_file(dir: &Path, relative: bool) -> PathBuf {
    let corners = [[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]];
    let [ox, oy, oz] = if relative { [0.0; 3] } else { ORIGIN_M };
    let vertex = |[x, y]: [f64; 2]| format!("{} {} {}", x + ox, y + oy, height(x, y) + oz);
    let rows = corners.map(vertex);
    let (name, text) = if relative {
        let [a, b, c] = ORIGIN_M;
        let head = format!(
            "ply\nformat ascii 1.0\ncomment origin {a} {b} {c}\nelement vertex 4\nproperty double x\n\
             property double y\nproperty double z\nelement face 2\n\
             property list uchar int vertex_indices\nend_header\n"
        );
        (
            "m.ply",
            format!("{head}{}\n3 0 1 2\n3 0 2 3\n", rows.join("\n")),
        )
    } else {
        (
            "m.obj",
            format!("v {}\nf 1 2 3\nf 1 3 4\n", rows.join("\nv ")),
        )
    };
    let path = dir.join(name);
    std::fs::write(&path, text).unwrap();
    path
}

/// Every 5 cm a point with ±1 mm of pattern, over the mesh and 4 m around it, a pothole, and a
/// beam 5 m above.
fn scan_file(dir: &Path) -> PathBuf {
    let path = dir.join("scan.laz");
    let mut laz = DeviationLaz::create(&path, ORIGIN_M, None).unwrap();
    let mut points = Vec::new();
    for i in -80..880 {
        for j in -80..480 {
            let (x, y) = (0.05 * f64::from(i) + 0.02, 0.05 * f64::from(j) + 0.02);
            let pattern = 0.001 * (f64::from(i * 7 + j * 13)).sin();
            let inside = (x - HOLE[0]).hypot(y - HOLE[1]) < HOLE[2];
            let z = height(x, y) + pattern - if inside { HOLE[3] } else { 0.0 };
            points.push([x, y, z]);
            if j == 200 {
                points.push([x, y, z + 5.0]);
            }
        }
    }
    let held = |xyz_m| HeldPoint {
        xyz_m,
        d_m: 0.0,
        intensity: 1000,
        setup: 4,
    };
    let held: Vec<HeldPoint> = points.into_iter().map(held).collect();
    laz.add(&held).unwrap();
    laz.finish().unwrap();
    path
}

fn run(
    mesh: &Path,
    scan: &Path,
    out: &Path,
    params: &HoldParams,
) -> Result<HoldReport, BuildError> {
    hold(mesh, &[scan.to_owned()], out, params, &mut Silent)
}

#[test]
fn a_planted_pothole_is_found_where_it_is_whatever_the_mesh_is_relative_to() {
    let dir = tempfile::tempdir().unwrap();
    let scan = scan_file(dir.path());
    for relative in [true, false] {
        let out = dir.path().join(format!("out{relative}"));
        let mesh = mesh_file(dir.path(), relative);
        let report = run(&mesh, &scan, &out, &HoldParams::default()).unwrap();
        assert_eq!(
            (report.points, report.points_on_mesh),
            (960 * 560 + 960, 320_000)
        );
        assert_eq!(report.points_too_far, 800);
        assert!(matches!(
            report.deviation.verdict,
            Verdict::Beyond { spots: 1, .. }
        ));
        let spot = &report.spots[0];
        let at = [spot.xy_m[0] - ORIGIN_M[0], spot.xy_m[1] - ORIGIN_M[1]];
        assert!((at[0] - HOLE[0]).hypot(at[1] - HOLE[1]) < HOLE[2], "{at:?}");
        // Along the normal, 0.06 % less than upright; the pattern's mean over 5 × 5 points is
        // 0.46 mm at most. Upright instead of along the normal would not be seen here, a wrong
        // height of the mesh would.
        assert!((spot.worst_mm + 30.0).abs() < 0.6, "{}", spot.worst_mm);
        assert_eq!(spot.why, "hole");
        assert!((report.deviation.coverage.share_with_points - 1.0).abs() < 1e-9);
        let csv = std::fs::read_to_string(out.join("deviation.csv")).unwrap();
        assert_eq!(csv.lines().count(), 2);
        let laz = las::Reader::from_path(out.join("deviation.laz")).unwrap();
        let beyond = laz.header().number_of_points() as f64;
        let hole = std::f64::consts::PI * HOLE[2] * HOLE[2] * 400.0;
        assert!(
            (beyond - hole).abs() < 0.05 * hole,
            "{beyond} points beyond"
        );
        let names: Vec<_> = std::fs::read_dir(&out)
            .unwrap()
            .map(|e| e.unwrap().file_name())
            .collect();
        assert_eq!(names.len(), HOLD_PRODUCTS.len(), "{names:?}");
    }
}

#[test]
fn mesh_far_from_all_points_is_counted_and_not_held() {
    let dir = tempfile::tempdir().unwrap();
    let scan = scan_file(dir.path());
    // The plane, 160 by 160 m beside it, and a triangle to a stray vertex.
    let rows = [[0.0, 0.0, 40.0, 20.0], [2000.0, 0.0, 2160.0, 160.0]].map(|[x0, y0, x1, y1]| {
        [[x0, y0], [x1, y0], [x1, y1], [x0, y1]]
            .map(|[x, y]: [f64; 2]| [x, y, height(x.min(40.0), y.min(20.0))])
    });
    let stray = [[5000.0, 0.0, 0.0], [5001.0, 0.0, 0.0], [1e6, 1e6, 0.0]];
    let corners = rows.concat().into_iter().chain(stray);
    let vertex = |[x, y, z]: [f64; 3]| {
        let [ox, oy, oz] = ORIGIN_M;
        format!("v {} {} {}\n", x + ox, y + oy, z + oz)
    };
    let text: String = corners.map(vertex).collect();
    let mesh = dir.path().join("wide.obj");
    std::fs::write(&mesh, text + "f 1 2 3 4\nf 5 6 7 8\nf 9 10 11\n").unwrap();
    let report = run(
        &mesh,
        &scan,
        &dir.path().join("out"),
        &HoldParams::default(),
    )
    .unwrap();
    let coverage = &report.deviation.coverage;
    // 40 × 20 m with points, 16 cells a square metre; 160 × 160 m and half of 1e6 m × 1 m without.
    assert_eq!(coverage.cells - coverage.cells_without_points, 800 * 16);
    let bare = coverage.cells_without_points as f64;
    assert!((bare / (525_600.0 * 16.0) - 1.0).abs() < 0.01, "{bare}");
}

#[test]
fn no_overlap_is_an_error_that_names_both_places_and_leaves_no_folder() {
    let dir = tempfile::tempdir().unwrap();
    let (scan, mesh) = (scan_file(dir.path()), mesh_file(dir.path(), true));
    let out = dir.path().join("out");
    let params = HoldParams {
        origin_m: Some([0.0; 3]),
        ..HoldParams::default()
    };
    let error = run(&mesh, &scan, &out, &params).unwrap_err();
    let text = error.to_string();
    assert!(text.contains("x 0.0 to 40.0, y 0.0 to 20.0"), "{text}");
    assert!(text.contains("x 500119.0 to 500167.0"), "{text}");
    assert!(error.hint().contains("--origin X,Y,Z"));
    assert!(!out.exists());
}

#[test]
fn a_mesh_in_feet_is_held_in_metres() {
    let dir = tempfile::tempdir().unwrap();
    let (scan, mesh) = (scan_file(dir.path()), mesh_file(dir.path(), true));
    // The same mesh as another program would write it, its origin with it.
    let read = SurfaceMesh::read(BufReader::new(File::open(&mesh).unwrap()), &mesh).unwrap();
    let feet = |at: [f64; 3]| at.map(|v| format!("{}", v / 0.3048)).join(" ");
    let text = std::fs::read_to_string(&mesh).unwrap();
    let (head, _) = text.split_once("end_header\n").unwrap();
    let head = head.replace(&ORIGIN_M.map(|v| v.to_string()).join(" "), &feet(ORIGIN_M));
    let rows: Vec<String> = read
        .columns()
        .positions_m
        .iter()
        .map(|p| feet(*p))
        .collect();
    let text = format!("{head}end_header\n{}\n3 0 1 2\n3 0 2 3\n", rows.join("\n"));
    let in_feet = dir.path().join("feet.ply");
    std::fs::write(&in_feet, text).unwrap();
    let params = HoldParams {
        mesh_unit: Unit::InternationalFoot,
        ..HoldParams::default()
    };
    let held = |mesh: &Path, params: &HoldParams| run(mesh, &scan, &dir.path().join("out"), params);
    let (metres, feet) = (
        held(&mesh, &HoldParams::default()).unwrap(),
        held(&in_feet, &params).unwrap(),
    );
    assert_eq!(feet.mesh.units, "international feet");
    assert_eq!(feet.points_on_mesh, metres.points_on_mesh);
    assert_eq!(feet.spots.len(), 1);
    assert!((feet.spots[0].worst_mm - metres.spots[0].worst_mm).abs() < 1e-3);
    assert!(held(&in_feet, &HoldParams::default()).is_err());
}

#[test]
fn a_mesh_at_another_height_is_an_error_that_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let (scan, mesh) = (scan_file(dir.path()), mesh_file(dir.path(), true));
    let [x, y, z] = ORIGIN_M;
    let params = HoldParams {
        origin_m: Some([x, y, z - 48.0]),
        ..HoldParams::default()
    };
    let error = run(&mesh, &scan, &dir.path().join("out"), &params).unwrap_err();
    assert!(
        matches!(
            error,
            BuildError::TooFar {
                points: 320_800,
                ..
            }
        ),
        "{error}"
    );
}

#[test]
fn a_finished_build_is_not_written_over() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("manifest.json"), "{}").unwrap();
    let nowhere = dir.path().join("none.ply");
    let error = run(&nowhere, &nowhere, dir.path(), &HoldParams::default()).unwrap_err();
    assert!(error.to_string().contains("finished build"), "{error}");
}

#[test]
fn the_same_bytes_come_out_for_any_number_of_threads() {
    let dir = tempfile::tempdir().unwrap();
    let (scan, mesh) = (scan_file(dir.path()), mesh_file(dir.path(), true));
    let on = |threads: usize| {
        let out = dir.path().join(format!("on{threads}"));
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        let params = HoldParams {
            deviation_points: DeviationPoints::All,
            ..HoldParams::default()
        };
        pool.install(|| run(&mesh, &scan, &out, &params).unwrap());
        let read = |name: &str| std::fs::read(out.join(name)).unwrap();
        ["deviation.png", "deviation.csv", "deviation.laz"].map(read)
    };
    assert!(on(1) == on(3));
}
