//! Robust regressions, block planes and cell means, held against those of statsmodels and numpy.

use crate::patch::packed;
use surface_core::cloud::Frame;
use surface_core::field::{Lattice, RowLimits, Trust, cell_sums};
use surface_core::numeric::{
    FittedPlane, TUKEY_C, biweight, huber, mad_sigma, reweighted_fit, robust_plane, weighted_fit,
};
use surface_core::setups::SetupModels;
use surface_tests::proving::rng::Rng;
use surface_tests::python;

/// Brownlee's stack loss data: air flow, water temperature, acid concentration, loss.
const STACKLOSS: [[f64; 4]; 21] = [
    [80.0, 27.0, 89.0, 42.0],
    [80.0, 27.0, 88.0, 37.0],
    [75.0, 25.0, 90.0, 37.0],
    [62.0, 24.0, 87.0, 28.0],
    [62.0, 22.0, 87.0, 18.0],
    [62.0, 23.0, 87.0, 18.0],
    [62.0, 24.0, 93.0, 19.0],
    [62.0, 24.0, 93.0, 20.0],
    [58.0, 23.0, 87.0, 15.0],
    [58.0, 18.0, 80.0, 14.0],
    [58.0, 18.0, 89.0, 14.0],
    [58.0, 17.0, 88.0, 13.0],
    [58.0, 18.0, 82.0, 11.0],
    [58.0, 19.0, 93.0, 12.0],
    [50.0, 18.0, 89.0, 8.0],
    [50.0, 18.0, 86.0, 7.0],
    [50.0, 19.0, 72.0, 8.0],
    [50.0, 19.0, 79.0, 8.0],
    [50.0, 20.0, 80.0, 9.0],
    [56.0, 20.0, 82.0, 15.0],
    [70.0, 20.0, 91.0, 15.0],
];

fn numbers(v: &serde_json::Value) -> Vec<f64> {
    let all = v.as_array().unwrap().iter();
    all.map(|v| v.as_f64().unwrap()).collect()
}

/// Regression on the stack loss data until it stands still; and the scale.
fn stackloss(weight: impl Fn(f64) -> f64) -> ([f64; 4], f64) {
    let samples = STACKLOSS.map(|[a, b, c, y]| ([1.0, a, b, c], y));
    let ordinary = weighted_fit(samples.iter().map(|(x, y)| (1.0, *x, *y))).unwrap();
    let mut scale = 0.0;
    let beta = reweighted_fit(&samples, ordinary, 500, |_, residuals, weights| {
        scale = mad_sigma(&mut residuals.to_vec(), 0.0).unwrap();
        for (w, r) in weights.iter_mut().zip(residuals) {
            *w = weight(r / scale);
        }
    });
    (beta, scale)
}

#[test]
fn stack_loss_regressions_are_those_of_statsmodels() {
    let Some(python) = python::venv() else { return };
    let text = python::run(&python, "robust_reference.py", &[]).unwrap();
    let reference: serde_json::Value = serde_json::from_str(&text).unwrap();
    let ours = [
        ("huber", stackloss(|r| huber(r / 1.345))),
        ("tukey", stackloss(|r| biweight(r / TUKEY_C))),
    ];
    for (name, (beta, scale)) in ours {
        let theirs = numbers(&reference[name]["params"]);
        for (a, b) in beta.iter().zip(&theirs) {
            assert!((a - b).abs() < 1e-7, "{name}: {beta:?}, {theirs:?}");
        }
        let told = reference[name]["scale"].as_f64().unwrap();
        assert!((scale - told).abs() < 1e-7, "{name}: {scale}, {told}");
    }
}

const CELLS: usize = 16;

/// A random patch of 1.6 m with 40 points a cell, 1 mm of noise, and every fiftieth point 20 to
/// 60 mm too high.
fn patch() -> Vec<[f64; 3]> {
    let mut rng = Rng::stream(&[71]);
    let mut point = |k: usize| {
        let (s, t) = (rng.between(-0.05, 1.55), rng.between(-0.05, 1.55));
        let road = 0.3 + 0.02 * t - 0.01 * s + 0.004 * (3.0 * s).sin();
        let stands = if k % 50 == 7 {
            rng.between(0.02, 0.06)
        } else {
            0.0
        };
        [s, t, road + 1e-3 * rng.normal() + stands]
    };
    let points = (0..40 * CELLS * CELLS).map(&mut point);
    // As they are packed: both sides get the same numbers.
    let rounded = |p: [f64; 3]| p.map(|v| Frame::unpack(Frame::pack(v).unwrap()));
    points.map(rounded).collect()
}

