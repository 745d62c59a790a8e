//! All that was found, for people and for scripts.

mod checkpoints;
mod content;
mod hold;
mod rescan;
mod roughness;
mod roughness_page;
mod setups;
mod text;

pub use checkpoints::{CheckpointReport, CheckpointsReport};
pub use content::{
    CAUTIONS, FORMAT_VERSION, FieldCounts, GivenFile, Input, Parameters, Report, RibbonReport,
    RunReport, SpotReport, StageRun,
};
pub use hold::{HoldReport, MeshInput};
pub use rescan::{
    ChangeReport, CompareReport, DetectionReport, MOST_OUTSIDE_M2, RebuiltReport, RescanReport,
    SetupTieReport, TieReport, VertexCounts,
};
pub use roughness::{
    Carried, CarriedSection, GateFailure, GateReport, HalvesReport, PathParameters, PathReport,
    RoughnessReport,
};
pub(crate) use setups::noisy_doubt;
pub use setups::{
    NoiseReport, RingReport, ScatterReport, SetupReport, SetupState, SetupsReport, SlowReport,
};
