//! The kernel whose transform is the root of a spectrum.

use std::f64::consts::{PI, TAU};

use super::spectrum::{TextureError, TextureSpectrum};
use crate::numeric::to_index;

/// Half of the kernel's length along and across the road, in limits of wavelength. With the edge
/// below and a cosine window, what is left at 1.3 limits is over 30 dB under a road of n⁻², by the
/// transform of the kernel itself; what the window takes below the limit is made up for.
const REACH: [f64; 2] = [4.0, 1.0];
/// The amplitude falls from all to nothing from the limit to this many limits.
const EDGE: f64 = 1.2;
/// Shortest wave, in distances of vertices: with two and less, vertices would take it for a longer
/// one.
const SHORTEST: f64 = 2.4;
/// From this many distances on the amplitude falls to nothing at [`SHORTEST`].
const FALLS_FROM: f64 = 2.8;
/// Waves across the road are this much longer than along it: which diagonal a cell of the mesh has is
/// chance, and of waves that are short both ways the diagonals make a noise that no filter of
/// heights can take away, waves above the limit among it. On a simulated path 3 leaves 9 dB less of
/// it than 1, and on a build whose limit is four vertices' distances 4 leaves 1 dB less than 3.
const CALMER_ACROSS: f64 = 4.0;
/// Amplitudes are raised by no more than this for what the kernel's end takes of them.
const MOST_GAIN: f64 = 1.5;
/// The limit must leave waves of half an octave.
const LEAST_ROOM: f64 = 1.4;
/// Places of the table, in distances of vertices: waves have 14 and more of them.
const FINE: f64 = 1.0 / 6.0;
/// Wavenumbers along and across that integrals are sums over.
const NUMBERS: [usize; 2] = [400, 240];

/// Values of the kernel over a quarter of its places; it is even along and across.
#[derive(Debug, Clone)]
pub(super) struct Kernel {
    /// Half of its length along and across, metres.
    pub reach_m: [f64; 2],
    /// Shortest wave in it, metres.
    pub shortest_m: f64,
    step_m: f64,
    columns: usize,
    /// Height over √area, and its slopes along and across, row by row along.
    values: Vec<[f64; 3]>,
}

/// Rises from 0 to 1 while x goes from 0 to 1.
fn rise(x: f64) -> f64 {
    (0.5 * PI * x.clamp(0.0, 1.0)).sin().powi(2)
}

impl Kernel {
    /// The kernel for vertices `spacing_m` apart.
    pub fn new(spectrum: &TextureSpectrum, spacing_m: f64) -> Result<Self, TextureError> {
        let (below_m, shortest_m) = (spectrum.below_m, SHORTEST * spacing_m);
        if below_m < LEAST_ROOM * shortest_m {
            return Err(TextureError::NoRoom {
                spacing_m,
                shortest_m,
                below_m,
            });
        }
        let step_m = FINE * spacing_m;
        let reach_m = REACH.map(|r| r * below_m);
        let [rows, columns] = reach_m.map(|r| to_index((r / step_m).ceil()) + 2);
        let across = Across::new(spacing_m, columns, step_m);
        let waves: Vec<Wave> = (1..=NUMBERS[0])
            .filter_map(|k| Wave::new(k, spectrum, spacing_m, &across))
            .collect();
        let made = |gains: &[f64]| {
            let mut values = vec![[0.0; 3]; rows * columns];
            for (wave, gain) in waves.iter().zip(gains) {
                add(&mut values, &wave.shape, [wave.n, gain * wave.size], step_m);
            }
            let mut out = Self {
                reach_m,
                shortest_m,
                step_m,
                columns,
                values,
            };
            out.window();
            out
        };
        // That the kernel ends takes some of what is wide across the road, more of one wave than of
        // another: what is missing is made up for.
        let plain = made(&vec![1.0; waves.len()]);
        let gain = |w: &Wave| (w.density_m3 / plain.density_m3(w.n)).sqrt();
        let held = |g: f64| g.clamp(1.0, MOST_GAIN);
        let gains: Vec<f64> = waves.iter().map(|w| held(gain(w))).collect();
        Ok(made(&gains))
    }

    /// Density of profiles along the road through a field of such kernels, m³: 2 ∫ |H(n, v)|² dv.
    fn density_m3(&self, n: f64) -> f64 {
        let rows = self.values.len() / self.columns;
        let sides = |k: usize| if k == 0 { 1.0 } else { 2.0 };
        let waves: Vec<f64> = (0..rows)
            .map(|row| sides(row) * (TAU * n * row as f64 * self.step_m).cos())
            .collect();
        let mut lines = vec![0.0; self.columns];
        for (row, wave) in self.values.chunks(self.columns).zip(waves) {
            lines
                .iter_mut()
                .zip(row)
                .for_each(|(line, v)| *line += self.step_m * wave * v[0]);
        }
        let squares = lines.iter().enumerate().map(|(c, l)| sides(c) * l * l);
        2.0 * self.step_m * squares.sum::<f64>()
    }

