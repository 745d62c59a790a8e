//! Planted truth: what is planted is found, what is not planted is not.

use super::*;
use crate::deviation::cells::tests::Noise;
use crate::deviation::{CellFrame, Closure, DeviationCells, MapBuilder, SectionPoints, Verdict};
use crate::field::flags;

const TOLERANCE_M: f64 = 0.005;
const LAP_M: f64 = 30.3;
const HALF_WIDTH_M: f64 = 3.0;

/// A closed lap of three sections with `per_m2` points a square metre, whose deviation is
/// `truth(s, t)` plus Gaussian noise.
struct Lap<'a> {
    truth: &'a dyn Fn(f64, f64) -> f64,
    marks: &'a (dyn Fn(f64, f64) -> u8 + Sync),
    noise_m: f64,
    per_m2: f64,
    seed: u64,
    closure: Closure,
}

impl Default for Lap<'_> {
    fn default() -> Self {
        Self {
            truth: &|_, _| 0.0,
            marks: &|_, _| 0,
            noise_m: 0.002,
            per_m2: 400.0,
            seed: 1,
            closure: Closure::Closed,
        }
    }
}

impl Lap<'_> {
    fn map(&self) -> DeviationMap {
        let borders = [0.0, 12.8, 25.6, LAP_M];
        let frame = CellFrame::ribbon(&borders, self.closure, 0.25).unwrap();
        let cells = DeviationCells::new(frame.clone());
        let mut builder = MapBuilder::new(frame);
        let mut noise = Noise::new(self.seed);
        for (key, border) in (0..).zip(borders.windows(2)) {
            let (from, length) = (border[0], border[1] - border[0]);
            let n = crate::numeric::to_index(length * 2.0 * HALF_WIDTH_M * self.per_m2);
            let u: Vec<f64> = (0..n).map(|_| from + length * noise.uniform()).collect();
            let v: Vec<f64> = (0..n)
                .map(|_| HALF_WIDTH_M * (2.0 * noise.uniform() - 1.0))
                .collect();
            let d = |k: usize| (self.truth)(u[k], v[k]) + self.noise_m * noise.gauss();
            let d: Vec<f64> = (0..n).map(d).collect();
            let ground = |s: f64, t: f64| (t.abs() < HALF_WIDTH_M).then(|| (self.marks)(s, t));
            let points = SectionPoints {
                intensity: &[],
                key: (key, 0),
                u_m: &u,
                v_m: &v,
                d_m: &d,
                across_m: (-HALF_WIDTH_M, HALF_WIDTH_M - 0.01),
                ground: &ground,
            };
            builder.push(cells.section(&points).unwrap());
        }
        builder.finish()
    }

    fn spots(&self) -> Vec<Spot> {
        self.map().spots(TOLERANCE_M, &|u, v| [u, v])
    }
}

fn disc(s: f64, t: f64, radius: f64, depth: f64) -> impl Fn(f64, f64) -> f64 {
    move |u, v| {
        if (u - s).hypot(v - t) < radius {
            depth
        } else {
            0.0
        }
    }
}

#[test]
fn a_planted_pothole_is_found_with_its_place_size_and_cause() {
    let truth = disc(18.0, -1.1, 0.6, -0.03);
    let spots = Lap {
        truth: &truth,
        ..Lap::default()
    }
    .spots();
    assert_eq!(spots.len(), 1, "{spots:?}");
    let spot = &spots[0];
    assert!((spot.at_m[0] - 18.0).hypot(spot.at_m[1] + 1.1) < 0.6);
    // A rim cell counts when more than about half of it is in the hole: area and extent are true
    // to one cell around the rim.
    assert!((spot.area_m2 - 1.13).abs() < 0.45, "{}", spot.area_m2);
    assert!((spot.length_m - 1.2).abs() <= 0.5 && (spot.width_m - 1.2).abs() <= 0.5);
    // The worst cell: 30 mm and the noise of 25 points (0.4 mm) picked for size.
    assert!((spot.worst_m + 0.03).abs() < 0.002, "{}", spot.worst_m);
    assert_eq!((spot.why, spot.id), (Why::Hole, 1));
    let share = f64::from(spot.cells) / (1.13 / 0.0625);
    assert!((0.6..1.4).contains(&share), "{share}");
}

#[test]
fn a_seam_is_a_step_and_something_on_the_road_is_not() {
    let seam = |_: f64, t: f64| {
        if (0.0..0.25).contains(&t) {
            -0.012
        } else {
            0.0
        }
    };
    let spots = Lap {
        truth: &seam,
        ..Lap::default()
    }
    .spots();
    assert_eq!((spots.len(), spots[0].why), (1, Why::Step));
    let box_on_road = disc(9.0, 0.0, 0.8, 0.25);
    let spots = Lap {
        truth: &box_on_road,
        ..Lap::default()
    }
    .spots();
    assert_eq!((spots.len(), spots[0].why), (1, Why::Outliers));
}

#[test]
fn the_marks_of_the_field_decide_the_cause() {
    let truth = disc(18.0, -1.1, 0.6, 0.03);
    let bridged = |s: f64, _: f64| if s > 17.0 { flags::BRIDGED } else { 0 };
    let spots = Lap {
        truth: &truth,
        marks: &bridged,
        ..Lap::default()
    }
    .spots();
    assert_eq!((spots.len(), spots[0].why), (1, Why::Hole));
}

#[test]
fn noise_alone_makes_no_spot() {
    // 100 laps of 2928 cells with 6 points a cell on average, noise 0.6 times the tolerance: a
    // false spot needs a mean 5.7 of its standard deviations off. Rate found: 0 in 292 800 cells.
    for seed in 0..100 {
        let lap = Lap {
            noise_m: 0.003,
            per_m2: 100.0,
            seed,
            ..Lap::default()
        };
        assert_eq!(lap.spots(), []);
    }
}

