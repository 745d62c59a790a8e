//! Why no course came out of a cloud, and what the user can do about it.

use crate::progress::Cancelled;

/// What kept a course from being found.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CourseError {
    /// The run was stopped.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// Hardly any ground was measured.
    #[error("too few points to find a road: {points} points in {cells} cells of {cell_m} m")]
    TooFewPoints {
        /// Points in the grid.
        points: u64,
        /// Cells with points in the part looked at.
        cells: usize,
        /// Width of those cells, metres.
        cell_m: f64,
    },
    /// The points lie on a line or in one place: there is no ground to look at.
    #[error("the points cover no ground: a strip {length_m:.1} m long and {width_m:.2} m wide")]
    NoExtent {
        /// Length of the covered strip, metres.
        length_m: f64,
        /// Its width, metres.
        width_m: f64,
    },
    /// The covered ground is too large to hold as a raster.
    #[error(
        "the cloud spans {width_m:.0} × {height_m:.0} m, over {limit} cells even at {cell_m} m a cell"
    )]
    TooLarge {
        /// East–west extent, metres.
        width_m: f64,
        /// North–south extent, metres.
        height_m: f64,
        /// Widest cell that was tried, metres.
        cell_m: f64,
        /// Most cells that are held.
        limit: usize,
    },
    /// Nothing long and even enough to be a road.
    #[error(
        "no road found in {cells} cells of {cell_m} m: {seen} (best candidate {length_m:.0} m long, \
         {even_percent:.0} % of the cells are even)"
    )]
    NoRoad {
        /// Cells with points.
        cells: usize,
        /// Width of a cell, metres.
        cell_m: f64,
        /// Share of those cells taken for paved, percent.
        even_percent: f64,
        /// Length of the best candidate, metres; 0 when there was none.
        length_m: f64,
        /// What was seen, in words.
        seen: String,
    },
    /// The rough line given is no line.
    #[error("the rough line is too short: {points} usable points, {length_m:.1} m")]
    LineTooShort {
        /// Finite, distinct points of the line.
        points: usize,
        /// Its length, metres.
        length_m: f64,
    },
    /// The rough line given is longer than any course.
    #[error(
        "the rough line is {:.0} km long, {:.0} km of it between its points {point} and {}",
        1e-3 * length_m, 1e-3 * leg_m, point + 1
    )]
    LineTooLong {
        /// Length of the line, metres.
        length_m: f64,
        /// Its longest piece between two points, metres.
        leg_m: f64,
        /// The first of those, counted from 1 without repeated points.
        point: usize,
    },
    /// The rough line given runs outside the cloud.
    #[error(
        "the rough line misses the cloud: {missed_percent:.0} % of it has no points within \
         {reach_m:.0} m, the farthest place is {distance_m:.0} m away, near x {x_m:.0} y {y_m:.0} \
         (metres from the origin)"
    )]
    LineMissesCloud {
        /// Share of the line without points near, percent.
        missed_percent: f64,
        /// What counts as near, metres.
        reach_m: f64,
        /// Largest distance from the line to the nearest measured ground, metres.
        distance_m: f64,
        /// Where that is, local metres.
        x_m: f64,
        /// Where that is, local metres.
        y_m: f64,
    },
    /// The rough line given runs over the cloud, but hardly anywhere over paved ground.
    #[error(
        "the rough line is on paved ground for only {paved_percent:.0} % of its {length_m:.0} m"
    )]
    LineOffRoad {
        /// Share of the moved line that is on paved ground, percent.
        paved_percent: f64,
        /// Length of the line, metres.
        length_m: f64,
    },
    /// A closed course was asked for, but the one found does not meet itself.
    #[error("the course does not close: {gap_m:.0} m are missing between its ends")]
    NotClosed {
        /// Distance between the two ends, metres.
        gap_m: f64,
    },
}

impl CourseError {
    /// What the user can do about it, one sentence.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Cancelled(_) => "nothing was changed; run the same command again",
            Self::TooFewPoints { .. } => {
                "check that the scan holds the whole cloud and that its unit is right"
            }
            Self::NoExtent { .. } => {
                "check the column order of the file: x and y must be the ground plan"
            }
            Self::TooLarge { .. } => {
                "check the unit of the coordinates, or give a rough line to look along"
            }
            Self::NoRoad { .. } => {
                "give a rough line of the course (x,y points in the scan's coordinates)"
            }
            Self::LineTooShort { .. } => {
                "give at least two points along the course, tens of metres apart"
            }
            Self::LineTooLong { .. } => {
                "check the line for a wrong point, and that its unit is that of the scan"
            }
            Self::LineMissesCloud { .. } => {
                "check that the line and the scan use the same coordinate system and unit"
            }
            Self::LineOffRoad { .. } => {
                "draw the line within a few metres of the middle of the road"
            }
            Self::NotClosed { .. } => {
                "leave out the wish for a closed course, or give a rough line"
            }
        }
    }
}
