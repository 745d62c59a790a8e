//! Planted steps: points of noise on roads whose steps are known, all the way to breaklines.

use super::*;
use crate::numeric::Draw;
use crate::ribbon::RibbonPoint;

/// Noise of a point's height, metres.
const SIGMA_M: f64 = 8e-4;
/// Points on a square metre.
const DENSITY: f64 = 250.0;
const CELL_M: f64 = 0.1;

/// A strip of road: its length, and t from −half to half, metres.
#[derive(Clone, Copy)]
struct Road {
    length_m: f64,
    half_m: f64,
    closed: bool,
}

const ROAD: Road = Road {
    length_m: 40.0,
    half_m: 4.0,
    closed: false,
};

fn points(road: Road, seed: u64, height: impl Fn(f64, f64) -> f64) -> Vec<StripPoint> {
    let mut draw = Draw(seed);
    let count = crate::numeric::to_index(2.0 * road.half_m * road.length_m * DENSITY);
    (0..count)
        .map(|_| {
            let s = draw.unit() * road.length_m;
            let t = (2.0 * draw.unit() - 1.0) * road.half_m;
            let z = height(s, t) + SIGMA_M * draw.normal();
            let weight = 1.0 / (SIGMA_M * SIGMA_M);
            StripPoint { s, t, z, weight }
        })
        .collect()
}

/// Means of cells, with a halo of rows where the course is closed.
fn cells(road: Road, points: &[StripPoint]) -> CellHeights {
    let rows = crate::numeric::to_index((road.length_m / CELL_M).round());
    let columns = crate::numeric::to_index((2.0 * road.half_m / CELL_M).round()) + 1;
    let mut sums = vec![[0.0; 4]; rows * columns];
    for p in points {
        let row = crate::numeric::to_index(p.s / CELL_M + 0.5);
        let column = crate::numeric::to_index((p.t + road.half_m) / CELL_M + 0.5);
        let off = [
            p.s - row as f64 * CELL_M,
            p.t + road.half_m - column as f64 * CELL_M,
        ];
        let own = &mut sums[(row % rows) * columns + column];
        for (a, b) in own.iter_mut().zip([1.0, off[0], off[1], p.z]) {
            *a += b;
        }
    }
    let halo = if road.closed { HALO_ROWS } else { 0 };
    let row = |r: usize| (r + rows - halo) % rows;
    let cell = |k: usize| {
        let [n, s, t, z] = sums[k];
        (n > 0.0).then(|| CellHeight {
            off_m: [s / n, t / n],
            z_m: z / n,
            variance_m2: SIGMA_M * SIGMA_M / n,
        })
    };
    CellHeights {
        first_row: -i64::try_from(halo).unwrap(),
        rows: rows + 2 * halo,
        columns,
        steps_m: [CELL_M; 2],
        first_t_m: -road.half_m,
        cells: (0..rows + 2 * halo)
            .flat_map(|r| (0..columns).map(move |c| (r, c)))
            .map(|(r, c)| cell(row(r) * columns + c))
            .collect(),
        shades: Vec::new(),
    }
}

fn find(road: Road, seed: u64, height: impl Fn(f64, f64) -> f64) -> Breaklines {
    let points = points(road, seed, height);
    let heights = cells(road, &points);
    let halo = if road.closed { HALO_ROWS } else { 0 };
    let ridge = ridge(&heights, halo..heights.rows - halo);
    let rows = Rows {
        rows: i64::try_from(heights.rows - 2 * halo).unwrap(),
        steps_m: [CELL_M; 2],
        closed: road.closed,
    };
    let strips = Strips::along(&link(&ridge, rows), rows);
    let mut totals = StripTotals::new(&strips);
    totals.add(&strips.sums(points.iter().copied()));
    strips.breaklines(&totals)
}

fn step(side: f64, height: f64) -> f64 {
    if side > 0.0 { height } else { 0.0 }
}

/// Bounds on single vertices are the largest of up to 160, three to four standard deviations: points
/// lie 3 mm apart across a step of 1.25 m length, and noise is a quarter of it.
///
/// All vertices within `within_m` of where `off` is zero, steps near `step_m`, and this long in
/// all, but for `lost_m` at the ends.
fn holds(
    lines: &Breaklines,
    off: impl Fn(&RibbonPoint) -> f64,
    [step_m, length_m]: [f64; 2],
    [within_m, lost_m]: [f64; 2],
) {
    let mut found = 0.0;
    for line in lines {
        for p in &line.points {
            assert!(off(p).abs() < within_m, "{p:?} is off by {} m", off(p));
        }
        // Four standard deviations, and half a millimetre for steps that are not vertical.
        let slack = 4.0 * line.sd_m + 5e-4;
        assert!(
            (line.step_m - step_m).abs() < slack,
            "{} ± {}",
            line.step_m,
            line.sd_m
        );
        assert!(line.step_m > 3.0 * line.sd_m);
        found += line.length_m();
    }
    assert!((found - length_m).abs() < lost_m, "{found} of {length_m} m");
}

