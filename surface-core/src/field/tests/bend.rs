//! What windows take off waves and give back.

use super::super::bend::WIDER;
use super::*;

/// How much of a wave of 2 m and 0.4 mm along s the field holds: the fit of a scan with it less that
/// of the same scan without.
fn gain_of_a_wave(level_m: f64) -> f64 {
    let wave = |s: f64| (std::f64::consts::PI * s).sin();
    let with = fit(&scan(51, |s, _| 4e-4 * wave(s)), level_m);
    let without = fit(&scan(51, |_, _| 0.0), level_m);
    let (mut top, mut all) = (0.0, 0.0);
    for (row, column) in (20..ROWS - 20).flat_map(|r| (10..55).map(move |c| (r, c))) {
        let node = |rows: &FieldRows| rows.node(row, column).unwrap().z_m;
        let wave = wave(with.lattice.row_s_m(row));
        top += wave * (node(&with) - node(&without));
        all += 4e-4 * wave * wave;
    }
    top / all
}

#[test]
fn a_wave_of_two_metres_passes_as_the_transfer_function_says() {
    // 4000 points of 1 mm a square metre: b = 0.1764·(1e-9·4e9)^(−1/3) m.
    let x = 0.5 * (std::f64::consts::PI * 0.1764).powi(2) * 4f64.powf(-2.0 / 3.0);
    // And for chords between heights 0.1 m apart: π²·k²·h²/3.
    let chords = (std::f64::consts::PI * 0.5 * 0.1).powi(2) / 3.0;
    let predicted = (-x).exp() + (x + chords) * (-WIDER * WIDER * x).exp();
    let gain = gain_of_a_wave(1e-9);
    println!(
        "{gain:.4}, by the transfer function {predicted:.4}, a plane {:.4}",
        (-x).exp()
    );
    // A plane alone is 5 % lower; cells weigh a few percent less than their points.
    assert!((gain - predicted).abs() < 0.01, "{gain} for {predicted}");
}

#[test]
fn a_surface_straight_between_heights_has_the_crests_of_the_road() {
    // Of 1 m: chords alone would take 3.3 % off, (π·0.1)²/3.
    let wave = |s: f64| (2.0 * std::f64::consts::PI * s).sin();
    let rows = fit(&scan(54, |s, _| 2e-3 * wave(s)), 1e-6);
    let (mut top, mut all) = (0.0, 0.0);
    for (row, column) in (20..ROWS - 21).flat_map(|r| (10..55).map(move |c| (r, c))) {
        let z = |row| rows.node(row, column).unwrap().z_m;
        for part in [0.05, 0.35, 0.65, 0.95] {
            let s = rows.lattice.row_s_m(row) + part * rows.lattice.s_step_m;
            top += wave(s) * ((1.0 - part) * z(row) + part * z(row + 1));
            all += 2e-3 * wave(s) * wave(s);
        }
    }
    let gain: f64 = top / all;
    println!("{gain:.4}");
    assert!((gain - 1.0).abs() < 0.015, "{gain}");
}

#[test]
fn a_step_that_nothing_marks_is_not_overshot() {
    let up = |t: f64| if t > 0.03 { 0.005 } else { 0.0 };
    let flat = fit(&scan(52, smooth), 1e-8);
    let step = fit(&scan(52, |s, t| smooth(s, t) + up(t)), 1e-8);
    let (mut over, mut n) = (0.0f64, 0);
    for (row, column) in (0..ROWS).flat_map(|r| (0..65).map(move |c| (r, c))) {
        let t = flat.lattice.column_t_m(column);
        let off = (t - 0.03).abs();
        let nodes = step.node(row, column).zip(flat.node(row, column));
        if let Some((a, b)) = nodes.filter(|_| off > 0.1 && off < 0.6) {
            let beyond = (a.z_m - b.z_m - up(t)) * if t > 0.03 { 1.0 } else { -1.0 };
            over = over.max(beyond);
            n += 1;
        }
    }
    println!("{:.3} mm over at {n} nodes", 1e3 * over);
    assert!(n > 1000 && over < 2e-4, "{over}");
}

