//! The road's height and how sure we are of it, on a lattice along the ribbon.
//!
//! Two steps, each over runs of rows that stream: [`cell_sums`] makes one robust, additive
//! observation a cell from the points of a run; [`fit_rows`] makes heights, slopes and their σ from
//! the cells of a run and its halo.

mod around;
mod bend;
mod beyond;
mod block_grid;
mod block_noise;
mod blocks;
mod bodies;
mod cell_means;
mod cells;
mod cut_cell;
mod cuts;
mod fading;
pub mod flags;
mod hidden;
mod joint;
mod kernel;
mod lattice;
mod level;
mod lone;
mod nodes;
mod resolved;
mod road_points;
mod rounding;
mod rounds;
mod shades;
mod sights;
#[cfg(test)]
mod tests;
mod told;
mod trust;

pub use block_grid::{block_cells, cells_of};
pub use block_noise::UsualNoise;
pub use cell_means::CellMeans;
pub use cells::{
    CellSums, PlainRun, RowLimits, ShadedSums, cell_sums, cell_sums_cut, cell_sums_shaded,
};
pub use cuts::{CellPart, Cuts};
pub use hidden::{HiddenGround, hidden_in, join_hidden};
pub use kernel::{KernelParams, Window};
pub use lattice::{FieldNode, FieldRows, Lattice, LatticeError, RailNode, SECTION_ROWS};
pub use level::{course_level_m, road_level_m};
pub use nodes::{fit_places, fit_rows, halo_rows};
pub use road_points::{RoadPoint, road_points};
pub use rounding::Rounding;
pub use sights::{Mark, places_seen};
pub use trust::Trust;