#[test]
fn a_step_across_is_found_and_its_left_is_the_higher_side() {
    let lines = find(ROAD, 1, |s, t| 0.03 * s + 0.02 * t + step(s - 17.33, 0.004));
    holds(&lines, |p| p.s - 17.33, [0.004, 8.0], [0.015, 0.4]);
    let (first, last) = (
        &lines.iter().next().unwrap().points,
        lines.iter().last().unwrap(),
    );
    // Higher beyond s = 17.33: to the left of a line that runs down in t.
    assert!(first[0].t > last.points.last().unwrap().t);
}

#[test]
fn a_step_along_is_found_over_its_whole_length() {
    let lines = find(ROAD, 2, |s, t| {
        0.01 * s - 0.004 * t * t + step(t - 0.58, 0.003)
    });
    holds(&lines, |p| p.t - 0.58, [0.003, 40.0], [0.018, 1.0]);
}

#[test]
fn slanted_and_curved_steps_are_found() {
    let slanted = |s: f64, t: f64| 0.866 * t - 0.5 * (s - 20.0);
    let lines = find(ROAD, 3, |s, t| 0.02 * s + step(slanted(s, t), 0.005));
    let across = |p: &RibbonPoint| slanted(p.s, p.t);
    holds(&lines, across, [0.005, 16.0], [0.012, 0.8]);
    let wave = |s: f64| 0.6 * (s / 4.0).sin();
    let lines = find(ROAD, 4, |s, t| 0.02 * t + step(t - wave(s), 0.005));
    // Arc length of the wave, by the trapezium rule.
    let arc = |k: i32| (0.15 * (f64::from(k) * 0.01 / 4.0).cos()).hypot(1.0) * 0.01;
    let length = (0..4000).map(arc).sum();
    holds(&lines, |p| p.t - wave(p.s), [0.005, length], [0.02, 1.0]);
}

#[test]
fn the_corners_of_a_patch_stay_corners() {
    let inside = |s: f64, t: f64| (s - 20.0).abs() < 3.0 && t.abs() < 1.25;
    let lines = find(ROAD, 5, |s, t| {
        step(f64::from(u8::from(inside(s, t))), 0.005)
    });
    let off = |p: &RibbonPoint| {
        let (ds, dt) = ((p.s - 20.0).abs() - 3.0, p.t.abs() - 1.25);
        if ds.max(dt) < 0.0 {
            -ds.max(dt)
        } else {
            ds.max(0.0).hypot(dt.max(0.0))
        }
    };
    let all: Vec<f64> = lines
        .iter()
        .flat_map(|l| l.points.iter().map(off))
        .collect();
    // Corners smoothed over would put a quarter of the vertices up to 0.1 m inside; a line may run
    // two pieces past its end, where noise hides that the step is missing.
    let near = all.iter().filter(|d| **d < 0.02).count();
    assert!(10 * near > 8 * all.len(), "{all:?}");
    assert!(all.iter().all(|d| *d < 0.51), "{all:?}");
    let length: f64 = lines.iter().map(Breakline::length_m).sum();
    assert!((length - 17.0).abs() < 1.5, "{length}");
}

#[test]
fn noise_alone_over_a_thousand_square_metres_gives_nothing() {
    let road = Road {
        length_m: 125.0,
        ..ROAD
    };
    assert!(find(road, 6, |s, t| 0.05 * s - 0.01 * t * t).is_empty());
}

#[test]
fn bumps_dips_crowns_and_grades_are_no_steps() {
    let hump = |u: f64| {
        if u.abs() < 1.0 {
            0.5 + 0.5 * (u * std::f64::consts::PI).cos()
        } else {
            0.0
        }
    };
    // 20 mm over 1 m across the road, 12 mm over half a metre, and a dip of 20 mm.
    let lines = find(ROAD, 7, |s, t| {
        0.020 * hump((s - 8.0) / 0.5) + 0.012 * hump((s - 16.0) / 0.25)
            - 0.020 * hump((s - 30.0) / 2.0) * hump(t / 1.5)
            - 0.006 * t * t
    });
    assert!(lines.is_empty(), "{lines:?}");
}

