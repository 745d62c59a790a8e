//! What the windows of a height are asked and what they tell.

use super::bend::{Bent, Flat};
use super::cuts::Sight;
use super::kernel::Seen;

/// Width of a window on observations of a density (1/m⁴), and whether a bend may be told: not over a
/// gap that asked for the width, and not beside a breakline.
#[derive(Debug, Clone, Copy)]
pub(super) struct Width {
    pub b_m: f64,
    /// Narrowest that it may be, metres.
    pub least_b_m: f64,
    pub bends: bool,
    /// Whether it is as wide as road and noise ask for, not as the reach allows.
    pub whole: bool,
    /// Whether no breakline is near.
    pub no_line: bool,
    pub density: f64,
    /// Whether the place's own cell alone may say that its plane is not that of the place: where the cells
    /// beside it have said so of a wider window.
    pub own_counts: bool,
}

/// What ground a height lies on, as its windows tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Ground {
    /// As rough as the course.
    Plain,
    /// Bent beyond the course's spectrum, or no plane in a window of it.
    Rougher,
    /// Beside a breakline or a step, on a flank, in a gap that asked for a wider window, under points so thin
    /// that the window is narrower than they ask for; or without height.
    Apart,
}

/// What a window tells.
#[derive(Debug, Clone, Copy)]
pub(super) struct Told {
    pub flat: Flat,
    pub bent: Bent,
    /// Whether it lost much to a step.
    pub stepped: bool,
    /// Whether the ground in it is no plane: what the plane leaves is more than noise.
    pub unfit: bool,
    /// Whether what lies next to the place is lost as well, as on the flank of a bump that is narrower
    /// than the window: the plane is not that of the place.
    pub elsewhere: bool,
}

/// What a height may be told from: what stands around, and what is in sight.
pub(super) type Among<'a> = (Option<&'a Sight>, Option<&'a [Seen]>);
