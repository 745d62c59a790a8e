//! How much do the points tell: Σ 1/σ_z² per square metre, and the best that any smoother of
//! them can do.

use super::roughness::Spectrum;
use super::whole::{floor_i64, to_index};
use std::collections::HashMap;
use std::f64::consts::{PI, TAU};

/// Side of the cells that information is kept in, metres.
pub const CELL_M: f64 = 0.5;

/// W = Σ 1/σ_z² per square metre, by cells.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Information {
    cells: HashMap<(i64, i64), f64>,
}

impl Information {
    /// Counts a point at (x, y) whose height has the weight 1/σ_z², 1/m².
    #[inline]
    pub fn add(&mut self, x: f64, y: f64, weight: f64) {
        *self.cells.entry(cell(x, y)).or_insert(0.0) += weight;
    }

    /// Adds what another setup tells.
    pub fn merge(&mut self, other: &Self) {
        for (&key, &weight) in &other.cells {
            *self.cells.entry(key).or_insert(0.0) += weight;
        }
    }

    /// W at (x, y), 1/m⁴.
    #[must_use]
    pub fn per_m2(&self, x: f64, y: f64) -> f64 {
        self.cells.get(&cell(x, y)).copied().unwrap_or(0.0) / (CELL_M * CELL_M)
    }
}

fn cell(x: f64, y: f64) -> (i64, i64) {
    (floor_i64(x / CELL_M), floor_i64(y / CELL_M))
}

/// Which waves of an error are looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Waves {
    /// All.
    All,
    /// Those shorter than this, metres: a sharp cut.
    ShorterThan(f64),
    /// What is left after the mean over a square of this side is taken away, metres.
    LessLocalMean(f64),
}

impl Waves {
    /// Share of the power at `k` cycles per metre that is looked at, mean over directions.
    #[must_use]
    pub fn power_share(&self, k: f64) -> f64 {
        match *self {
            Self::All => 1.0,
            Self::ShorterThan(longest) => f64::from(u8::from(k * longest >= 1.0)),
            Self::LessLocalMean(side) => {
                const DIRECTIONS: u32 = 16;
                let share = |i: u32| {
                    let (s, c) =
                        ((f64::from(i) + 0.5) * PI / 2.0 / f64::from(DIRECTIONS)).sin_cos();
                    (1.0 - sinc(k * c * side) * sinc(k * s * side)).powi(2)
                };
                (0..DIRECTIONS).map(share).sum::<f64>() / f64::from(DIRECTIONS)
            }
        }
    }
}

/// sin(πu)/(πu).
fn sinc(u: f64) -> f64 {
    if u.abs() < 1e-9 {
        1.0
    } else {
        (PI * u).sin() / (PI * u)
    }
}

/// Smallest mean square error, m², of any linear smoother of points that tell `per_m2` (1/m⁴).
///
/// White noise of variance σ² at ρ points a square metre has the flat two-sided spectrum
/// N = σ²/ρ = 1/W. The Wiener filter H = S/(S + N) leaves the error spectrum
/// S N/(S + N) = S/(1 + S W), so that ε² = 2π ∫ k S/(1 + S W) dk with k in cycles per metre and
/// S two-sided in m⁴ (the conventions of [`Spectrum`]). The road is taken as large against its
/// waves and W as constant over them.
#[must_use]
pub fn wiener_variance_m2(spectrum: &Spectrum, per_m2: f64, waves: Waves) -> f64 {
    const STEPS: usize = 400;
    let (low, high) = spectrum.band();
    // Even steps of ln k, midpoint rule: ∫ k S dk = ∫ k² S d(ln k).
    let step = (high / low).ln() / STEPS as f64;
    let term = |i: usize| {
        let k = low * ((i as f64 + 0.5) * step).exp();
        let s = spectrum.density_m4(k);
        k * k * s / (1.0 + s * per_m2) * waves.power_share(k)
    };
    TAU * step * (0..STEPS).map(term).sum::<f64>()
}

/// The same as a table over W, for asking at many places.
#[derive(Debug, Clone)]
pub struct WienerTable {
    values: Vec<f64>,
}

/// The table goes from 10² to 10¹² per m⁴ in steps of a fortieth of a decade.
const TABLE_DECADES: (f64, f64) = (2.0, 12.0);
const TABLE_PER_DECADE: f64 = 40.0;

impl WienerTable {
    /// Tabulates the bound for a spectrum.
    #[must_use]
    pub fn new(spectrum: &Spectrum, waves: Waves) -> Self {
        let count = to_index((TABLE_DECADES.1 - TABLE_DECADES.0) * TABLE_PER_DECADE) + 1;
        let at = |i: usize| 10_f64.powf(TABLE_DECADES.0 + i as f64 / TABLE_PER_DECADE);
        Self {
            values: (0..count)
                .map(|i| wiener_variance_m2(spectrum, at(i), waves))
                .collect(),
        }
    }

