//! What colour a cell has, and a layer of such colours at pixel size.

use super::canvas::Canvas;
use super::colour::{Diverging, Rgb};
use crate::deviation::{Cell, CellState};

/// The page.
pub(super) const PAPER: Rgb = [255, 255, 255];
/// Text and lines.
pub(super) const INK: Rgb = [34, 38, 44];
/// Quiet text and lines.
pub(super) const FAINT: Rgb = [120, 126, 134];
/// Hairlines.
pub(super) const HAIR: Rgb = [205, 209, 214];
/// Surface without points: the two tones of its hatching.
const HATCH: [Rgb; 2] = [[168, 173, 180], [214, 217, 221]];
/// Cells with too few points.
pub(super) const SPARSE: Rgb = [196, 190, 170];
/// Pixels from one hatching line to the next, and width of a line.
const HATCH_PITCH: i32 = 8;
const HATCH_WIDTH: i32 = 3;

/// What a pixel of the map shows; the later, the stronger.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Paint {
    Nothing,
    NoPoints,
    Sparse,
    /// Robust mean, metres.
    Mean(f32),
}

impl Paint {
    pub fn of(cell: &Cell) -> Self {
        match cell.state() {
            CellState::NoPoints => Self::NoPoints,
            CellState::Sparse => Self::Sparse,
            CellState::Judged => Self::Mean(cell.mean_m),
        }
    }

    /// The stronger of two paints in one pixel: of two means the larger one, so that no spot is
    /// lost where a pixel covers many cells.
    pub fn over(self, other: Self) -> Self {
        let rank = |p: Self| match p {
            Self::Nothing => -3.0,
            Self::NoPoints => -2.0,
            Self::Sparse => -1.0,
            Self::Mean(m) => m.abs(),
        };
        if rank(other) > rank(self) {
            other
        } else {
            self
        }
    }
}

/// Colours of paints for a tolerance: the scale ends at twice the tolerance.
#[derive(Debug)]
pub(super) struct Palette {
    pub scale: Diverging,
    pub end_m: f64,
}

impl Palette {
    pub fn new(tolerance_m: f64) -> Self {
        Self {
            scale: Diverging::default(),
            end_m: 2.0 * tolerance_m,
        }
    }

    /// Colour of a paint in pixel (x, y); `None` where nothing is to be drawn.
    pub fn colour(&self, paint: Paint, x: i32, y: i32) -> Option<Rgb> {
        match paint {
            Paint::Nothing => None,
            Paint::NoPoints => {
                Some(HATCH[usize::from((x + y).rem_euclid(HATCH_PITCH) >= HATCH_WIDTH)])
            }
            Paint::Sparse => Some(SPARSE),
            Paint::Mean(mean_m) => Some(self.scale.at(f64::from(mean_m) / self.end_m)),
        }
    }
}

/// Paints at pixel size, to be laid on a canvas.
pub(super) struct Layer {
    width: usize,
    paints: Vec<Paint>,
}

impl Layer {
    pub fn new(width: usize, height: usize) -> Self {
        Self {
            width,
            paints: vec![Paint::Nothing; width * height],
        }
    }

    /// Paint pixel (x, y) where the new paint is the stronger one.
    pub fn put(&mut self, x: i32, y: i32, paint: Paint) {
        let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y)) else {
            return;
        };
        if x < self.width
            && let Some(old) = self.paints.get_mut(y * self.width + x)
        {
            *old = old.over(paint);
        }
    }

    /// Lay this layer on the canvas with its upper left corner at (x, y).
    pub fn lay_on(&self, canvas: &mut Canvas, at: [i32; 2], palette: &Palette) {
        for (line, y) in self.paints.chunks_exact(self.width.max(1)).zip(at[1]..) {
            for (&paint, x) in line.iter().zip(at[0]..) {
                if let Some(colour) = palette.colour(paint, x, y) {
                    canvas.set(x, y, colour);
                }
            }
        }
    }
}
