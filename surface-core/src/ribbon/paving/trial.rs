//! Small invented roads with known edges, scanned; and what the finder makes of them.

use super::{PavingError, PavingParams, find_edges};
use crate::cloud::{Frame, PackedPoint, TileStore, TileWriter};
use crate::numeric::{floor_i32, to_index, to_u16};
use crate::progress::Silent;
use crate::ribbon::{
    Edges, Gap, LineParams, ReferenceLine, Ribbon, RibbonParams, RibbonPoint, Side,
};

/// A road to scan: everything by s, metres.
pub(crate) struct Trial {
    pub line: ReferenceLine,
    pub left: fn(f64) -> f64,
    pub right: fn(f64) -> f64,
    pub density: f64,
    pub noise_m: f64,
    pub kerb: fn(f64) -> bool,
    pub white_line: bool,
    pub dark: fn(f64) -> bool,
    pub hole: fn(f64, f64) -> bool,
    /// Height of the grass, metres.
    pub grass_m: f64,
    pub store_dir: tempfile::TempDir,
}

/// A small repeatable generator (SplitMix64).
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

impl Trial {
    pub(crate) fn new(line: ReferenceLine) -> Self {
        Self {
            line,
            left: |_| 4.5,
            right: |_| -4.5,
            density: 500.0,
            noise_m: 0.0015,
            kerb: |_| false,
            white_line: false,
            dark: |_| false,
            hole: |_, _| false,
            grass_m: 0.05,
            store_dir: tempfile::tempdir().unwrap(),
        }
    }

    /// Scan the road and 6 m of verge.
    pub(crate) fn scan(&self) -> TileStore {
        let path = self.store_dir.path().join("tiles");
        let mut writer = TileWriter::create(&path, 1 << 22).unwrap();
        let mut dice = Dice(7);
        let length = self.line.length_m();
        let reach = 9.0;
        for _ in 0..to_index(length * 2.0 * reach * self.density) {
            let s = length * dice.unit();
            let t = reach * (2.0 * dice.unit() - 1.0);
            // Equal density on the ground: keep the share 1 − κt of what fell evenly in (s, t).
            let area = 1.0 - self.line.curvature_per_m(s) * t;
            if dice.unit() * 1.6 > area || (self.hole)(s, t) {
                continue;
            }
            let p = self.line.to_local(RibbonPoint { s, t });
            let feet = self.line.feet(p, t.abs() + 1e-6);
            if feet.iter().any(|f| f.t.abs() < t.abs() - 1e-6) {
                continue; // nearer to another leg, which scans it
            }
            let (z, intensity) = self.ground(s, t, &mut dice);
            let abc = [p[0], p[1], z].map(|v| Frame::pack(v).unwrap());
            let key = (floor_i32(p[0] / 16.0), floor_i32(p[1] / 16.0));
            let intensity = to_u16(intensity);
            let setup = 0;
            writer
                .append(
                    key,
                    &[PackedPoint {
                        abc,
                        intensity,
                        setup,
                    }],
                )
                .unwrap();
        }
        writer.finish().unwrap()
    }

    fn ground(&self, s: f64, t: f64, dice: &mut Dice) -> (f64, f64) {
        let plane = 0.02 * t + 0.4 * (s / 20.0).sin();
        let noise = self.noise_m * dice.normal();
        let inside = ((self.left)(s) - t).min(t - (self.right)(s));
        if inside < 0.0 {
            let blade = if dice.unit() < 0.5 {
                0.0
            } else {
                self.grass_m * dice.unit()
            };
            let soil = -0.012 + 0.15 * self.grass_m * dice.normal();
            return (
                plane + soil + blade + noise,
                16_000.0 + 2500.0 * dice.normal(),
            );
        }
        if (self.kerb)(s) && inside < 1.0 {
            let ribs = 0.008 * (s * std::f64::consts::TAU / 0.5).sin().max(0.0);
            let paint = if (s / 1.5).fract() < 0.5 {
                40_000.0
            } else {
                14_000.0
            };
            return (
                plane + 0.05 * (1.0 - inside) + ribs + noise,
                paint + 900.0 * dice.normal(),
            );
        }
        let white = self.white_line && (0.2..0.35).contains(&inside);
        let tone = match (white, (self.dark)(s)) {
            (true, _) => 45_000.0,
            (false, true) => 4500.0,
            (false, false) => 9000.0,
        };
        (plane + noise, tone * (1.0 + 0.1 * dice.normal()))
    }

