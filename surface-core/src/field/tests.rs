//! The two steps of the fit together, on planted roads.

mod bend;
mod cut;
mod joint;
mod lone;
mod standing;

use super::*;
use crate::cloud::{Frame, PackedPoint};
use crate::setups::{Correction, SetupModel, SetupModels};

/// splitmix64 (Steele, Lea, Flood 2014): a generator small enough to stand here.
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        f64::from(crate::numeric::to_f32(
            (((z ^ (z >> 31)) >> 40) as f64) / 16_777_216.0,
        ))
    }

    /// Irwin–Hall of twelve: a Gaussian to within the needs of these tests.
    fn gauss(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// Setups of which nothing is known, on a straight road along x.
fn as_delivered() -> Trust<'static> {
    static NONE: std::sync::OnceLock<SetupModels> = std::sync::OnceLock::new();
    Trust {
        setups: NONE.get_or_init(SetupModels::default),
        place: &|s, t| [s, t],
    }
}

const ROWS: usize = 129;
const HALF_WIDTH_M: f64 = 3.0;

fn lattice() -> Lattice {
    Lattice::new([0.1, 0.1], ROWS, -32..33, false).unwrap()
}

fn limits() -> RowLimits {
    RowLimits {
        left_t_m: vec![HALF_WIDTH_M; ROWS],
        right_t_m: vec![-HALF_WIDTH_M; ROWS],
    }
}

/// Points at 4000 per m² on z(s, t) with 1 mm of noise.
fn scan(seed: u64, z: impl Fn(f64, f64) -> f64) -> Vec<PackedPoint> {
    let mut random = Random(seed);
    let count = 4000 * 77;
    let mut point = |_| {
        let (s, t) = (12.85 * random.uniform(), 6.0 * random.uniform() - 3.0);
        let abc = [s, t, z(s, t) + 1e-3 * random.gauss()].map(|v| Frame::pack(v).unwrap());
        PackedPoint {
            abc,
            intensity: 0,
            setup: 5,
        }
    };
    (0..count).map(&mut point).collect()
}

fn fit(points: &[PackedPoint], level_m: f64) -> FieldRows {
    fit_with(points, level_m, as_delivered())
}

fn fit_with(points: &[PackedPoint], level_m: f64, trust: Trust) -> FieldRows {
    let lattice = lattice();
    let sums = cell_sums(points, &lattice, 0, &limits(), trust);
    let window = Window::join(&lattice, 0, &[(&sums, 0..ROWS)]);
    let mut rows = FieldRows::empty(lattice, 0, ROWS).unwrap();
    fit_rows(
        &window,
        &limits(),
        KernelParams {
            level_m,
            bridge_m: 0.5,
        },
        &mut rows,
    );
    rows
}

fn errors(
    rows: &FieldRows,
    z: impl Fn(f64, f64) -> f64,
    keep: impl Fn(f64, f64) -> bool,
) -> Vec<f64> {
    let mut out = Vec::new();
    for row in 0..ROWS {
        for column in 0..rows.lattice.columns {
            let (s, t) = (rows.lattice.row_s_m(row), rows.lattice.column_t_m(column));
            if let Some(node) = rows.node(row, column).filter(|_| keep(s, t)) {
                out.push(node.z_m - z(s, t));
            }
        }
    }
    out
}

fn rms(e: &[f64]) -> f64 {
    (e.iter().map(|v| v * v).sum::<f64>() / e.len() as f64).sqrt()
}

fn smooth(s: f64, t: f64) -> f64 {
    0.02 * s - 0.015 * t + 0.002 * (s * 0.9).sin()
}

#[test]
fn sums_of_two_scans_add_up_to_those_of_both() {
    let (a, b) = (scan(1, smooth), scan(2, smooth));
    let both = [a.clone(), b.clone()].concat();
    let sums = |points: &[PackedPoint]| cell_sums(points, &lattice(), 0, &limits(), as_delivered());
    let (a, b, both) = (sums(&a), sums(&b), sums(&both));
    let (mut off, mut points) = (Vec::new(), [0u32; 2]);
    for k in (0..both.w.len()).filter(|&k| a.n[k] > 10 && b.n[k] > 10) {
        let (w, wz) = (a.w[k] + b.w[k], a.wz[k] + b.wz[k]);
        off.push((wz / w - both.wz[k] / both.w[k]) * both.w[k].sqrt());
        points[0] += a.n[k] + b.n[k];
        points[1] += both.n[k];
        assert!((w / both.w[k] - 1.0).abs() < 0.25, "{k}: {w} {}", both.w[k]);
    }
    // The same points: only a few at the ends of Tukey's weights count in one way and not the other.
    assert!(
        off.len() > 5000 && rms(&off) < 0.15,
        "{} {}",
        off.len(),
        rms(&off)
    );
    let share = f64::from(points[0]) / f64::from(points[1]);
    assert!((share - 1.0).abs() < 2e-3, "{share}");
}

