//! What the caller may steer, checked before anything is read.

use std::path::PathBuf;

use super::BuildError;
use crate::cloud::io::Unit;
use crate::report::{GivenFile, NoiseReport, Parameters};
use crate::setups::NoiseModel;
use crate::zones::Breaklines;

/// What steers a fit.
#[derive(Debug, Clone, PartialEq)]
pub struct FitParams {
    /// Distance between nodes of the height field, metres.
    pub spacing_m: f64,
    /// Deviation that is accepted, metres.
    pub tolerance_m: f64,
    /// Widest hole that is bridged, metres.
    pub bridge_m: f64,
    /// A rough reference line, world metres; found from the cloud when absent.
    pub line: Option<Vec<[f64; 2]>>,
    /// Whether the course is closed; found when absent.
    pub closed: Option<bool>,
    /// A finished ribbon to use as it is.
    pub ribbon: Option<crate::ribbon::Ribbon>,
    /// The file that `line` was read from, for messages.
    pub line_file: Option<PathBuf>,
    /// The file that `ribbon` was read from, for messages.
    pub ribbon_file: Option<PathBuf>,
    /// Breaklines that are known beforehand, in (s, t) of `ribbon`: a survey's, or a test's truth.
    pub breaklines: Option<Breaklines>,
    /// Scanner positions in the order of the course.
    pub setups: Vec<SetupPlace>,
    /// Surveyed points that hold the height of the surface.
    pub checkpoints: Vec<Checkpoint>,
    /// Standard deviation of their heights, metres.
    pub checkpoint_sd_m: f64,
    /// Noise of a point's height, over what the scans' own scatter tells.
    pub noise: Option<NoiseModel>,
    /// The unit of all scans, over what they say.
    pub units: Option<Unit>,
    /// Memory that the run may take, bytes.
    pub memory_bytes: u64,
    /// Which points go to `deviation.laz`.
    pub deviation_points: DeviationPoints,
    /// Memory for points that wait to be written to scratch files, bytes; a share of
    /// `memory_bytes` when absent.
    pub sort_bytes: Option<usize>,
    /// Where scratch files go; the build folder when absent.
    pub scratch: Option<PathBuf>,
    /// Files that the line, positions, checkpoints and options were read from, for the report.
    pub given: Vec<GivenFile>,
}

/// Where a scanner stood.
#[derive(Debug, Clone, PartialEq)]
pub struct SetupPlace {
    /// The setup's name in the scans, its point source id, or the name of its file.
    pub name: Option<String>,
    /// World metres.
    pub position_m: [f64; 3],
}

/// A surveyed point of the road's surface.
#[derive(Debug, Clone, PartialEq)]
pub struct Checkpoint {
    /// Its name.
    pub name: Option<String>,
    /// World metres.
    pub xyz_m: [f64; 3],
}

/// Which points are written with their deviation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DeviationPoints {
    /// All points that have a surface under them.
    All,
    /// Points further off than the tolerance.
    #[default]
    Beyond,
    /// No file.
    None,
}

impl DeviationPoints {
    /// Its name on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::All => "all",
            Self::Beyond => "beyond",
            Self::None => "none",
        }
    }
}

impl Default for FitParams {
    fn default() -> Self {
        Self {
            spacing_m: 0.10,
            tolerance_m: 0.005,
            bridge_m: 0.5,
            line: None,
            closed: None,
            ribbon: None,
            line_file: None,
            ribbon_file: None,
            breaklines: None,
            setups: Vec::new(),
            checkpoints: Vec::new(),
            checkpoint_sd_m: 2e-3,
            noise: None,
            units: None,
            memory_bytes: 2 << 30,
            deviation_points: DeviationPoints::default(),
            sort_bytes: None,
            scratch: None,
            given: Vec::new(),
        }
    }
}

/// Spacings that a road can be fitted at, metres: below a centimetre there are no points for it,
/// above five metres no road between its edges.
const SPACING_M: std::ops::RangeInclusive<f64> = 0.01..=5.0;
/// Holes are bridged over so many cells at most: the window over a wider one holds more than a
/// hundred thousand cells for each of its nodes.
const MOST_BRIDGED_CELLS: f64 = 100.0;
/// Least memory that a run can work in, 0.3 GiB: what decoding, two sections at a time and the
/// pictures take however small the buffers for sorting are (`benches/memory.rs`; 299 MiB on a course
/// of 4 km).
const LEAST_MEMORY: u64 = 307 << 20;

