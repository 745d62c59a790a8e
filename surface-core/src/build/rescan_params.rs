//! What steers a rescan, checked before anything is read.

use std::path::PathBuf;

use super::BuildError;
use super::params::{FitParams, SetupPlace};
use crate::cloud::io::Unit;
use crate::rescan::{Areas, DetectParams};
use crate::setups::NoiseModel;

/// What steers a rescan. Spacing, ribbon and the smoothness of the road are the build's.
#[derive(Debug, Clone, PartialEq)]
pub struct RescanParams {
    /// Areas in which change is expected; without them every change is.
    pub expect: Option<Areas>,
    /// Only say what would be done.
    pub dry_run: bool,
    /// Let the new points sharpen the old surface away from changes.
    pub refine: bool,
    /// When a difference is a change.
    pub detect: DetectParams,
    /// Deviation that is accepted, metres; the build's when absent.
    pub tolerance_m: Option<f64>,
    /// Scanner positions of the new scan.
    pub setups: Vec<SetupPlace>,
    /// Noise of a point's height, over what the scans' own scatter tells.
    pub noise: Option<NoiseModel>,
    /// The unit of all scans, over what they say.
    pub units: Option<Unit>,
    /// Memory that the run may take, bytes.
    pub memory_bytes: u64,
    /// Where scratch files go; the new folder when absent.
    pub scratch: Option<PathBuf>,
}

impl Default for RescanParams {
    fn default() -> Self {
        Self {
            expect: None,
            dry_run: false,
            refine: false,
            detect: DetectParams::default(),
            tolerance_m: None,
            setups: Vec::new(),
            noise: None,
            units: None,
            memory_bytes: 2 << 30,
            scratch: None,
        }
    }
}

impl RescanParams {
    /// # Errors
    /// [`BuildError::Parameter`] naming the option and what is wrong with it.
    pub fn check(&self) -> Result<(), BuildError> {
        let refuse = |name, value: f64, why| {
            Err(BuildError::Parameter {
                name,
                value: format!("{value}"),
                why,
            })
        };
        let DetectParams {
            false_share,
            least_m,
        } = self.detect;
        if !(1e-6..=0.5).contains(&false_share) {
            return refuse("--false-share", false_share, "give 0.000001 to 0.5");
        }
        if !(0.0..=0.1).contains(&least_m) {
            return refuse("--least", 1e3 * least_m, "give 0 to 100 millimetres");
        }
        self.fit_params(&FitParams::default()).check()
    }

    /// The parameters of a fit of the new points.
    pub(super) fn fit_params(&self, built: &FitParams) -> FitParams {
        FitParams {
            setups: self.setups.clone(),
            noise: self.noise,
            units: self.units,
            memory_bytes: self.memory_bytes,
            scratch: self.scratch.clone(),
            tolerance_m: self.tolerance_m.unwrap_or(built.tolerance_m),
            ..built.clone()
        }
    }
}