    /// Smallest mean square error at W = `per_m2`, m².
    #[must_use]
    pub fn variance_m2(&self, per_m2: f64) -> f64 {
        let v = (per_m2.max(1.0).log10() - TABLE_DECADES.0) * TABLE_PER_DECADE;
        let v = v.clamp(0.0, (self.values.len() - 1) as f64 - 1e-9);
        let (i, f) = (to_index(v), v.fract());
        self.values[i] * (1.0 - f) + self.values[i + 1] * f
    }
}

#[cfg(test)]
mod tests {
    use super::super::fft::{Complex, transform_square};
    use super::super::rng::Rng;
    use super::*;

    const N: usize = 256;
    const STEP_M: f64 = 0.1;
    const BAND: Spectrum = Spectrum {
        g0_m3: 4e-6,
        longest_m: 4.0,
        shortest_m: 0.3,
    };

    fn white(seed: u64) -> Vec<Complex> {
        let mut rng = Rng::stream(&[seed]);
        (0..N * N).map(|_| (rng.normal(), 0.0)).collect()
    }

    /// Multiplies every mode by a factor of its wavenumber and goes back to heights.
    fn filter(mut field: Vec<Complex>, factor: impl Fn(f64) -> f64) -> Vec<Complex> {
        transform_square(&mut field, N, -1.0);
        let cycles = |i: usize| {
            (if i < N / 2 {
                i as f64
            } else {
                i as f64 - N as f64
            }) / (N as f64 * STEP_M)
        };
        for (i, mode) in field.iter_mut().enumerate() {
            let f = factor(cycles(i % N).hypot(cycles(i / N))) / (N * N) as f64;
            *mode = (mode.0 * f, mode.1 * f);
        }
        transform_square(&mut field, N, 1.0);
        field
    }

    #[test]
    fn an_optimal_filter_of_simulated_points_reaches_the_bound_and_a_mean_does_not() {
        for per_m2 in [2e7, 2e8, 2e9] {
            let sigma = (1.0 / (per_m2 * STEP_M * STEP_M)).sqrt();
            // White heights of variance 1 on the grid have the spectrum STEP².
            let road = filter(white(1), |k| BAND.density_m4(k).sqrt() / STEP_M);
            let noisy: Vec<Complex> = road
                .iter()
                .zip(white(2))
                .map(|(r, n)| (r.0 + sigma * n.0, 0.0))
                .collect();
            let rms = |share: &dyn Fn(f64) -> f64| {
                let got = filter(noisy.clone(), share);
                let squares: f64 = got
                    .iter()
                    .zip(&road)
                    .map(|(a, b)| (a.0 - b.0).powi(2))
                    .sum();
                (squares / (N * N) as f64).sqrt()
            };
            let bound = wiener_variance_m2(&BAND, per_m2, Waves::All).sqrt();
            let best = rms(&|k| BAND.density_m4(k) * per_m2 / (1.0 + BAND.density_m4(k) * per_m2));
            // Some 5000 modes, few of them long: scatter of about 2 %. A wrong factor 2π in the
            // bound would show as a factor of two and more.
            assert!(
                (best / bound - 1.0).abs() < 0.05,
                "{per_m2:e}: {best} {bound}"
            );
            let mean = rms(&|k| sinc(0.3 * k));
            assert!(
                mean > 1.02 * bound,
                "a mean over 0.3 m cannot be as good: {mean} {bound}"
            );
        }
    }

    #[test]
    fn without_points_the_bound_is_the_road_itself_and_with_many_it_falls() {
        let road = BAND.variance_m2();
        assert!((wiener_variance_m2(&BAND, 0.0, Waves::All) / road - 1.0).abs() < 1e-4);
        let table = WienerTable::new(&BAND, Waves::All);
        let exact = wiener_variance_m2(&BAND, 3.3e8, Waves::All);
        // Linear interpolation over a fortieth of a decade.
        assert!((table.variance_m2(3.3e8) / exact - 1.0).abs() < 1e-3);
        assert!(table.variance_m2(1e10) < 0.05 * road);
    }

    #[test]
    fn removing_long_waves_keeps_short_ones() {
        let less = Waves::LessLocalMean(4.0);
        assert!(less.power_share(0.01) < 1e-4);
        assert!((less.power_share(5.0) - 1.0).abs() < 0.05);
        assert!(Waves::ShorterThan(4.0).power_share(0.2) < 0.5);
    }

    #[test]
    fn information_adds_up_by_cells_and_setups() {
        let (mut a, mut b) = (Information::default(), Information::default());
        a.add(0.1, 0.1, 4.0);
        a.add(0.4, 0.4, 1.0);
        b.add(0.2, 0.3, 5.0);
        a.merge(&b);
        assert!((a.per_m2(0.25, 0.25) - 40.0).abs() < 1e-12);
        assert!(a.per_m2(-0.25, 0.25).abs() < 1e-12);
    }
}
