//! Where cloud and mesh part: signed distances become cells, cells become spots and a verdict.
//!
//! The caller measures each point's signed distance along the surface's upward normal (cloud minus
//! surface) and hands over columns of (u, v, d), where (u, v) is (s, t) along a ribbon or plain
//! (x, y). [`DeviationCells::section`] turns one section's columns into [`SectionCells`], a pure
//! function that may run on any thread; [`MapBuilder`] joins sections into a [`DeviationMap`];
//! [`DeviationMap::spots`] and [`DeviationMap::summary`] answer where and how much.

mod cells;
mod frame;
mod histogram;
mod map;
mod robust;
mod spots;
mod summary;
mod why;

pub use cells::{DeviationCells, SectionCells, SectionPoints};
pub use frame::{CellFrame, Closure, FrameError};
pub use histogram::Histogram;
pub use map::{Cell, CellState, DeviationMap, MapBuilder};
pub use robust::{MIN_POINTS, RobustMean, SE_FLOOR_M};
pub use spots::Spot;
pub use summary::{Coverage, Summary, Verdict};
pub use why::Why;
