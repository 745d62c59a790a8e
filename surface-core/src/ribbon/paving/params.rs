//! How edges are sought, and why none were found.

use crate::cloud::TileError;
use crate::progress::Cancelled;
use crate::ribbon::{EdgeError, Side};

/// How edges are sought.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PavingParams {
    /// No edge is sought further than this from the line, metres.
    pub search_half_width_m: f64,
    /// With a guess, no edge is sought further than this beyond it, metres.
    pub beyond_guess_m: f64,
}

impl Default for PavingParams {
    /// 15 m: half of the widest start straight; 3 m: a kerb and some verge beyond a paved mask.
    fn default() -> Self {
        Self {
            search_half_width_m: 15.0,
            beyond_guess_m: 3.0,
        }
    }
}

/// Why no edges were found.
#[derive(Debug, thiserror::Error)]
pub enum PavingError {
    /// The tile store failed.
    #[error(transparent)]
    Tiles(#[from] TileError),
    /// Stopped on request.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// No points lie beside the line.
    #[error("no points within {half_width_m:.1} m of the line")]
    NoPoints {
        /// How far was looked, metres.
        half_width_m: f64,
    },
    /// An edge was seen nowhere.
    #[error("the {side} edge shows nowhere within {half_width_m:.1} m of the line: {reason}")]
    NoEdge {
        /// Which edge.
        side: Side,
        /// How far was looked, metres.
        half_width_m: f64,
        /// The most frequent reason.
        reason: &'static str,
    },
    /// The edges cross.
    #[error("the edges found do not bound a road: {0}")]
    Edges(#[from] EdgeError),
}