#[test]
fn ribs_on_a_kerb_are_no_steps_and_its_steep_face_is_one() {
    let rib = |s: f64| 0.005 * (s * std::f64::consts::TAU / 0.5).cos();
    let ramp = |t: f64| ((t - 2.995) / 0.01).clamp(0.0, 1.0);
    let lines = find(ROAD, 8, |s, t| ramp(t) * (0.045 + 0.3 * rib(s)));
    // Every line is the face: nothing is found on the ribs of 3 mm behind it.
    holds(&lines, |p| p.t - 3.0, [0.045, 40.0], [0.02, 2.0]);
}

#[test]
fn a_line_over_the_start_of_a_closed_course_is_one_line() {
    let road = Road {
        length_m: 30.0,
        closed: true,
        ..ROAD
    };
    // Crosses the road from right to left over the start; elsewhere there is one way back down.
    let across = |s: f64, t: f64| {
        let s = if s > 15.0 { s - 30.0 } else { s };
        t - 0.4 * s
    };
    let near = |s: f64| !(5.0..25.0).contains(&s);
    let lines = find(road, 9, |s, t| {
        if near(s) {
            step(across(s, t), 0.005)
        } else {
            0.0
        }
    });
    let whole = lines
        .iter()
        .find(|l| l.range_s_m()[0] < -4.0 || l.range_s_m()[1] > 34.0);
    let [from, to] = whole.map(Breakline::range_s_m).unwrap_or_default();
    assert!((to - from - 10.0).abs() < 0.6, "{from} to {to}");
}

#[test]
fn what_parts_of_a_cloud_say_adds_up() {
    let points = points(ROAD, 10, |s, _| step(s - 20.0, 0.005));
    let heights = cells(ROAD, &points);
    let rows = Rows {
        rows: i64::try_from(heights.rows).unwrap(),
        steps_m: [CELL_M; 2],
        closed: false,
    };
    let strips = Strips::along(&link(&ridge(&heights, 0..heights.rows), rows), rows);
    assert!(strips.any_between(19.0, 21.0) && !strips.any_between(2.0, 12.0));
    let (early, late) = points.split_at(points.len() / 3);
    let (mut whole, mut parts) = (StripTotals::new(&strips), StripTotals::new(&strips));
    whole.add(&strips.sums(points.iter().copied()));
    parts.add(&strips.sums(early.iter().copied()));
    parts.add(&strips.sums(late.iter().copied()));
    let (a, b) = (strips.breaklines(&whole), strips.breaklines(&parts));
    assert_eq!(a.len(), 1);
    // Only the order of sums differs.
    let (a, b) = (a.iter().next().unwrap(), b.iter().next().unwrap());
    assert!((a.step_m - b.step_m).abs() < 1e-9 && a.points.len() == b.points.len());
}

/// A straight chain along t = 0 with a step up to its left, as linking gives it.
fn chain_along(from_s: f64, to_s: f64, step_m: f64) -> Chain {
    let count = crate::numeric::to_index(((to_s - from_s) / CELL_M).round());
    let at = |k: usize| [from_s + (to_s - from_s) * k as f64 / count as f64, 0.0];
    Chain {
        at: (0..=count).map(at).collect(),
        planes: vec![[0.5 * step_m, 0.0, 0.0]; count + 1],
        step_m,
    }
}

#[test]
fn every_point_beside_a_chain_over_the_start_counts_whatever_the_length_of_the_lap() {
    for length_m in [6000.0, 6000.05, 6000.31] {
        let rows = Rows {
            rows: 60_000,
            steps_m: [length_m / 60_000.0, CELL_M],
            closed: true,
        };
        let strips = Strips::along(&[chain_along(-2.0, 2.0, 0.005)], rows);
        let places =
            (-380..380).flat_map(|k| [-0.15, 0.05].map(|t| [0.005 * f64::from(k) + 0.001, t]));
        let points = places.clone().map(|[s, t]| StripPoint {
            s: s.rem_euclid(length_m),
            t,
            z: step(t, 0.005),
            weight: 1.0,
        });
        let mut totals = StripTotals::new(&strips);
        totals.add(&strips.sums(points));
        let counted: f64 = (0..strips.pieces.len()).map(|k| totals.weight(k)).sum();
        assert!(
            (counted - places.count() as f64).abs() < 0.5,
            "{length_m}: {counted}"
        );
    }
}

/// A ridge along t = `t`, a place in every row, in cells of this size.
fn ridge_along(
    rows: std::ops::Range<i64>,
    cell_m: f64,
    bend: impl Fn(f64) -> f64,
) -> Vec<RidgePoint> {
    let point = |row: i64| {
        let s = row as f64 * cell_m;
        let t = bend(s);
        RidgePoint {
            cell: [row, i64::from(crate::numeric::round_i32(t / cell_m))],
            at: [s, t],
            heading_rad: ((bend(s + 0.01) - t) / 0.01).atan(),
            step_m: 0.005,
            score: 9.0,
            plane: [0.0; 3],
        }
    };
    rows.map(point).collect()
}

