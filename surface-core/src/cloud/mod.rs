//! What was measured, and where it is kept: point columns, readers, the cell grid, the tile store.

mod columns;
mod grid;
pub mod inspect;
pub mod io;
pub(crate) mod ply_layout;
mod tiles;

pub use columns::Columns;
pub use grid::{Cell, CellGrid};
pub use tiles::{
    Frame, PackedPoint, QUANTUM_M, TILE_M, TileError, TileIndex, TileKey, TileStore, TileWriter,
};
