//! The field on a road of a known spectrum, held against the best estimate that there is: a
//! Gaussian process (scikit-learn) that is told the spectrum and the noise.

use std::path::Path;

use crate::patch::{SIDE_M, fitted, nodes, rms, scatter, write};
use surface_tests::proving::Spectrum;
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
    // Measured: 1.036 times the error, 0.35 of it apart, σ 0.95 times the process's (which the
    // process takes 7 % too large). A window half as wide again errs by 8 % more.
    assert!(off < 1.06 * best, "{off} for {best}");
    assert!(apart < 0.4 * best, "{apart} for {best}");
    assert!((0.9..1.05).contains(&(sigmas[0] / sigmas[1])), "{sigmas:?}");
}
