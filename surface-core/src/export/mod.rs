//! Bytes for others.

mod ply;

pub use ply::{PlyError, PlyWriter};
