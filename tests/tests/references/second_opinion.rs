//! The field on a road of a known spectrum, held against the best estimate that there is: a
//! Gaussian process (scikit-learn) that is told the spectrum and the noise; and against the other way
//! to make such a field, one sparse system of all heights with a smooth prior (scipy).

use std::path::Path;

use crate::patch::{ROWS, SIDE_M, SPACING_M, fitted, nodes, rms, scatter, write};
use surface_tests::proving::Spectrum;
use surface_tests::proving::rng::Rng;
use surface_tests::proving::roughness::Tile;
use surface_tests::python;

/// Standard deviation of a point, metres, and points a square metre.
const NOISE_M: f64 = 1e-3;
const DENSITY: f64 = 500.0;
/// A of the spectrum A/k³: G(n) = 4A·n⁻² is that of a profile.
const LEVEL_M: f64 = 0.25 * 0.01 * Spectrum::CIRCUIT.g0_m3;
/// The process sees the points of a square of 6 m in the middle; nodes within 2 m are compared.
const SEEN_M: f64 = 3.0;
const OFF_NODES: usize = 80;

/// Heights and σ of the process at `places`.
fn process(python: &Path, points: &[[f64; 3]], places: &[[f64; 2]]) -> [Vec<f64>; 2] {
    let dir = tempfile::tempdir().unwrap();
    let files = ["points", "places", "road"].map(|name| dir.path().join(name));
    let seen = |p: &&[f64; 3]| (p[0] - 0.5 * SIDE_M).abs() < SEEN_M && p[1].abs() < SEEN_M;
    write(&files[0], points.iter().filter(seen).flatten().copied());
    write(&files[1], places.iter().flatten().copied());
    write(&files[2], [LEVEL_M, NOISE_M].into_iter());
    let arguments: Vec<&Path> = files.iter().map(AsRef::as_ref).collect();
    let text = python::run(python, "gaussian_process_reference.py", &arguments).unwrap();
    let told: serde_json::Value = serde_json::from_str(&text).unwrap();
    let numbers = |name: &str| {
        let values = told[name].as_array().unwrap();
        values.iter().map(|v| v.as_f64().unwrap()).collect()
    };
    [numbers("heights"), numbers("sigma")]
}

#[test]
fn heights_and_sigma_are_nearly_those_of_a_gaussian_process() {
    let Some(python) = python::venv() else { return };
    let road = Tile::draw(&Spectrum::CIRCUIT, 3);
    let points = scatter(7, DENSITY, NOISE_M, |s, t| road.height_m(s, t));
    let ours = nodes(&fitted(&points), OFF_NODES, 1);
    let places: Vec<[f64; 2]> = ours.iter().map(|(place, _, _)| *place).collect();
    let [heights, sigma] = process(&python, &points, &places);
    let error = |k: usize, z: f64| z - road.height_m(places[k][0], places[k][1]);
    let all = || 0..places.len();
    let off = rms(all().map(|k| error(k, ours[k].1)));
    let best = rms(all().map(|k| error(k, heights[k])));
    let apart = rms(all().map(|k| ours[k].1 - heights[k]));
    let sigmas = [rms(all().map(|k| ours[k].2)), rms(sigma.iter().copied())];
    println!("error {off:.3e} m, of the process {best:.3e} m, apart {apart:.3e} m, σ {sigmas:?}");
    // Measured: 1.021 times the error, 0.30 of it apart (windows alone: 1.036 and 0.35), σ 0.96 times the
    // process's, which the process takes 7 % too large. A window half as wide again errs by 8 % more.
    assert!(off < 1.03 * best, "{off} for {best}");
    assert!(apart < 0.32 * best, "{apart} for {best}");
    assert!((0.9..1.05).contains(&(sigmas[0] / sigmas[1])), "{sigmas:?}");
}

#[test]
fn sigma_of_each_height_is_that_of_a_gaussian_process_under_uneven_points() {
    let Some(python) = python::venv() else { return };
    let road = Tile::draw(&Spectrum::CIRCUIT, 5);
    // Over the six metres that the process sees points thin out to a tenth along s.
    let kept = |s: f64| 10f64.powf(-((s - 0.5 * SIDE_M) / (2.0 * SEEN_M) + 0.5));
    let mut luck = Rng::stream(&[19]);
    let mut points = scatter(8, 4.0 * DENSITY, NOISE_M, |s, t| road.height_m(s, t));
    points.retain(|p| luck.between(0.0, 1.0) < kept(p[0]));
    let ours = nodes(&fitted(&points), OFF_NODES, 1);
    let places: Vec<[f64; 2]> = ours.iter().map(|(place, _, _)| *place).collect();
    let [_, sigma] = process(&python, &points, &places);
    let ratios: Vec<f64> = ours.iter().zip(&sigma).map(|(o, s)| o.2 / s).collect();
    let near = |low: f64, high: f64| {
        let inside = ratios.iter().filter(|r| (low..high).contains(*r)).count();
        inside as f64 / ratios.len() as f64
    };
    let third = |k: usize| {
        let n = ratios.len() / 3;
        rms(ratios[k * n..(k + 1) * n].iter().copied())
    };
    let (share, thirds) = (near(0.87, 1.15), [0, 1, 2].map(third));
    let spread = rms(sigma.iter().rev().take(300).copied()) / rms(sigma[..300].iter().copied());
    println!(
        "{share:.3} of {} within 0.87 to 1.15, thirds {thirds:.3?}, σ grows {spread:.2} times",
        ratios.len()
    );
    assert!(spread > 1.15, "{spread}");
    // Measured: all of them, 0.97 of the process's in the mean of each third.
    assert!(share > 0.999, "{share}");
    assert!(thirds.iter().all(|t| (0.9..1.1).contains(t)), "{thirds:?}");
}