    pub(crate) fn find(&self, guess: Option<&Edges>) -> Result<(Edges, Vec<Gap>), PavingError> {
        let store = self.scan();
        find_edges(
            &self.line,
            &store,
            guess,
            &PavingParams::default(),
            &mut Silent,
        )
    }

    /// 95th percentile and mean of |found − true| over both edges where `use_at` holds.
    pub(crate) fn errors(&self, edges: &Edges, use_at: fn(f64) -> bool) -> (f64, f64) {
        let mut all = Vec::new();
        for k in 0..edges.left_t_m.len() {
            let s = k as f64 * edges.step_m;
            if use_at(s) {
                all.push((edges.left_t_m[k] - (self.left)(s)).abs());
                all.push((edges.right_t_m[k] - (self.right)(s)).abs());
            }
        }
        let mean = all.iter().sum::<f64>() / all.len() as f64;
        (crate::numeric::quantile(&mut all, 0.95).unwrap(), mean)
    }
}

fn straight(length: f64) -> ReferenceLine {
    let n = to_index(length / 0.5);
    let knots = (0..=n)
        .map(|k| [100.0 + k as f64 * 0.5, 0.03 * k as f64])
        .collect();
    ReferenceLine::through(knots, 0.5 * 1.0018_f64.sqrt().sqrt(), false).unwrap()
}

fn ring(radius: f64) -> ReferenceLine {
    let n = to_index(std::f64::consts::TAU * radius / 0.5);
    let at = |k: usize| {
        let a = std::f64::consts::TAU * k as f64 / n as f64;
        [radius * a.cos(), radius * a.sin()]
    };
    let step = std::f64::consts::TAU * radius / n as f64;
    ReferenceLine::through((0..n).map(at).collect(), step, true).unwrap()
}

/// Two legs 60 m long and a half circle of `radius`.
fn hairpin(radius: f64) -> ReferenceLine {
    let arc = std::f64::consts::PI * radius;
    let total = 120.0 + arc;
    let n = to_index(total / 0.5);
    let at = |k: usize| {
        let s = total * k as f64 / n as f64;
        if s < 60.0 {
            [s, -radius]
        } else if s > 60.0 + arc {
            [120.0 + arc - s, radius]
        } else {
            let a = (s - 60.0) / radius;
            [60.0 + radius * a.sin(), -radius * a.cos()]
        }
    };
    ReferenceLine::fit(
        &(0..=n).map(at).collect::<Vec<_>>(),
        false,
        &LineParams::default(),
    )
    .unwrap()
}

fn inner_stations(s: f64) -> bool {
    s > 3.0
}

/// Error allowed on a simulated scan, metres (95 %): noise and point spacing give 10 to 20 mm, a
/// missed kerb is off by 1 m, a white line taken for the edge by 0.2 m.
const AIM_M: f64 = 0.05;

#[test]
fn planted_edges_are_found_without_a_hint() {
    let trial = Trial::new(straight(80.0));
    let (edges, gaps) = trial.find(None).unwrap();
    let (p95, _) = trial.errors(&edges, inner_stations);
    assert!(p95 < AIM_M, "{p95}");
    assert_eq!(gaps, []);
}

#[test]
fn a_change_of_width_is_followed() {
    let mut trial = Trial::new(straight(100.0));
    trial.left = |s| 4.0 + 2.0 * ((s - 40.0) / 20.0).clamp(0.0, 1.0);
    let (edges, _) = trial.find(None).unwrap();
    let (p95, _) = trial.errors(&edges, inner_stations);
    assert!(p95 < AIM_M, "{p95}");
}

#[test]
fn paint_kerb_and_dark_lots_stay_inside() {
    let mut trial = Trial::new(straight(100.0));
    trial.kerb = |s| (20.0..60.0).contains(&s);
    trial.white_line = true;
    trial.dark = |s| s > 70.0;
    let guess = Edges::constant(trial.line.length_m(), false, 0.5, 3.9, -4.2).unwrap();
    for guess in [None, Some(&guess)] {
        let (edges, _) = trial.find(guess).unwrap();
        let (p95, _) = trial.errors(&edges, inner_stations);
        assert!(p95 < AIM_M, "{p95}");
    }
}