    /// Let the kernel end, and work out its slopes.
    fn window(&mut self) {
        let (columns, step, reach) = (self.columns, self.step_m, self.reach_m);
        let rows = self.values.len() / columns;
        let at = |k: usize, r: f64| (0.5 * PI * (k as f64 * step / r).min(1.0)).cos();
        for row in 0..rows {
            for column in 0..columns {
                self.values[row * columns + column][0] *= at(row, reach[0]) * at(column, reach[1]);
            }
        }
        // Central differences; beyond its middle the kernel is itself again.
        let h: Vec<f64> = self.values.iter().map(|v| v[0]).collect();
        let value =
            |row: usize, column: usize| h[row.min(rows - 1) * columns + column.min(columns - 1)];
        for row in 0..rows {
            for column in 0..columns {
                let slopes = &mut self.values[row * columns + column];
                slopes[1] =
                    (value(row + 1, column) - value(row.abs_diff(1), column)) / (2.0 * step);
                slopes[2] =
                    (value(row, column + 1) - value(row, column.abs_diff(1))) / (2.0 * step);
                if row == 0 {
                    slopes[1] = 0.0;
                }
                if column == 0 {
                    slopes[2] = 0.0;
                }
            }
        }
    }

    /// Height over √area at `u` along and `v` across, and its slopes by both; nothing out of reach.
    pub fn at(&self, u: f64, v: f64) -> Option<[f64; 3]> {
        let (a, b) = (u.abs(), v.abs());
        if a >= self.reach_m[0] || b >= self.reach_m[1] {
            return None;
        }
        let (x, y) = (a / self.step_m, b / self.step_m);
        let (i, j) = (to_index(x), to_index(y));
        let (fx, fy) = (x - i as f64, y - j as f64);
        let first = i * self.columns + j;
        let (p, q) = (
            &self.values[first..first + 2],
            &self.values[first + self.columns..][..2],
        );
        let mix = |k: usize| {
            let near = p[0][k] + fy * (p[1][k] - p[0][k]);
            near + fx * (q[0][k] + fy * (q[1][k] - q[0][k]) - near)
        };
        Some([mix(0), odd(mix(1), u), odd(mix(2), v)])
    }
}

/// One wave along the road in the kernel.
struct Wave {
    /// Cycles per metre.
    n: f64,
    /// Half of its height per √area, metres.
    size: f64,
    /// Its shape across the road.
    shape: Vec<f64>,
    /// Density that a profile is to have of it, m³.
    density_m3: f64,
}

impl Wave {
    /// The `k`th wave; none where the texture has nothing of it.
    fn new(k: usize, spectrum: &TextureSpectrum, spacing_m: f64, across: &Across) -> Option<Self> {
        let dn = 1.0 / (SHORTEST * spacing_m) / NUMBERS[0] as f64;
        let n = k as f64 * dn;
        let low = 1.0 / spectrum.below_m;
        let mask = rise((n * EDGE - low) / (low * (EDGE - 1.0))) * fall(n, spacing_m);
        if mask == 0.0 {
            return None;
        }
        let (shape, lost) = across.of(n, spectrum.exponent);
        // Straight sides between vertices take sinc² of a wave along the road.
        let x = PI * n * spacing_m;
        let kept = (x.sin() / x).powi(2) * lost;
        let root = (0.5 * spectrum.density_m3(n)).sqrt() * mask / kept;
        Some(Self {
            n,
            size: 2.0 * root * dn,
            shape,
            density_m3: 2.0 * root * root,
        })
    }
}

/// `value` with the sign of an odd function on the side of `by`.
fn odd(value: f64, by: f64) -> f64 {
    if by < 0.0 { -value } else { value }
}

/// Amplitude that is left near the shortest wave.
fn fall(n_per_m: f64, spacing_m: f64) -> f64 {
    let (ends, from) = (1.0 / (SHORTEST * spacing_m), 1.0 / (FALLS_FROM * spacing_m));
    rise((ends - n_per_m) / (ends - from))
}

/// Wave `n` along, its shape across, into the table.
fn add(values: &mut [[f64; 3]], shape: &[f64], [n, size]: [f64; 2], step_m: f64) {
    for (row, line) in values.chunks_mut(shape.len()).enumerate() {
        let wave = size * (TAU * n * row as f64 * step_m).cos();
        for (value, across) in line.iter_mut().zip(shape) {
            value[0] += wave * across;
        }
    }
}

/// How a wave along the road is spread across it: as an isotropic road has it,
/// f(q) ∝ (n² + q²)^(−(w+1)/2).
struct Across {
    spacing_m: f64,
    dq: f64,
    /// cos(2πqv) by q, then by v.
    waves: Vec<Vec<f64>>,
}

