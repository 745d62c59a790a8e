//! Meshes of invented courses are one clean sheet.

use proptest::prelude::*;

use crate::numeric::floor_i32;

use super::course::{Course, FLAT, STRAIGHT, WIDE, circle_curvature, lattice};
use super::{MeshCheck, MeshError};

#[track_caller]
fn assert_valid(check: &MeshCheck) {
    assert!(check.is_valid(), "{check:#?}");
}

#[test]
fn a_straight_road_is_one_sheet_of_squares_cut_in_two() {
    let course = Course {
        lattice: lattice(300, 40, false),
        curvature: STRAIGHT,
        edges: WIDE,
        z: FLAT,
    };
    let (patches, check) = course.check();
    assert_valid(&check);
    assert_eq!(
        (check.border_loops, check.holes(false), check.euler),
        (1, 0, 1)
    );
    // 299 gaps of 0.1 m, 5.59 m wide; sums of 10⁵ areas.
    assert!(
        (check.area_m2 - 29.9 * 5.59).abs() < 1e-9,
        "{}",
        check.area_m2
    );
    assert!((check.least_angle_off_rails_deg - 45.0).abs() < 1e-9);
    assert_eq!(patches.len(), 3);
}

#[test]
fn neighbouring_patches_share_their_row_bit_for_bit() {
    let ring = lattice(1000, 40, true);
    let turn = circle_curvature(&ring);
    let course = Course {
        lattice: ring,
        curvature: &|_| turn,
        edges: WIDE,
        z: &|s, t| (s * 0.7).sin() * t,
    };
    let (patches, _) = course.patches().unwrap();
    for (k, patch) in patches.iter().enumerate() {
        let next = &patches[(k + 1) % patches.len()];
        let (count, end) = (patch.last_row_vertices, patch.positions_m.len());
        assert_eq!(count, next.first_row_vertices);
        let bits = |p: &[f64; 3]| p.map(f64::to_bits);
        let mine: Vec<_> = patch.positions_m[end - count..].iter().map(bits).collect();
        let theirs: Vec<_> = next.positions_m[..count].iter().map(bits).collect();
        assert_eq!(mine, theirs);
        assert_eq!(patch.normals[end - count..], next.normals[..count]);
    }
}

#[test]
fn a_closed_ring_has_two_borders_and_no_end() {
    for rows in [1000, 200, 256, 257, 300] {
        let ring = lattice(rows, 15, true);
        let turn = circle_curvature(&ring);
        let course = Course {
            lattice: ring,
            curvature: &|_| turn,
            edges: &|_| (-1.04, 1.03),
            z: &|_, t| t,
        };
        let (_, check) = course.check();
        assert_valid(&check);
        assert_eq!((check.border_loops, check.euler), (2, 0));
        // Polygons inscribed in the two circles of the rails: area of a ring of n-gons.
        let radius = 1.0 / turn;
        assert!(
            check.area_m2
                > 0.98 * std::f64::consts::PI * ((radius + 1.04).powi(2) - (radius - 1.03).powi(2))
        );
    }
}

#[test]
fn angles_stay_above_fifteen_degrees_away_from_rails() {
    // From straight into a hairpin and out again; at the tightest, stretch runs from 0.05 at the
    // inner edge to 1.8 at the outer one.
    for (inner, outer) in [(0.8, 0.8), (0.5, 0.5), (0.95, 0.6)] {
        let reach = 6.0;
        let tightest = inner / reach;
        let curvature = |s: f64| tightest * (1.0 - ((s - 20.0) / 15.0).powi(2)).max(0.0);
        let other_way = |s: f64| -curvature(s);
        let (left, right) = (reach, outer / inner * reach);
        let course = Course {
            lattice: lattice(401, 75, false),
            curvature: &curvature,
            edges: &|_| (-right, left),
            z: FLAT,
        };
        let (_, check) = course.check();
        assert_valid(&check);
        let mirrored = Course {
            curvature: &other_way,
            edges: &|_| (-left, right),
            ..course
        };
        let (_, check) = mirrored.check();
        assert_valid(&check);
        assert!(check.least_angle_off_rails_deg > 15.0);
    }
}