#[test]
fn a_hole_in_the_scan_is_bridged_and_told() {
    let mut trial = Trial::new(straight(100.0));
    trial.hole = |s, t| (40.0..52.0).contains(&s) && t < -2.0;
    let (edges, gaps) = trial.find(None).unwrap();
    let (p95, _) = trial.errors(&edges, inner_stations);
    assert!(p95 < AIM_M, "{p95}");
    assert_eq!(gaps.len(), 1, "{gaps:?}");
    let gap = &gaps[0];
    assert!(
        gap.side == Side::Right && gap.reason.contains("no points"),
        "{gap:?}"
    );
    assert!(
        (gap.from_s_m - 40.0).abs() < 1.5 && (gap.to_s_m - 52.0).abs() < 1.5,
        "{gap:?}"
    );
}

#[test]
fn two_legs_eight_metres_apart_do_not_mix() {
    let mut trial = Trial::new(hairpin(4.0));
    trial.left = |_| 2.8;
    trial.right = |_| -3.0;
    let (edges, _) = trial.find(None).unwrap();
    let (p95, _) = trial.errors(&edges, inner_stations);
    assert!(p95 < AIM_M, "{p95}");
}

#[test]
fn a_hairpin_with_a_three_metre_inner_edge_is_found() {
    let trial = Trial::new(hairpin(7.5));
    let (edges, _) = trial.find(None).unwrap();
    let (p95, _) = trial.errors(&edges, inner_stations);
    assert!(p95 < AIM_M, "{p95}");
}

#[test]
fn a_sparse_ring_road_is_found_all_round() {
    // As an aerial cloud: 3 points per m², 20 mm of noise, a 5 m road of radius 29.24 m.
    let mut trial = Trial::new(ring(29.24));
    trial.left = |_| 2.5;
    trial.right = |_| -2.5;
    trial.density = 3.0 * 1.6;
    trial.noise_m = 0.02;
    trial.grass_m = 0.12;
    let guess = Edges::constant(trial.line.length_m(), true, 0.5, 2.2, -2.2).unwrap();
    let (edges, _) = trial.find(Some(&guess)).unwrap();
    let (p95, mean) = trial.errors(&edges, |_| true);
    // Half the spacing of points in the window of 6 m is 0.03 m; cells are 0.4 m wide.
    assert!(p95 < 0.35 && mean < 0.15, "{p95} {mean}");
}

#[test]
fn the_edges_do_not_depend_on_the_number_of_threads() {
    let trial = Trial::new(ring(25.0));
    let store = trial.scan();
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        let params = PavingParams::default();
        pool.install(|| find_edges(&trial.line, &store, None, &params, &mut Silent))
            .unwrap()
    };
    let (one, two) = (with(1), with(2));
    assert_eq!(one, two);
    let (p95, _) = trial.errors(&one.0, |_| true);
    assert!(p95 < AIM_M, "{p95}");
    let ribbon = Ribbon {
        frame: Frame { origin_m: [0.0; 3] },
        line: trial.line.clone(),
        edges: one.0,
        gaps: one.1,
    };
    let back = Ribbon::from_geojson(&ribbon.to_geojson().unwrap()).unwrap();
    assert_eq!(back, ribbon);
}

#[test]
fn a_rough_course_becomes_a_centred_ribbon() {
    // The course as a skeleton gives it: cells of 0.5 m, a metre beside the middle.
    let trial = Trial::new(hairpin(7.5));
    let rough = |k: usize| {
        let p = trial.line.to_local(RibbonPoint {
            s: k as f64 * 0.5,
            t: 1.0,
        });
        p.map(|v| ((v * 2.0).floor() + 0.5) / 2.0)
    };
    let rough: Vec<[f64; 2]> = (0..280).map(rough).collect();
    let store = trial.scan();
    let params = RibbonParams::default();
    let frame = Frame { origin_m: [0.0; 3] };
    let ribbon = Ribbon::from_course(&rough, false, frame, &store, &params, &mut Silent).unwrap();
    let mut off = Vec::new();
    for k in 4..270 {
        for (edge, t) in [(4.5, 4.4), (4.5, 4.6), (-4.5, -4.4), (-4.5, -4.6)] {
            let p = trial.line.to_local(RibbonPoint {
                s: f64::from(k) * 0.5,
                t,
            });
            let on = ribbon.locate(p).is_some();
            off.push(f64::from(u8::from(on != (t.abs() < f64::abs(edge)))));
        }
    }
    let wrong = off.iter().sum::<f64>() / off.len() as f64;
    // Points 0.1 m inside and outside of the true edge fall on the right side of the found one.
    assert!(wrong < 0.01, "{wrong}");
    assert!(ribbon.fold_ratio() <= 0.8 && ribbon.is_centred());
}
