//! What is known of every setup, as the height field asks for it.

use super::noise::NoiseModel;

/// Terms of a slow angular error.
pub const SLOW_TERMS: usize = 5;

/// Sum of the squares of a slow error's terms at any azimuth: 1, and cos² + sin² twice.
const SLOW_POWER: f64 = 3.0;

/// How far a setup's heights are too high: `offset + tilt · (place − about)`, and the slow error of
/// its elevation angle times the distance.
///
/// The slow error is δ(φ) = e₀ + e₁ cos 2φ + e₂ sin 2φ + e₃ cos 3φ + e₄ sin 3φ at azimuth φ (east
/// towards north): the index error of the vertical circle, and what eccentric circles and a
/// wobbling axle make of two and three cycles a turn. One cycle a turn is a tilt. That these are
/// the terms that matter is common practice, no source.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Correction {
    /// Its heights are too high by this at `about_m`, metres.
    pub offset_m: f64,
    /// They rise too much by this per metre east and north, radians.
    pub tilt_rad: [f64; 2],
    /// Where the setup turns about, local x and y, metres: the scanner, else the middle of what
    /// it saw.
    pub about_m: [f64; 2],
    /// Terms of its slow angular error, radians; all 0 where none is corrected.
    pub slow_rad: [f64; SLOW_TERMS],
}

impl Correction {
    /// How far heights of the setup are too high at a place, metres.
    #[must_use]
    #[inline]
    pub fn at(&self, [x, y]: [f64; 2]) -> f64 {
        let [dx, dy] = [x - self.about_m[0], y - self.about_m[1]];
        let level = self.offset_m + self.tilt_rad[0] * dx + self.tilt_rad[1] * dy;
        if !self.is_slow() {
            return level;
        }
        let shape = slow_shape([dx, dy]);
        let slow = shape.iter().zip(&self.slow_rad).map(|(f, e)| f * e);
        level + slow.sum::<f64>()
    }

    /// Whether a slow angular error is corrected.
    #[inline]
    fn is_slow(&self) -> bool {
        self.slow_rad.iter().any(|e| e.abs() > 0.0)
    }

    /// Root mean square of the slow angular error over all azimuths, radians.
    #[must_use]
    pub fn slow_rms_rad(&self) -> f64 {
        slow_rms(&self.slow_rad)
    }
}

/// Height error at (dx, dy) from the scanner of a radian of each term of a slow error, metres.
pub(super) fn slow_shape([dx, dy]: [f64; 2]) -> [f64; SLOW_TERMS] {
    let d = dx.hypot(dy);
    let [c, s] = [dx, dy].map(|v| v / d.max(1e-9));
    let [c2, s2] = [c * c - s * s, 2.0 * c * s];
    [
        d,
        d * c2,
        d * s2,
        d * (c * c2 - s * s2),
        d * (s * c2 + c * s2),
    ]
}

/// Root mean square over all azimuths of a slow error with these terms, radians.
pub(super) fn slow_rms(terms: &[f64; SLOW_TERMS]) -> f64 {
    let waves: f64 = terms[1..].iter().map(|e| e * e).sum();
    (terms[0] * terms[0] + 0.5 * waves).sqrt()
}

/// One setup.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SetupModel {
    /// Where the scanner stood, local x, y, z, metres.
    pub position_m: Option<[f64; 3]>,
    /// What is taken off its heights.
    pub correction: Correction,
    /// Variance of the correction's offset, m².
    pub offset_variance_m2: f64,
    /// Variance of one of its tilts, rad².
    pub tilt_variance: f64,
    /// Variance of a term of its slow angular error, rad²; 0 where none is corrected.
    pub slow_variance: f64,
    /// How its heights scatter, where the position is known.
    pub noise: Option<NoiseModel>,
    /// Its points are not used: it contradicts the others.
    pub left_out: bool,
    /// Step that its heights come in, metres; 0 where that is small against any noise.
    pub z_step_m: f64,
}

/// All setups of a cloud, by number.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SetupModels {
    setups: Vec<SetupModel>,
}

impl SetupModels {
    /// Models by setup number; numbers beyond them count as setups of which nothing is known.
    #[must_use]
    pub fn new(setups: Vec<SetupModel>) -> Self {
        Self { setups }
    }

    /// All of them in order.
    #[must_use]
    pub fn all(&self) -> &[SetupModel] {
        &self.setups
    }

    /// The same with all heights too high by this much more, metres.
    #[must_use]
    pub fn shifted(&self, shift_m: f64) -> Self {
        let mut out = self.clone();
        for setup in &mut out.setups {
            setup.correction.offset_m += shift_m;
        }
        out
    }

