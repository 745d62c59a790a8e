//! Windows and a joint solve of plain ground, or one sparse system of all heights with slopes and bends as
//! priors?
//!
//! Run: `cargo bench -p surface-benches --bench solve`, one thread. Both make heights of the same robust
//! cell sums of a square of road whose spectrum is known, under even points and under points that thin
//! out to a tenth; the system by conjugate gradients from the cells' own means (empty cells: from the
//! windows' heights), and by a banded Cholesky factor, which on a square costs four times what it does on
//! the strip of a course. Errors are over the Wiener bound of the points at each place. Windows make σ,
//! slopes, marks and resolved waves as well, and learn where the ground is rougher than the course, which the
//! joint solve leaves alone; the one system is told one spectrum for all of it.

use std::error::Error;
use std::time::Instant;

use surface_benches::one_system::OneSystem;
use surface_core::cloud::{Frame, PackedPoint};
use surface_core::field::{
    CellSums, FieldRows, KernelParams, Lattice, RowLimits, Trust, Window, cell_sums,
    course_level_m, fit_rows, road_level_m,
};
use surface_core::numeric::to_index;
use surface_core::setups::SetupModels;
use surface_tests::proving::Spectrum;
use surface_tests::proving::information::{Waves, WienerTable};
use surface_tests::proving::rng::Rng;
use surface_tests::proving::roughness::Tile;

const SIDE_M: f64 = 20.0;
const SPACING_M: f64 = 0.1;
const ROWS: usize = 201;
/// Rows and columns at the border that are not compared.
const BORDER: usize = 20;
/// Standard deviation of a point, metres; points a square metre where they are dense.
const NOISE_M: f64 = 1e-3;
const PER_M2: f64 = 1000.0;
const SEEDS: u64 = 4;

type Done<T = ()> = Result<T, Box<dyn Error>>;

fn main() -> Done {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build()?;
    pool.install(|| {
        for (name, least) in [
            ("even points", 1.0),
            ("points that thin out to a tenth", 0.1),
        ] {
            compare(name, least).map_err(|e| e.to_string())?;
        }
        Ok::<(), String>(())
    })?;
    Ok(())
}

/// Share of the points that are kept at s.
fn kept(s: f64, least: f64) -> f64 {
    least.powf(s / SIDE_M)
}

/// Squared errors over the bound's, and seconds: of windows, of the system by descent and factored.
#[derive(Default)]
struct Found {
    squared: [f64; 3],
    bound: f64,
    seconds: [f64; 3],
    steps: usize,
}

fn compare(name: &str, least: f64) -> Done {
    let mut found = Found::default();
    for seed in 0..SEEDS {
        add(&mut found, seed, least)?;
    }
    let nodes = (ROWS * ROWS) as f64 * SEEDS as f64;
    println!("{name}:");
    for (k, way) in [
        "windows, then jointly",
        "one system, descent",
        "one system, factored",
    ]
    .iter()
    .enumerate()
    {
        println!(
            "  {way}: {:.3} times the Wiener bound, {:.2} s for a million heights",
            (found.squared[k] / found.bound).sqrt(),
            1e6 * found.seconds[k] / nodes
        );
    }
    println!("  steps of a descent {}", found.steps as u64 / SEEDS);
    Ok(())
}

fn add(found: &mut Found, seed: u64, least: f64) -> Done {
    let road = Tile::draw(&Spectrum::CIRCUIT, 3 + seed);
    let lattice = Lattice::new([SPACING_M; 2], ROWS, -100..101, false)?;
    let points = scatter(seed, least, &road)?;
    let setups = SetupModels::default();
    let trust = Trust {
        setups: &setups,
        place: &|s, t| [s, t],
    };
    let sums = cell_sums(&points, &lattice, 0, &limits(), trust);
    let level_m = course_level_m(&[road_level_m(&sums, &lattice)]);
    let (windows, windows_s) = timed(|| by_windows(&lattice, &sums, level_m));
    let windows = windows?;
    let start: Vec<f64> = windows
        .iter()
        .zip(&sums.w)
        .zip(&sums.wz)
        .map(own_mean)
        .collect();
    let system = OneSystem {
        cells: &sums,
        spacing_m: SPACING_M,
        level_m,
    };
    let (descended, descended_s) = timed(|| system.descended(&start));
    let (factored, factored_s) = timed(|| system.factored());
    let table = WienerTable::new(&Spectrum::CIRCUIT, Waves::All);
    let inner = (BORDER..ROWS - BORDER).flat_map(|r| (BORDER..ROWS - BORDER).map(move |c| [r, c]));
    let factored = factored?;
    let descended = descended.ok_or("the descent did not settle")?;
    // A few holes are wider than windows bridge.
    for [r, c] in inner.filter(|[r, c]| windows[r * ROWS + c].is_finite()) {
        let [s, t] = [r as f64 * SPACING_M, lattice.column_t_m(c)];
        let truth = road.height_m(s, t);
        for (sum, z) in found
            .squared
            .iter_mut()
            .zip([&windows, &descended.values, &factored])
        {
            *sum += (z[r * ROWS + c] - truth).powi(2);
        }
        found.bound += table.variance_m2(PER_M2 * kept(s, least) / NOISE_M.powi(2));
    }
    found.steps += descended.steps;
    for (sum, s) in found
        .seconds
        .iter_mut()
        .zip([windows_s, descended_s, factored_s])
    {
        *sum += s;
    }
    Ok(())
}

/// A cell's mean; where it is empty the windows' height, or 0 where they have none.
fn own_mean(((window, w), wz): ((&f64, &f64), &f64)) -> f64 {
    let without = if window.is_finite() { *window } else { 0.0 };
    if *w > 0.0 { wz / w } else { without }
}

fn timed<T>(make: impl FnOnce() -> T) -> (T, f64) {
    let started = Instant::now();
    let made = make();
    (made, started.elapsed().as_secs_f64())
}

fn limits() -> RowLimits {
    RowLimits {
        left_t_m: vec![0.5 * SIDE_M; ROWS],
        right_t_m: vec![-0.5 * SIDE_M; ROWS],
    }
}

fn scatter(seed: u64, least: f64, road: &Tile) -> Done<Vec<PackedPoint>> {
    let mut rng = Rng::stream(&[0x736f_6c76, seed]);
    let count = to_index(PER_M2 * SIDE_M * SIDE_M);
    let mut points = Vec::with_capacity(count);
    for _ in 0..count {
        let (s, t) = (rng.between(0.0, SIDE_M), rng.between(-0.5, 0.5) * SIDE_M);
        let z = road.height_m(s, t) + NOISE_M * rng.normal();
        if rng.between(0.0, 1.0) < kept(s, least) {
            let [s, t, z] = [s, t, z].map(Frame::pack);
            points.push(PackedPoint {
                abc: [s, t, z].map(|v| v.unwrap_or_default()),
                intensity: 0,
                setup: 0,
            });
        }
    }
    Ok(points)
}

fn by_windows(lattice: &Lattice, sums: &CellSums, level_m: f64) -> Done<Vec<f64>> {
    let params = KernelParams {
        level_m,
        bridge_m: 0.5,
    };
    let window = Window::join(lattice, 0, &[(sums, 0..ROWS)]);
    let mut rows = FieldRows::empty(*lattice, 0, ROWS)?;
    fit_rows(&window, &limits(), params, &mut rows);
    Ok(rows.z_m)
}