#[test]
fn a_smooth_road_is_fitted_well_below_the_noise_of_a_cell_and_says_so() {
    let rows = fit(&scan(1, smooth), 1e-8);
    let e = errors(&rows, smooth, |_, _| true);
    assert_eq!(e.len(), ROWS * 61);
    // One cell's mean has 1 mm/√40 = 0.16 mm; the window at this level takes about five cells.
    assert!(rms(&e) < 1.2e-4, "rms {}", rms(&e));
    let k = rows.index(60, 32).unwrap();
    // The stated σ includes the road that a level of 1e-8 m leaves out: 0.1–0.2 mm.
    assert!(
        (5e-5..3e-4).contains(&f64::from(rows.sigma_m[k])),
        "σ {}",
        rows.sigma_m[k]
    );
    assert!((f64::from(rows.slope_t[k]) + 0.015).abs() < 3e-3);
}

#[test]
fn a_car_in_a_third_of_the_points_and_strays_change_nothing() {
    let clean = fit(&scan(2, smooth), 1e-8);
    let mut points = scan(2, smooth);
    let mut random = Random(9);
    for (k, p) in points.iter_mut().enumerate() {
        let [s, t, _] = p.metres();
        let under = (4.0..8.0).contains(&s) && (-1.0..0.8).contains(&t);
        if (under && k % 3 == 0) || k % 97 == 0 {
            let z = smooth(s, t) + 0.2 + random.uniform();
            p.abc[2] = Frame::pack(z).unwrap();
            p.setup = 6;
        }
    }
    let rows = fit(&points, 1e-8);
    let worst = rows
        .z_m
        .iter()
        .zip(&clean.z_m)
        .filter(|(a, _)| a.is_finite());
    let worst = worst.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    // A third fewer points under the car move a node by a fraction of its σ of 0.1 mm.
    assert!(worst < 3e-4, "a node moved by {worst} m");
    assert!(rows.flags.iter().any(|f| f & flags::OUTLIERS != 0));
}

#[test]
fn a_car_that_hides_the_road_leaves_a_hole_and_no_hump() {
    let mut points = scan(3, smooth);
    for p in &mut points {
        let [s, t, _] = p.metres();
        if (4.0..8.0).contains(&s) && (-1.0..0.8).contains(&t) {
            // A flat roof: its middle agrees with all that is around it.
            p.abc[2] = Frame::pack(smooth(s, t) + 1.2).unwrap();
        }
    }
    let rows = fit(&points, 1e-8);
    assert!(rows.node(60, 32).is_none());
    let hidden = join_hidden(&hidden_in(&rows), None);
    assert_eq!(hidden.len(), 1, "{hidden:?}");
    let (s, t) = (hidden[0].s_m, hidden[0].t_m);
    assert!(
        (s[0] - 4.0).abs() < 0.2 && (s[1] - 8.0).abs() < 0.2,
        "{s:?}"
    );
    assert!(
        (t[0] + 1.0).abs() < 0.2 && (t[1] - 0.8).abs() < 0.2,
        "{t:?}"
    );
    assert!((hidden[0].area_m2 - 7.2).abs() < 0.8, "{hidden:?}");
    let e = errors(&rows, smooth, |_, _| true);
    assert!(
        e.iter().all(|v| v.abs() < 1e-3),
        "worst {}",
        e.iter().fold(0.0, |a: f64, v| a.max(v.abs()))
    );
}

