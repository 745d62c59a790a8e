//! Detection of change against outside references: Benjamini–Hochberg of statsmodels, tails of
//! scipy, the published level of detection by hand, and changes of analytic area and volume.

use std::f64::consts::PI;

use surface_core::field::Lattice;
use surface_core::numeric::{to_f32, to_index, two_sided_p};
use surface_core::rescan::{
    Change, DetectParams, Detection, Grid, Kind, Pair, PublishedLevel, Scatter, Surroundings,
    adjusted_p, changes, detect, discoveries,
};
use surface_tests::proving::rng::Rng;
use surface_tests::python;

#[test]
fn the_published_level_of_detection_is_that_worked_by_hand() {
    let level = |s1, n1, s2, n2, reg_m| {
        let scatter = |sd_m, n| Scatter { sd_m, n };
        PublishedLevel { reg_m }.lod95_m(scatter(s1, n1), scatter(s2, n2))
    };
    // Lague, Brodu & Leroux 2013, eq. 1: 1.96 (√(s₁²/n₁ + s₂²/n₂) + reg).
    // √(2 · 1.41²/100) = 0.19940 mm; · 1.96 = 0.39083 mm; with reg 2.34 mm, 1.96 · 2.53940 mm.
    let close = |a: f64, b_mm: f64| assert!((1e3 * a - b_mm).abs() < 5e-5, "{a} {b_mm}");
    close(level(1.41e-3, 100.0, 1.41e-3, 100.0, 0.0), 0.3908);
    close(level(1.41e-3, 100.0, 1.41e-3, 100.0, 2.34e-3), 4.9772);
    // √(9/36 + 16/64) mm = 0.70711 mm; · 1.96 = 1.38593 mm.
    close(level(3e-3, 36.0, 4e-3, 64.0, 0.0), 1.38593);
}

/// p-values as a search for changes has them: most even, some small, some equal, some zero.
fn p_values() -> Vec<f64> {
    let mut rng = Rng::stream(&[17, 4]);
    let value = |k: usize, u: f64| match k % 10 {
        0 => u * 1e-4,
        1 => (u * 50.0).floor() / 50.0,
        2 if k % 100 == 2 => 0.0,
        _ => u,
    };
    (0..3000).map(|k| value(k, rng.unit())).collect()
}

fn write(path: &std::path::Path, values: &[f64]) {
    let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    std::fs::write(path, bytes).unwrap();
}

fn numbers(v: &serde_json::Value) -> Vec<f64> {
    let all = v.as_array().unwrap().iter();
    all.map(|v| v.as_f64().unwrap()).collect()
}

#[test]
fn discoveries_and_tails_are_those_of_statsmodels_and_scipy() {
    let Some(python) = python::venv() else { return };
    let dir = tempfile::tempdir().unwrap();
    let (p, u): (Vec<f64>, Vec<f64>) =
        (p_values(), (0..400).map(|k| 0.09 * f64::from(k)).collect());
    let files = [dir.path().join("p"), dir.path().join("u")];
    write(&files[0], &p);
    write(&files[1], &u);
    let arguments = files.each_ref().map(|f| f.as_path());
    let text = python::run(&python, "rescan_reference.py", &arguments).unwrap();
    let reference: serde_json::Value = serde_json::from_str(&text).unwrap();
    for q in [0.01, 0.05, 0.2] {
        let found: Vec<f64> = discoveries(&p, q)
            .iter()
            .enumerate()
            .filter_map(|(k, d)| d.then_some(k as f64))
            .collect();
        assert_eq!(found, numbers(&reference[q.to_string()]), "at {q}");
        assert!(found.len() > 100);
    }
    for (ours, theirs) in adjusted_p(&p).iter().zip(numbers(&reference["adjusted"])) {
        assert!((ours - theirs).abs() < 1e-14, "{ours} {theirs}");
    }
    for (u, tail) in u.iter().zip(numbers(&reference["tails"])) {
        let ours = two_sided_p(*u);
        assert!((ours / tail - 1.0).abs() < 1e-12, "{u}: {ours:e} {tail:e}");
    }
}

/// Correlated noise of unit spread on the grid: white noise meant over 3 × 3 nodes.
fn noise(grid: &Grid, seed: u64) -> Vec<f64> {
    let mut rng = Rng::stream(&[seed, 99]);
    let white: Vec<f64> = (0..grid.nodes()).map(|_| rng.normal()).collect();
    let near = |k: usize| {
        let list: Vec<usize> = grid.around(k).chain([k]).collect();
        list.iter().map(|&n| white[n]).sum::<f64>() / (list.len() as f64).sqrt()
    };
    (0..grid.nodes()).map(near).collect()
}

const NOISE_M: f64 = 2e-4;

