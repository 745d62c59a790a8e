//! Sections through a spot: the mesh along a line, and the points beside it.

use super::pack::Symbols;
use crate::numeric::round_i32;

/// Step of heights and deviations, metres.
const HEIGHT_UNIT_M: f64 = 5e-5;
/// Step of places along a section, metres.
const PLACE_UNIT_M: f64 = 1e-3;

/// A point beside a section.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProfilePoint {
    /// Place along the section from the spot's middle, metres.
    pub along_m: f64,
    /// Height over the mesh along its normal, metres.
    pub d_m: f64,
}

/// The mesh along a line through a spot, with the points near it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Profile {
    /// Where the first sample lies, metres from the spot's worst cell (t across, s along).
    pub from_m: f64,
    /// From sample to sample, metres.
    pub step_m: f64,
    /// Heights of the mesh relative to the origin, metres; `None` where there is no mesh.
    pub z_m: Vec<Option<f64>>,
    /// Points at most `reach_m` from the line, in order of place.
    pub points: Vec<ProfilePoint>,
    /// How far from the line points were taken, metres.
    pub reach_m: f64,
}

impl Profile {
    pub(super) fn put(&self, symbols: &mut Symbols) {
        let units = |v: f64, unit: f64| Some(round_i32(v / unit));
        symbols.in_turn(self.z_m.iter().map(|z| units((*z)?, HEIGHT_UNIT_M)));
        symbols.in_turn(self.points.iter().map(|p| units(p.along_m, PLACE_UNIT_M)));
        symbols.plainly(self.points.iter().map(|p| units(p.d_m, HEIGHT_UNIT_M)));
    }

    pub(super) fn head(&self) -> serde_json::Value {
        serde_json::json!({
            "from_m": self.from_m, "step_m": self.step_m, "samples": self.z_m.len(),
            "points": self.points.len(), "reach_m": self.reach_m,
        })
    }
}

/// The two sections through a spot's worst cell.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SpotProfiles {
    /// Across the course, along t.
    pub across: Profile,
    /// Along the course, along s.
    pub along: Profile,
}
