//! Heights from a mesh, against a search through all triangles and against planes.

use proptest::prelude::*;

use super::course::{Course, circle_curvature, lattice};
use super::{Assembler, MeshCheck, MeshColumns, PatchIndex, SurfaceMesh};

/// A ring with a hole, as one mesh.
fn ring() -> SurfaceMesh {
    let ring = lattice(400, 25, true);
    let turn = circle_curvature(&ring);
    let z = |s: f64, t: f64| {
        let hole = (s - 12.0).hypot(t) < 0.6;
        if hole {
            f64::NAN
        } else {
            (s * 0.9).sin() + 0.1 * t * t
        }
    };
    let course = Course {
        lattice: ring,
        curvature: &|_| turn,
        edges: &|_| (-2.02, 1.97),
        z: &z,
    };
    let (patches, check) = course.check();
    assert!(check.is_valid());
    let mut assembler = Assembler::new(patches.len(), true, MeshColumns::default());
    patches.iter().for_each(|p| assembler.add(p).unwrap());
    let (again, columns) = assembler.finish().unwrap();
    assert_eq!(again, check);
    let mesh = SurfaceMesh::new(columns).unwrap();
    let whole = MeshCheck::of(&mesh);
    assert!(whole.is_valid(), "{whole:#?}");
    assert_eq!(
        (whole.edges, whole.border_loops, whole.euler),
        (check.edges, check.border_loops, check.euler)
    );
    mesh
}

/// Highest triangle by a search through all of them, in barycentric coordinates of the plan.
fn slow_height(mesh: &SurfaceMesh, x: f64, y: f64) -> Option<f64> {
    let columns = mesh.columns();
    let mut best: Option<f64> = None;
    for face in &columns.faces {
        let [a, b, c] = face.map(|v| columns.positions_m[v as usize]);
        let det = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]);
        let u = ((x - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (y - a[1])) / det;
        let v = ((b[0] - a[0]) * (y - a[1]) - (x - a[0]) * (b[1] - a[1])) / det;
        if u >= 0.0 && v >= 0.0 && u + v <= 1.0 {
            let z = a[2] + u * (b[2] - a[2]) + v * (c[2] - a[2]);
            best = Some(best.map_or(z, |old| old.max(z)));
        }
    }
    best
}

#[test]
fn of_two_decks_the_one_that_was_meant_answers() {
    let deck = |z: f64| [[0.0, 0.0, z], [4.0, 0.0, z], [0.0, 4.0, z]];
    let mesh = SurfaceMesh::new(MeshColumns {
        positions_m: [deck(1.0), deck(7.0)].concat(),
        faces: vec![[0, 1, 2], [3, 4, 5]],
        ..MeshColumns::default()
    })
    .unwrap();
    let mut out = [0.0; 4];
    let places = [[1.0, 1.0], [1.0, 1.0], [1.0, 1.0], [9.0, 9.0]];
    mesh.heights_near(&places, &[1.3, 6.0, f64::NAN, 1.0], &mut out);
    assert_eq!(out[..3], [1.0, 7.0, 7.0]);
    assert!(out[3].is_nan());
}

#[test]
fn heights_are_those_of_a_search_through_all_triangles() {
    let mesh = ring();
    let (mut hits, mut misses) = (0, 0);
    let bounds =
        mesh.columns()
            .positions_m
            .iter()
            .fold([f64::MAX, f64::MIN, f64::MAX, f64::MIN], |b, p| {
                [
                    b[0].min(p[0]),
                    b[1].max(p[0]),
                    b[2].min(p[1]),
                    b[3].max(p[1]),
                ]
            });
    for k in 0..1500 {
        // A low-discrepancy sequence over the box.
        let (u, v) = (
            (f64::from(k) * 0.754_877_666) % 1.0,
            (f64::from(k) * 0.569_840_291) % 1.0,
        );
        let x = bounds[0] - 0.5 + u * (bounds[1] - bounds[0] + 1.0);
        let y = bounds[2] - 0.5 + v * (bounds[3] - bounds[2] + 1.0);
        match (mesh.height_at(x, y), slow_height(&mesh, x, y)) {
            // Two ways to compute one plane, over 0.1 m: some 1e-14 m.
            (Some(a), Some(b)) => assert!((a - b).abs() < 1e-11),
            (None, None) => misses += 1,
            (a, b) => panic!("{a:?} {b:?} at {x} {y}"),
        }
        hits += u32::from(mesh.height_at(x, y).is_some());
    }
    assert!(hits > 300 && misses > 300, "{hits} {misses}");
}