#[test]
fn a_straight_ridge_is_one_chain_and_a_bent_one_two_at_any_spacing() {
    for cell_m in [0.05, 0.1, 0.25, 0.6, 2.0] {
        let rows = Rows {
            rows: 100,
            steps_m: [cell_m; 2],
            closed: false,
        };
        // A slanted ridge: headings differ from the bearing of a place from itself, which is 0.
        let straight = link(&ridge_along(10..60, cell_m, |s| 0.75 * s), rows);
        assert_eq!(straight.len(), 1, "{cell_m}: {straight:?}");
        let middle = 35.0 * cell_m;
        let bent = link(
            &ridge_along(10..60, cell_m, |s| 0.4 * (s - middle).abs()),
            rows,
        );
        assert_eq!(bent.len(), 2, "{cell_m}");
    }
}

#[test]
fn steps_under_noise_of_their_own_size_are_not_drawn_together() {
    const SIGMA: f64 = 0.005;
    let rows = Rows {
        rows: 400,
        steps_m: [CELL_M; 2],
        closed: false,
    };
    let strips = Strips::along(&[chain_along(1.0, 39.0, 0.005)], rows);
    let mut draw = Draw(11);
    let points = (0..80_000).map(|_| {
        let (s, t) = (40.0 * draw.unit(), draw.unit() - 0.5);
        StripPoint {
            s,
            t,
            z: step(t, 0.005) + SIGMA * draw.normal(),
            weight: 1.0 / (SIGMA * SIGMA),
        }
    });
    let mut totals = StripTotals::new(&strips);
    totals.add(&strips.sums(points));
    let lines = strips.breaklines(&totals);
    let length: f64 = lines.iter().map(Breakline::length_m).sum();
    let mean: f64 = lines.iter().map(|l| l.step_m * l.length_m()).sum::<f64>() / length;
    let sd_m = lines.iter().map(|l| l.sd_m).fold(0.0, f64::max);
    // 32 000 points: 0.11 mm of noise on ground that may bend, and 2.5 times the 0.12 mm that it
    // seems to bend in noise. Cut at 4 mm + 0.9 of the step alone it is 1.8 mm too low.
    assert!(length > 36.0 && sd_m < 4e-4, "{length} {sd_m} {mean}");
    // σ says 0.3 mm; the place that explains most is chosen, which adds to a step in such noise.
    assert!((mean - 0.005).abs() < 9e-4, "{mean}");
}

#[test]
fn parts_are_joined_over_gaps_and_over_the_start_of_a_ring() {
    let rows = Rows {
        rows: 1003,
        steps_m: [0.1; 2],
        closed: true,
    };
    // Gaps of 1.5 m each 6 m, all round: one chain. Half of the road over there are others, and one
    // that runs the other way does not join.
    let holes = |p: &RidgePoint| p.cell[0] % 60 >= 15;
    let mut ridge = ridge_along(0..1003, 0.1, |_| 0.0);
    ridge.retain(holes);
    let mut other = ridge_along(100..240, 0.1, |_| 4.0);
    other.retain(|p| holes(p) || p.cell[0] > 200);
    let mut back = ridge_along(255..300, 0.1, |_| 4.0);
    for point in &mut back {
        point.heading_rad += std::f64::consts::PI;
    }
    let mut all = [ridge, other, back].concat();
    all.sort_by_key(|p| p.cell);
    let chains = link(&all, rows);
    let mut lengths: Vec<f64> = chains
        .iter()
        .map(|c| c.at[c.at.len() - 1][0] - c.at[0][0])
        .collect();
    lengths.sort_by(f64::total_cmp);
    assert_eq!(chains.len(), 3, "{lengths:?}");
    let expected = [-4.4, 13.9, 98.7];
    for (length, expected) in lengths.iter().zip(expected) {
        assert!((length - expected).abs() < 0.3, "{lengths:?}");
    }
}

#[test]
fn chains_of_one_place_or_none_have_no_strip() {
    let rows = Rows {
        rows: 400,
        steps_m: [CELL_M; 2],
        closed: false,
    };
    let of = |count: usize| Chain {
        at: vec![[3.0, 0.0]; count],
        planes: vec![[0.0; 3]; count],
        step_m: 0.005,
    };
    let strips = Strips::along(&[of(0), of(1)], rows);
    assert!(!strips.any_between(0.0, 40.0));
    assert!(strips.breaklines(&StripTotals::new(&strips)).is_empty());
    // Between others they leave no mark.
    let whole = chain_along(5.0, 9.0, 0.005);
    let strips = Strips::along(&[of(1), whole.clone(), of(0), whole], rows);
    assert_eq!(strips.starts, [0, 24, 48]);
}

mod shaded;
