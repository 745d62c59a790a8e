//! Triangles a wheel can roll on.

mod assemble;
mod check;
#[cfg(test)]
mod check_tests;
#[cfg(test)]
mod course;
mod error;
mod layout;
mod link;
mod lookup;
mod mask;
mod number;
mod parts;
mod patch;
#[cfg(test)]
mod patch_tests;
mod plan_grid;
mod read;
mod rim;
mod seams;
mod simplify;
mod station;
mod surface;
#[cfg(test)]
mod surface_tests;

pub use assemble::{AssembleError, Assembler, MeshSink};
pub use check::{MeshCheck, MeshChecker};
pub use error::MeshError;
pub use layout::Layout;
pub use lookup::PatchIndex;
pub use mask::{DroppedPart, MaskReport, NodeMask, SectionLoss};
pub use patch::{Patch, ZONE_BRIDGED, ZONE_PAVED};
pub use read::{
    MeshReadError, MeshSection, Place, SectionIndex, SectionReader, SurfacePoint, VertexColumns,
};
pub use seams::{SeamPlan, SeamReport, Seams};
pub use simplify::{Level, Simplifier};
pub use station::RowFrame;
pub use surface::{MeshColumns, SurfaceMesh};
