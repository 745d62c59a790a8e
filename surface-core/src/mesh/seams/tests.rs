//! Meshes with rails are one clean sheet, whatever the breaklines do.

use proptest::prelude::*;

use super::super::course::{Course, FLAT, STRAIGHT, WIDE, check, circle_curvature, lattice};
use super::super::{MeshCheck, Patch, SeamPlan, SeamReport, Seams};
use super::pieces::Clipper;
use super::region::Bad;
use super::sheet::give_up_near;
use crate::field::RailNode;
use crate::ribbon::RibbonPoint;
use crate::zones::{Breakline, Breaklines};

fn breakline(points: &[[f64; 2]]) -> Breakline {
    // Vertices 0.2 m apart between the corners given.
    let mut out = Vec::new();
    for pair in points.windows(2) {
        let [a, b] = [pair[0], pair[1]];
        let count = crate::numeric::to_index((b[0] - a[0]).hypot(b[1] - a[1]) / 0.2) + 1;
        out.extend((0..count).map(|k| {
            let share = k as f64 / count as f64;
            RibbonPoint {
                s: a[0] + share * (b[0] - a[0]),
                t: a[1] + share * (b[1] - a[1]),
            }
        }));
    }
    let [s, t] = points[points.len() - 1];
    out.push(RibbonPoint { s, t });
    Breakline {
        points: out,
        step_m: 0.005,
        sd_m: 1e-4,
    }
}

/// Heights of rails as the course has them, `step` higher on the left.
fn heights(
    course: &Course,
    plan: &SeamPlan,
    layout: &super::super::Layout,
    step: f64,
) -> Vec<Vec<RailNode>> {
    let node = |(k, p): (usize, &[f64; 2])| RailNode {
        z_m: (course.z)(p[0], p[1]) + if k % 2 == 0 { step } else { 0.0 },
        sigma_m: 0.001,
        slope_s: 0.0,
        slope_t: 0.0,
        flags: 1,
    };
    (0..course.lattice.sections())
        .map(|k| {
            plan.places(layout, k)
                .iter()
                .enumerate()
                .map(node)
                .collect()
        })
        .collect()
}

fn railed(course: &Course, lines: Vec<Breakline>) -> (Vec<Patch>, SeamReport, MeshCheck) {
    let layout = course.layout();
    let plan = SeamPlan::new(&layout, &Breaklines::new(lines));
    let (mask, _) = course.mask(&layout).unwrap();
    let found = heights(course, &plan, &layout, 0.005);
    let seams = Seams::new(&layout, &mask, &plan, &found);
    let patch = |section| {
        let field = course.field(course.lattice.section_rows(section));
        Patch::with_seams(&layout, &mask, &seams, section, &field).unwrap()
    };
    let patches: Vec<Patch> = (0..course.lattice.sections()).map(patch).collect();
    let found = check(&patches, course.lattice.closed).unwrap();
    (patches, seams.report(), found)
}

#[test]
fn rails_that_reach_into_a_section_from_its_neighbour_are_given_up_too() {
    let course = straight(257);
    let layout = course.layout();
    let line = breakline(&[[2.0, 0.03], [20.0, 0.13]]);
    let plan = SeamPlan::new(&layout, &Breaklines::new(vec![line]));
    let (mask, _) = course.mask(&layout).unwrap();
    let mut clipper = Clipper::new(&layout, &mask, &plan, &|_, _| true);
    let good = |clipper: &Clipper| clipper.good.iter().flatten().filter(|g| **g).count();
    let bad = [(1, Bad::Everywhere)];
    let mut left = vec![good(&clipper)];
    while good(&clipper) > 0 {
        give_up_near(&mut clipper, &layout, &bad);
        left.push(good(&clipper));
        assert!(left[left.len() - 1] < left[left.len() - 2], "{left:?}");
    }
    // First the second section's own, then what reaches over its border, then the rest.
    assert_eq!(left.len(), 4, "{left:?}");
    assert!(left[1] - left[2] <= 3, "{left:?}");
}

