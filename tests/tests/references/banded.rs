//! The solvers on a small height field against scipy's sparse solver: the banded one, open and closed in a
//! ring, with its variances against a dense inverse, and the descent on a lattice.

use std::path::Path;

use crate::patch::write;
use surface_core::numeric::{BandedSpd, LatticeSystem};
use surface_tests::proving::rng::Rng;
use surface_tests::python;

const ROWS: usize = 40;
const COLUMNS: usize = 6;
const NODES: usize = ROWS * COLUMNS;

/// That Σ coefficient·height of the nodes [row, column] is `sum`.
struct Observation {
    terms: Vec<([usize; 2], f64)>,
    weight: f64,
    sum: f64,
}

/// A field that is seen in three nodes of four and held by its slopes (1) and bends (4).
fn observations(ring: bool, rng: &mut Rng) -> Vec<Observation> {
    let mut out = Vec::new();
    let mut put = |terms: &[([usize; 2], f64)], weight: f64, sum: f64| {
        let terms = terms.to_vec();
        out.push(Observation { terms, weight, sum });
    };
    for row in 0..ROWS {
        for column in 0..COLUMNS {
            let at = |ahead: usize, beside: usize| [(row + ahead) % ROWS, column + beside];
            if rng.unit() < 0.75 {
                let weight = rng.between(0.5, 20.0);
                put(&[(at(0, 0), 1.0)], weight, rng.normal());
            }
            if ring || row + 2 < ROWS {
                put(&[(at(0, 0), -1.0), (at(1, 0), 1.0)], 1.0, 0.0);
                let bend = [(at(0, 0), 1.0), (at(1, 0), -2.0), (at(2, 0), 1.0)];
                put(&bend, 4.0, 0.0);
            }
            if column + 1 < COLUMNS {
                put(&[(at(0, 0), -1.0), (at(0, 1), 1.0)], 1.0, 0.0);
            }
        }
    }
    out
}

/// Normal equations of a field: entries (i, j, value), and the right side.
fn equations(observations: &[Observation]) -> (Vec<(usize, usize, f64)>, Vec<f64>) {
    let mut entries = Vec::new();
    let mut right = vec![0.0; NODES];
    for Observation { terms, weight, sum } in observations {
        for (k, ([row, column], a)) in terms.iter().enumerate() {
            let i = row * COLUMNS + column;
            right[i] += weight * a * sum;
            let with = |([row, column], b): &([usize; 2], f64)| {
                (i, row * COLUMNS + column, weight * a * b)
            };
            entries.extend(terms[..=k].iter().map(with));
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
        let (entries, right) = equations(&observations(ring, &mut Rng::stream(&[11])));
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

#[test]
fn a_small_field_is_descended_to_as_scipy_solves_it() {
    let Some(python) = python::venv() else { return };
    let observations = observations(false, &mut Rng::stream(&[12]));
    let (entries, right) = equations(&observations);
    let [solution, _] = reference(&python, &entries, &right);
    let mut system = LatticeSystem::new(ROWS, COLUMNS);
    for Observation { terms, weight, sum } in &observations {
        system.observe(terms, *weight, *sum);
    }
    let free = [true; NODES];
    for (settled, near) in [(1e-7, 1e-5), (1e-12, 1e-9)] {
        let found = system.descend(&free, settled).unwrap();
        println!("{settled:e}: {} steps", found.steps);
        for (k, (a, b)) in found.values.iter().zip(&solution).enumerate() {
            assert!((a - b).abs() < near, "{k}: {a} for {b}");
        }
    }
}
