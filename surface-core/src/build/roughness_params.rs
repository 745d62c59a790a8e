//! What steers a roughness run, checked before anything is read.

use std::path::PathBuf;

use super::BuildError;
use super::gates::Gate;
use super::params::{FitParams, SetupPlace};
use crate::cloud::io::Unit;
use crate::setups::NoiseModel;

/// What steers a roughness run.
#[derive(Debug, Clone, PartialEq)]
pub struct RoughnessParams {
    /// Distance of stations along a path, metres.
    pub step_m: f64,
    /// Distance between left and right wheel, metres.
    pub track_m: f64,
    /// Middle between the wheels, left of the line, metres.
    pub offset_m: f64,
    /// A driven line, world metres, and whether it is closed; the reference line when absent.
    pub line: Option<(Vec<[f64; 2]>, bool)>,
    /// Speed for vertical radius and acceleration, km/h.
    pub speed_km_h: f64,
    /// Limits that must be kept.
    pub require: Vec<Gate>,
    /// Scanner positions, as for the fit.
    pub setups: Vec<SetupPlace>,
    /// Noise of a point's height, as for the fit.
    pub noise: Option<NoiseModel>,
    /// The unit of all scans, over what they say.
    pub units: Option<Unit>,
    /// Memory that reading the scans may take, bytes.
    pub memory_bytes: u64,
    /// Where scratch files go; the output folder when absent.
    pub scratch: Option<PathBuf>,
}

impl Default for RoughnessParams {
    fn default() -> Self {
        Self {
            step_m: 0.05,
            track_m: 1.5,
            offset_m: 0.0,
            line: None,
            speed_km_h: 200.0,
            require: Vec::new(),
            setups: Vec::new(),
            noise: None,
            units: None,
            memory_bytes: FitParams::default().memory_bytes,
            scratch: None,
        }
    }
}

/// Whether the quarter car's 0.25 m, and with it the straightedge's 3 m and sections of 20 m, are
/// whole steps. A step that is stretched to go round a lap differs by parts of a million.
fn divides_envelope(step_m: f64) -> bool {
    let parts = 0.25 / step_m;
    (parts - parts.round()).abs() < 1e-6 * parts
}

impl RoughnessParams {
    /// # Errors
    /// [`BuildError::Parameter`] naming the option and what is wrong with it.
    pub fn check(&self, with_scans: bool) -> Result<(), BuildError> {
        let within = |name, value: f64, range: std::ops::RangeInclusive<f64>, why| {
            if range.contains(&value) {
                return Ok(());
            }
            let value = format!("{value}");
            Err(BuildError::Parameter { name, value, why })
        };
        within(
            "--step",
            self.step_m,
            0.01..=0.25,
            "give 0.01 to 0.25 metres",
        )?;
        if !divides_envelope(self.step_m) {
            return Err(BuildError::Parameter {
                name: "--step",
                value: format!("{}", self.step_m),
                why: "give a whole part of 0.25 m (0.25, 0.125, 0.05, 0.025, 0.01): the indices average over 0.25 m and 3 m",
            });
        }
        within("--track", self.track_m, 0.5..=4.0, "give 0.5 to 4 metres")?;
        within(
            "--offset",
            self.offset_m,
            -20.0..=20.0,
            "give -20 to 20 metres",
        )?;
        within(
            "--speed",
            self.speed_km_h,
            10.0..=400.0,
            "give 10 to 400 km/h",
        )?;
        if !with_scans && self.require.iter().any(Gate::needs_scans) {
            return Err(BuildError::Parameter {
                name: "--require",
                value: "a limit on lambda, iri-difference or band-error".to_owned(),
                why: "only the scans can tell it; name them after the folder",
            });
        }
        self.fit_params().check()
    }

    /// How the scans are read again.
    pub(super) fn fit_params(&self) -> FitParams {
        FitParams {
            setups: self.setups.clone(),
            noise: self.noise,
            units: self.units,
            memory_bytes: self.memory_bytes,
            scratch: self.scratch.clone(),
            ..FitParams::default()
        }
    }
}
