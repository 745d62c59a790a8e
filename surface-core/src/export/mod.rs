//! Bytes for others: pictures, tables and point files over `io::Write`.

mod canvas;
mod colour;
mod spots;

pub use canvas::Canvas;
pub use colour::{Diverging, Rgb};
pub use spots::write_spots_csv;
