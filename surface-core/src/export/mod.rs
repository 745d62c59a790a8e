//! Bytes for others: pictures, tables and point files over `io::Write`.

mod picture;
mod spots;

pub use picture::{Canvas, Diverging, Picture, Rgb, RibbonEdges};
pub use spots::write_spots_csv;
