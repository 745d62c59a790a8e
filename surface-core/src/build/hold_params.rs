//! What steers holding a mesh against a cloud, checked before anything is read.

use std::path::PathBuf;

use super::BuildError;
use super::params::{DeviationPoints, FitParams};
use crate::cloud::io::Unit;

/// What steers holding a mesh against a cloud.
#[derive(Debug, Clone, PartialEq)]
pub struct HoldParams {
    /// Deviation that is accepted, metres.
    pub tolerance_m: f64,
    /// Points further from the mesh are not compared, metres: bridges, branches, vehicles.
    pub search_m: f64,
    /// World coordinates of the mesh's zero, over what its file says.
    pub origin_m: Option<[f64; 3]>,
    /// The unit of the mesh's vertices and of the origin that its file names.
    pub mesh_unit: Unit,
    /// The unit of all scans, over what they say.
    pub units: Option<Unit>,
    /// Memory that the run may take besides the mesh, bytes.
    pub memory_bytes: u64,
    /// Which points go to `deviation.laz`.
    pub deviation_points: DeviationPoints,
    /// Where scratch files go; the output folder when absent.
    pub scratch: Option<PathBuf>,
}

impl Default for HoldParams {
    fn default() -> Self {
        let fit = FitParams::default();
        Self {
            tolerance_m: fit.tolerance_m,
            search_m: 0.5,
            origin_m: None,
            mesh_unit: Unit::Metre,
            units: None,
            memory_bytes: fit.memory_bytes,
            deviation_points: fit.deviation_points,
            scratch: None,
        }
    }
}

impl HoldParams {
    /// # Errors
    /// [`BuildError::Parameter`] naming the option and what is wrong with it.
    pub fn check(&self) -> Result<(), BuildError> {
        let as_fit = FitParams {
            tolerance_m: self.tolerance_m,
            memory_bytes: self.memory_bytes,
            ..FitParams::default()
        };
        as_fit.check()?;
        if !(self.search_m >= self.tolerance_m && self.search_m <= 100.0) {
            return Err(BuildError::Parameter {
                name: "--search",
                value: format!("{}", self.search_m),
                why: "give metres, at least the tolerance and at most 100",
            });
        }
        if self
            .origin_m
            .is_some_and(|o| o.iter().any(|v| !v.is_finite()))
        {
            return Err(BuildError::Parameter {
                name: "--origin",
                value: format!("{:?}", self.origin_m.unwrap_or_default()),
                why: "give three numbers X,Y,Z in metres",
            });
        }
        Ok(())
    }

    /// Memory for points that wait to be written to scratch files.
    pub(super) fn sorting_bytes(&self) -> usize {
        usize::try_from(self.memory_bytes / 8).unwrap_or(usize::MAX)
    }
}
