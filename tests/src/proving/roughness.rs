//! How rough is the asphalt: a periodic tile of random heights whose spectrum is known exactly.
//!
//! Conventions. `k` is the wavenumber in cycles per metre. S(k) is the two-sided
//! two-dimensional spectrum in m⁴: variance = ∬ S dkx dky = 2π ∫ k S(k) dk. A straight profile
//! through an isotropic field has the one-sided spectrum G(n) = 2 ∫ S(√(n² + q²)) dq; for
//! S = C k⁻³ this is G(n) = 4 C n⁻². The road of ISO 8608, G(n) = G₀ (n/0.1)⁻², is therefore
//! C = G₀ · 0.1² / 4.

use super::fft::{Complex, transform_square};
use super::rng::Rng;
use super::whole::{floor_i64, to_f32, to_index, wrap_index};
use std::f64::consts::{PI, TAU};

/// Reference wavenumber of ISO 8608, cycles per metre.
const REFERENCE_CYCLES_PER_M: f64 = 0.1;
/// Nodes along one side of the tile.
const NODES: usize = 2048;
/// Distance of nodes, metres: the shortest wave then has 2.5 nodes.
const NODE_STEP_M: f64 = 0.025;
/// Side of the tile after which the roughness repeats, metres.
pub const TILE_M: f64 = NODES as f64 * NODE_STEP_M;

/// A band-limited isotropic spectrum S(k) = C k⁻³.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spectrum {
    /// G₀: one-sided profile spectrum at 0.1 cycles per metre, m³.
    pub g0_m3: f64,
    /// Longest wave that the road holds, metres.
    pub longest_m: f64,
    /// Shortest wave that the road holds, metres.
    pub shortest_m: f64,
}

impl Spectrum {
    /// A circuit: G₀ = 4·10⁻⁶ m³, a quarter of the centre of class A, waves of 62.5 mm to 20 m.
    pub const CIRCUIT: Self = Self {
        g0_m3: 4e-6,
        longest_m: 20.0,
        shortest_m: 0.0625,
    };

    /// S(k) in m⁴ at `k` cycles per metre; zero outside the band.
    #[must_use]
    pub fn density_m4(&self, k: f64) -> f64 {
        if k * self.longest_m < 1.0 || k * self.shortest_m > 1.0 {
            return 0.0;
        }
        self.g0_m3 * REFERENCE_CYCLES_PER_M.powi(2) / 4.0 / k.powi(3)
    }

    /// Lowest and highest wavenumber, cycles per metre.
    #[must_use]
    pub fn band(&self) -> (f64, f64) {
        (1.0 / self.longest_m, 1.0 / self.shortest_m)
    }

    /// Variance of heights, m²: 2π ∫ k S dk = 2πC (1/k₁ − 1/k₂).
    #[must_use]
    pub fn variance_m2(&self) -> f64 {
        let (low, high) = self.band();
        TAU * self.g0_m3 * REFERENCE_CYCLES_PER_M.powi(2) / 4.0 * (1.0 / low - 1.0 / high)
    }
}

/// Random heights, periodic in x and y with [`TILE_M`].
///
/// Every mode has exactly the amplitude that the spectrum gives it, and a random phase: the
/// tile's own spectrum is the nominal one without sampling scatter. Between nodes the height
/// is a bicubic spline (C²) through the nodes.
#[derive(Debug, Clone)]
pub struct Tile {
    coefficients: Vec<f32>,
}

impl Tile {
    /// Draws the tile of this spectrum and seed.
    #[must_use]
    pub fn draw(spectrum: &Spectrum, seed: u64) -> Self {
        let mut modes = draw_modes(spectrum, seed);
        transform_square(&mut modes, NODES, 1.0);
        Self {
            coefficients: modes.iter().map(|c| to_f32(c.0)).collect(),
        }
    }

    /// A tile without roughness.
    #[must_use]
    pub fn flat() -> Self {
        Self {
            coefficients: Vec::new(),
        }
    }