fn straight(rows: usize) -> Course<'static> {
    Course {
        lattice: lattice(rows, 40, false),
        curvature: STRAIGHT,
        edges: WIDE,
        z: FLAT,
    }
}

/// The mesh with these lines is valid and has at least a share of their length as rails.
#[track_caller]
fn assert_railed(
    course: &Course,
    lines: &[&[[f64; 2]]],
    least_share: f64,
) -> (Vec<Patch>, SeamReport) {
    let lines: Vec<Breakline> = lines.iter().map(|l| breakline(l)).collect();
    let (patches, report, found) = railed(course, lines);
    assert!(found.is_valid(), "{report:?} {found:#?}");
    let share = report.railed_m / report.given_m;
    assert!(
        share >= least_share,
        "{share} of the rails are laid: {report:?}"
    );
    // The outline of the road does not change.
    let (_, plain) = course.check();
    assert!((found.area_m2 - plain.area_m2).abs() < 1e-9);
    assert_eq!(found.border_loops, plain.border_loops);
    (patches, report)
}

#[test]
fn without_breaklines_the_mesh_is_the_same_bit_for_bit() {
    let course = straight(300);
    let (patches, report, _) = railed(&course, Vec::new());
    assert_eq!(report, SeamReport::default());
    assert_eq!(patches, course.patches().unwrap().0);
}

#[test]
fn a_joint_along_the_road_crosses_section_borders() {
    for t in [0.0, 0.03, 0.05, 0.093] {
        let (patches, report) = assert_railed(&straight(400), &[&[[1.03, t], [38.2, t]]], 0.98);
        assert_eq!(report.pieces, 1);
        for pair in patches.windows(2) {
            let (a, b) = (&pair[0], &pair[1]);
            let count = a.last_row_vertices;
            assert_eq!(count, b.first_row_vertices);
            let end = a.positions_m.len();
            let bits = |p: &[f64; 3]| p.map(f64::to_bits);
            assert!(
                a.positions_m[end - count..]
                    .iter()
                    .map(bits)
                    .eq(b.positions_m[..count].iter().map(bits))
            );
            assert_eq!(a.normals[end - count..], b.normals[..count]);
        }
    }
}

#[test]
fn a_slanted_joint_and_one_across_are_railed() {
    assert_railed(&straight(400), &[&[[2.0, -2.3], [30.0, 2.1]]], 0.98);
    assert_railed(
        &straight(400),
        &[&[[10.0, -2.8], [12.0, 2.4]], &[[15.0, 2.4], [17.0, -2.8]]],
        0.97,
    );
    for s in [7.0, 7.02, 7.05, 12.83, 12.77] {
        assert_railed(&straight(400), &[&[[s, -2.7], [s, 2.2]]], 0.97);
    }
    // Through a border row at 45° and steeper.
    assert_railed(&straight(400), &[&[[11.0, -1.8], [14.6, 1.8]]], 0.97);
    assert_railed(&straight(400), &[&[[14.6, -1.8], [11.0, 1.0]]], 0.97);
}

#[test]
fn heights_jump_by_the_step_between_the_rails_and_nowhere_else() {
    let course = Course {
        z: &|_, t| if t > 0.013 { 0.005 } else { 0.0 },
        ..straight(300)
    };
    let layout = course.layout();
    let plan = SeamPlan::new(
        &layout,
        &Breaklines::new(vec![breakline(&[[3.0, 0.013], [27.0, 0.013]])]),
    );
    let (mask, _) = course.mask(&layout).unwrap();
    let seams = Seams::new(
        &layout,
        &mask,
        &plan,
        &heights(&course, &plan, &layout, 0.0),
    );
    let mut columns = super::super::MeshColumns::default();
    for section in 0..course.lattice.sections() {
        let field = course.field(course.lattice.section_rows(section));
        let patch = Patch::with_seams(&layout, &mask, &seams, section, &field).unwrap();
        let base = crate::numeric::to_u32(columns.positions_m.len());
        columns.positions_m.extend(&patch.positions_m);
        columns
            .faces
            .extend(patch.faces.iter().map(|f| f.map(|v| v + base)));
    }
    let mesh = super::super::SurfaceMesh::new(columns).unwrap();
    let frames = course.frames();
    for k in 0..2300 {
        let s = 3.3 + 0.0101 * f64::from(k);
        for t in [-0.2, -0.05, 0.0, 0.006, 0.02, 0.03, 0.1] {
            // The line is straight: s and t are rectangular.
            let (p, d) = (frames[0].point_m, frames[0].tangent);
            let at = [p[0] + s * d[0] - t * d[1], p[1] + s * d[1] + t * d[0]];
            let z = mesh.height_at(at[0], at[1]).unwrap();
            assert!((z - (course.z)(s, t)).abs() < 1e-9, "{s} {t}: {z}");
        }
    }
}

