//! From what a ray meets to what the scanner reports: errors, intensity, strays.

use super::information::Information;
use super::rng::Rng;
use super::setups::{ScanParams, Setup};
use super::whole::to_u16;
use std::f64::consts::TAU;

/// What a return came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// The paved ribbon.
    Road,
    /// Ground beside it.
    Verge,
    /// A car or a person.
    Object,
    /// Partly a body, partly what is behind it.
    Mixed,
    /// Nothing that is there.
    Stray,
}

/// What a ray met, relative to the instrument.
#[derive(Debug, Clone, Copy)]
pub struct Target {
    /// Horizontal distance, metres.
    pub d_m: f64,
    /// Height above the instrument, metres.
    pub dz_m: f64,
    reflectance: f64,
    outside_m: f64,
    source: Source,
}

impl Target {
    /// The ground, `outside_m` outside the road's edge (negative on the road).
    #[must_use]
    pub fn ground(d_m: f64, dz_m: f64, reflectance: f64, outside_m: f64) -> Self {
        let source = if outside_m > 0.0 {
            Source::Verge
        } else {
            Source::Road
        };
        Self {
            d_m,
            dz_m,
            reflectance,
            outside_m,
            source,
        }
    }

    /// The same at another distance and height, of two surfaces.
    #[must_use]
    pub fn at(self, d_m: f64, dz_m: f64) -> Self {
        Self {
            d_m,
            dz_m,
            source: Source::Mixed,
            ..self
        }
    }

    /// The same place on the vertical face below it.
    #[must_use]
    pub fn on_face(self, dz_m: f64) -> Self {
        Self { dz_m, ..self }
    }

    /// How far outside the road's edge it lies, metres; negative on the road.
    #[must_use]
    pub fn outside_m(&self) -> f64 {
        self.outside_m
    }

    /// A body.
    #[must_use]
    pub fn object(d_m: f64, dz_m: f64, reflectance: f64) -> Self {
        Self {
            d_m,
            dz_m,
            reflectance,
            outside_m: 0.0,
            source: Source::Object,
        }
    }

    /// Somewhere between a body and what is behind it.
    #[must_use]
    pub fn mixed(d_m: f64, dz_m: f64, reflectance: f64) -> Self {
        Self {
            source: Source::Mixed,
            ..Self::object(d_m, dz_m, 0.5 * reflectance)
        }
    }
}

/// The returns of one setup as plain columns, metres from the course's origin.
#[derive(Debug, Clone)]
pub struct Returns {
    /// East.
    pub x_m: Vec<f64>,
    /// North.
    pub y_m: Vec<f64>,
    /// Up.
    pub z_m: Vec<f64>,
    /// Strength of the return.
    pub intensity: Vec<u16>,
    /// Time of measurement, seconds.
    pub time_s: Vec<f64>,
    /// What it came from. A scanner does not say; tests want to know.
    pub source: Vec<Source>,
    /// Σ 1/σ_z² of returns from the road.
    pub information: Information,
    params: ScanParams,
    setup: Setup,
    column: Column,
}

#[derive(Debug, Clone, Copy, Default)]
struct Column {
    azimuth_rad: f64,
    direction: [f64; 2],
    flicker_rad: f64,
}

/// Seconds from one setup to the next.
const SETUP_TIME_S: f64 = 600.0;
/// Seconds for a full turn.
const TURN_TIME_S: f64 = 180.0;
/// Intensity of a white surface met squarely from near by.
const WHITE: f64 = 60_000.0;

impl Returns {
    pub(super) fn new(params: &ScanParams, setup: &Setup) -> Self {
        let mut params = params.clone();
        if setup.id == 3 {
            params.noise = params.noise.times(1.0 + params.third_noisier);
        }
        Self {
            x_m: Vec::new(),
            y_m: Vec::new(),
            z_m: Vec::new(),
            intensity: Vec::new(),
            time_s: Vec::new(),
            source: Vec::new(),
            information: Information::default(),
            params,
            setup: *setup,
            column: Column::default(),
        }
    }

    /// Leave only the returns that `stays` says, by number and place in plan.
    pub fn keep(&mut self, stays: impl Fn(usize, [f64; 2]) -> bool) {
        let all: Vec<bool> = (0..self.len())
            .map(|k| stays(k, [self.x_m[k], self.y_m[k]]))
            .collect();
        fn only<T>(values: &mut Vec<T>, all: &[bool]) {
            let mut stays = all.iter();
            values.retain(|_| stays.next().copied().unwrap_or(false));
        }
        for values in [
            &mut self.x_m,
            &mut self.y_m,
            &mut self.z_m,
            &mut self.time_s,
        ] {
            only(values, &all);
        }
        only(&mut self.intensity, &all);
        only(&mut self.source, &all);
    }

    /// Number of returns.
    #[must_use]
    pub fn len(&self) -> usize {
        self.x_m.len()
    }

