//! The road's height and how sure we are of it, on a lattice along the ribbon.

pub mod flags;
mod lattice;

pub use lattice::{FieldNode, FieldRows, Lattice, LatticeError, RailNode, SECTION_ROWS};