#[test]
fn no_place_on_vertices_or_sides_falls_through_a_crack() {
    let mesh = ring();
    let columns = mesh.columns();
    for face in &columns.faces {
        for k in 0..3 {
            let (a, b) = (
                columns.positions_m[face[k] as usize],
                columns.positions_m[face[(k + 1) % 3] as usize],
            );
            for share in [0.0, 0.1, 1.0 / 3.0, 0.5, 0.77] {
                let p: [f64; 3] = std::array::from_fn(|i| a[i] + share * (b[i] - a[i]));
                let z = mesh.height_at(p[0], p[1]);
                // The side's own height, up to its rounding in plan times the slope.
                assert!(z.is_some_and(|z| (z - p[2]).abs() < 1e-11), "{z:?} {p:?}");
            }
        }
    }
}

#[test]
fn batches_answer_like_single_questions() {
    let mesh = ring();
    let places: Vec<[f64; 2]> = mesh
        .columns()
        .positions_m
        .iter()
        .map(|p| [p[0] + 0.03, p[1] - 0.02])
        .collect();
    let mut heights = vec![0.0; places.len()];
    mesh.heights_at(&places, &mut heights);
    for (p, z) in places.iter().zip(heights) {
        assert_eq!(mesh.height_at(p[0], p[1]), Some(z).filter(|z| !z.is_nan()));
    }
    let mut normals = vec![[0.0; 3]; places.len()];
    mesh.normals_at(&places, &mut normals);
    let mut off = 0;
    for (p, n) in places.iter().zip(normals) {
        assert_eq!(
            mesh.normal_at(p[0], p[1]),
            Some(n).filter(|n| !n[0].is_nan())
        );
        off += usize::from(n[0].is_nan());
    }
    assert!(off > 0 && off < places.len(), "{off}");
}

#[test]
fn of_two_decks_the_higher_answers_and_distances_are_to_the_nearer() {
    let mut columns = MeshColumns::default();
    for z in [0.0, 5.0] {
        let base = u32::try_from(columns.positions_m.len()).unwrap();
        columns
            .positions_m
            .extend([[0.0, 0.0, z], [4.0, 0.0, z], [0.0, 4.0, z]]);
        columns.faces.push([base, base + 1, base + 2]);
    }
    let mesh = SurfaceMesh::new(columns).unwrap();
    assert_eq!(mesh.height_at(1.0, 1.0), Some(5.0));
    assert_eq!(mesh.normal_at(1.0, 1.0), Some([0.0, 0.0, 1.0]));
    let mut out = [0.0; 3];
    mesh.signed_distances(
        &[1.0, 1.0, 9.0],
        &[1.0, 1.0, 9.0],
        &[0.1, 4.75, 0.0],
        &mut out,
    );
    assert_eq!(out[..2], [0.1, -0.25]);
    assert!(out[2].is_nan());
}

#[test]
fn distances_are_measured_along_the_normal_of_the_triangle() {
    // A plane of slope 3/4: a point one metre above it is 0.8 m off.
    let mesh = SurfaceMesh::new(MeshColumns {
        positions_m: vec![[0.0, 0.0, 0.0], [4.0, 0.0, 3.0], [0.0, 4.0, 0.0]],
        faces: vec![[0, 2, 1]],
        ..MeshColumns::default()
    });
    let d = mesh.unwrap().signed_distance([1.0, 1.0, 1.75]).unwrap();
    assert!((d - 0.8).abs() < 1e-15, "{d}");
}