#[test]
fn crossing_joints_make_way_for_each_other() {
    let cross: [&[[f64; 2]]; 2] = [&[[2.0, 0.33], [30.0, 0.4]], &[[17.0, -2.0], [17.5, 2.0]]];
    let (_, report) = assert_railed(&straight(400), &cross, 0.97);
    assert_eq!(report.pieces, 3);
    // The outline of a patch, and a joint that ends at it.
    let patch: &[[f64; 2]] = &[
        [5.0, -1.0],
        [11.0, -1.0],
        [11.0, 1.5],
        [5.0, 1.5],
        [5.0, -1.0],
    ];
    assert_railed(&straight(400), &[patch, &[[11.0, 0.2], [25.0, 0.2]]], 0.95);
    // A patch over a border row, once with a side on it.
    for s in [10.0, 6.8] {
        let p = |a: f64, b: f64| [s + a, b];
        let patch = [
            p(0.0, -1.0),
            p(6.0, -1.0),
            p(6.0, 1.5),
            p(0.0, 1.5),
            p(0.0, -1.0),
        ];
        assert_railed(&straight(400), &[&patch], 0.8);
    }
}

#[test]
fn lines_off_the_road_past_its_ends_and_senseless_ones_do_no_harm() {
    let course = straight(300);
    let nan = Breakline {
        points: vec![
            RibbonPoint {
                s: f64::NAN,
                t: 0.0,
            },
            RibbonPoint {
                s: 1.0,
                t: f64::INFINITY,
            },
        ],
        step_m: 0.0,
        sd_m: 0.0,
    };
    let same = Breakline {
        points: vec![RibbonPoint { s: 3.0, t: 0.0 }; 5],
        ..nan.clone()
    };
    let far = breakline(&[[-20.0, 0.0], [70.0, 0.5]]);
    let (_, report, found) = railed(&course, vec![nan, same, far]);
    assert!(found.is_valid() && report.railed_m > 25.0, "{report:?}");
    let away = [
        breakline(&[[5.0, 8.0], [9.0, 9.0]]),
        breakline(&[[5.0, 2.5], [9.0, 2.56]]),
    ];
    let (_, report, found) = railed(&course, away.to_vec());
    assert!(found.is_valid() && report.pieces == 0, "{report:?}");
}

#[test]
fn a_line_may_run_off_both_ends_of_a_course_of_whole_sections() {
    for rows in [257, 385] {
        let end = 0.1 * (rows - 1) as f64;
        for t in [0.0, 0.04] {
            let line: &[[f64; 2]] = &[[-3.0, t], [end + 3.0, t]];
            let (_, report) = assert_railed(&straight(rows), &[line], 0.7);
            assert!(report.railed_m > end - 0.5, "{report:?}");
        }
        // Along the very end, and just before and behind it.
        for s in [end - 0.03, end, end + 0.01, 0.0, 0.02] {
            let (_, report, found) =
                railed(&straight(rows), vec![breakline(&[[s, -2.0], [s, 2.0]])]);
            assert!(found.is_valid(), "{report:?} {found:#?}");
        }
    }
}

