//! The spectrum that an invented texture is drawn from.

use super::super::fidelity::CarriedBand;

/// Fewer bands give no exponent.
const LEAST_BANDS: usize = 4;

/// Why there is no texture.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TextureError {
    /// The run has no scans, or its mesh carries no band.
    #[error("the run does not say down to which wavelength the mesh carries the road")]
    NotCarried,
    /// Too few bands are known well enough.
    #[error("only {found} bands of the road's spectrum are known well enough, of {LEAST_BANDS}")]
    FewBands {
        /// How many are.
        found: usize,
    },
    /// Between the limit and what the mesh's vertices can hold there is no room.
    #[error(
        "vertices {spacing_m} m apart hold waves from {shortest_m:.2} m on, too few below λ = {below_m:.2} m"
    )]
    NoRoom {
        /// Distance of vertices, metres.
        spacing_m: f64,
        /// Shortest wave that they hold, metres.
        shortest_m: f64,
        /// The limit, metres.
        below_m: f64,
    },
}

/// A road's spectrum, free of noise: as measured where it is known, by a power law beyond.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct TextureSpectrum {
    /// Waves shorter than this are invented, metres.
    pub below_m: f64,
    /// Exponent w of the line A·n^−w through the bands.
    pub exponent: f64,
    /// A: density of the line at one cycle a metre, m³.
    pub level_m3: f64,
    /// Bands that are known: cycles per metre and density, m³, ascending.
    pub known: Vec<[f64; 2]>,
}

impl TextureSpectrum {
    /// From the bands of one or more paths: densities are means of logarithms over the paths that
    /// know the band; the line is that of least squares of logarithms.
    ///
    /// # Errors
    /// [`TextureError`] with too few bands.
    pub fn of(paths: &[&[CarriedBand]], below_m: f64) -> Result<Self, TextureError> {
        let most = paths.iter().map(|p| p.len()).max().unwrap_or(0);
        let mut known: Vec<[f64; 2]> = Vec::new();
        for k in 0..most {
            let here: Vec<&CarriedBand> = paths
                .iter()
                .filter_map(|p| p.get(k))
                .filter(|b| b.is_sure())
                .collect();
            if let Some(first) = here.first() {
                let logs = here.iter().map(|b| b.road_m3.ln()).sum::<f64>();
                known.push([1.0 / first.wavelength_m, (logs / here.len() as f64).exp()]);
            }
        }
        known.sort_by(|a, b| a[0].total_cmp(&b[0]));
        if known.len() < LEAST_BANDS {
            return Err(TextureError::FewBands { found: known.len() });
        }
        let [level, slope] = line(&known);
        Ok(Self {
            below_m,
            exponent: -slope,
            level_m3: level.exp(),
            known,
        })
    }

    /// One-sided density at a wavenumber, m³: between two known bands by their logarithms, outside
    /// of them by the line.
    #[must_use]
    pub fn density_m3(&self, n_per_m: f64) -> f64 {
        let next = self.known.partition_point(|p| p[0] <= n_per_m);
        let pair = next.checked_sub(1).and_then(|k| self.known.get(k..k + 2));
        match pair {
            Some(&[[na, ga], [nb, gb]]) => {
                let share = (n_per_m / na).ln() / (nb / na).ln();
                (ga.ln() + share * (gb / ga).ln()).exp()
            }
            _ => self.level_m3 * n_per_m.powf(-self.exponent),
        }
    }
}

/// Level and slope of the straight line through logarithms.
fn line(known: &[[f64; 2]]) -> [f64; 2] {
    let n = known.len() as f64;
    let mean = |f: &dyn Fn(&[f64; 2]) -> f64| known.iter().map(f).sum::<f64>() / n;
    let (mx, my) = (mean(&|p| p[0].ln()), mean(&|p| p[1].ln()));
    let slope =
        mean(&|p| (p[0].ln() - mx) * (p[1].ln() - my)) / mean(&|p| (p[0].ln() - mx).powi(2));
    [my - slope * mx, slope]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn band(n: f64, road_m3: f64, sd: f64) -> CarriedBand {
        CarriedBand {
            wavelength_m: 1.0 / n,
            limits_per_m: [0.9 * n, 1.1 * n],
            road_m3,
            road_sd_m3: sd,
            plain_m3: road_m3,
            noise_m3: 0.0,
            halves_coherence: 1.0,
            surface_m3: road_m3,
            surface_db: None,
            gain: 1.0,
            coherence: 1.0,
        }
    }

    #[test]
    fn known_bands_are_kept_and_unsure_ones_follow_the_line() {
        let law = |n: f64| 4e-8 * n.powi(-2);
        let mut bands: Vec<CarriedBand> = [0.2f64, 0.4, 0.8, 1.6]
            .map(|n| band(n, law(n), 0.1 * law(n)))
            .to_vec();
        bands.push(band(3.2, 50.0 * law(3.2), 100.0 * law(3.2)));
        let found = TextureSpectrum::of(&[&bands], 0.5).unwrap();
        assert!((found.exponent - 2.0).abs() < 1e-9 && found.known.len() == 4);
        for n in [0.1, 0.2, 0.5, 1.6, 3.2, 8.0] {
            assert!((found.density_m3(n) / law(n) - 1.0).abs() < 1e-9, "{n}");
        }
        let few = TextureSpectrum::of(&[&bands[2..]], 0.5);
        assert_eq!(few, Err(TextureError::FewBands { found: 2 }));
    }
}