#[test]
fn triangles_along_a_straight_edge_keep_twenty_six_degrees() {
    for k in 0..20 {
        let edge = 1.0 + 0.01 * f64::from(k);
        let course = Course {
            lattice: lattice(40, 20, false),
            curvature: STRAIGHT,
            edges: &|_| (-edge - 0.005, edge),
            z: FLAT,
        };
        let (_, check) = course.check();
        assert_valid(&check);
        assert!(check.least_angle_deg > 26.0, "{edge} {check:?}");
    }
}

#[test]
fn rows_that_are_no_multiple_of_eight_keep_their_angles_at_the_end() {
    for rows in 137..=152 {
        let course = Course {
            lattice: lattice(rows, 70, false),
            curvature: &|_| 0.15,
            edges: &|_| (-3.0, 6.2),
            z: FLAT,
        };
        let (_, check) = course.check();
        assert!(check.is_valid(), "{rows} rows: {check:#?}");
    }
}

#[test]
fn a_road_that_widens_and_narrows_keeps_its_rails() {
    let edges = |s: f64| (-2.0 - (0.5 * s).sin(), if s > 13.05 { 5.0 } else { 2.0 });
    let course = Course {
        lattice: lattice(257, 60, false),
        curvature: &|s| 0.02 * (0.3 * s).sin(),
        edges: &edges,
        z: FLAT,
    };
    let (patches, check) = course.check();
    assert_valid(&check);
    let rails: usize = patches
        .iter()
        .map(|p| p.on_rail.iter().filter(|&&r| r).count())
        .sum();
    // Two rails of 257 rows; the row in common is in both patches.
    assert_eq!(rails, 2 * 258);
}

#[test]
fn a_road_narrower_than_the_spacing_is_a_strip_between_its_rails() {
    let course = Course {
        lattice: lattice(129, 20, false),
        curvature: STRAIGHT,
        edges: &|_| (-0.04, 0.05),
        z: FLAT,
    };
    let (_, check) = course.check();
    assert_valid(&check);
    assert_eq!(check.faces, 256);
}

#[test]
fn a_hole_is_a_border_loop_of_its_own() {
    let hole = |s: f64, t: f64| {
        if (s - 12.8).hypot(t) < 0.8 {
            f64::NAN
        } else {
            1.0
        }
    };
    let course = Course {
        lattice: lattice(300, 40, false),
        curvature: STRAIGHT,
        edges: WIDE,
        z: &hole,
    };
    let (_, check) = course.check();
    assert_valid(&check);
    assert_eq!(
        (check.border_loops, check.holes(false), check.euler),
        (2, 1, 0)
    );
    let disc = 29.9 * 5.59 - check.area_m2;
    // π 0.8² and up to a cell around it.
    assert!((2.0..2.6).contains(&disc), "{disc}");
}

#[test]
fn a_hole_in_the_edge_bends_the_border_and_is_no_loop() {
    let hole = |s: f64, t: f64| {
        if (s - 12.8).hypot(t + 3.0) < 0.8 {
            f64::NAN
        } else {
            1.0
        }
    };
    let course = Course {
        lattice: lattice(300, 40, false),
        curvature: STRAIGHT,
        edges: WIDE,
        z: &hole,
    };
    let (_, check) = course.check();
    assert_valid(&check);
    assert_eq!(check.border_loops, 1);
}

#[test]
fn two_holes_that_meet_in_a_node_become_one() {
    // Voids diagonal to each other, the nodes between them would be pinched.
    let void = |s: f64, t: f64| {
        let (i, j) = ((s * 10.0).round(), (t * 10.0).round());
        [
            (50.0, 0.0),
            (52.0, 2.0),
            (128.0, 5.0),
            (128.0, 7.0),
            (51.0, 30.0),
        ]
        .contains(&(i, j))
    };
    let z = |s: f64, t: f64| if void(s, t) { f64::NAN } else { 0.0 };
    let course = Course {
        lattice: lattice(257, 40, false),
        curvature: STRAIGHT,
        edges: WIDE,
        z: &z,
    };
    let (patches, report) = course.patches().unwrap();
    assert_valid(&super::course::check(&patches, false).unwrap());
    assert!(report.pinches > 0, "{report:?}");
    assert_eq!(
        report.pinches + report.loose,
        report.sections.iter().map(|s| s.nodes).sum::<u64>()
    );
}