    /// How far heights of `setup` are too high at a local place, metres.
    #[must_use]
    #[inline]
    pub fn correction_m(&self, setup: u16, place_m: [f64; 2]) -> f64 {
        self.setups
            .get(usize::from(setup))
            .map_or(0.0, |s| s.correction.at(place_m))
    }

    /// Variance of that correction at a local place, m²: common to all points of the setup, so
    /// that no number of points makes it smaller.
    #[must_use]
    pub fn correction_variance_m2(&self, setup: u16, place_m: [f64; 2]) -> f64 {
        self.setups.get(usize::from(setup)).map_or(0.0, |s| {
            let [x, y] = [0, 1].map(|k| place_m[k] - s.correction.about_m[k]);
            let d2 = x * x + y * y;
            s.offset_variance_m2 + s.tilt_variance * d2 + SLOW_POWER * s.slow_variance * d2
        })
    }

    /// Whether the points of `setup` are left out.
    #[must_use]
    #[inline]
    pub fn left_out(&self, setup: u16) -> bool {
        self.setups
            .get(usize::from(setup))
            .is_some_and(|s| s.left_out)
    }

    /// Step that the heights of `setup` come in, metres; 0 where that is of no interest.
    #[must_use]
    pub fn z_step_m(&self, setup: u16) -> f64 {
        self.setups
            .get(usize::from(setup))
            .map_or(0.0, |s| s.z_step_m)
    }

    /// Setups of which only the steps of their heights are known.
    #[must_use]
    pub fn of_steps(z_steps_m: &[f64]) -> Self {
        let model = |&z_step_m: &f64| SetupModel {
            z_step_m,
            ..SetupModel::default()
        };
        Self::new(z_steps_m.iter().map(model).collect())
    }

    /// Variance of the height of one point of `setup` at a local place, m², where range noise has
    /// `faded` times its usual variance; `None` where its position is not known.
    #[must_use]
    pub fn variance_m2(&self, setup: u16, place_m: [f64; 3], faded: f64) -> Option<f64> {
        let (noise, [d_m, h_m]) = self.noise_at(setup, place_m)?;
        Some(noise.variance_faded_m2(d_m, h_m, faded))
    }

    /// Share of range noise in that.
    #[must_use]
    pub fn range_share(&self, setup: u16, place_m: [f64; 3], faded: f64) -> Option<f64> {
        let (noise, [d_m, h_m]) = self.noise_at(setup, place_m)?;
        Some(noise.range_share(d_m, h_m, faded))
    }

    /// How often its usual variance range noise of `setup` has at an intensity; `None` where it does
    /// not change with it.
    #[must_use]
    pub fn faded(&self, setup: u16, intensity: f64) -> Option<f64> {
        let noise = self.setups.get(usize::from(setup))?.noise?;
        (noise.fading > 0.0).then(|| noise.faded(intensity))
    }

    /// The noise of `setup`, with distance and depth of a local place from the scanner, metres.
    fn noise_at(&self, setup: u16, place_m: [f64; 3]) -> Option<(NoiseModel, [f64; 2])> {
        let model = self.setups.get(usize::from(setup))?;
        let (noise, position) = (model.noise?, model.position_m?);
        let d_m = (place_m[0] - position[0]).hypot(place_m[1] - position[1]);
        Some((noise, [d_m, position[2] - place_m[2]]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slow_error_is_its_harmonics_times_the_distance() {
        let slow_rad = [3e-6, 20e-6, -14e-6, 9e-6, 31e-6];
        let correction = Correction {
            about_m: [4.0, -7.0],
            slow_rad,
            ..Correction::default()
        };
        let mut square = 0.0;
        for k in 0..360u32 {
            let turn = f64::from(k).to_radians();
            let d = 3.0 + 0.1 * f64::from(k);
            let error = slow_rad[0]
                + slow_rad[1] * (2.0 * turn).cos()
                + slow_rad[2] * (2.0 * turn).sin()
                + slow_rad[3] * (3.0 * turn).cos()
                + slow_rad[4] * (3.0 * turn).sin();
            let at = correction.at([4.0 + d * turn.cos(), -7.0 + d * turn.sin()]);
            assert!((at - d * error).abs() < 1e-15, "{k}: {at}");
            square += error * error / 360.0;
        }
        assert!((correction.slow_rms_rad() - square.sqrt()).abs() < 1e-15);
        assert!(correction.at([4.0, -7.0]).abs() < 1e-15);
    }
}
