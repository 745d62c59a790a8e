//! Where the scanner stands, how it looks around, and what it gets wrong.

use super::course::Course;
use super::rng::Rng;
use super::whole::to_index;
use serde::{Deserialize, Serialize};

/// Random errors of single points.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// Range error on a white target met squarely at 10 m, standard deviation, metres.
    pub range_m: f64,
    /// Angle error in elevation and in azimuth, standard deviation, radians.
    pub angle_rad: f64,
    /// Slow error of elevation with azimuth, root mean square, radians.
    pub flicker_rad: f64,
    /// Error of elevation of two and three cycles a turn, root mean square of both together and
    /// over all setups, radians: eccentric circles, a wobbling axle.
    #[serde(default)]
    pub slow_rad: f64,
}

impl Noise {
    /// A good instrument: 2 mm and 30 µrad.
    pub const TYPICAL: Self = Self {
        range_m: 2e-3,
        angle_rad: 30e-6,
        flicker_rad: 0.0,
        slow_rad: 0.0,
    };
    /// No errors at all.
    pub const NONE: Self = Self {
        range_m: 0.0,
        angle_rad: 0.0,
        flicker_rad: 0.0,
        slow_rad: 0.0,
    };

    /// Ranges and angles scatter so many times as far.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        Self {
            range_m: factor * self.range_m,
            angle_rad: factor * self.angle_rad,
            ..self
        }
    }

    /// Standard deviation of a range, metres: it grows with falling return power.
    ///
    /// Power relative to a white target met squarely at 10 m is ρ cos α (10 m / R)², and
    /// σ_r = σ₀ P^(−0.15), held between one and three times σ₀.
    #[must_use]
    #[inline]
    pub fn range_sigma_m(&self, reflectance: f64, cos_incidence: f64, range_m: f64) -> f64 {
        const EXPONENT: f64 = -0.15;
        let power = reflectance * cos_incidence * 100.0 / (range_m * range_m);
        self.range_m * power.max(1e-9).powf(EXPONENT).clamp(1.0, 3.0)
    }

    /// Variance of a height on level ground, m²: σ_z² = (σ_r h/R)² + (d σ_β)².
    #[must_use]
    #[inline]
    pub fn height_variance_m2(&self, sigma_range_m: f64, range_m: f64, h_m: f64) -> f64 {
        let d2 = (range_m * range_m - h_m * h_m).max(0.0);
        (sigma_range_m * h_m / range_m).powi(2) + d2 * self.angle_rad * self.angle_rad
    }
}

/// How a course is scanned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScanParams {
    /// Distance of setups along the line, metres.
    pub setup_spacing_m: f64,
    /// Step between scan columns, radians.
    pub azimuth_step_rad: f64,
    /// Step within a scan column, radians.
    pub elevation_step_rad: f64,
    /// Points of a setup are thinned to about this distance on level ground, as exports are;
    /// 0 keeps the scanner's own pattern. Metres.
    pub min_spacing_m: f64,
    /// No returns from further away, metres.
    pub range_m: f64,
    /// No returns from ground further than this outside the road's edges, metres.
    pub verge_m: f64,
    /// Random errors of points.
    pub noise: Noise,
    /// Heights of setups are off by up to this, evenly drawn, metres.
    pub setup_height_error_m: f64,
    /// Setups are tilted about each axis by up to this, evenly drawn, radians.
    pub setup_tilt_error_rad: f64,
    /// Every fourth setup is too high by this besides, metres: a registration that went wrong.
    #[serde(default)]
    pub fourth_off_m: f64,
    /// The third setup's points scatter by this share further than the others': 1 is twice as far. A
    /// wet road, a tripod in the wind.
    #[serde(default)]
    pub third_noisier: f64,
    /// Grass has blades that stand above the soil.
    pub blades: bool,
    /// Beams that straddle the outer edge of a kerb report one range, between what they meet.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub mixed_kerbs: bool,
    /// Beams that meet the vertical side of a patch, panel or kerb return from it, as high up as they meet it;
    /// without, they return from beside it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub faces: bool,
    /// People and a passing car, with shadows and mixed pixels at their edges.
    pub clutter: bool,
    /// A car stands on the road in every setup.
    pub parked_car: bool,
    /// Share of returns that are strays: dust and rain above ground, multiple paths below.
    pub stray_share: f64,
    /// Seed of all that is drawn.
    pub seed: u64,
}

