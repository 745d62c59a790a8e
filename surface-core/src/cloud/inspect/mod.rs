//! What do the scan files hold, and what is wrong with them?
//!
//! [`inspect`] reads all points once, in bounded memory, and says what is there ([`Inspection`])
//! and what a user should know before trusting it ([`Doubt`]).

mod ground;
mod repeats;
mod report;
mod run;
mod sample;
mod steps;

pub use report::{ClassCount, Density, Doubt, FileReport, Inspection, SetupReport};
pub use run::{InspectError, inspect, reading_doubts};
pub use steps::coarse_step_m;
