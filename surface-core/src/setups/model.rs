//! What is known of every setup, as the height field asks for it.

use super::noise::NoiseModel;

/// How far a setup's heights are too high: `offset + tilt · (place − about)`.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Correction {
    /// Its heights are too high by this at `about_m`, metres.
    pub offset_m: f64,
    /// They rise too much by this per metre east and north, radians.
    pub tilt_rad: [f64; 2],
    /// Where the setup turns about, local x and y, metres: the scanner, else the middle of what
    /// it saw.
    pub about_m: [f64; 2],
}

impl Correction {
    /// How far heights of the setup are too high at a place, metres.
    #[must_use]
    #[inline]
    pub fn at(&self, [x, y]: [f64; 2]) -> f64 {
        self.offset_m
            + self.tilt_rad[0] * (x - self.about_m[0])
            + self.tilt_rad[1] * (y - self.about_m[1])
    }
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
            s.offset_variance_m2 + s.tilt_variance * (x * x + y * y)
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

    /// Variance of the height of one point of `setup` at a local place, m²; `None` where its
    /// position is not known.
    #[must_use]
    pub fn variance_m2(&self, setup: u16, place_m: [f64; 3]) -> Option<f64> {
        let model = self.setups.get(usize::from(setup))?;
        let (noise, position) = (model.noise?, model.position_m?);
        let d_m = (place_m[0] - position[0]).hypot(place_m[1] - position[1]);
        Some(noise.variance_m2(d_m, position[2] - place_m[2]))
    }
}