#[test]
fn a_patch_gives_the_distances_of_the_whole_mesh() {
    let ring = lattice(400, 25, true);
    let turn = circle_curvature(&ring);
    let course = Course {
        lattice: ring,
        curvature: &|_| turn,
        edges: &|_| (-2.02, 1.97),
        z: &|s, t| 0.2 * s.sin() + 0.03 * t,
    };
    let (patches, _) = course.check();
    let index = PatchIndex::new(&patches[1]);
    let p = &patches[1].positions_m;
    let (x, y): (Vec<f64>, Vec<f64>) = p.iter().map(|p| (p[0], p[1])).unzip();
    let z: Vec<f64> = p.iter().map(|p| p[2] + 0.004).collect();
    let mut out = vec![0.0; z.len()];
    index.signed_distances(&x, &y, &z, &mut out);
    for d in out {
        // 4 mm above a surface whose slope is at most 0.2 / (1 − κt) = 0.29, that is 16°.
        assert!((0.00384..=0.004 + 1e-12).contains(&d), "{d}");
    }
    assert_eq!(index.signed_distance([1e6, 0.0, 0.0]), None);
    assert_eq!(index.signed_distance([f64::NAN, 0.0, 0.0]), None);
}

#[test]
fn vertex_normals_are_interpolated() {
    let tilt = (1.0 / 2f32.sqrt(), 1.0 / 2f32.sqrt());
    let mesh = SurfaceMesh::new(MeshColumns {
        positions_m: vec![[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [0.0, 2.0, 0.0]],
        normals: Some(vec![
            [0.0, 0.0, 1.0],
            [tilt.0, 0.0, tilt.1],
            [0.0, 0.0, 1.0],
        ]),
        faces: vec![[0, 1, 2]],
        ..MeshColumns::default()
    });
    let n = mesh.unwrap().normal_at(1.0, 0.0).unwrap();
    // Half way between two unit normals 45° apart: at 22.5°. Single precision.
    assert!((n[0] - 22.5f64.to_radians().sin()).abs() < 1e-7 && n[1].abs() < 1e-12);
}

#[test]
fn senseless_columns_are_refused() {
    let good = MeshColumns {
        positions_m: vec![[0.0; 3], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
        faces: vec![[0, 1, 2]],
        ..MeshColumns::default()
    };
    let text = |columns: MeshColumns| SurfaceMesh::new(columns).unwrap_err().to_string();
    let bad = MeshColumns {
        faces: vec![[0, 1, 3]],
        ..good.clone()
    };
    assert_eq!(text(bad), "face 0 names vertex 3, but there are 3");
    let bad = MeshColumns {
        zones: Some(vec![]),
        ..good.clone()
    };
    assert_eq!(text(bad), "zones holds 0 values where 1 belong");
    let mut bad = good.clone();
    bad.positions_m[1][2] = f64::INFINITY;
    assert_eq!(text(bad), "vertex 1 has a coordinate that is not finite");
    assert!(
        SurfaceMesh::new(MeshColumns {
            faces: vec![],
            ..good
        })
        .is_err()
    );
}

proptest! {
    #[test]
    fn any_soup_of_triangles_answers_like_a_search(
        points in prop::collection::vec(prop::array::uniform3(-10.0..10.0f64), 3..40),
        seeds in prop::collection::vec(prop::array::uniform3(any::<u32>()), 1..60),
        places in prop::collection::vec(prop::array::uniform2(-11.0..11.0f64), 20),
    ) {
        let count = u32::try_from(points.len()).unwrap();
        let faces: Vec<[u32; 3]> = seeds.iter().map(|s| s.map(|v| v % count)).collect();
        let columns = MeshColumns { positions_m: points, faces, ..MeshColumns::default() };
        let mesh = SurfaceMesh::new(columns).unwrap();
        for [x, y] in places {
            let (fast, slow) = (mesh.height_at(x, y), slow_height(&mesh, x, y));
            // Needles of random points have slopes up to some 1e4.
            let alike = match (fast, slow) {
                (Some(a), Some(b)) => (a - b).abs() < 1e-6,
                (a, b) => a.is_none() == b.is_none(),
            };
            prop_assert!(alike, "{fast:?} {slow:?}");
        }
    }
}
