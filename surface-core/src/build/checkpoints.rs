//! Surveyed points that hold the height of the surface, and how well it meets them.

use super::BuildError;
use super::params::{Checkpoint, FitParams};
use super::surface::Mesher;
use crate::field::Mark;
use crate::report::{CheckpointReport, CheckpointsReport};
use crate::ribbon::{Ribbon, RibbonPoint};

/// Checkpoints on the road, where it runs.
#[derive(Debug, Default)]
pub(super) struct Checkpoints {
    given: usize,
    survey_sd_m: f64,
    on_road: Vec<OnRoad>,
}

#[derive(Debug, Clone)]
struct OnRoad {
    name: String,
    /// Local x, y, z.
    xyz_m: [f64; 3],
    place: RibbonPoint,
}

impl Checkpoints {
    /// Find the checkpoints' places on the ribbon; those off the road only count as given.
    pub fn new(params: &FitParams, ribbon: &Ribbon) -> Self {
        let (given, frame) = (&params.checkpoints, ribbon.frame);
        let locate = |(k, point): (usize, &Checkpoint)| {
            let xyz_m = [0, 1, 2].map(|i| point.xyz_m[i] - frame.origin_m[i]);
            let feet = ribbon
                .line
                .feet([xyz_m[0], xyz_m[1]], ribbon.edges.reach_m());
            let place = feet.into_iter().find(|foot| ribbon.contains(*foot))?;
            let name = point.name.clone().unwrap_or_else(|| format!("{}", k + 1));
            Some(OnRoad { name, xyz_m, place })
        };
        Self {
            given: given.len(),
            survey_sd_m: params.checkpoint_sd_m,
            on_road: given.iter().enumerate().filter_map(locate).collect(),
        }
    }

    /// As marks that hold the height of all setups.
    pub fn marks(&self) -> Vec<Mark> {
        let mark = |c: &OnRoad| Mark {
            s_m: c.place.s,
            t_m: c.place.t,
            z_m: c.xyz_m[2],
            variance_m2: self.survey_sd_m.powi(2),
        };
        self.on_road.iter().map(mark).collect()
    }

    /// Hold the finished surface against them; `None` where none were given.
    pub fn hold(
        &self,
        mesher: &Mesher,
        shift_m: f64,
    ) -> Result<Option<CheckpointsReport>, BuildError> {
        if self.given == 0 {
            return Ok(None);
        }
        let mut found = Vec::new();
        for point in &self.on_road {
            if let Some(d_m) = mesher.distance(point.place, point.xyz_m)? {
                found.push(CheckpointReport {
                    name: point.name.clone(),
                    at_m: [point.place.s, point.place.t],
                    // Surface less survey, as positional accuracy counts it.
                    error_mm: (-1e6 * d_m).round() / 1e3,
                });
            }
        }
        let survey_mm = 1e3 * self.survey_sd_m;
        Ok(Some(CheckpointsReport::new(
            self.given,
            found,
            survey_mm,
            1e3 * shift_m,
        )))
    }
}
