//! Where the scanner stood, how far each point's height can be trusted, and how far each setup is
//! off in height and level.
//!
//! [`Places`] are small patches of smooth asphalt that several setups saw; [`level`] finds from
//! them one height offset and two tilts a setup, and its slow angular error where that shows;
//! [`NoiseModel`] tells the variance of a point's height from where it was measured, [`own_factors`]
//! which setups scatter unlike the others. [`SetupModels`]
//! is what the height field asks.

mod level;
mod model;
mod noise;
mod noise_fit;
mod noise_own;
mod places;
mod ties;

pub use level::{LevelError, LevelReport, Levelled, SlowLevel, level};
pub use model::{Correction, SLOW_TERMS, SetupModel, SetupModels};
pub use noise::{NoiseModel, NoiseSample};
pub use noise_own::own_factors;
pub use places::{Place, Places, SURVEYED, Sight};
