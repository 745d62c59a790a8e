//! The page: how wide, what goes where.

use std::io::Write;

use super::canvas::Canvas;
use super::paint::{PAPER, Palette};
use super::{header, plan, table, unrolled};
use crate::deviation::{DeviationMap, Spot, Summary};
use crate::numeric::{to_index, to_u32};

/// Width of the page, pixels: sharp on a 4 K screen and halved on a smaller one still legible.
pub(super) const WIDTH: f64 = 2400.0;
/// Empty border, pixels.
pub(super) const MARGIN: f64 = 56.0;
/// The header ends here, pixels from the top.
pub(super) const HEADER: f64 = 236.0;

/// Right and left edge of the road at s, metres across.
pub type RibbonEdges<'a> = &'a dyn Fn(f64) -> (f64, f64);

/// A deviation map to be drawn.
///
/// Drawn are the plan (north up), the worst spots as a table and, for a map along a course, the
/// ribbon unrolled in rows. The same input gives the same pixels.
#[derive(Clone, Copy)]
pub struct Picture<'a> {
    /// The cells.
    pub map: &'a DeviationMap,
    /// The spots of that map, worst first; the first 20 are ringed and numbered.
    pub spots: &'a [Spot],
    /// The numbers of the title line, and the tolerance that the scale is made for.
    pub summary: &'a Summary,
    /// Takes (u, v) to x, y in metres; must be straight in v (a ribbon's normal is, the identity
    /// is).
    pub place: &'a dyn Fn(f64, f64) -> [f64; 2],
    /// Edges of the road; `None` in the plane.
    pub edges: Option<RibbonEdges<'a>>,
}

/// Spots that are ringed and listed.
pub(super) const LISTED: usize = 20;

impl Picture<'_> {
    /// Draw the picture.
    #[must_use]
    pub fn draw(&self) -> Canvas {
        let palette = Palette::new(self.summary.tolerance_m);
        let plan = plan::Plan::new(self);
        let rows = unrolled::Rows::new(self);
        let plan_end = HEADER + plan.height().max(table::height(self.spots.len()));
        let height = plan_end + rows.as_ref().map_or(0.0, unrolled::Rows::height) + MARGIN;
        let mut canvas = Canvas::new(to_index(WIDTH), to_index(height), PAPER);
        header::draw(&mut canvas, self, &palette);
        plan.draw(&mut canvas, self, &palette);
        table::draw(&mut canvas, self);
        if let Some(rows) = rows {
            rows.draw(&mut canvas, self, &palette, plan_end);
        }
        canvas
    }

    /// Draw the picture as PNG.
    ///
    /// # Errors
    /// What the encoder or `out` says.
    pub fn write_png<W: Write>(&self, out: W) -> Result<(), png::EncodingError> {
        self.draw().write_png(out)
    }

    /// The spots that are ringed, with their numbers.
    pub(super) fn listed(&self) -> &[Spot] {
        &self.spots[..self.spots.len().min(LISTED)]
    }
}

/// Pixels of a length as whole number.
pub(super) fn pixels(v: f64) -> usize {
    to_index(v.max(1.0).round())
}

/// Length of a list as number.
pub(super) fn number(n: usize) -> f64 {
    f64::from(to_u32(n))
}

#[cfg(test)]
#[path = "page_tests.rs"]
mod tests;