    /// Height at (x, y), metres.
    #[must_use]
    #[inline]
    pub fn height_m(&self, x: f64, y: f64) -> f64 {
        if self.coefficients.is_empty() {
            return 0.0;
        }
        let (columns, wx) = weights(x / NODE_STEP_M);
        let (rows, wy) = weights(y / NODE_STEP_M);
        let mut height = 0.0;
        for (&row, &w) in rows.iter().zip(&wy) {
            let line = &self.coefficients[row * NODES..(row + 1) * NODES];
            let value = |i: usize| f64::from(line[columns[i]]) * wx[i];
            height += w * ((value(0) + value(1)) + (value(2) + value(3)));
        }
        height
    }
}

/// The four periodic nodes around `u` and the weights of a uniform cubic B-spline.
#[inline]
fn weights(u: f64) -> ([usize; 4], [f64; 4]) {
    let floor = floor_i64(u);
    let f = u - floor as f64;
    let base = wrap_index(floor, NODES) + NODES - 1;
    let g = 1.0 - f;
    let w = [
        g * g * g / 6.0,
        (4.0 - 6.0 * f * f + 3.0 * f * f * f) / 6.0,
        (4.0 - 6.0 * g * g + 3.0 * g * g * g) / 6.0,
        f * f * f / 6.0,
    ];
    (
        [
            base % NODES,
            (base + 1) % NODES,
            (base + 2) % NODES,
            (base + 3) % NODES,
        ],
        w,
    )
}

/// B-spline coefficients of the tile in Fourier space, Hermitian so that heights are real.
fn draw_modes(spectrum: &Spectrum, seed: u64) -> Vec<Complex> {
    let mut modes = vec![(0.0, 0.0); NODES * NODES];
    let reach = to_index((TILE_M / spectrum.shortest_m).ceil()).min(NODES / 2 - 1) as i64;
    let mut rng = Rng::stream(&[seed, 0x0072_6f75_6768]);
    for row in 0..=reach {
        for column in -reach..=reach {
            let phase = TAU * rng.unit();
            if row == 0 && column <= 0 {
                continue;
            }
            let amplitude = mode_amplitude_m(spectrum, row, column);
            let value = (amplitude * phase.cos(), amplitude * phase.sin());
            modes[wrap(row) * NODES + wrap(column)] = value;
            modes[wrap(-row) * NODES + wrap(-column)] = (value.0, -value.1);
        }
    }
    modes
}

/// √(S Δk²) of a mode, divided by the response of the B-spline at that wave.
fn mode_amplitude_m(spectrum: &Spectrum, row: i64, column: i64) -> f64 {
    let step = 1.0 / TILE_M;
    let k = step * (row as f64).hypot(column as f64);
    let response = |j: i64| (2.0 + (TAU * j as f64 / NODES as f64).cos()) / 3.0;
    step * spectrum.density_m4(k).sqrt() / (response(row) * response(column))
}

fn wrap(index: i64) -> usize {
    wrap_index(index, NODES)
}

/// One-sided spectrum of a profile through the field at `n` cycles per metre, m³.
///
/// G(n) = 2 ∫ S(√(n² + q²)) dq within the band: closed form 4C n⁻² · sin(arccos(n/k₂)) for n
/// above the lowest wavenumber, less where the band cuts.
#[must_use]
pub fn profile_density_m3(spectrum: &Spectrum, n: f64) -> f64 {
    let (low, high) = spectrum.band();
    if n >= high {
        return 0.0;
    }
    let c = spectrum.g0_m3 * REFERENCE_CYCLES_PER_M.powi(2) / 4.0;
    // ∫ (n² + q²)^(-3/2) dq = q / (n² √(n² + q²)).
    let part = |k: f64| {
        if k > n {
            (k * k - n * n).sqrt() / k
        } else {
            0.0
        }
    };
    4.0 * c / (n * n) * (part(high) - part(low))
}

