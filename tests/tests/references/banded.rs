//! The banded solver on a small height field, open and closed in a ring, against scipy's sparse
//! solver, and its variances against a dense inverse.

use std::path::Path;

use crate::patch::write;
use surface_core::numeric::BandedSpd;
use surface_tests::proving::rng::Rng;
use surface_tests::python;

const ROWS: usize = 40;
const COLUMNS: usize = 6;
const NODES: usize = ROWS * COLUMNS;

/// Normal equations of a field that is seen in three nodes of four and held by its slopes (1) and
/// bends (4): entries (i, j, value).
fn equations(ring: bool, rng: &mut Rng) -> (Vec<(usize, usize, f64)>, Vec<f64>) {
    let mut entries = Vec::new();
    let mut right = vec![0.0; NODES];
    let mut square = |parts: &[(usize, f64)], weight: f64| {
        for (k, (i, a)) in parts.iter().enumerate() {
            entries.extend(parts[..=k].iter().map(|(j, b)| (*i, *j, weight * a * b)));
        }
    };
    for row in 0..ROWS {
        for column in 0..COLUMNS {
            let at =
                |ahead: usize, beside: usize| ((row + ahead) % ROWS) * COLUMNS + column + beside;
            if rng.unit() < 0.75 {
                let weight = rng.between(0.5, 20.0);
                square(&[(at(0, 0), 1.0)], weight);
                right[at(0, 0)] += weight * rng.normal();
            }
            if ring || row + 2 < ROWS {
                square(&[(at(0, 0), -1.0), (at(1, 0), 1.0)], 1.0);
                square(&[(at(0, 0), 1.0), (at(1, 0), -2.0), (at(2, 0), 1.0)], 4.0);
            }
            if column + 1 < COLUMNS {
                square(&[(at(0, 0), -1.0), (at(0, 1), 1.0)], 1.0);
            }
        }
    }
    (entries, right)
}

/// Solution and diagonal of the inverse, by scipy and numpy.
fn reference(python: &Path, entries: &[(usize, usize, f64)], right: &[f64]) -> [Vec<f64>; 2] {
    let dir = tempfile::tempdir().unwrap();
    let files = ["entries", "right"].map(|name| dir.path().join(name));
    let lower = |(i, j, v): &(usize, usize, f64)| [*i.max(j) as f64, *i.min(j) as f64, *v];
    write(&files[0], entries.iter().flat_map(lower));
    write(&files[1], right.iter().copied());
    let text = python::run(python, "sparse_reference.py", &[&files[0], &files[1]]).unwrap();
    let told: serde_json::Value = serde_json::from_str(&text).unwrap();
    ["solution", "variance"].map(|name| {
        let values = told[name].as_array().unwrap();
        values.iter().map(|v| v.as_f64().unwrap()).collect()
    })
}

#[test]
fn a_small_field_is_solved_as_scipy_solves_it() {
    let Some(python) = python::venv() else { return };
    for ring in [false, true] {
        let (entries, right) = equations(ring, &mut Rng::stream(&[11]));
        let mut matrix = BandedSpd::zeros(NODES, 2 * COLUMNS, ring);
        entries.iter().for_each(|(i, j, v)| matrix.add(*i, *j, *v));
        let factor = matrix.factor().unwrap();
        let [solution, variance] = reference(&python, &entries, &right);
        let mut found = right;
        factor.solve(&mut found);
        for (k, (a, b)) in found.iter().zip(&solution).enumerate() {
            assert!(
                (a - b).abs() < 1e-9 * b.abs().max(1.0),
                "{ring} {k}: {a} for {b}"
            );
            let mut unit = vec![0.0; NODES];
            unit[k] = 1.0;
            factor.solve(&mut unit);
            assert!((unit[k] / variance[k] - 1.0).abs() < 1e-9, "{ring} {k}");
        }
    }
}
