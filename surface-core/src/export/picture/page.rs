//! The page: how wide, what goes where.

use std::io::{self, Write};

use super::canvas::Canvas;
use super::paint::{PAPER, Palette};
use super::{header, plan, table, unrolled};
use crate::deviation::{DeviationMap, Spot, Summary};
use crate::numeric::{to_index, to_u32};
use crate::ribbon::{Ribbon, RibbonPoint};

/// Width of the page, pixels: sharp on a 4 K screen and halved on a smaller one still legible.
pub(super) const WIDTH: f64 = 2400.0;
/// Empty border, pixels.
pub(super) const MARGIN: f64 = 56.0;
/// The header ends here, pixels from the top.
pub(super) const HEADER: f64 = 236.0;

/// (u, v) → x, y, straight in v.
type Place<'a> = Box<dyn Fn(f64, f64) -> [f64; 2] + 'a>;
/// s → right and left edge of the road, metres across.
type RibbonEdges<'a> = Box<dyn Fn(f64) -> [f64; 2] + 'a>;

/// A deviation map to be drawn.
///
/// Drawn are the plan (north up), the worst spots as a table and, for a map along a course, the
/// ribbon unrolled in rows. The same input gives the same pixels.
pub struct MapPicture<'a> {
    pub(super) map: &'a DeviationMap,
    pub(super) spots: &'a [Spot],
    pub(super) summary: Summary,
    pub(super) place: Place<'a>,
    pub(super) edges: Option<RibbonEdges<'a>>,
    pub(super) wording: Wording,
}

/// What a picture says in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wording {
    /// The title.
    pub title: &'static str,
    /// What the colours mean: below zero, within the tolerance, above it.
    pub sides: [&'static str; 3],
    /// What is counted, and what cells without any are.
    pub points: [&'static str; 2],
    /// What a ring is.
    pub ring: &'static str,
    /// What the label says of a map within tolerance, and beyond it.
    pub verdict: [&'static str; 2],
    /// Over the table of spots, and in its place where there are none.
    pub spots: [&'static str; 2],
    /// The last column of the table, for spots that have one here.
    pub why: Vec<&'static str>,
}

impl Default for Wording {
    fn default() -> Self {
        Self {
            title: "Deviation: cloud minus surface",
            sides: ["cloud below surface", "tolerance", "cloud above surface"],
            points: ["points", "surface without points"],
            ring: "spot, numbered from the worst",
            verdict: ["WITHIN TOLERANCE", "BEYOND TOLERANCE"],
            spots: ["Spots, worst first", "No spots beyond tolerance"],
            why: Vec::new(),
        }
    }
}

impl std::fmt::Debug for MapPicture<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("MapPicture")
            .field("summary", &self.summary)
            .finish_non_exhaustive()
    }
}

impl<'a> MapPicture<'a> {
    /// The picture of a map along `ribbon`, with its spots, worst first, for that tolerance.
    #[must_use]
    pub fn of_ribbon(
        map: &'a DeviationMap,
        spots: &'a [Spot],
        ribbon: &'a Ribbon,
        tolerance_m: f64,
    ) -> Self {
        let edges = |s: f64| {
            let s = ribbon.line.wrap_s(s);
            [ribbon.edges.right_m(s), ribbon.edges.left_m(s)]
        };
        Self {
            map,
            spots,
            summary: map.summary(spots, tolerance_m),
            place: Box::new(|s, t| ribbon.line.to_local(RibbonPoint { s, t })),
            edges: Some(Box::new(edges)),
            wording: Wording::default(),
        }
    }

    /// The same picture with other words.
    #[must_use]
    pub fn worded(mut self, wording: Wording) -> Self {
        self.wording = wording;
        self
    }

    /// The picture of a map of the plane, with its spots, worst first, for that tolerance.
    #[must_use]
    pub fn of_plane(map: &'a DeviationMap, spots: &'a [Spot], tolerance_m: f64) -> Self {
        let summary = map.summary(spots, tolerance_m);
        Self {
            map,
            spots,
            summary,
            place: Box::new(|x, y| [x, y]),
            edges: None,
            wording: Wording::default(),
        }
    }
}

/// Spots that are ringed and listed.
pub(super) const LISTED: usize = 20;

impl MapPicture<'_> {
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
    /// What `out` says.
    pub fn write_png<W: Write>(&self, out: W) -> io::Result<()> {
        Ok(self.draw().write_png(out)?)
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
