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