impl Across {
    fn new(spacing_m: f64, columns: usize, step_m: f64) -> Self {
        let dq = 1.0 / (SHORTEST * spacing_m) / NUMBERS[1] as f64;
        let wave = |k: usize| -> Vec<f64> {
            let q = k as f64 * dq;
            (0..columns)
                .map(|c| (TAU * q * c as f64 * step_m).cos())
                .collect()
        };
        Self {
            spacing_m,
            dq,
            waves: (0..=NUMBERS[1]).map(wave).collect(),
        }
    }

    /// The transform of √f by place across, with ∫f = 1, and the amplitude that straight sides
    /// between vertices leave of it: √(⅔ + ⅓ cos 2πqΔ) in the mean over places between them.
    fn of(&self, n: f64, exponent: f64) -> (Vec<f64>, f64) {
        let density = |k: usize| {
            let q = k as f64 * self.dq;
            let spread = (1.0 + (q / n).powi(2)).powf(-0.5 * (exponent + 1.0));
            spread * fall(CALMER_ACROSS * q, self.spacing_m).powi(2)
        };
        let f: Vec<f64> = (0..self.waves.len()).map(density).collect();
        let sides = |k: usize| if k == 0 { self.dq } else { 2.0 * self.dq };
        let sum = |of: &dyn Fn(usize) -> f64| (0..f.len()).map(|k| sides(k) * of(k)).sum::<f64>();
        let all = sum(&|k| f[k]);
        let straight =
            |k: usize| 2.0 / 3.0 + (TAU * k as f64 * self.dq * self.spacing_m).cos() / 3.0;
        let kept = sum(&|k| f[k] / all * straight(k)).sqrt();
        let mut shape = vec![0.0; self.waves[0].len()];
        for (k, wave) in self.waves.iter().enumerate() {
            let size = sides(k) * (f[k] / all).sqrt();
            shape.iter_mut().zip(wave).for_each(|(s, w)| *s += size * w);
        }
        (shape, kept)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spectrum(below_m: f64) -> TextureSpectrum {
        TextureSpectrum {
            below_m,
            exponent: 2.0,
            level_m3: 4e-8,
            known: vec![[0.2, 4e-8 / 0.04], [0.4, 4e-8 / 0.16]],
        }
    }

    #[test]
    fn profiles_hold_the_road_below_the_limit_and_nothing_above_it() {
        let (below_m, spacing_m) = (0.6, 0.1);
        let kernel = Kernel::new(&spectrum(below_m), spacing_m).unwrap();
        let db = |n: f64| 10.0 * (kernel.density_m3(n) / (4e-8 / (n * n))).log10();
        for wave_m in [0.78, 0.9, 1.2, 3.0, 10.0] {
            assert!(db(1.0 / wave_m) < -30.0, "{wave_m}: {}", db(1.0 / wave_m));
        }
        // Below the limit there is more than the road by what straight sides take away: between
        // sinc⁴ and √⅓ of it less across.
        for wave_m in [0.5, 0.45, 0.4, 0.35] {
            let x = PI * spacing_m / wave_m;
            let taken = -40.0 * (x.sin() / x).log10();
            let found = db(1.0 / wave_m);
            assert!(
                (taken - 0.3..taken + 1.5).contains(&found),
                "{wave_m}: {found} {taken}"
            );
        }
        assert!(db(1.0 / 0.235) < -25.0, "{}", db(1.0 / 0.235));
    }

    #[test]
    fn slopes_are_those_of_the_heights() {
        let kernel = Kernel::new(&spectrum(0.6), 0.1).unwrap();
        let height = |u: f64, v: f64| kernel.at(u, v).unwrap()[0];
        let scale = kernel.at(0.0, 0.0).unwrap()[0] / 0.1;
        for (u, v) in [(0.11, 0.05), (-0.3, 0.2), (0.7, -0.31), (-1.2, -0.1)] {
            let [_, su, sv] = kernel.at(u, v).unwrap();
            let d = 0.02;
            let along = (height(u + d, v) - height(u - d, v)) / (2.0 * d);
            let across = (height(u, v + d) - height(u, v - d)) / (2.0 * d);
            assert!((su - along).abs() < 0.05 * scale, "{u} {v}: {su} {along}");
            assert!((sv - across).abs() < 0.05 * scale, "{u} {v}: {sv} {across}");
        }
        assert!(kernel.at(2.4, 0.0).is_none() && kernel.at(0.0, 0.6).is_none());
    }

    #[test]
    fn a_limit_that_vertices_cannot_go_below_is_refused() {
        let refused = Kernel::new(&spectrum(0.3), 0.1).unwrap_err();
        assert!(matches!(refused, TextureError::NoRoom { .. }), "{refused}");
    }
}