#[test]
fn an_island_in_a_hole_is_dropped_and_reported_with_its_place() {
    let z = |s: f64, t: f64| {
        let r = (s - 10.0).hypot(t);
        if (0.45..1.0).contains(&r) {
            f64::NAN
        } else {
            0.0
        }
    };
    let course = Course {
        lattice: lattice(257, 40, false),
        curvature: STRAIGHT,
        edges: WIDE,
        z: &z,
    };
    let (patches, report) = course.patches().unwrap();
    let check = super::course::check(&patches, false).unwrap();
    assert_valid(&check);
    assert_eq!((report.parts_dropped, check.holes(false)), (1, 1));
    let part = &report.parts[0];
    assert_eq!(part.nodes, report.in_other_parts);
    assert!(
        part.s_m[0] > 9.5 && part.s_m[1] < 10.5 && part.t_m[0] > -0.5,
        "{part:?}"
    );
    assert_eq!(report.kept, check.vertices);
}

#[test]
fn a_field_without_heights_is_refused() {
    let course = Course {
        lattice: lattice(129, 20, false),
        curvature: STRAIGHT,
        edges: WIDE,
        z: &|_, _| f64::NAN,
    };
    assert_eq!(course.patches().unwrap_err(), MeshError::Empty);
}

#[test]
fn a_ring_of_one_section_is_refused() {
    let ring = lattice(128, 5, true);
    let turn = circle_curvature(&ring);
    let course = Course {
        lattice: ring,
        curvature: &|_| turn,
        edges: &|_| (-0.4, 0.4),
        z: FLAT,
    };
    let error = super::Layout::from_frames(&ring, &course.frames()).unwrap_err();
    assert_eq!(error, MeshError::ShortRing { rows: 128 });
}

#[test]
fn a_ribbon_that_folds_over_is_refused_with_its_place() {
    let course = Course {
        lattice: lattice(129, 40, false),
        curvature: &|s| if s > 5.0 { 0.5 } else { 0.0 },
        edges: WIDE,
        z: FLAT,
    };
    let error = super::Layout::from_frames(&course.lattice, &course.frames()).unwrap_err();
    assert!(
        matches!(error, MeshError::Folded { s_m, .. } if (s_m - 5.1).abs() < 0.06),
        "{error}"
    );
}

#[test]
fn normals_are_those_of_the_surface_and_not_of_its_triangles() {
    let ring = lattice(1024, 40, true);
    let turn = circle_curvature(&ring);
    // A cone around the centre: the height falls by 0.1 per metre outward; outward is −t.
    let course = Course {
        lattice: ring,
        curvature: &|_| turn,
        edges: WIDE,
        z: &|_, t| 0.1 * t,
    };
    let (patches, _) = course.patches().unwrap();
    let frames = course.frames();
    let centre = frames[0].at(1.0 / turn);
    for patch in &patches {
        for (p, n) in patch.positions_m.iter().zip(&patch.normals) {
            let (dx, dy) = (p[0] - centre[0], p[1] - centre[1]);
            let r = dx.hypot(dy);
            let length = 1.01f64.sqrt();
            let expected = [0.1 * dx / r / length, 0.1 * dy / r / length, 1.0 / length];
            for (a, b) in n.iter().zip(expected) {
                // Single precision and the numeric slopes of the test field.
                assert!((f64::from(*a) - b).abs() < 1e-6);
            }
        }
    }
}

#[test]
fn bridged_heights_mark_their_faces() {
    let course = Course {
        lattice: lattice(129, 20, false),
        curvature: STRAIGHT,
        edges: &|_| (-1.52, 1.52),
        z: FLAT,
    };
    let layout = course.layout();
    let (mask, _) = course.mask(&layout).unwrap();
    let mut field = course.field([0, 128]);
    let k = field.index(64, 20).unwrap();
    field.flags[k] |= crate::field::flags::BRIDGED;
    let patch = super::Patch::new(&layout, &mask, 0, &field).unwrap();
    let bridged = patch
        .zones
        .iter()
        .filter(|&&zone| zone == super::ZONE_BRIDGED)
        .count();
    // (64 + 20) is even: the node has eight triangles.
    assert_eq!(bridged, 8);
    assert!(
        patch
            .zones
            .iter()
            .all(|&zone| zone == super::ZONE_BRIDGED || zone == super::ZONE_PAVED)
    );
}

