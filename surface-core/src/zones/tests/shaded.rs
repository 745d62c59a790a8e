//! Planted steps and paint seen with intensity by setups of different gain.

use super::*;

/// Single intensities scatter by this share: speckle and stones.
const SPECKLE: f64 = 0.1;
/// Reflectance of two lots, and of paint.
const LOTS: [f64; 2] = [0.14, 0.18];
const PAINT: f64 = 0.85;

/// How bright a setup of three sees a place of this reflectance: gains differ, and far off it is
/// darker.
fn intensity(setup: u16, [s, t]: [f64; 2], reflectance: f64) -> f64 {
    let gain = [1.0, 0.4, 1.7][usize::from(setup)];
    let away = (s - 15.0 * f64::from(setup)).hypot(t - 5.0);
    6e4 * gain * reflectance / (1.0 + (away / 20.0).powi(2))
}

/// Shades of the cells of points, each seen by the setup that `seen_by` draws for it.
fn shades(
    heights: &CellHeights,
    points: &[StripPoint],
    seen_by: impl Fn(&StripPoint, f64) -> u16,
    reflectance: impl Fn(f64, f64) -> f64,
) -> Vec<CellShade> {
    let mut draw = Draw(99);
    let mut sums: std::collections::BTreeMap<(usize, u16), [f64; 4]> = Default::default();
    for p in points {
        let row = crate::numeric::to_index(p.s / CELL_M + 0.5).min(heights.rows - 1);
        let column = crate::numeric::to_index((p.t - heights.first_t_m) / CELL_M + 0.5);
        let setup = seen_by(p, draw.unit());
        let bright = intensity(setup, [p.s, p.t], reflectance(p.s, p.t));
        let own = bright * (1.0 + SPECKLE * draw.normal());
        let off = [
            p.s - row as f64 * CELL_M,
            p.t - heights.first_t_m - column as f64 * CELL_M,
        ];
        let sum = sums.entry((row * heights.columns + column, setup));
        let sum = sum.or_default().iter_mut();
        sum.zip([1.0, own.max(1.0), off[0], off[1]])
            .for_each(|(a, b)| *a += b);
    }
    let shade = |((cell, setup), [n, i, s, t]): ((usize, u16), [f64; 4])| CellShade {
        cell,
        setup,
        points: n,
        log_intensity: (i / n).ln(),
        off_m: [s / n, t / n],
    };
    sums.into_iter().map(shade).collect()
}

fn lines_of(heights: &CellHeights, points: &[StripPoint]) -> Breaklines {
    let rows = Rows {
        rows: i64::try_from(heights.rows).unwrap(),
        steps_m: [CELL_M; 2],
        closed: false,
    };
    let strips = Strips::along(&link(&ridge(heights, 0..heights.rows), rows), rows);
    let mut totals = StripTotals::new(&strips);
    totals.add(&strips.sums(points.iter().copied()));
    strips.breaklines(&totals)
}

/// Breaklines of a road without intensity and with it, every place seen by the three setups alike.
fn without_and_with(
    seed: u64,
    height: impl Fn(f64, f64) -> f64,
    reflectance: impl Fn(f64, f64) -> f64,
) -> [Breaklines; 2] {
    let points = points(ROAD, seed, height);
    let mut heights = cells(ROAD, &points);
    let blind = lines_of(&heights, &points);
    let any = |_: &StripPoint, u: f64| u16::try_from(crate::numeric::to_index(3.0 * u)).unwrap();
    heights.shades = shades(&heights, &points, any, reflectance);
    [blind, lines_of(&heights, &points)]
}

/// Length of lines within 30 mm of a curve, and of others, metres.
fn on_and_off(lines: &Breaklines, off: impl Fn(&RibbonPoint) -> f64) -> [f64; 2] {
    let mut out = [0.0; 2];
    for line in lines {
        let near = line.points.iter().filter(|p| off(p).abs() < 0.03).count();
        let share = near as f64 / line.points.len() as f64;
        out[0] += share * line.length_m();
        out[1] += (1.0 - share) * line.length_m();
    }
    out
}

#[test]
fn a_faint_seam_between_lots_of_different_brightness_is_found_by_its_brightness() {
    // Slanted: no row or column of cells runs along it.
    let off = |s: f64, t: f64| t - 0.05 * (s - 20.0);
    let lot = |s: f64, t: f64| LOTS[usize::from(off(s, t) > 0.0)];
    let (mut blind, mut found) = ([0.0; 2], [0.0; 2]);
    for seed in 100..104 {
        let [a, b] = without_and_with(seed, |s, t| step(off(s, t), 0.0016), lot);
        for (sum, lines) in [(&mut blind, a), (&mut found, b)] {
            let own = on_and_off(&lines, |p| off(p.s, p.t));
            (0..2).for_each(|k| sum[k] += own[k]);
        }
    }
    // Of 160 m.
    assert!(blind[0] < 80.0, "{blind:?}");
    assert!(found[0] > 144.0 && found[1] < 3.0, "{found:?}");
}

#[test]
fn paint_without_a_step_is_no_breakline() {
    let line = |s: f64, t: f64, m: f64| (t - m - 0.02 * (s - 20.0)).abs() < 0.06;
    let paint = |s: f64, t: f64| {
        let painted = [-3.0, -1.5, 0.0, 1.5, 3.0].iter().any(|m| line(s, t, *m));
        if painted { PAINT } else { LOTS[0] }
    };
    // 2 km of edges; seeds 200 to 239, 16 km, have none either.
    for seed in 200..205 {
        let [_, lines] = without_and_with(seed, |_, t| -0.004 * t * t, paint);
        assert!(lines.is_empty(), "{seed}: {lines:?}");
    }
}

#[test]
fn where_setups_of_other_gain_begin_to_see_is_no_edge() {
    let plain = |_: f64, _: f64| LOTS[0];
    // The first sees the road up to s = 20 m, the second from there on, the third its left half.
    let first = |p: &StripPoint, u: f64| match (p.t > 0.7, u < 0.4) {
        (true, true) => 2,
        _ => u16::from(p.s > 20.0),
    };
    let border = |p: &RidgePoint| (p.at[0] - 20.0).abs() < 0.3 || (p.at[1] - 0.7).abs() < 0.3;
    let mut near = [0; 2];
    for seed in 400..404 {
        let points = points(ROAD, seed, |_, _| 0.0);
        let mut heights = cells(ROAD, &points);
        let count = |heights: &CellHeights| {
            let all = ridge(heights, 0..heights.rows);
            all.iter().filter(|p| border(p)).count()
        };
        near[0] += count(&heights);
        heights.shades = shades(&heights, &points, first, plain);
        near[1] += count(&heights);
        assert!(lines_of(&heights, &points).is_empty());
    }
    // Taken for one setup's, such gains make twelve places more of 7.
    assert!(near[1] < near[0] + 10, "{near:?}");
}
