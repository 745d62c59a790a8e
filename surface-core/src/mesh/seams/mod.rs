//! Breaklines in the mesh: two rails, one on either side of the curve, with the step between them.
//!
//! [`SeamPlan`] says from the ribbon and the lattice alone where rails may run, so that the field
//! can be asked for heights there; [`Seams`] keeps what the holes of the surface leave of them and
//! triangulates the cells that they cross anew. The outline of those cells stays as it was but on
//! section borders, where both sections put the same vertices on the common row; so the sheet
//! stays whole whatever the breaklines do.

mod pieces;
mod plan;
mod region;
mod sheet;
#[cfg(test)]
mod tests;

pub use plan::SeamPlan;
pub use sheet::{SeamReport, Seams};

pub(super) use sheet::{SeamVertex, SectionSeams};