fn root_mean_square(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

#[test]
fn block_planes_and_cell_means_are_those_of_statsmodels() {
    let Some(python) = python::venv() else { return };
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("patch.f64");
    let points = patch();
    let bytes: Vec<u8> = points
        .iter()
        .flatten()
        .flat_map(|v| v.to_le_bytes())
        .collect();
    std::fs::write(&file, bytes).unwrap();
    let text = python::run(&python, "robust_reference.py", &[&file]).unwrap();
    let reference: serde_json::Value = serde_json::from_str(&text).unwrap();
    let planes = same_planes(&points, &reference);
    same_means(&points, &planes, &reference);
}

/// Every block's plane is statsmodels' to a part of its own error; statsmodels' planes.
fn same_planes(points: &[[f64; 3]], reference: &serde_json::Value) -> Vec<FittedPlane> {
    let cell = |v: f64| surface_core::numeric::to_index(v / 0.1 + 0.5);
    let (mut off, mut planes) = (Vec::new(), Vec::new());
    for (k, block) in reference["blocks"].as_array().unwrap().iter().enumerate() {
        let (i, j) = (k / (CELLS / 4), k % (CELLS / 4));
        let own: Vec<[f64; 3]> = points
            .iter()
            .filter(|p| cell(p[0]) / 4 == i && cell(p[1]) / 4 == j)
            .map(|p| {
                [
                    p[0] - 0.4 * i as f64 - 0.15,
                    p[1] - 0.4 * j as f64 - 0.15,
                    p[2],
                ]
            })
            .collect();
        let (ours, scale) = robust_plane(&own, 1e-9, 0.0).unwrap();
        let told = numbers(&block["params"]);
        let theirs = FittedPlane {
            z0: told[0],
            slope_u: told[1],
            slope_v: told[2],
        };
        let corners = [[-0.2, -0.2], [-0.2, 0.2], [0.2, -0.2], [0.2, 0.2]];
        off.extend(corners.map(|[u, v]| ours.at(u, v) - theirs.at(u, v)));
        let told = block["scale"].as_f64().unwrap();
        assert!((scale / told - 1.0).abs() < 0.05, "{scale} for {told}");
        planes.push(theirs);
    }
    // A plane through 640 points of 1 mm errs by 0.1 mm at its corners.
    println!(
        "planes differ by {:.5} mm rms",
        1e3 * root_mean_square(&off)
    );
    assert!(root_mean_square(&off) < 1e-5, "{}", root_mean_square(&off));
    planes
}

/// Every cell's height is statsmodels' to a part of its own error.
fn same_means(points: &[[f64; 3]], planes: &[FittedPlane], reference: &serde_json::Value) {
    let lattice = Lattice::new([0.1, 0.1], CELLS, 0..i32::try_from(CELLS).unwrap(), false).unwrap();
    let limits = RowLimits {
        left_t_m: vec![1.56; CELLS],
        right_t_m: vec![-0.06; CELLS],
    };
    let trust = Trust {
        setups: &SetupModels::default(),
        place: &|s, t| [s, t],
    };
    let sums = cell_sums(&packed(points), &lattice, 0, &limits, trust);
    let (mut off, mut kept, mut all) = (Vec::new(), 0, 0);
    for cell in reference["cells"].as_array().unwrap() {
        let told = numbers(cell);
        let (a, b) = (told[0], told[1]);
        let k = CELLS * surface_core::numeric::to_index(a) + surface_core::numeric::to_index(b);
        let (i, j) = ((a / 4.0).floor(), (b / 4.0).floor());
        let plane = &planes[surface_core::numeric::to_index(i * 4.0 + j)];
        let (s, t) = (
            0.1 * a + sums.ws[k] / sums.w[k],
            0.1 * b + sums.wt[k] / sums.w[k],
        );
        let theirs = plane.at(s - 0.4 * i - 0.15, t - 0.4 * j - 0.15) + told[2];
        off.push(sums.wz[k] / sums.w[k] - theirs);
        kept += sums.n[k];
        all += surface_core::numeric::to_u32(surface_core::numeric::to_index(told[3]));
    }
    let off = root_mean_square(&off);
    println!(
        "means differ by {:.5} mm rms; {kept} of {all} points kept",
        1e3 * off
    );
    // A mean of 40 points of 1 mm errs by 0.16 mm; a mean that is not robust would be 0.8 mm off.
    assert!(off < 4e-5, "{off}");
    let outliers = 40 * CELLS * CELLS / 50;
    let dropped = usize::try_from(all - kept).unwrap();
    assert!(
        (outliers..outliers + all as usize / 100).contains(&dropped),
        "{dropped}"
    );
}