    /// Whether nothing came back.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.x_m.is_empty()
    }

    pub(super) fn begin_column(&mut self, azimuth_rad: f64, direction: [f64; 2]) {
        let phase = f64::from(self.setup.id);
        let wave = (7.0 * azimuth_rad + phase).sin() + (23.0 * azimuth_rad + 2.0 * phase).sin();
        let noise = self.params.noise;
        let mut flicker_rad = noise.flicker_rad * wave;
        if noise.slow_rad > 0.0 {
            let slow = self.setup.slow_wave(self.params.seed, azimuth_rad);
            flicker_rad += noise.slow_rad * slow;
        }
        self.column = Column {
            azimuth_rad,
            direction,
            flicker_rad,
        };
    }

    /// Measures a target, unless it lies beyond the limits of the scan.
    pub(super) fn receive(&mut self, target: &Target, rng: &mut Rng) {
        let range = target.d_m.hypot(target.dz_m);
        if range > self.params.range_m || target.outside_m > self.params.verge_m {
            return;
        }
        let mut target = *target;
        if target.source == Source::Verge && self.params.blades {
            target.dz_m += blade_m(target.outside_m, rng);
        }
        let stray = self.params.stray_share > 0.0 && rng.unit() < self.params.stray_share;
        if stray {
            target = stray_of(&target, rng);
        }
        self.measure(&target, rng);
    }

    fn measure(&mut self, target: &Target, rng: &mut Rng) {
        let (noise, [cx, cy]) = (self.params.noise, self.column.direction);
        let range = target.d_m.hypot(target.dz_m);
        let (cos, sin) = (target.d_m / range, target.dz_m / range);
        // On ground sin is the cosine of incidence; bodies are met about squarely.
        let squarely = matches!(
            target.source,
            Source::Object | Source::Mixed | Source::Stray
        );
        let incidence = if squarely { 0.7 } else { sin.abs() };
        let sigma = noise.range_sigma_m(target.reflectance, incidence, range);
        let along = sigma * rng.normal();
        let up = range * (noise.angle_rad * rng.normal() + self.column.flicker_rad);
        let aside = range * noise.angle_rad * rng.normal();
        let out = target.d_m + along * cos - up * sin;
        let offset = [
            out * cx - aside * cy,
            out * cy + aside * cx,
            target.dz_m + along * sin + up * cos,
        ];
        if target.source == Source::Road && noise.range_m > 0.0 {
            let variance = noise.height_variance_m2(sigma, range, target.dz_m);
            let [x, y, _] = self.setup.position_m;
            self.information
                .add(x + target.d_m * cx, y + target.d_m * cy, 1.0 / variance);
        }
        let strength = target.reflectance * incidence.powf(0.3) / (1.0 + (range / 40.0).powi(2));
        let intensity = to_u16(WHITE * strength * (1.0 + 0.04 * rng.normal()));
        self.push(offset, intensity, target.source);
    }

    /// Adds a point given relative to the instrument, displaced by the setup's own errors.
    fn push(&mut self, offset: [f64; 3], intensity: u16, source: Source) {
        let Setup {
            position_m: p,
            height_error_m,
            tilt_error_rad: tilt,
            ..
        } = self.setup;
        self.x_m.push(p[0] + offset[0]);
        self.y_m.push(p[1] + offset[1]);
        let error = height_error_m + tilt[0] * offset[0] + tilt[1] * offset[1];
        self.z_m.push(p[2] + offset[2] + error);
        self.intensity.push(intensity);
        self.source.push(source);
        let turn = self.column.azimuth_rad / TAU;
        let start = SETUP_TIME_S * f64::from(self.setup.id);
        self.time_s
            .push(start + TURN_TIME_S * turn + 1e-6 * (self.x_m.len() % 10_000) as f64);
    }

    /// Two returns from far away: a bird, and a reflection.
    pub(super) fn far_strays(&mut self) {
        if self.setup.id == 1 {
            self.push([812.4, -377.0, 61.3], 900, Source::Stray);
            self.push([-455.1, 690.2, -38.7], 700, Source::Stray);
        }
    }
}

/// Height of grass where a ray meets it, metres: blades of 20 to 60 mm, soil seen between them,
/// shorter towards the asphalt.
fn blade_m(outside_m: f64, rng: &mut Rng) -> f64 {
    let (gap, height) = (rng.unit() < 0.3, rng.between(0.020, 0.060));
    if gap {
        0.0
    } else {
        height * (0.3 + outside_m / 0.2).min(1.0)
    }
}

/// A return at the wrong range: mostly before the target (dust, rain), else behind it.
fn stray_of(target: &Target, rng: &mut Rng) -> Target {
    let (kind, u) = (rng.unit(), rng.unit());
    let scale = match kind {
        k if k < 0.55 => 0.1 + 0.9 * u,
        k if k < 0.80 => 1.0 - 0.1 * u * u,
        _ => 1.0 + 0.15 * u,
    };
    let (d_m, dz_m) = (scale * target.d_m, scale * target.dz_m);
    Target {
        d_m,
        dz_m,
        reflectance: 0.1,
        outside_m: 0.0,
        source: Source::Stray,
    }
}