#[test]
fn noise_as_large_as_the_tolerance_makes_a_false_spot_in_10_000_sparse_cells_at_most() {
    // Gauss: a cell of 5 points strays 4.2 standard deviations once in 37 000 times, one of 4
    // points once in 20 000. Without the section's usual spread the rate was 20 in 10 000.
    let laps = (0..100).map(|seed| Lap {
        noise_m: 0.005,
        per_m2: 100.0,
        seed,
        ..Lap::default()
    });
    let spots: usize = laps.map(|lap| lap.spots().len()).sum();
    assert!((1..=29).contains(&spots), "{spots} in 292 800 cells");
}

#[test]
fn a_cell_at_exactly_the_tolerance_is_called_beyond_in_one_of_40_at_most() {
    // One-sided 2.5 % by construction, less by the floor of the standard error; Student's t for
    // 6 points leaves 0.5 % of doubt. Zero would mean that the test never fires.
    let exact = |_: f64, _: f64| TOLERANCE_M;
    let map = Lap {
        truth: &exact,
        noise_m: 0.005,
        per_m2: 100.0,
        ..Lap::default()
    }
    .map();
    let judged = map
        .cells()
        .iter()
        .filter(|c| c.state() == CellState::Judged);
    let (n, beyond) = judged.fold((0, 0), |(n, b), c| {
        (n + 1, b + u32::from(c.is_beyond(TOLERANCE_M)))
    });
    let rate = f64::from(beyond) / f64::from(n);
    assert!((0.01..0.03).contains(&rate), "{rate}");
}

#[test]
fn single_far_points_make_no_spot() {
    let stray = |u: f64, v: f64| {
        let hash = (u * 12_345.678 + v * 98_765.432).fract();
        if hash > 0.97 { 1.0 } else { 0.0 }
    };
    assert_eq!(
        Lap {
            truth: &stray,
            ..Lap::default()
        }
        .spots(),
        []
    );
}

#[test]
fn a_spot_across_the_start_of_a_lap_is_one_spot() {
    let truth =
        |u: f64, v: f64| disc(0.0, 0.0, 0.7, -0.02)(if u > 15.0 { u - LAP_M } else { u }, v);
    let spots = Lap {
        truth: &truth,
        ..Lap::default()
    }
    .spots();
    assert_eq!(spots.len(), 1);
    assert!(
        (spots[0].length_m - 1.4).abs() <= 0.5,
        "{}",
        spots[0].length_m
    );
    let open = Lap {
        truth: &truth,
        closure: Closure::Open,
        ..Lap::default()
    }
    .spots();
    assert_eq!(open.len(), 2);
}

#[test]
fn spots_are_ranked_by_depth_times_area() {
    let truth =
        |u: f64, v: f64| disc(5.0, 0.0, 0.4, -0.02)(u, v) + disc(20.0, 1.0, 0.9, 0.015)(u, v);
    let spots = Lap {
        truth: &truth,
        ..Lap::default()
    }
    .spots();
    let at: Vec<(u32, bool)> = spots.iter().map(|s| (s.id, s.at_m[0] > 15.0)).collect();
    assert_eq!(at, [(1, true), (2, false)]);
}

#[test]
fn areas_are_those_on_the_ground_not_on_the_unrolled_ribbon() {
    // Outside of a bend of 10 m radius, t = −2 m: 1.2 times as long as the reference line.
    let truth = disc(10.0, -2.0, 0.5, -0.03);
    let map = Lap {
        truth: &truth,
        ..Lap::default()
    }
    .map();
    let flat = map.spots(TOLERANCE_M, &|u, v| [u, v])[0].area_m2;
    let bend = |u: f64, v: f64| [(10.0 - v) * (u / 10.0).sin(), (10.0 - v) * (u / 10.0).cos()];
    let ratio = map.spots(TOLERANCE_M, &bend)[0].area_m2 / flat;
    assert!((ratio - 1.2).abs() < 0.02, "{ratio}");
}

#[test]
fn the_summary_states_cover_quantiles_and_verdict() {
    let map = Lap {
        per_m2: 400.0,
        ..Lap::default()
    }
    .map();
    let summary = map.summary(&[], TOLERANCE_M);
    assert_eq!(summary.verdict, Verdict::WithinTolerance);
    // Half, 95 and 99 % of |Gaussian| of 2 mm: 0.6745, 1.960, 2.576 sd (a sum of 12 uniform
    // numbers has slightly short tails); 72 720 points give 0.02 mm.
    let q = summary.d_quantiles_m.unwrap();
    for (found, truth) in q.iter().zip([0.001_349, 0.003_920, 0.005_152]) {
        assert!((found - truth).abs() < 0.000_15, "{q:?}");
    }
    assert!(summary.share_within > 0.999 && summary.coverage.share_with_points > 0.999);
    let truth = disc(18.0, -1.1, 0.6, -0.03);
    let lap = Lap {
        truth: &truth,
        ..Lap::default()
    };
    let summary = lap.map().summary(&lap.spots(), TOLERANCE_M);
    assert!(matches!(summary.verdict, Verdict::Beyond { spots: 1, share } if share < 0.01));
    assert!((summary.worst_m.unwrap() + 0.03).abs() < 0.002);
    let empty = Lap {
        per_m2: 0.0,
        ..Lap::default()
    }
    .map()
    .summary(&[], TOLERANCE_M);
    assert_eq!(empty.verdict, Verdict::NothingJudged);
    assert_eq!(
        (empty.d_quantiles_m, empty.coverage.cells_judged),
        (None, 0)
    );
}