/// What one system makes of points: heights of all nodes, how long its solver took, and the variances of
/// some heights, those of its inverse.
struct OneSystem {
    heights: Vec<f64>,
    seconds: f64,
    variances: Vec<f64>,
}

fn one_system(python: &Path, points: &[[f64; 3]], nodes: &[usize]) -> OneSystem {
    let dir = tempfile::tempdir().unwrap();
    let files = ["points", "road", "nodes"].map(|name| dir.path().join(name));
    write(&files[0], points.iter().flatten().copied());
    write(&files[2], nodes.iter().map(|k| *k as f64));
    let side = ROWS as f64;
    let road = [LEVEL_M, NOISE_M, SPACING_M, side, side, -0.5 * SIDE_M];
    write(&files[1], road.into_iter());
    let arguments: Vec<&Path> = files.iter().map(AsRef::as_ref).collect();
    let text = python::run(python, "smooth_prior_reference.py", &arguments).unwrap();
    let told: serde_json::Value = serde_json::from_str(&text).unwrap();
    let numbers = |name: &str| {
        let values = told[name].as_array().unwrap();
        values.iter().map(|v| v.as_f64().unwrap()).collect()
    };
    OneSystem {
        heights: numbers("heights"),
        seconds: told["seconds"].as_f64().unwrap(),
        variances: numbers("variances"),
    }
}

#[test]
fn heights_are_nearly_as_near_to_the_road_as_those_of_one_system_with_a_smooth_prior() {
    let Some(python) = python::venv() else { return };
    let mut errors = [0.0; 2];
    for seed in 3..5 {
        let road = Tile::draw(&Spectrum::CIRCUIT, seed);
        let points = scatter(4 + seed, DENSITY, NOISE_M, |s, t| road.height_m(s, t));
        let started = std::time::Instant::now();
        let field = fitted(&points);
        let ours_s = started.elapsed().as_secs_f64();
        let OneSystem {
            heights, seconds, ..
        } = one_system(&python, &points, &[]);
        let inner = (20..ROWS - 20).flat_map(|r| (20..ROWS - 20).map(move |c| r * ROWS + c));
        let truth = |k: usize| {
            let [s, t] = [k / ROWS, k % ROWS].map(|i| SPACING_M * i as f64);
            road.height_m(s, t - 0.5 * SIDE_M)
        };
        let found = [
            rms(inner.clone().map(|k| field.z_m[k] - truth(k))),
            rms(inner.map(|k| heights[k] - truth(k))),
        ];
        println!("{found:?}; {ours_s:.2} s, its solver alone {seconds:.2} s");
        errors = [0, 1].map(|k| errors[k] + 0.5 * found[k]);
    }
    println!("mean errors {errors:?}, ratio {}", errors[0] / errors[1]);
    // Measured: 1.027 times the errors of the system (windows alone: 1.042), which are those of the Gaussian
    // process, for a quarter of the time that its solver alone takes.
    assert!(errors[0] < 1.035 * errors[1], "{errors:?}");
}

#[test]
fn sigma_of_each_height_is_that_of_the_inverse_of_one_system() {
    let Some(python) = python::venv() else { return };
    let road = Tile::draw(&Spectrum::CIRCUIT, 6);
    // Points thin out to a tenth across the patch.
    let mut luck = Rng::stream(&[23]);
    let mut points = scatter(11, 2.0 * DENSITY, NOISE_M, |s, t| road.height_m(s, t));
    points.retain(|p| luck.unit() < 10f64.powf(-p[0] / SIDE_M));
    let field = fitted(&points);
    let nodes: Vec<usize> = (20..ROWS - 20)
        .step_by(8)
        .flat_map(|r| (40..ROWS - 40).step_by(24).map(move |c| r * ROWS + c))
        .collect();
    let variances = one_system(&python, &points, &nodes).variances;
    let sigma = |k: &usize| f64::from(field.sigma_m[*k]);
    let ratios: Vec<f64> = nodes
        .iter()
        .zip(&variances)
        .map(|(k, v)| sigma(k) / v.sqrt())
        .collect();
    let mean = rms(ratios.iter().copied());
    let near = ratios.iter().filter(|r| (0.85..1.15).contains(*r)).count() as f64;
    let share = near / ratios.len() as f64;
    let grows = variances[variances.len() - 1] / variances[0];
    println!(
        "{share:.3} of {} within 0.85 to 1.15, root mean square {mean:.3}; variances grow {grows:.2} times",
        ratios.len()
    );
    assert!(grows > 1.5, "{grows}");
    // A window made narrower by chance, one in a hundred here, has the σ of rougher ground.
    assert!(share > 0.97, "{share}");
    assert!((0.93..1.03).contains(&mean), "{mean}");
}