impl FitParams {
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
        if !SPACING_M.contains(&self.spacing_m) {
            return refuse("--spacing", self.spacing_m, "give 0.01 to 5 metres");
        }
        if !(self.tolerance_m > 0.0 && self.tolerance_m <= 1.0) {
            return refuse(
                "--tolerance",
                1e3 * self.tolerance_m,
                "give more than 0, up to 1000 millimetres",
            );
        }
        if !(0.0..=10.0).contains(&self.bridge_m) {
            return refuse("--bridge", self.bridge_m, "give 0 to 10 metres");
        }
        if self.bridge_m > MOST_BRIDGED_CELLS * self.spacing_m {
            return refuse(
                "--bridge",
                self.bridge_m,
                "give at most 100 times --spacing",
            );
        }
        if !(1e-5..=0.1).contains(&self.checkpoint_sd_m) {
            return refuse(
                "--checkpoint-sd",
                1e3 * self.checkpoint_sd_m,
                "give 0.01 to 100 millimetres",
            );
        }
        if let Some((part, value, why)) = self.noise.and_then(|n| n.fault()) {
            return Err(BuildError::Parameter {
                name: "[noise]",
                value: format!("{part} {value}"),
                why,
            });
        }
        if self.memory_bytes < LEAST_MEMORY {
            let gib = self.memory_bytes as f64 / (1u64 << 30) as f64;
            return refuse("--memory", gib, "give at least 0.3 GiB");
        }
        Ok(())
    }

    /// What the report says of them: all that its numbers depend on besides files. Threads, memory
    /// and folders are left out, since products do not depend on them.
    pub(super) fn report(&self, s_step_m: f64, setups_known: bool) -> Parameters {
        let units = self.units.map(|unit| unit.name().to_owned());
        let checkpoint_sd_mm = (!self.checkpoints.is_empty()).then_some(1e3 * self.checkpoint_sd_m);
        Parameters {
            spacing_m: self.spacing_m,
            s_step_m,
            tolerance_mm: 1e3 * self.tolerance_m,
            bridge_m: self.bridge_m,
            line_given: self.line.is_some() || self.ribbon.is_some(),
            closed_given: self.closed,
            setups_known,
            units,
            deviation_points: Some(self.deviation_points.name().to_owned()),
            checkpoint_sd_mm,
            noise: self.noise.as_ref().map(NoiseReport::of),
        }
    }

    /// Memory for the grid in which the road is looked for: it grows with the ground that was seen.
    pub(super) fn grid_bytes(&self) -> usize {
        usize::try_from(self.memory_bytes / 2).unwrap_or(usize::MAX)
    }

    /// Memory for what is under way at a time: squares or sections of points, and what is made of them.
    pub(super) fn flight_bytes(&self) -> u64 {
        flight_bytes(self.memory_bytes)
    }

    /// Memory for points that wait to be written to scratch files. The rest is for decoding
    /// buffers, the grid and sections in flight, which do not grow with the number of points.
    pub(super) fn sorting_bytes(&self) -> usize {
        let share = usize::try_from(self.memory_bytes / 8).unwrap_or(usize::MAX);
        self.sort_bytes.unwrap_or(share)
    }
}

/// The share of a run's memory for what is under way at a time.
pub(super) fn flight_bytes(memory_bytes: u64) -> u64 {
    memory_bytes / 3
}

/// Memory for what the search for breaklines keeps for heights, given that for what is under way: a run
/// with the least memory has none to spare.
pub(super) fn kept_bytes(under_way_bytes: u64) -> u64 {
    under_way_bytes.saturating_sub(flight_bytes(LEAST_MEMORY)) / 2
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn senseless_parameters_are_refused_by_name() {
        let bad = |change: fn(&mut FitParams)| {
            let mut params = FitParams::default();
            change(&mut params);
            params.check().unwrap_err().to_string()
        };
        assert!(FitParams::default().check().is_ok());
        assert!(bad(|p| p.spacing_m = 0.0).contains("--spacing is 0"));
        assert!(bad(|p| p.spacing_m = f64::NAN).contains("--spacing is NaN"));
        assert!(bad(|p| p.tolerance_m = -0.005).contains("--tolerance is -5"));
        assert!(bad(|p| p.bridge_m = 50.0).contains("--bridge"));
        assert!(bad(|p| (p.bridge_m, p.spacing_m) = (3.0, 0.02)).contains("--spacing"));
        assert!(bad(|p| p.memory_bytes = 1).contains("--memory"));
        assert_eq!(kept_bytes(flight_bytes(LEAST_MEMORY)), 0);
        assert_eq!(kept_bytes(flight_bytes(LEAST_MEMORY + 600)), 100);
    }
}