#[test]
fn a_car_stays_out_of_the_field_at_any_spacing() {
    for (spacing_m, rows) in [(0.05, 256), (0.02, 384)] {
        let columns = crate::numeric::round_i32(2.0 / spacing_m);
        let lattice = Lattice::new([spacing_m; 2], rows, -columns..columns + 1, false).unwrap();
        let limits = RowLimits {
            left_t_m: vec![2.0; rows],
            right_t_m: vec![-2.0; rows],
        };
        // 1.6 m by 1.8 m of flat roof within 3.8 m of road or more, at its end.
        let under = |s: f64, t: f64| s > 2.0 && s < 3.6 && (-1.0..0.8).contains(&t);
        let length_m = lattice.row_s_m(rows - 1);
        let mut points = scan(45, |s, t| {
            smooth(s, t) + if under(s, t) { 1.2 } else { 0.0 }
        });
        points.retain(|p| p.metres()[0] < length_m && p.metres()[1].abs() < 2.0);
        let sums = cell_sums(&points, &lattice, 0, &limits, as_delivered());
        let mut seen = 0;
        for cell in (0..sums.n.len()).filter(|&cell| sums.n[cell] > 0) {
            let node = [cell / sums.columns, cell % sums.columns];
            let (s, t) = (lattice.row_s_m(node[0]), lattice.column_t_m(node[1]));
            let off = sums.wz[cell] / sums.w[cell] - smooth(s, t);
            // A point of 1 mm alone in a cell, and the slope over half a cell.
            assert!(off.abs() < 8e-3, "{spacing_m}: {off} at {s}, {t}");
            seen += 1;
        }
        let (aside, all) = (sums.set_aside.iter().sum::<u32>(), points.len());
        println!("{spacing_m}: {seen} cells, {aside} of {all} points set aside");
        assert!(seen > sums.n.len() / 2);
    }
}

#[test]
fn a_five_millimetre_seam_stays_a_step() {
    let seam = |s: f64, t: f64| smooth(s, t) + if t > 0.03 { 0.005 } else { 0.0 };
    let rows = fit(&scan(4, seam), 1e-8);
    let mut e: Vec<f64> = errors(&rows, seam, |_, t| (t - 0.03).abs() < 0.15)
        .iter()
        .map(|v| v.abs())
        .collect();
    e.sort_unstable_by(f64::total_cmp);
    let p95 = e[e.len() * 95 / 100];
    // A plain window of the same width is 2.4 mm off at the step.
    assert!(p95 < 1.5e-3, "95 % {p95}");
}

#[test]
fn a_pothole_wider_than_the_spacing_keeps_its_depth() {
    let hole = |s: f64, t: f64| {
        let r = (s - 6.0).hypot(t);
        smooth(s, t) - if r < 0.175 { 0.03 } else { 0.0 }
    };
    let rows = fit(&scan(5, hole), 1e-8);
    let node = rows.node(60, 32).unwrap();
    assert!(
        (node.z_m - hole(6.0, 0.0)).abs() < 1e-3,
        "{}",
        node.z_m - smooth(6.0, 0.0)
    );
}

#[test]
fn a_crack_wider_than_the_spacing_keeps_its_depth() {
    // About a row of nodes, and half way between two, where a narrow one fills neither row's cells.
    for (middle, width_m, least) in [
        (6.02, 0.12, 0.98),
        (6.05, 0.12, 0.85),
        (6.05, 0.2, 0.98),
        (6.02, 0.3, 0.98),
    ] {
        let crack = |s: f64, _: f64| (s - middle).abs() < 0.5 * width_m;
        let deep = |s: f64, t: f64| smooth(s, t) - if crack(s, t) { 0.012 } else { 0.0 };
        let rows = fit(&scan(5, deep), 1e-8);
        let depth = |column| -> f64 {
            let node = rows.node(60, column).unwrap();
            smooth(6.0, rows.lattice.column_t_m(column)) - node.z_m
        };
        let mean = (12..53).map(depth).sum::<f64>() / 41.0;
        println!("{width_m} m about {middle}: {:.1} of 12 mm", 1e3 * mean);
        assert!((least..1.02).contains(&(mean / 0.012)), "{width_m}: {mean}");
    }
}

#[test]
fn narrow_holes_are_bridged_and_flagged_and_wide_ones_stay_holes() {
    let points: Vec<_> = scan(6, smooth)
        .into_iter()
        .filter(|p| {
            let [s, t, _] = p.metres();
            !((3.0..3.4).contains(&s) || (6.0..7.5).contains(&s) && t.abs() < 1.0)
        })
        .collect();
    let rows = fit(&points, 1e-8);
    let bridged = rows.node(32, 32).unwrap();
    assert!(bridged.flags & flags::BRIDGED != 0 && (bridged.z_m - smooth(3.2, 0.0)).abs() < 2e-3);
    assert!(rows.node(68, 32).is_none());
}

