//! The main job on the invented course, from its scan to the build folder, held against the truth.

use std::path::Path;

use surface_core::build::{FitParams, PRODUCTS, fit};
use surface_core::progress::Silent;
use surface_core::ribbon::{Ribbon, Side};
use surface_tests::proving::edges::{Polyline, score_edges};
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::proving::score::{honesty, score};
use surface_tests::proving::{Course, Zone, demo};

fn fit_with(threads: usize, scan: &Path, out: &Path) -> surface_core::report::Report {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .unwrap();
    let paths = [scan.to_owned()];
    pool.install(|| fit(&paths, out, &FitParams::default(), &mut Silent))
        .unwrap()
}

fn same_bytes(a: &Path, b: &Path) {
    for entry in std::fs::read_dir(a).unwrap() {
        let path = entry.unwrap().path();
        let other = b.join(path.file_name().unwrap());
        if path.is_dir() {
            same_bytes(&path, &other);
        } else if path.file_name().unwrap() != "report.json" {
            assert!(
                std::fs::read(&path).unwrap() == std::fs::read(&other).unwrap(),
                "{path:?} differs"
            );
        }
    }
}

fn edge(ribbon: &Ribbon, side: Side) -> Vec<[f64; 2]> {
    let at = |k: usize| {
        let s = k as f64 * 0.25;
        let t = match side {
            Side::Left => ribbon.edges.left_m(s),
            Side::Right => ribbon.edges.right_m(s),
        };
        ribbon
            .line
            .to_local(surface_core::ribbon::RibbonPoint { s, t })
    };
    let count = surface_core::numeric::to_index(ribbon.line.length_m() / 0.25);
    (0..count).map(at).collect()
}

fn lines(edges: &[Vec<[f64; 2]>; 2]) -> [Polyline<'_>; 2] {
    [0, 1].map(|k| Polyline {
        vertices: &edges[k],
        closed: true,
    })
}

/// Heights of the mesh against the truth, by zone and over the Wiener bound.
fn near_the_bound(build: &Path, truth: &demo::Truth, course: &Course, made: &demo::Summary) {
    let mesh = read_ply(&build.join("surface.ply")).unwrap();
    let heights = MeshHeights::new(&mesh, truth.origin_m);
    let surface = |x: f64, y: f64| heights.height_m(x, y);
    let found = score(
        course,
        [0.0, truth.length_m],
        &surface,
        Some(&made.information),
    );
    for (zone, z) in &found.zones {
        let short = &found.short_waves[zone];
        println!(
            "{zone:?}: rmse {:.3} mm, 95 % {:.3} mm, mean {:+.3} mm; waves under 4 m {:.3} mm, 95 % {:.3} mm",
            1e3 * z.rmse_m,
            1e3 * z.p95_m,
            1e3 * z.mean_m,
            1e3 * short.rmse_m,
            1e3 * short.p95_m
        );
    }
    println!(
        "over the bound (all, short waves): {:?}; coverage {:.4}",
        found.over_bound(),
        found.coverage
    );
    let shift = [0, 1, 2].map(|k| mesh.origin_m[k] - truth.origin_m[k]);
    let honest = honesty(course, &mesh, shift);
    println!("{honest:?}");

    assert!(found.coverage > 0.99, "coverage {}", found.coverage);
    // The scan is the same on every machine, so these are the figures that we hold ourselves to
    // (measured 1.08, 0.26 mm, 0.70 mm, 1.21 mm, 0.76 mm); a window of the wrong width or lost
    // weights give 2 and more, setups that are not levelled 0.42 mm, seams that are ramps 2 mm, ribs
    // and bumps under windows as wide as plain road asks for 2.8 and 1.2 mm.
    let over = found.over_bound().unwrap();
    assert!(over[1] < 1.15, "{over:?} times the bound");
    assert!(found.zones[&Zone::Asphalt].rmse_m < 0.3e-3);
    assert!(found.zones[&Zone::NearSeam].p95_m < 1.0e-3);
    assert!(found.zones[&Zone::Kerb].rmse_m < 1.4e-3);
    assert!(found.zones[&Zone::Bump].rmse_m < 1.1e-3);
    assert!((0.9..1.2).contains(&honest.variance), "{honest:?}");
    assert!((0.93..0.97).contains(&honest.within_95), "{honest:?}");
}

/// Edges of the ribbon against the truth's.
fn edges_near_the_truth(build: &Path, truth: &demo::Truth, course: &Course) {
    let text = std::fs::read_to_string(build.join("ribbon.geojson")).unwrap();
    let ribbon = Ribbon::from_geojson(&text).unwrap();
    let shift = [0, 1].map(|k| ribbon.frame.origin_m[k] - truth.origin_m[k]);
    let ours = [Side::Left, Side::Right].map(|side| {
        let mut line = edge(&ribbon, side);
        line.iter_mut()
            .for_each(|p| *p = [p[0] + shift[0], p[1] + shift[1]]);
        line
    });
    let edges = score_edges(&lines(&ours), &lines(&course.edge_polylines(0.25))).unwrap();
    println!("edges: {edges:?}");
    // Measured 27 mm and 99.97 %.
    assert!(edges.p95_m < 0.05, "{edges:?}");
    assert!(
        edges.completeness >= 0.99 && edges.correctness >= 0.99,
        "{edges:?}"
    );
}

#[test]
fn the_demo_becomes_a_valid_surface_near_the_bound_and_the_same_bytes_on_any_threads() {
    let dir = tempfile::tempdir().unwrap();
    let made = demo::write(&dir.path().join("scan"), &|| false).unwrap();
    let (one, two) = (dir.path().join("one"), dir.path().join("two"));
    let report = fit_with(2, &made.cloud, &one);
    for name in PRODUCTS {
        assert!(one.join(name).exists(), "{name} is missing");
    }
    assert!(report.mesh.is_valid(), "{:?}", report.mesh);
    assert!(report.ribbon.closed);
    // The truth's own line is 0.15 % longer: ours runs in the middle of the paving, kerbs included.
    assert!((report.ribbon.length_m / made.length_m - 1.0).abs() < 0.01);

    fit_with(1, &made.cloud, &two);
    same_bytes(&one, &two);

    let (truth, course) = demo::read_truth(&made.truth).unwrap();
    near_the_bound(&one, &truth, &course, &made);
    edges_near_the_truth(&one, &truth, &course);
}