#[test]
fn a_line_over_the_start_of_a_ring_is_railed_and_one_all_round() {
    for rows in [1000, 300, 256] {
        let ring = lattice(rows, 15, true);
        let turn = circle_curvature(&ring);
        let course = Course {
            lattice: ring,
            curvature: &|_| turn,
            edges: &|_| (-1.04, 1.03),
            z: &|_, t| t,
        };
        let length = rows as f64 * 0.1;
        assert_railed(
            &course,
            &[&[[length - 4.0, 0.1], [length + 5.0, 0.3]]],
            0.97,
        );
        assert_railed(&course, &[&[[-4.0, 0.1], [5.0, 0.3]]], 0.97);
        assert_railed(&course, &[&[[0.0, -0.2], [length, -0.2]]], 0.95);
        // Twice round: the second lap finds its place taken.
        let (_, report) =
            assert_railed(&course, &[&[[3.0, -0.2], [3.0 + 2.0 * length, -0.2]]], 0.47);
        assert!(report.railed_m < 1.01 * length);
    }
}

#[test]
fn rails_end_before_holes() {
    let hole = |s: f64, t: f64| {
        if (s - 12.0).hypot(t) < 0.5 {
            f64::NAN
        } else {
            1.0
        }
    };
    let course = Course {
        z: &hole,
        ..straight(300)
    };
    let (_, report) = assert_railed(
        &course,
        &[&[[2.0, 0.02], [27.0, 0.02]], &[[11.4, -2.0], [11.6, 2.0]]],
        0.9,
    );
    assert!(report.pieces >= 3);
}

#[test]
fn in_tight_bends_rails_run_where_rows_are_not_thinned() {
    let curvature = |s: f64| 0.14 * (1.0 - ((s - 20.0) / 15.0).powi(2)).max(0.0);
    let course = Course {
        lattice: lattice(401, 75, false),
        curvature: &curvature,
        edges: &|_| (-5.0, 6.0),
        z: FLAT,
    };
    let lines: [&[[f64; 2]]; 3] = [
        &[[2.0, 0.5], [38.0, 1.0]],
        &[[2.0, -4.0], [38.0, 5.0]],
        &[[25.0, -4.5], [25.3, 5.6]],
    ];
    assert_railed(&course, &lines, 0.6);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn any_breaklines_give_one_clean_sheet(
        lines in prop::collection::vec(
            prop::collection::vec((-1.0..32.0f64, -2.0..2.0f64), 2..9), 1..7),
        walks in prop::collection::vec(
            (0.0..30.0f64, -1.5..1.5f64, 0.0..6.3f64, prop::collection::vec(-1.2..1.2f64, 5..120), 0.02..0.3f64), 0..4),
        rows in 150usize..320,
        closed in any::<bool>(),
        bend in -0.25..0.25f64,
        holes in any::<bool>(),
    ) {
        let lattice = lattice(rows, 30, closed);
        let turn = if closed { circle_curvature(&lattice) } else { bend };
        let z = move |s: f64, t: f64| {
            if holes && (s * 1.7).sin() * (t * 3.1 + s).cos() > 0.9 { f64::NAN } else { 0.1 * t }
        };
        let edges = move |s: f64| (-1.7 - 0.2 * (s * 0.9).sin(), 1.6 + 0.3 * (s * 0.4).cos());
        let course = Course { lattice, curvature: &|_| turn, edges: &edges, z: &z };
        let mut all: Vec<Breakline> = lines
            .iter()
            .map(|l| breakline(&l.iter().map(|&(s, t)| [s, t]).collect::<Vec<_>>()))
            .collect();
        for (s, t, heading, turns, step) in &walks {
            let (mut at, mut heading) = ([*s, *t], *heading);
            let mut points = Vec::new();
            for turn in turns {
                points.push(RibbonPoint { s: at[0], t: at[1] });
                heading += turn;
                at = [at[0] + step * heading.cos(), at[1] + step * heading.sin()];
            }
            all.push(Breakline { points, step_m: 0.004, sd_m: 1e-4 });
        }
        let (_, report, found) = railed(&course, all);
        prop_assert!(found.is_valid(), "{report:?} {found:#?}");
    }
}