/// Nodes with a height between two stations, in the middle of a road with a hole across it from
/// s = 6 m on, and how far the worst of them is off.
fn across_a_hole(hole_m: f64, bridge_m: f64, step_m: f64) -> (usize, f64) {
    let rows = crate::numeric::to_index(12.8 / step_m) + 1;
    let lattice = Lattice::new([step_m, 0.1], rows, -12..13, false).unwrap();
    let limits = RowLimits {
        left_t_m: vec![1.0; rows],
        right_t_m: vec![-1.0; rows],
    };
    let mut points = scan(44, smooth);
    points.retain(|p| {
        let [s, t, _] = p.metres();
        t.abs() < 1.0 && !(6.0..6.0 + hole_m).contains(&(s + 0.5 * step_m))
    });
    let sums = cell_sums(&points, &lattice, 0, &limits, as_delivered());
    let window = Window::join(&lattice, 0, &[(&sums, 0..rows)]);
    let mut out = FieldRows::empty(lattice, 0, rows).unwrap();
    let params = KernelParams {
        level_m: 1e-8,
        bridge_m,
    };
    fit_rows(&window, &limits, params, &mut out);
    let (mut n, mut worst) = (0, 0.0f64);
    for row in (0..rows).filter(|r| (5.99..5.99 + hole_m).contains(&lattice.row_s_m(*r))) {
        if let Some(node) = out.node(row, 12) {
            n += 1;
            worst = worst.max((node.z_m - smooth(lattice.row_s_m(row), 0.0)).abs());
        }
    }
    (n, worst)
}

#[test]
fn a_hole_is_bridged_whole_or_not_at_all_at_any_spacing() {
    // 12 cells of 0.1 m and 25 of 0.02 m; the road bends by 0.3 mm over 1.2 m.
    for (hole_m, bridge_m, step_m, cells) in [(1.2, 1.2, 0.1, 12), (0.5, 0.5, 0.02, 25)] {
        let (n, worst) = across_a_hole(hole_m, bridge_m, step_m);
        assert_eq!(n, cells, "{step_m}");
        assert!(worst < 1e-3, "{step_m}: {worst}");
    }
    assert_eq!(across_a_hole(1.2, 1.1, 0.1).0, 0);
    assert_eq!(across_a_hole(0.5, 0.46, 0.02).0, 0);
}

/// The field of the first `own` rows, that see the cells of the first `rows`.
fn first_rows(sums: &CellSums, own: usize, rows: usize, params: KernelParams) -> FieldRows {
    let (lattice, all) = (lattice(), limits());
    let window = Window::join(&lattice, 0, &[(sums, 0..rows)]);
    let mut out = FieldRows::empty(lattice, 0, own).unwrap();
    let limits = RowLimits {
        left_t_m: all.left_t_m[..own].to_vec(),
        right_t_m: all.right_t_m[..own].to_vec(),
    };
    fit_rows(&window, &limits, params, &mut out);
    out
}

/// A hole of 12 cells begins with the last row of a run: heights there are those of the whole course.
/// A halo as long as the hole makes 0.17 mm.
#[test]
fn the_halo_holds_all_that_windows_over_a_hole_see() {
    let (lattice, limits, own) = (lattice(), limits(), 61);
    let mut points = scan(45, smooth);
    points.retain(|p| !(5.95..7.15).contains(&p.metres()[0]));
    let sums = cell_sums(&points, &lattice, 0, &limits, as_delivered());
    let params = KernelParams {
        level_m: 1e-8,
        bridge_m: 1.2,
    };
    let heights = |rows: usize| {
        let last = (own - 1) * lattice.columns;
        first_rows(&sums, own, rows, params).z_m[last..].to_vec()
    };
    let whole = heights(ROWS);
    assert!(whole.iter().filter(|z| z.is_finite()).count() > 20);
    let off_m = |rows: usize| {
        let pairs = heights(own + rows).into_iter().zip(&whole);
        let off = pairs.map(|(a, b)| {
            assert_eq!(a.is_finite(), b.is_finite());
            (a - b).abs()
        });
        off.fold(0.0, f64::max)
    };
    let halo = off_m(halo_rows(&lattice, params.bridge_m));
    // With the hole alone a window sees but the first row beyond it.
    let short = off_m(12);
    assert!(halo < 1e-15 && short > 1e-5, "{halo:e} {short:e}");
}