impl ScanParams {
    /// The scan of the demonstration: about 4 million points, all errors, all clutter.
    #[must_use]
    pub fn demo() -> Self {
        Self {
            setup_spacing_m: 27.0,
            azimuth_step_rad: 2.0e-3,
            elevation_step_rad: 0.5e-3,
            min_spacing_m: 0.10,
            range_m: 45.0,
            verge_m: 4.0,
            noise: Noise::TYPICAL,
            setup_height_error_m: 0.8e-3,
            setup_tilt_error_rad: 20e-6,
            fourth_off_m: 0.0,
            third_noisier: 0.0,
            blades: true,
            mixed_kerbs: false,
            faces: false,
            clutter: true,
            parked_car: false,
            stray_share: 0.003,
            seed: 7,
        }
    }

    /// The scanner's pattern at 0.8 by 0.25 mrad, thinned to 20 mm: a million and more points a
    /// setup.
    #[must_use]
    pub fn dense() -> Self {
        Self {
            azimuth_step_rad: 0.8e-3,
            elevation_step_rad: 0.25e-3,
            min_spacing_m: 0.02,
            ..Self::demo()
        }
    }

    /// The same scan with random errors of points only: no clutter, strays or setup errors.
    #[must_use]
    pub fn clear(self) -> Self {
        Self {
            setup_height_error_m: 0.0,
            setup_tilt_error_rad: 0.0,
            fourth_off_m: 0.0,
            third_noisier: 0.0,
            mixed_kerbs: false,
            faces: false,
            clutter: false,
            parked_car: false,
            stray_share: 0.0,
            ..self
        }
    }

    /// The same scan, perfect: [`ScanParams::clear`] without noise.
    #[must_use]
    pub fn perfect(self) -> Self {
        Self {
            noise: Noise::NONE,
            blades: false,
            ..self.clear()
        }
    }

    /// The same scan with points about `spacing_m` apart at best.
    #[must_use]
    pub fn thinned(self, spacing_m: f64) -> Self {
        Self {
            min_spacing_m: spacing_m,
            ..self
        }
    }
}

/// One position of the scanner.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// Number, from 1.
    pub id: u16,
    /// Where it stands along the line, metres.
    pub s_m: f64,
    /// Centre of the instrument, metres from the course's origin.
    pub position_m: [f64; 3],
    /// Height of the instrument above the ground, metres.
    pub instrument_m: f64,
    /// All its points are too high by this, metres.
    pub height_error_m: f64,
    /// All its points rise by this per metre east and north of it.
    pub tilt_error_rad: [f64; 2],
}

impl Setup {
    /// Its error of elevation of two and three cycles a turn at an azimuth, in parts of their root
    /// mean square. Amplitudes and phases are drawn apart from all else.
    #[must_use]
    pub fn slow_wave(&self, seed: u64, azimuth_rad: f64) -> f64 {
        let mut rng = Rng::stream(&[seed, 0x736c_6f77, u64::from(self.id)]);
        [2.0, 3.0].iter().fold(0.0, |sum, cycles| {
            let (sine, cosine) = (azimuth_rad * cycles).sin_cos();
            sum + (rng.normal() * cosine + rng.normal() * sine) / 2f64.sqrt()
        })
    }
}

/// The setups of a scan, in turn beside the road (left, then right) and on it.
#[must_use]
pub fn place_setups(course: &Course, params: &ScanParams) -> Vec<Setup> {
    let count = to_index((course.length_m() / params.setup_spacing_m).round()).max(1);
    let spacing = course.length_m() / count as f64;
    (0..count)
        .map(|i| place_setup(course, params, i, (i as f64 + 0.5) * spacing))
        .collect()
}

fn place_setup(course: &Course, params: &ScanParams, i: usize, s_m: f64) -> Setup {
    const BESIDE_M: f64 = 1.5;
    let mut rng = Rng::stream(&[params.seed, 0x7365_7475, i as u64]);
    let [left, right] = course.edges_t_m(s_m);
    let t = match i % 4 {
        0 => left + BESIDE_M,
        2 => right - BESIDE_M,
        _ => rng.between(-1.5, 1.5),
    };
    let [x, y] = course.line().at(s_m, t);
    let instrument_m = rng.between(1.8, 1.9);
    let (e, tilt) = (params.setup_height_error_m, params.setup_tilt_error_rad);
    Setup {
        id: u16::try_from(i + 1).unwrap_or(u16::MAX),
        s_m,
        position_m: [x, y, course.ground_m(x, y) + instrument_m],
        instrument_m,
        height_error_m: rng.between(-e, e) + if i % 4 == 1 { params.fourth_off_m } else { 0.0 },
        tilt_error_rad: [rng.between(-tilt, tilt), rng.between(-tilt, tilt)],
    }
}
