//! What levelling found.

use crate::numeric::Singular;
use crate::setups::Correction;

/// Why the setups cannot be levelled.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum LevelError {
    /// The system has no solution.
    #[error("{setups} setups cannot be levelled")]
    Singular {
        /// Setups in the system.
        setups: usize,
        /// Where the elimination ended.
        source: Singular,
    },
    /// More setups than a dense system of their unknowns can hold.
    #[error(
        "{setups} setups are more than the {most} that can be levelled; point source ids that do \
         not stand for scanner positions make setups of their own"
    )]
    TooMany {
        /// Setups given.
        setups: usize,
        /// Most that are levelled.
        most: usize,
    },
}

/// How the levelling went.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LevelReport {
    /// Places that two or more setups saw.
    pub places: usize,
    /// Learnt spread of the offsets, metres.
    pub offset_sd_m: f64,
    /// Learnt spread of the tilts, radians.
    pub tilt_sd_rad: f64,
    /// Robust spread of what setups differ by at a place, before, metres.
    pub misfit_before_m: f64,
    /// The same after, metres.
    pub misfit_m: f64,
    /// By setup: places it shares with others.
    pub shared: Vec<u32>,
    /// By setup: standard deviation of its offset, metres.
    pub sd_m: Vec<f64>,
    /// By setup: standard deviation of its tilts, root mean square of both, radians.
    pub tilt_sd: Vec<f64>,
    /// By setup: standard deviation of a coefficient of its slow error, radians; 0 where none is
    /// corrected.
    pub slow_sd: Vec<f64>,
    /// By setup: whether a chain of common places ties it to most others.
    pub tied: Vec<bool>,
    /// By setup: whether its offset lies far from the others'.
    pub off: Vec<bool>,
    /// By setup: whether it must not be used: it contradicts the others, or cannot be tied to them
    /// where they saw the same ground.
    pub left_out: Vec<bool>,
    /// By setup: whether it is left out because it cannot be tied.
    pub spare: Vec<bool>,
    /// What shows of a slow angular error; `None` where no scanner's position is known.
    pub slow: Option<SlowLevel>,
}

/// What shows of the setups' slow angular errors in their misfits.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SlowLevel {
    /// Spread of the error over setups and azimuths, root mean square, radians: as learnt where it
    /// is corrected, else as the misfits hint at.
    pub sd_rad: f64,
    /// By how much the weighted sum of squared misfits falls if every setup's slow error is fitted
    /// by itself.
    pub drop: f64,
    /// What that would be by chance: the number of unknowns.
    pub unknowns: f64,
    /// Whether it shows beyond doubt and is corrected.
    pub corrected: bool,
}

/// The corrections, by setup.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Levelled {
    /// What to take off each setup's heights.
    pub corrections: Vec<Correction>,
    /// How it went.
    pub report: LevelReport,
}
