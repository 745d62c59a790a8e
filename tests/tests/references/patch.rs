//! A square of road on its own: scattered points with noise, and its height field.

use std::path::Path;

use surface_core::cloud::{Frame, PackedPoint};
use surface_core::field::{
    FieldRows, KernelParams, Lattice, RowLimits, Trust, Window, cell_sums, course_level_m,
    fit_rows, road_level_m,
};
use surface_core::numeric::to_index;
use surface_core::setups::SetupModels;
use surface_tests::proving::rng::Rng;

/// Along from 0, across about 0.
pub const SIDE_M: f64 = 20.0;
pub const SPACING_M: f64 = 0.1;
/// Rows, and columns, of the lattice.
pub const ROWS: usize = 201;

/// So many points a square metre, evenly at random, their heights with noise.
pub fn scatter(
    seed: u64,
    per_m2: f64,
    noise_m: f64,
    road_m: impl Fn(f64, f64) -> f64,
) -> Vec<[f64; 3]> {
    let mut rng = Rng::stream(&[seed]);
    let count = to_index(per_m2 * SIDE_M * SIDE_M);
    let mut point = || {
        let (s, t) = (rng.between(0.0, SIDE_M), rng.between(-0.5, 0.5) * SIDE_M);
        [s, t, road_m(s, t) + noise_m * rng.normal()]
    };
    (0..count).map(|_| point()).collect()
}

/// Points (s, t, z) of one setup as they are kept.
pub fn packed(points: &[[f64; 3]]) -> Vec<PackedPoint> {
    let one = |p: &[f64; 3]| PackedPoint {
        abc: p.map(|v| Frame::pack(v).unwrap()),
        intensity: 0,
        setup: 0,
    };
    points.iter().map(one).collect()
}

/// The field, with the road's level as the points tell it.
pub fn fitted(points: &[[f64; 3]]) -> FieldRows {
    let lattice = Lattice::new([SPACING_M, SPACING_M], ROWS, -100..101, false).unwrap();
    let limits = RowLimits {
        left_t_m: vec![0.5 * SIDE_M; ROWS],
        right_t_m: vec![-0.5 * SIDE_M; ROWS],
    };
    let trust = Trust {
        setups: &SetupModels::default(),
        place: &|s, t| [s, t],
    };
    let sums = cell_sums(&packed(points), &lattice, 0, &limits, trust);
    let params = KernelParams {
        level_m: course_level_m(&[road_level_m(&sums, &lattice)]),
        bridge_m: 0.5,
    };
    let window = Window::join(&lattice, 0, &[(&sums, 0..ROWS)]);
    let mut rows = FieldRows::empty(lattice, 0, ROWS).unwrap();
    fit_rows(&window, &limits, params, &mut rows);
    rows
}

/// Nodes each way, `off` rows and columns from the border and `step` apart: places, heights, σ.
pub fn nodes(rows: &FieldRows, off: usize, step: usize) -> Vec<([f64; 2], f64, f64)> {
    let at = |k: usize| SPACING_M * k as f64;
    let each = (off..ROWS - off).step_by(step);
    let pairs = each.clone().flat_map(|r| each.clone().map(move |c| (r, c)));
    pairs
        .map(|(r, c)| {
            let k = r * ROWS + c;
            let sigma = f64::from(rows.sigma_m[k]);
            ([at(r), at(c) - 0.5 * SIDE_M], rows.z_m[k], sigma)
        })
        .collect()
}

/// Numbers as a file of float64, for a script.
pub fn write(path: &Path, numbers: impl Iterator<Item = f64>) {
    let bytes: Vec<u8> = numbers.flat_map(f64::to_le_bytes).collect();
    std::fs::write(path, bytes).unwrap();
}

/// Root of the mean square.
pub fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0.0), |(sum, n), v| (sum + v * v, n + 1.0));
    f64::sqrt(sum / n)
}