#[test]
fn the_widest_windows_see_as_far_at_the_border_of_a_run() {
    // On so smooth a road windows are as wide as they may be: 3 steps, and 5.7 for the bend.
    let (lattice, limits, own) = (lattice(), limits(), 61);
    let sums = cell_sums(&scan(53, smooth), &lattice, 0, &limits, as_delivered());
    let params = KernelParams {
        level_m: 1e-12,
        bridge_m: 0.1,
    };
    let heights = |rows: usize| {
        let field = first_rows(&sums, own, rows, params);
        field.z_m.iter().map(|z| z.to_bits()).collect::<Vec<u64>>()
    };
    let halo = halo_rows(&lattice, params.bridge_m);
    assert_eq!(halo, 15);
    let whole = heights(ROWS);
    assert_eq!(heights(own + halo), whole);
    assert_ne!(heights(own + halo - 3), whole);
}

/// A ramp of 40 mm over 0.7 m and a level top, with ribs of 10 mm each half metre, as kerbs have.
fn kerb(s: f64, t: f64) -> f64 {
    let u = ((t - 1.0) / 0.7).clamp(0.0, 1.0);
    let rib = 0.5 + 0.5 * (2.0 * std::f64::consts::TAU * s).cos();
    u * u * (3.0 - 2.0 * u) * (0.04 + 0.01 * rib)
}

#[test]
fn a_kerb_keeps_foot_crest_and_ribs_though_the_road_beside_it_is_smooth() {
    let level_m = 1e-9;
    let flat = fit(&scan(55, smooth), level_m);
    let rows = fit(&scan(55, |s, t| smooth(s, t) + kerb(s, t)), level_m);
    let (mut squares, mut sum, mut n) = (0.0, 0.0f64, 0.0);
    for (row, column) in (5..ROWS - 5).flat_map(|r| (0..65).map(move |c| (r, c))) {
        let t = rows.lattice.column_t_m(column);
        let nodes = rows.node(row, column).zip(flat.node(row, column));
        if let Some((a, b)) = nodes.filter(|_| (0.9..1.8).contains(&t)) {
            let off = a.z_m - b.z_m - kerb(rows.lattice.row_s_m(row), t);
            squares += off * off;
            sum += off;
            n += 1.0;
        }
    }
    let rms = f64::sqrt(squares / n);
    let mean = sum / n;
    println!("{:.3} mm, {:+.3} in the mean", 1e3 * rms, 1e3 * mean);
    // Windows as wide as the road's gave 1.62 and −0.60 mm; cells alone have 0.16 mm of noise.
    assert!(
        n > 500.0 && rms < 0.8e-3 && mean.abs() < 0.1e-3,
        "{rms} {mean}"
    );
}

#[test]
fn ribs_that_a_wide_window_does_not_see_are_kept() {
    // Ribs of 10 mm every half a metre under four points a cell: windows of the course, 0.11 m wide, keep
    // 38 % of them, and those that tell the bend see next to nothing of them.
    let ribs = |s: f64| 5e-3 * (4.0 * std::f64::consts::PI * s).cos();
    let points: Vec<_> = scan(58, |s, _| ribs(s)).into_iter().step_by(10).collect();
    let rows = fit(&points, 1e-8);
    let off = errors(
        &rows,
        |s, _| ribs(s),
        |s, t| (0.5..12.0).contains(&s) && t.abs() < 2.5,
    );
    println!("{:.3} mm", 1e3 * rms(&off));
    // Measured 0.83 mm, of which a cell's own noise is 0.5; 2.5 mm where bends alone tell rough ground.
    assert!(rms(&off) < 1e-3, "{}", rms(&off));
}
