//! Why cloud and surface part at a spot, decided from the evidence.

use super::map::Cell;
use crate::field::flags;

/// Why cloud and surface part at a spot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Why {
    /// The surface bridges a hole in the data, or the cloud lies below it in one compact patch.
    Hole,
    /// The height jumps here, or the spot is a thin line.
    Step,
    /// The points do not agree among themselves, or stand above the road in one compact patch:
    /// something that is not the road was scanned.
    Outliers,
    /// Too few points to say more.
    Sparse,
}

impl Why {
    /// The word used in tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Hole => "hole",
            Self::Step => "step",
            Self::Outliers => "outliers",
            Self::Sparse => "sparse",
        }
    }
}

/// A mark decides when at least this share of a spot's cells carries it: the field marks single
/// cells beside a cause too. Chosen by `a_mark_on_a_third_of_the_cells_decides`.
const MARKED_SHARE: f64 = 1.0 / 3.0;
/// A cell has many outliers when this share of its points carries no weight; clean Gaussian noise
/// leaves 0.05 % beyond the biweight's cut.
const MANY_OUTLIERS: f64 = 0.2;
/// Points that carry no weight decide when this share of the cells has many: every rim cell of a
/// pothole holds two heights, of which the minority is rejected.
const STRAY_SHARE: f64 = 0.5;
/// A cell has few points below this number (twice what a verdict needs).
const FEW_POINTS: u32 = 8;
/// A cell's points disagree when their spread exceeds the cell's own mean: the mean then is the
/// average of two things, not a height.
const DISAGREE: f32 = 1.0;
/// A spot longer than this many times its width is a line: a seam or an edge (a pothole is about
/// as long as wide).
const LINE_RATIO: f64 = 4.0;
/// Share of cells of the other sign from which a spot is a step (up on one side, down on the other).
const BOTH_SIGNS: f64 = 0.25;

/// Decide from the cells of a spot and the ratio of its length to its width.
///
/// The field's marks come first: bridged → hole, step → step, outliers → outliers, sparse →
/// sparse, each when a third of the cells carries it. Without marks the distances decide.
pub(super) fn decide(cells: &[Cell], elongation: f64) -> Why {
    let share = |test: &dyn Fn(&Cell) -> bool| {
        #[expect(
            clippy::cast_precision_loss,
            reason = "cells of a spot are far below 2^53"
        )]
        let ratio = cells.iter().filter(|c| test(c)).count() as f64 / cells.len().max(1) as f64;
        ratio
    };
    let marked = |bit: u8| share(&|c| c.marks & bit != 0) >= MARKED_SHARE;
    let strays = |c: &Cell| f64::from(c.outliers) > 255.0 * MANY_OUTLIERS;
    if marked(flags::BRIDGED) {
        Why::Hole
    } else if marked(flags::STEP) {
        Why::Step
    } else if marked(flags::OUTLIERS) || share(&strays) >= STRAY_SHARE {
        Why::Outliers
    } else if marked(flags::SPARSE) || share(&|c| c.n < FEW_POINTS) >= 0.5 {
        Why::Sparse
    } else if share(&|c| c.spread_m > DISAGREE * c.mean_m.abs()) >= 0.5 {
        Why::Outliers
    } else {
        by_shape(share(&|c| c.mean_m > 0.0), elongation)
    }
}

fn by_shape(share_above: f64, elongation: f64) -> Why {
    let both = share_above.min(1.0 - share_above) >= BOTH_SIGNS;
    if both || elongation >= LINE_RATIO {
        Why::Step
    } else if share_above < 0.5 {
        Why::Hole
    } else {
        Why::Outliers
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(mean_m: f32, marked: usize, bit: u8) -> Vec<Cell> {
        let mut cells = vec![
            Cell {
                n: 100,
                mean_m,
                spread_m: 0.001,
                u95_m: 0.0005,
                ..Cell::empty(0)
            };
            9
        ];
        cells[..marked].iter_mut().for_each(|c| c.marks = bit);
        cells
    }

    #[test]
    fn a_mark_on_a_third_of_the_cells_decides() {
        for (bit, why) in [
            (flags::BRIDGED, Why::Hole),
            (flags::STEP, Why::Step),
            (flags::OUTLIERS, Why::Outliers),
            (flags::SPARSE, Why::Sparse),
        ] {
            assert_eq!(decide(&cells(0.01, 3, bit), 1.0), why);
        }
        assert_eq!(decide(&cells(-0.01, 2, flags::STEP), 1.0), Why::Hole);
    }

    #[test]
    fn without_marks_the_distances_decide() {
        assert_eq!(decide(&cells(-0.01, 0, 0), 1.5), Why::Hole);
        assert_eq!(decide(&cells(0.01, 0, 0), 1.5), Why::Outliers);
        assert_eq!(decide(&cells(-0.01, 0, 0), 8.0), Why::Step);
        let mut both = cells(-0.01, 0, 0);
        both[..4].iter_mut().for_each(|c| c.mean_m = 0.01);
        assert_eq!(decide(&both, 1.0), Why::Step);
        let mut few = cells(-0.01, 0, 0);
        few[..5].iter_mut().for_each(|c| c.n = 5);
        assert_eq!(decide(&few, 1.0), Why::Sparse);
        let mut apart = cells(-0.01, 0, 0);
        apart[..5].iter_mut().for_each(|c| c.spread_m = 0.02);
        assert_eq!(decide(&apart, 1.0), Why::Outliers);
    }
}
