//! Why a mesh cannot be laid out, built or read.

use crate::field::SECTION_ROWS;

/// Why there is no mesh.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MeshError {
    /// The ribbon is so wide for its bend that rows of the lattice would cross.
    #[error(
        "at s = {s_m:.1} m the edge {t_m:+.2} m from the reference line is too near its centre of \
         curvature (rows shrink there to {stretch:.3} of their spacing); smooth the line or move \
         the edge"
    )]
    Folded {
        /// Station, metres.
        s_m: f64,
        /// The edge's distance left of the line, metres.
        t_m: f64,
        /// 1 − κt at the edge.
        stretch: f64,
    },
    /// The left edge does not lie left of the right edge.
    #[error(
        "at s = {s_m:.1} m the left edge ({left_m:+.3} m) is not left of the right edge ({right_m:+.3} m)"
    )]
    NoWidth {
        /// Station, metres.
        s_m: f64,
        /// Left edge, metres left of the line.
        left_m: f64,
        /// Right edge, metres left of the line.
        right_m: f64,
    },
    /// A number of the ribbon is not finite.
    #[error("the ribbon has no finite place at s = {s_m:.1} m")]
    NotFinite {
        /// Station, metres.
        s_m: f64,
    },
    /// A closed course must be more than one section.
    #[error(
        "a closed course of {rows} rows is too short, it needs more than {SECTION_ROWS}; use a finer spacing"
    )]
    ShortRing {
        /// Its rows.
        rows: usize,
    },
    /// Edges or rows cross in plan, so no triangulation can hold them all.
    #[error("edges or rows of the ribbon cross between s = {from_s_m:.1} m and {to_s_m:.1} m")]
    Crossing {
        /// First station of the section, metres.
        from_s_m: f64,
        /// Last station of the section, metres.
        to_s_m: f64,
    },
    /// The rows given are not those of the section.
    #[error(
        "section {section} needs rows {first} to {last} of its own lattice, got rows {got_first} to {got_last}"
    )]
    WrongRows {
        /// The section.
        section: usize,
        /// First row that it needs.
        first: usize,
        /// Last row that it needs.
        last: usize,
        /// First row given.
        got_first: usize,
        /// Last row given.
        got_last: usize,
    },
    /// No triangle is left: nowhere did heights span a triangle.
    #[error("the field holds no connected heights, so there is no surface to mesh")]
    Empty,
    /// Patches must come in order, each once.
    #[error("expected the patch of section {expected}, got section {got}")]
    OutOfOrder {
        /// The section that was due.
        expected: usize,
        /// The section that came.
        got: usize,
    },
    /// More vertices or faces than indices of 32 bits can name.
    #[error("more than 2^32 vertices; use a wider spacing")]
    TooLarge,
    /// A face names a vertex that does not exist.
    #[error("face {face} names vertex {vertex}, but there are {vertices}")]
    BadIndex {
        /// The face.
        face: usize,
        /// The vertex that it names.
        vertex: usize,
        /// How many vertices there are.
        vertices: usize,
    },
    /// A vertex has a coordinate that is not finite.
    #[error("vertex {vertex} has a coordinate that is not finite")]
    BadVertex {
        /// The vertex.
        vertex: usize,
    },
    /// Two columns of a mesh that belong together differ in length.
    #[error("{name} holds {found} values where {expected} belong")]
    Length {
        /// Which column.
        name: &'static str,
        /// Its length.
        found: usize,
        /// The length that fits.
        expected: usize,
    },
}
