//! The whole map in a few numbers, and whether the tolerance is met.

use super::map::{CellState, DeviationMap};
use super::spots::Spot;

/// Whether cloud and surface agree within tolerance.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// No spot anywhere (and at least one cell could be judged).
    WithinTolerance,
    /// Spots were found.
    Beyond {
        /// How many.
        spots: u32,
        /// Share of judged cells in them, 0..=1.
        share: f64,
    },
    /// No cell had enough points: nothing can be said.
    NothingJudged,
}

/// How much of the surface has points, and how many points have a surface.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Coverage {
    /// Cells with surface.
    pub cells: u64,
    /// Of these, with enough points for a verdict.
    pub cells_judged: u64,
    /// Of these, with 1 to 3 points.
    pub cells_sparse: u64,
    /// Of these, with none.
    pub cells_without_points: u64,
    /// Cells with points but no surface.
    pub cells_without_surface: u64,
    /// Share of cells with surface that have points, 0..=1.
    pub share_with_points: f64,
    /// Points without surface under them.
    pub points_without_surface: u64,
}

/// The whole map in a few numbers.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Summary {
    /// Points held to the surface.
    pub points: u64,
    /// Tolerance, metres.
    pub tolerance_m: f64,
    /// |d| that 50, 95 and 99 % of the points do not exceed, metres; `None` without points.
    pub d_quantiles_m: Option<[f64; 3]>,
    /// Share of judged cells whose robust mean is within the tolerance, 0..=1.
    pub share_within: f64,
    /// Largest |robust mean| of a judged cell, signed, metres; `None` when none was judged.
    pub worst_m: Option<f64>,
    /// How much could be compared.
    pub coverage: Coverage,
    /// Whether the tolerance is met.
    pub verdict: Verdict,
}

impl DeviationMap {
    /// The whole map in a few numbers; `spots` as [`DeviationMap::spots`] gave them for the same
    /// tolerance.
    #[must_use]
    pub fn summary(&self, spots: &[Spot], tolerance_m: f64) -> Summary {
        let coverage = self.coverage();
        let judged = || {
            self.cells()
                .iter()
                .filter(|c| c.state() == CellState::Judged)
        };
        let within = judged()
            .filter(|c| f64::from(c.mean_m.abs()) <= tolerance_m)
            .count();
        let worst = judged()
            .map(|c| c.mean_m)
            .max_by(|a, b| a.abs().total_cmp(&b.abs()));
        let quantile = |q| self.histogram.quantile_m(q);
        let quantiles = [quantile(0.5), quantile(0.95), quantile(0.99)];
        Summary {
            points: self.histogram.points(),
            tolerance_m,
            d_quantiles_m: match quantiles {
                [Some(a), Some(b), Some(c)] => Some([a, b, c]),
                _ => None,
            },
            share_within: share(within as u64, coverage.cells_judged),
            worst_m: worst.map(f64::from),
            coverage,
            verdict: verdict(spots, coverage.cells_judged),
        }
    }

    fn coverage(&self) -> Coverage {
        let count = |state| self.cells().iter().filter(|c| c.state() == state).count() as u64;
        let cells = self.cells().len() as u64 + self.bare_cells;
        let empty = count(CellState::NoPoints) + self.bare_cells;
        Coverage {
            cells,
            cells_judged: count(CellState::Judged),
            cells_sparse: count(CellState::Sparse),
            cells_without_points: empty,
            cells_without_surface: self.cells_off_surface,
            share_with_points: share(cells - empty, cells),
            points_without_surface: self.points_off_surface,
        }
    }
}

fn verdict(spots: &[Spot], judged: u64) -> Verdict {
    if judged == 0 {
        Verdict::NothingJudged
    } else if spots.is_empty() {
        Verdict::WithinTolerance
    } else {
        let cells = spots.iter().map(|s| u64::from(s.cells)).sum();
        Verdict::Beyond {
            spots: crate::numeric::to_u32(spots.len()),
            share: share(cells, judged),
        }
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "cells of one course are far below 2^53"
)]
fn share(part: u64, whole: u64) -> f64 {
    if whole == 0 {
        0.0
    } else {
        part as f64 / whole as f64
    }
}