#[test]
fn the_level_of_a_random_walk_road_is_found_through_the_noise() {
    // A road that is a random walk along s has D(d) = q·d, as S(k) = A·k⁻³ has 8π²·A·d.
    let (a, mut random) = (1e-8, Random(7));
    let mut walk = vec![0.0; 2600];
    for k in 1..walk.len() {
        walk[k] = walk[k - 1] + (78.957 * a * 0.005_f64).sqrt() * random.gauss();
    }
    let z = |s: f64, _: f64| walk[crate::numeric::to_index(s / 0.005)];
    let sums = cell_sums(&scan(8, z), &lattice(), 0, &limits(), as_delivered());
    let level = road_level_m(&sums, &lattice()).unwrap();
    // One walk of 12.8 m has about 30 independent lags: ±40 %; all columns share it.
    assert!((0.4e-8..2.2e-8).contains(&level), "level {level}");
}

/// Setup 5 is 3 mm too high and rises by 50 µrad along s; nothing else is known.
fn setup_five_is_off() -> SetupModels {
    let mut setups = vec![SetupModel::default(); 7];
    setups[5].correction = Correction {
        offset_m: 3e-3,
        tilt_rad: [50e-6, 0.0],
        about_m: [6.0, 0.0],
        ..Correction::default()
    };
    setups[6].left_out = true;
    SetupModels::new(setups)
}

#[test]
fn corrections_come_off_and_points_of_a_setup_left_out_do_not_count() {
    let mut points = scan(31, |s, _| 1.0 + 3e-3 + 50e-6 * (s - 6.0));
    let wrong = PackedPoint {
        setup: 6,
        abc: points[0].abc.map(|v| v + 100),
        ..points[0]
    };
    points.extend(vec![wrong; 500]);
    let models = setup_five_is_off();
    let trust = Trust {
        setups: &models,
        place: &|s, t| [s, t],
    };
    let sums = cell_sums(&points, &lattice(), 0, &limits(), trust);
    let alone = &points[..points.len() - 500];
    assert_eq!(sums, cell_sums(alone, &lattice(), 0, &limits(), trust));
    let (w, wz) = (sums.w.iter().sum::<f64>(), sums.wz.iter().sum::<f64>());
    // 300 000 points of 1 mm: the mean is known to 0.002 mm; a block's slope is a micrometre.
    assert!((wz / w - 1.0).abs() < 1e-5, "{}", wz / w - 1.0);
}

#[test]
fn places_tell_the_difference_of_two_setups_and_their_scatter() {
    let mut points = scan(32, |_, t| 0.02 * t);
    for (k, point) in points.iter_mut().enumerate() {
        if k % 2 == 0 {
            point.setup = 6;
            point.abc[2] += 100;
        }
    }
    let mark = Mark {
        s_m: 6.42,
        t_m: 1.03,
        z_m: 0.02 * 1.03 + 4e-3,
        variance_m2: 4e-6,
    };
    let seen = places_seen(&points, &lattice(), 0, &limits(), as_delivered(), &[mark]);
    // A third of 33 × 16 blocks; those at the edges are cut.
    assert!((120..200).contains(&seen.len()), "{}", seen.len());
    let surveyed: Vec<f32> = seen
        .iter()
        .flat_map(|p| p.sights)
        .filter(|s| s.setup == crate::setups::SURVEYED)
        .map(|s| s.mean_m)
        .collect();
    // The mark lies 4 mm over setup 5, 2 mm under setup 6, whose points are mixed in the plane.
    assert_eq!(surveyed.len(), 1);
    assert!((surveyed[0] - 3e-3).abs() < 4e-4, "{surveyed:?}");
    let (mut difference, mut variance, mut n) = (0.0, 0.0, 0.0);
    for place in seen.iter() {
        let of = |setup| place.sights.iter().find(|s| s.setup == setup).unwrap();
        difference += f64::from(of(6).mean_m - of(5).mean_m);
        variance += 0.5 * f64::from(of(5).variance_m2 + of(6).variance_m2);
        n += 1.0;
    }
    // 2 mm planted; 170 places of two means of 300 points each know it to 0.01 mm.
    assert!((difference / n - 2e-3).abs() < 4e-5, "{}", difference / n);
    // 1 mm planted, and 3 % for planes that are fitted to 96 points of a block.
    assert!(
        (variance / n / 1.03e-6 - 1.0).abs() < 0.03,
        "{}",
        variance / n
    );
}