/// A level strip of 60 × 8 m whose heights differ by correlated noise and `change`.
fn pair(seed: u64, change: impl Fn(f64, f64) -> f64) -> Pair {
    let lattice = Lattice::new([0.1, 0.1], 600, -40..41, false).unwrap();
    let mut pair = Pair::new(Grid::new(lattice, std::slice::from_ref(&(0..600))));
    let noise = noise(&pair.grid, seed);
    for (k, noise) in noise.iter().enumerate() {
        let [s, t] = pair.grid.place(k);
        pair.old_m[k] = 0.02 * s + 0.01 * t;
        pair.new_m[k] = pair.old_m[k] + NOISE_M * noise + change(s, t);
        pair.sigma_m[k] = [to_f32(NOISE_M), to_f32(NOISE_M)];
        pair.inside[k] = true;
    }
    pair
}

fn found(pair: &Pair) -> (Detection, Vec<Change>) {
    let detection = detect(pair, DetectParams::default());
    let around = Surroundings {
        area_m2: &|_, _| 0.01,
        edge_m: &|_, t| 4.0 - t.abs(),
        by_line: &|_, _| false,
    };
    let list = changes(pair, &detection.regions, &detection.lod95_m, &around);
    (detection, list)
}

fn hump(u: f64) -> f64 {
    if u.abs() < 1.0 {
        0.5 + 0.5 * (PI * u).cos()
    } else {
        0.0
    }
}

#[test]
fn panels_bumps_and_milled_ground_have_their_analytic_areas_and_volumes() {
    let change = |s: f64, t: f64| {
        let panel = (s > 10.02 && s < 24.02 && t > -3.03 && t < 0.97) as u8;
        let milled = (s > 40.0 && s < 50.05 && t > 0.05 && t < 2.05) as u8;
        let bump = hump((s - 32.0) / 0.5) * hump((t + 1.0) / 1.8);
        9e-3 * f64::from(panel) - 4e-3 * f64::from(milled) + 12e-3 * bump
    };
    let pair = pair(3, change);
    let (_, list) = found(&pair);
    let kinds: Vec<Kind> = list.iter().map(|c| c.kind).collect();
    assert_eq!(
        kinds,
        [Kind::Raised, Kind::Lowered, Kind::NewBump],
        "{list:#?}"
    );
    let near = |a: f64, b: f64, share: f64| assert!((a / b - 1.0).abs() < share, "{a} {b}");
    near(list[0].area_m2, 56.0, 0.02);
    near(list[0].volume_m3, 56.0 * 9e-3, 0.02);
    near(list[1].area_m2, 20.1, 0.03);
    near(list[1].volume_m3, -20.1 * 4e-3, 0.03);
    // A hump's volume is a quarter of its box: 1.0 × 3.6 m, 12 mm.
    near(list[2].volume_m3, 0.25 * 3.6 * 12e-3, 0.05);
    assert!(
        list[0].stepped && list[1].stepped && !list[2].stepped,
        "{list:#?}"
    );
    near(list[0].step_m, 9e-3, 0.1);
    assert!(list.iter().all(|c| !c.cut_off));
}

#[test]
fn half_a_millimetre_over_a_square_metre_is_found_and_chance_is_not() {
    let small = pair(5, |s, t| {
        if (s - 30.0).abs() < 0.5 && t.abs() < 0.5 {
            6e-4
        } else {
            0.0
        }
    });
    let (_, list) = found(&small);
    assert_eq!(list.len(), 1, "{list:#?}");
    // Cells count that are beyond their own level of detection: noise is a third of the change.
    assert!((list[0].area_m2 - 1.0).abs() < 0.5, "{list:#?}");
    let mut shares = Vec::new();
    for seed in 10..20 {
        let (detection, list) = found(&pair(seed, |_, _| 0.0));
        assert!(list.is_empty(), "seed {seed}: {list:#?}");
        shares.extend(detection.scales.iter().map(|s| s.beyond_share));
        // The published form takes both fits' errors for independent from node to node, which
        // holds for single nodes here: 5 % as well.
        assert!(detection.published_share > 0.0);
    }
    // Coarse squares of one strip are few: their shares scatter by a percent or two.
    let mean = shares.iter().sum::<f64>() / shares.len() as f64;
    assert!((mean - 0.05).abs() < 0.006, "{mean}");
    assert!(
        shares.iter().all(|s| (0.02..0.09).contains(s)),
        "{shares:?}"
    );
}

#[test]
fn a_changed_majority_does_not_hide_itself() {
    let most = pair(8, |s, _| if s > 21.0 { -5e-3 } else { 0.0 });
    let (_, list) = found(&most);
    let area: f64 = list.iter().map(|c| c.area_m2).sum();
    println!("{} changes, {area} m²", list.len());
    let nodes = to_index((60.0 - 21.0) * 81.0 / 0.1);
    assert!((area / (0.01 * nodes as f64) - 1.0).abs() < 0.05, "{area}");
}
