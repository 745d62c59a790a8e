//! Which strip is road, and the way between its coordinates (s, t) and the world.
//!
//! A [`ReferenceLine`] runs along the course; `s` is the way along it, `t` the distance to its
//! left. [`Edges`] say between which `t` the paving lies; [`Ribbon`] is both, with the stretches
//! where an edge could not be seen ([`Gap`]).

mod edges;
mod fit;
mod geojson;
mod line;
mod project;
mod rough_line;
mod strip;

pub use edges::{EdgeError, Edges};
pub use fit::{HalfWidths, LineParams};
pub use geojson::RibbonFileError;
pub use line::{CURVATURE_BOUND, LineError, ReferenceLine, RibbonPoint};
pub use rough_line::{RoughLine, RoughLineError};
pub use strip::{Gap, Ribbon, Side};
