//! Which strip is road, and the way between its coordinates (s, t) and the world.
//!
//! A [`ReferenceLine`] runs along the course; `s` is the way along it, `t` the distance to its
//! left. [`Edges`] say between which `t` the paving lies; [`Ribbon`] is both, with the stretches
//! where an edge could not be seen ([`Gap`]). Where no line is known, [`find_course`] finds a rough
//! one in the cloud.

mod arc;
mod centring;
pub mod course;
mod edges;
mod fit;
mod geojson;
mod line;
mod paving;
mod project;
mod rough_line;
mod strip;

pub(crate) use arc::ArcAt;
pub use centring::{RibbonError, RibbonParams};
pub use course::{Course, CourseError, CourseHints, find_course};
pub use edges::{EdgeError, Edges};
pub use fit::{HalfWidths, LineParams};
pub use geojson::RibbonFileError;
pub use line::{CURVATURE_BOUND, LineError, ReferenceLine, RibbonPoint};
pub use paving::{PavingError, PavingParams, find_edges};
pub use rough_line::{RoughLine, RoughLineError};
pub use strip::{Gap, Ribbon, Side};
