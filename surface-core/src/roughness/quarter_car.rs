//! What a simple car feels: the golden quarter car of the international roughness index.
//!
//! ASTM E1926; M. W. Sayers, "On the calculation of international roughness index from
//! longitudinal road profile", Transportation Research Record 1501 (1995). The constants are
//! those of Šroubek, Šorel and Žák, "Precise international roughness index calculation", IJPRT
//! 2021 (doi 10.1007/s42947-021-00097-z), who implement that definition.

use crate::numeric::matrix_exponential;

/// Speed at which the index is defined, m/s (80 km/h).
pub const IRI_SPEED_M_S: f64 = 80.0 / 3.6;
/// Tyre stiffness over sprung mass, 1/s².
const K1: f64 = 653.0;
/// Spring stiffness over sprung mass, 1/s².
const K2: f64 = 63.3;
/// Damping over sprung mass, 1/s.
const C: f64 = 6.0;
/// Unsprung over sprung mass.
const MU: f64 = 0.15;
/// Length of the moving average, metres: the tyre's envelope.
const ENVELOPE_M: f64 = 0.25;
/// The car starts as if it had driven on the mean grade of the first 11 m (0.5 s at 80 km/h;
/// the length is common practice, no source read).
const START_M: f64 = 11.0;

/// Motion of body and wheel at one place, per metre of way: slopes and their rates.
pub type State = [f64; 4];

/// The golden car driven over slopes that are constant from sample to sample, by its exact state
/// transition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QuarterCar {
    /// State transition over a step.
    pub st: [[f64; 4]; 4],
    /// Response to a slope over a step.
    pub pr: [f64; 4],
    speed_m_s: f64,
}

impl QuarterCar {
    /// The car at `speed_m_s` over samples `step_m` apart.
    #[must_use]
    pub fn new(step_m: f64, speed_m_s: f64) -> Self {
        let dt = step_m / speed_m_s;
        let a = [
            [0.0, 1.0, 0.0, 0.0, 0.0],
            [-K2, -C, K2, C, 0.0],
            [0.0, 0.0, 0.0, 1.0, 0.0],
            [K2 / MU, C / MU, -(K1 + K2) / MU, -C / MU, K1 / MU],
            [0.0; 5],
        ];
        // The input as a fifth state that stays: its column is the response to a step.
        let e = matrix_exponential(&a.map(|row| row.map(|v| v * dt)));
        let st = [0, 1, 2, 3].map(|i| [0, 1, 2, 3].map(|j| e[i][j]));
        let pr = [0, 1, 2, 3].map(|i| e[i][4]);
        Self { st, pr, speed_m_s }
    }

    /// The state after one more step with this slope.
    #[must_use]
    #[inline]
    pub fn next(&self, z: &State, slope: f64) -> State {
        let row = |i: usize| {
            let s = &self.st[i];
            s[0] * z[0] + s[1] * z[1] + s[2] * z[2] + s[3] * z[3] + self.pr[i] * slope
        };
        [row(0), row(1), row(2), row(3)]
    }

    /// States along slopes, from a car that rolls steadily on `start_slope`.
    fn drive(&self, slopes: &[f64], start_slope: f64) -> Vec<State> {
        let mut z = [start_slope, 0.0, start_slope, 0.0];
        let step = |slope: &f64| {
            z = self.next(&z, *slope);
            z
        };
        slopes.iter().map(step).collect()
    }

    /// Vertical acceleration of the body in a state, m/s²: speed times the rate of its slope.
    #[must_use]
    pub fn body_acceleration_m_s2(&self, z: &State) -> f64 {
        self.speed_m_s * z[1]
    }
}

/// Slopes over the envelope: the moving average of the profile's slope.
fn enveloped_slopes(z_m: &[f64], step_m: f64) -> Vec<f64> {
    let wide = crate::numeric::to_index(ENVELOPE_M / step_m + 0.5).max(1);
    let base = wide as f64 * step_m;
    z_m.windows(wide + 1)
        .map(|w| (w[wide] - w[0]) / base)
        .collect()
}

fn start_slope(z_m: &[f64], step_m: f64) -> f64 {
    let n = crate::numeric::to_index(START_M / step_m + 0.5).clamp(1, z_m.len() - 1);
    (z_m[n] - z_m[0]) / (n as f64 * step_m)
}

fn states(z_m: &[f64], step_m: f64, speed_m_s: f64) -> (QuarterCar, Vec<State>) {
    let car = QuarterCar::new(step_m, speed_m_s);
    if z_m.len() < 3 {
        return (car, Vec::new());
    }
    let slopes = enveloped_slopes(z_m, step_m);
    let found = car.drive(&slopes, start_slope(z_m, step_m));
    (car, found)
}

/// How much the golden car's suspension strokes, sample by sample, metres per metre: the mean of
/// these is the IRI. Of a profile without holes; empty for fewer than three samples.
#[must_use]
pub fn suspension_strokes(z_m: &[f64], step_m: f64) -> Vec<f64> {
    let (_, states) = states(z_m, step_m, IRI_SPEED_M_S);
    states.iter().map(|z| (z[2] - z[0]).abs()).collect()
}

/// The international roughness index of a profile without holes, mm/m (= m/km); `None` for fewer
/// than three samples.
///
/// ```
/// use surface_core::roughness::iri_mm_per_m;
/// let grade: Vec<f64> = (0..2000).map(|k| 0.05 * 0.05 * f64::from(k)).collect();
/// assert!(iri_mm_per_m(&grade, 0.05).unwrap() < 1e-9);
/// ```
#[must_use]
pub fn iri_mm_per_m(z_m: &[f64], step_m: f64) -> Option<f64> {
    let strokes = suspension_strokes(z_m, step_m);
    (!strokes.is_empty()).then(|| 1e3 * strokes.iter().sum::<f64>() / strokes.len() as f64)
}

/// Vertical acceleration of the golden car's body at `speed_m_s`, sample by sample, m/s².
#[must_use]
pub fn body_accelerations_m_s2(z_m: &[f64], step_m: f64, speed_m_s: f64) -> Vec<f64> {
    let (car, states) = states(z_m, step_m, speed_m_s);
    states
        .iter()
        .map(|z| car.body_acceleration_m_s2(z))
        .collect()
}
