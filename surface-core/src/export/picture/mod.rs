//! The deviation map as one picture that is read in ten seconds: a line of numbers, a colour bar
//! in millimetres, the plan, the worst spots as a table, and the ribbon unrolled in rows.

mod canvas;
mod colour;
mod header;
mod page;
mod paint;
mod plan;
mod rings;
mod scale;
mod table;
mod unrolled;

pub use canvas::Canvas;
pub use colour::{Diverging, Rgb};
pub use page::{MapPicture, Wording};