#[test]
fn a_patch_needs_the_rows_of_its_section() {
    let course = Course {
        lattice: lattice(300, 20, false),
        curvature: STRAIGHT,
        edges: &|_| (-1.52, 1.52),
        z: FLAT,
    };
    let layout = course.layout();
    let (mask, _) = course.mask(&layout).unwrap();
    let error = super::Patch::new(&layout, &mask, 1, &course.field([130, 256])).unwrap_err();
    assert_eq!(
        error.to_string(),
        "section 1 needs rows 128 to 256 of its own lattice, got rows 130 to 256"
    );
}

#[test]
fn a_ribbon_is_meshed_at_its_own_stations() {
    use crate::ribbon::{Edges, ReferenceLine, Ribbon};
    let knots: Vec<[f64; 2]> = (0..80)
        .map(|k| std::f64::consts::TAU * f64::from(k) / 80.0)
        .map(|a| [50.0 * a.cos(), 30.0 * a.sin()])
        .collect();
    let line = ReferenceLine::through(knots, 3.2, true).unwrap();
    let length = line.length_m();
    let edges = Edges::constant(length, true, 2.0, 4.0, -3.5).unwrap();
    let frame = crate::cloud::Frame { origin_m: [0.0; 3] };
    let ribbon = Ribbon {
        frame,
        line,
        edges,
        gaps: Vec::new(),
    };
    let lattice = crate::field::Lattice::along(length, 0.25, [-3.5, 4.0], true).unwrap();
    let layout = super::Layout::new(&ribbon, &lattice).unwrap();
    let mut mask = super::NodeMask::new(&layout);
    let mut checker = super::MeshChecker::new(lattice.sections(), true);
    let flat = |section| {
        let [first, last] = lattice.section_rows(section);
        let mut field = crate::field::FieldRows::empty(lattice, first, last - first + 1).unwrap();
        field.z_m.fill(1.0);
        for rail in field.left.iter_mut().chain(&mut field.right) {
            rail.z_m = 1.0;
        }
        field
    };
    (0..lattice.sections()).for_each(|k| mask.add(&layout, &flat(k)));
    mask.clean(&layout).unwrap();
    for section in 0..lattice.sections() {
        let patch = super::Patch::new(&layout, &mask, section, &flat(section)).unwrap();
        checker.add(&patch).unwrap();
    }
    let check = checker.finish().unwrap();
    assert_valid(&check);
    assert_eq!(check.border_loops, 2);
}

/// A fixed, well mixed number in [0, 1) from a seed and two indices.
fn noise(seed: u64, i: i64, j: i64) -> f64 {
    let mut x = seed
        ^ (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15)
        ^ (j as u64).wrapping_mul(0xc2b2_ae3d_27d4_eb4f);
    for _ in 0..2 {
        x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        x ^= x >> 27;
    }
    (x >> 11) as f64 / (1u64 << 53) as f64
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn any_holes_and_any_width_give_one_clean_sheet(
        seed in any::<u64>(),
        share in 0.0..0.45f64,
        blob in 0.05..0.6f64,
        rows in 20usize..300,
        closed in any::<bool>(),
        wiggle in 0.0..1.0f64,
    ) {
        let rows = if closed { rows.max(150) } else { rows };
        let lattice = lattice(rows, 30, closed);
        let turn = if closed { circle_curvature(&lattice) } else { 0.3 * (wiggle - 0.5) };
        let length = rows as f64 * 0.1;
        let wave = move |s: f64, k: f64| (std::f64::consts::TAU * k * s / length).sin();
        let edges = move |s: f64| {
            let jump = if noise(seed, i64::from(floor_i32(s / 3.0)), 7) < 0.2 { 0.6 } else { 0.0 };
            (-1.3 - 0.6 * wiggle * wave(s, 2.0) - jump, 1.2 + 0.5 * wiggle * wave(s, 3.0))
        };
        let z = move |s: f64, t: f64| {
            let cell = |v: f64| i64::from(floor_i32(v / blob));
            if noise(seed, cell(s), cell(t)) < share { f64::NAN } else { 0.3 * t }
        };
        let course = Course { lattice, curvature: &|_| turn, edges: &edges, z: &z };
        match course.patches() {
            Ok((patches, report)) => {
                let check = super::course::check(&patches, closed).unwrap();
                prop_assert!(check.is_valid(), "{check:#?}");
                prop_assert_eq!(check.vertices, report.kept);
            }
            Err(error) => prop_assert_eq!(error, MeshError::Empty),
        }
    }
}
