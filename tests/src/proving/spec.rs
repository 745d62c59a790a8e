//! What an invented course is made of: everything needed to build the same truth again.

use super::path::Corner;
use super::paving::Feature;
use super::roughness::Spectrum;
use serde::{Deserialize, Serialize};

/// Description of a closed course. The same description is the same truth, to the last bit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CourseSpec {
    /// Corners of the polygon that the reference line follows.
    pub corners: Vec<Corner>,
    /// Window that turns jumps of curvature into ramps, metres.
    pub smoothing_m: f64,
    /// Mean width of the asphalt between its edges (kerbs come on top), metres.
    pub width_m: f64,
    /// Amplitude of the smooth change of width, metres.
    pub width_swing_m: f64,
    /// Amplitude of hills, metres; also scales crossfall and crown (2 m gives the full values).
    pub relief_m: f64,
    /// Random roughness: one-sided profile spectrum at 0.1 cycles per metre, m³; 0 for none.
    pub g0_m3: f64,
    /// Kerbs at apexes and exits.
    pub kerbs: bool,
    /// Asphalt lots with joints between them.
    pub joints: bool,
    /// Patches, bumps, dips and potholes.
    pub features: bool,
    /// What was done to the course besides what is drawn: panels laid or milled, bumps that came.
    #[serde(default)]
    pub works: Vec<Feature>,
    /// Seed of all that is drawn.
    pub seed: u64,
}

/// Radius of the corners of a serpentine course, metres.
const SERPENTINE_RADIUS_M: f64 = 22.0;

impl CourseSpec {
    /// The course of the demonstration: about 650 m, a hairpin, a chicane, hills.
    #[must_use]
    pub fn demo() -> Self {
        let corners = [
            (0.0, 0.0, 22.0),
            (150.0, 0.0, 18.0),
            (150.0, 50.0, 16.0),
            (54.0, 52.0, 11.7),
            (54.0, 75.4, 11.7),
            (140.0, 78.0, 19.0),
            (142.0, 122.0, 19.0),
            (98.0, 112.0, 26.0),
            (66.0, 132.0, 26.0),
            (4.0, 124.0, 22.0),
        ];
        Self {
            corners: corners.map(corner).to_vec(),
            smoothing_m: 5.0,
            ..Self::plain()
        }
    }

    /// A hairpin whose inner edge has a radius of 3 m, on a road 9 m wide.
    #[must_use]
    pub fn tight_hairpin() -> Self {
        // Smoothing over 3 m shrinks an arc of 7.6 m to 7.5 m: half the width and 3 m.
        let corners = [
            (0.0, 0.0, 16.0),
            (90.0, 0.0, 20.0),
            (90.0, 60.0, 7.6),
            (74.8, 60.0, 7.6),
            (74.8, 32.0, 14.0),
            (0.0, 32.0, 14.0),
        ];
        Self {
            corners: corners.map(corner).to_vec(),
            smoothing_m: 3.0,
            width_m: 9.0,
            width_swing_m: 0.0,
            kerbs: false,
            ..Self::plain()
        }
    }

    /// Two legs 9 m wide that run 8 m apart, edge to edge.
    #[must_use]
    pub fn near_legs() -> Self {
        let corners = [
            (0.0, 0.0, 8.4),
            (120.0, 0.0, 8.4),
            (120.0, 17.0, 8.4),
            (60.0, 17.0, 8.4),
            (60.0, 70.0, 16.0),
            (0.0, 70.0, 16.0),
        ];
        Self {
            corners: corners.map(corner).to_vec(),
            smoothing_m: 3.0,
            width_m: 9.0,
            width_swing_m: 0.0,
            kerbs: false,
            ..Self::plain()
        }
    }

    /// An oval of about 250 m: a short course with all that a course can have.
    #[must_use]
    pub fn oval() -> Self {
        let corners = [
            (0.0, 0.0, 24.0),
            (80.0, 0.0, 24.0),
            (80.0, 55.0, 24.0),
            (0.0, 55.0, 24.0),
        ];
        Self {
            corners: corners.map(corner).to_vec(),
            ..Self::plain()
        }
    }

    /// A serpentine of about this length, for measuring speed on long courses.
    #[must_use]
    pub fn of_length(length_m: f64) -> Self {
        // Legs as long as four times their spacing keep the scanned area compact.
        let mut columns = 2;
        while serpentine_length(&serpentine(columns + 2, 120.0)) < length_m {
            columns += 2;
        }
        let (mut low, mut high) = (50.0, 2.0 * length_m);
        for _ in 0..60 {
            let leg = 0.5 * (low + high);
            if serpentine_length(&serpentine(columns, leg)) < length_m {
                low = leg;
            } else {
                high = leg;
            }
        }
        Self {
            corners: serpentine(columns, 0.5 * (low + high)),
            ..Self::plain()
        }
    }

    /// The same course without joints, features, kerbs and relief: roughness alone.
    #[must_use]
    pub fn smooth(mut self) -> Self {
        (self.joints, self.features, self.kerbs) = (false, false, false);
        (self.relief_m, self.width_swing_m) = (0.0, 0.0);
        self
    }

    /// The same course drawn from another seed.
    #[must_use]
    pub fn with_seed(mut self, seed: u64) -> Self {
        self.seed = seed;
        self
    }

    /// The same course after (or before) works.
    #[must_use]
    pub fn with_works(mut self, works: &[Feature]) -> Self {
        self.works = works.to_vec();
        self
    }

    /// Spectrum of the random roughness.
    #[must_use]
    pub fn spectrum(&self) -> Spectrum {
        Spectrum {
            g0_m3: self.g0_m3,
            ..Spectrum::CIRCUIT
        }
    }

    fn plain() -> Self {
        Self {
            corners: Vec::new(),
            smoothing_m: 6.0,
            width_m: 10.4,
            width_swing_m: 1.0,
            relief_m: 2.0,
            g0_m3: Spectrum::CIRCUIT.g0_m3,
            kerbs: true,
            joints: true,
            features: true,
            works: Vec::new(),
            seed: 20,
        }
    }
}

fn corner((x_m, y_m, radius_m): (f64, f64, f64)) -> Corner {
    Corner { x_m, y_m, radius_m }
}

/// Columns going up and down beside each other, closed by a straight along the bottom.
fn serpentine(columns: i32, leg_m: f64) -> Vec<Corner> {
    let (spacing, r) = (2.5 * SERPENTINE_RADIUS_M, SERPENTINE_RADIUS_M);
    let mut corners = Vec::new();
    for column in 0..columns {
        let x = f64::from(column) * spacing;
        let (from, to) = if column % 2 == 0 {
            (0.0, leg_m)
        } else {
            (leg_m, 0.0)
        };
        corners.push(Corner::new(x, from, r));
        corners.push(Corner::new(x, to, r));
    }
    let bottom = -2.5 * r;
    if let Some(last) = corners.last_mut() {
        last.y_m = bottom;
    }
    corners[0].y_m = bottom;
    corners
}

/// Length of the sides less what rounding by right angles saves.
fn serpentine_length(corners: &[Corner]) -> f64 {
    let n = corners.len();
    let saved = 2.0 - std::f64::consts::FRAC_PI_2;
    (0..n)
        .map(|i| {
            let (a, b) = (&corners[i], &corners[(i + 1) % n]);
            (b.x_m - a.x_m).hypot(b.y_m - a.y_m) - saved * a.radius_m
        })
        .sum()
}
