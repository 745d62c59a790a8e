//! What changed between two states of a road, and how the new is joined to the old.
//!
//! Two height fields on one lattice, each with its σ, make a [`Pair`]. [`detect`] learns from the
//! cells that did not change how far heights differ by chance, at several scales; says with the
//! false discovery rate held which cells changed; and joins them to [`Regions`]. [`Blend`] gives
//! every node a weight between old and new, [`splice_rows`] joins the heights, [`merge_lines`] the
//! breaklines. [`tie`] puts the setups of the new scan onto the ground that stayed.

mod areas;
mod blend;
mod detect;
mod extent;
mod fdr;
mod grid;
mod kinds;
mod learn;
mod level;
mod lines;
mod measure;
mod pair;
mod regions;
mod scales;
mod splice;
mod tie;

pub use areas::{AreaError, Areas};
pub use blend::Blend;
pub use detect::{DetectParams, Detection, ScaleReport, detect};
pub use fdr::{adjusted_p, discoveries};
pub use grid::Grid;
pub use kinds::Kind;
pub use level::{PublishedLevel, Scatter};
pub use lines::merge_lines;
pub use measure::{Change, Surroundings, changes};
pub use pair::Pair;
pub use regions::{Region, Regions};
pub use splice::{new_node, splice_cells, splice_node, splice_rows};
pub use tie::{SetupTie, Tie, TieError, tie};