#[test]
fn heights_in_coarse_steps_come_out_smooth() {
    const STEP_M: f64 = 0.01;
    let rounded = SetupModels::of_steps(&[STEP_M; 6]);
    // Crossfall of 2.5 %, a grade of 1 % and a crest: bands of one height are 0.4 m wide.
    let road = |s: f64, t: f64| 0.025 * t + 0.01 * s - 2e-4 * (s - 6.4).powi(2);
    for (noise, seed) in [(0.3, 41), (2.0, 42), (5.0, 43)] {
        let mut points = scan(seed, |s, t| road(s, t) / noise);
        for p in &mut points {
            let z = Frame::unpack(p.abc[2]) * noise;
            p.abc[2] = Frame::pack((z / STEP_M).round() * STEP_M).unwrap();
        }
        let trust = Trust {
            setups: &rounded,
            place: &|s, t| [s, t],
        };
        let rows = fit_with(&points, 1e-9, trust);
        let (mut squares, mut jumps, mut told, mut n) = (0.0, 0.0, 0.0, 0.0);
        let mut steps = 0;
        for row in 4..ROWS - 4 {
            for column in 8..57 {
                let k = row * 65 + column;
                let (s, t) = (0.1 * row as f64, 0.1 * (column as f64 - 32.0));
                let error = |k: usize, t: f64| rows.z_m[k] - road(s, t);
                squares += error(k, t).powi(2);
                jumps += (error(k + 1, t + 0.1) - error(k, t)).powi(2);
                told += f64::from(rows.sigma_m[k]).powi(2);
                steps += usize::from(rows.flags[k] & flags::STEP != 0);
                n += 1.0;
            }
        }
        let [rms, jump, sigma] = [squares, jumps, told].map(|v: f64| (v / n).sqrt());
        // Measured: 0.04, 0.05 and 0.10 mm, 0.01 to 0.02 mm from node to node; a surface that
        // follows the steps errs by 2.9 mm. σ: 0.26, 0.15 and 0.13 mm.
        assert!(rms < 1.5e-4 && jump < 5e-5, "{noise}: {rms}, {jump}");
        assert!((rms..4e-4).contains(&sigma), "{noise}: {sigma} for {rms}");
        assert_eq!(steps, 0, "{noise}");
    }
}

#[test]
fn a_section_of_more_than_half_a_closed_course_keeps_its_points_and_marks() {
    // 160 rows: the first section is 128 of them, and rows 80 to 127 lie past half the lap.
    let lattice = Lattice::new([0.1, 0.1], 160, -4..5, true).unwrap();
    let limits = RowLimits {
        left_t_m: vec![0.4; 128],
        right_t_m: vec![-0.4; 128],
    };
    let mut points = Vec::new();
    for (row, k) in (0..160).flat_map(|row| (0..81).map(move |k| (row, k))) {
        // The last row's points lie in its further half, which belongs to row 0.
        let s = 0.1 * f64::from(row) + if row == 159 { 0.07 } else { 0.02 };
        let abc = [s, 0.01 * f64::from(k - 40), 0.0].map(|v| Frame::pack(v).unwrap());
        points.push(PackedPoint {
            abc,
            intensity: 0,
            setup: 5,
        });
    }
    let sums = cell_sums(&points, &lattice, 0, &limits, as_delivered());
    let in_row = |row: usize| sums.n[row * 9..(row + 1) * 9].iter().sum::<u32>();
    assert_eq!(in_row(0), 2 * 81);
    assert!((1..128).all(|row| in_row(row) == 81));
    for s_m in [0.02, 9.03, 15.97] {
        let mark = Mark {
            s_m,
            t_m: 0.0,
            z_m: 0.0,
            variance_m2: 4e-6,
        };
        let seen = places_seen(&points, &lattice, 0, &limits, as_delivered(), &[mark]);
        let marks = seen.iter().flat_map(|p| p.sights);
        let marks = marks.filter(|s| s.setup == crate::setups::SURVEYED);
        assert_eq!(marks.count(), 1, "{s_m}");
    }
}