/// Variance that waves shorter than `longest_m` hold, m².
#[must_use]
pub fn variance_below_m2(spectrum: &Spectrum, longest_m: f64) -> f64 {
    let cut = Spectrum {
        longest_m: longest_m.min(spectrum.longest_m),
        ..*spectrum
    };
    2.0 * PI * cut.g0_m3 * REFERENCE_CYCLES_PER_M.powi(2) / 4.0 * (cut.longest_m - cut.shortest_m)
}

#[cfg(test)]
mod tests {
    use super::super::fft::{transform, twiddles};
    use super::*;

    #[test]
    fn a_long_wave_cut_at_one_tenth_cycle_gives_the_reference_value_of_the_profile() {
        let wide = Spectrum {
            g0_m3: 16e-6,
            longest_m: 1e5,
            shortest_m: 1e-4,
        };
        assert!((profile_density_m3(&wide, 0.1) / 16e-6 - 1.0).abs() < 1e-6);
        assert!((profile_density_m3(&wide, 1.0) / 16e-8 - 1.0).abs() < 1e-6);
    }

    #[test]
    fn the_tile_has_the_variance_of_its_spectrum() {
        let tile = Tile::draw(&Spectrum::CIRCUIT, 3);
        let mut squares = 0.0;
        for i in 0..512 {
            for j in 0..512 {
                squares += tile
                    .height_m(f64::from(i) * 0.1, f64::from(j) * 0.1)
                    .powi(2);
            }
        }
        let got = squares / f64::from(512 * 512);
        // The integral is a sum over modes here: near the longest wave that differs by some
        // per cent. A wrong convention of k or of sides would be a factor 2 or 2π.
        assert!(
            (got / Spectrum::CIRCUIT.variance_m2() - 1.0).abs() < 0.06,
            "{got}"
        );
    }

    #[test]
    fn profiles_through_the_tile_have_the_nominal_profile_spectrum() {
        let spectrum = Spectrum::CIRCUIT;
        let tile = Tile::draw(&spectrum, 11);
        let (power, step) = mean_profile_power(&tile);
        for (low, high) in [
            (0.2, 0.4),
            (0.4, 0.8),
            (0.8, 1.6),
            (1.6, 3.2),
            (3.2, 6.4),
            (6.4, 12.0),
        ] {
            let (mut got, mut want) = (0.0, 0.0);
            for (j, p) in power.iter().enumerate() {
                let n = j as f64 * step;
                if n >= low && n < high {
                    got += p;
                    want += profile_density_m3(&spectrum, n);
                }
            }
            // 512 profiles: scatter about 2 % in the lowest band; a wrong exponent is 40 % an
            // octave.
            assert!(
                (got / want - 1.0).abs() < 0.05,
                "{low}..{high}: {}",
                got / want
            );
        }
    }

    /// Mean one-sided spectrum of 512 profiles along x (m³) and its step in cycles per metre.
    fn mean_profile_power(tile: &Tile) -> (Vec<f64>, f64) {
        let factors = twiddles(NODES, -1.0);
        let mut power = vec![0.0; NODES / 2];
        for line in 0..512 {
            let y = f64::from(line) * 0.1;
            let mut row: Vec<Complex> = (0..NODES)
                .map(|i| (tile.height_m(i as f64 * NODE_STEP_M, y), 0.0))
                .collect();
            transform(&mut row, &factors);
            for (p, c) in power.iter_mut().zip(&row) {
                *p += 2.0 * (c.0 * c.0 + c.1 * c.1) * TILE_M / (NODES as f64).powi(2) / 512.0;
            }
        }
        (power, 1.0 / TILE_M)
    }

    #[test]
    fn the_tile_repeats_and_is_smooth_across_its_border() {
        let tile = Tile::draw(&Spectrum::CIRCUIT, 5);
        assert!(
            (tile.height_m(3.3, 4.4) - tile.height_m(3.3 + TILE_M, 4.4 - TILE_M)).abs() < 1e-12
        );
        let e = 1e-7;
        // Slopes are below 0.1, so a continuous height moves by less than 2e-8 m.
        assert!((tile.height_m(-e, 1.0) - tile.height_m(e, 1.0)).abs() < 2e-8);
    }
}
