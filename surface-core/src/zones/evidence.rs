//! Where cells tell of a step: fits of a plane with a step in eight directions, and their ridge.
//!
//! Around every cell a disc of cells is fitted by z = a + b·u + c·v + ½d·σ(n), with n the distance
//! to the left of a line through the middle and σ rising from −1 to 1 within the middle cell. The
//! direction with the largest |d|/sd stands for the cell; cells where that is largest across the
//! line are the ridge (non-maximum suppression, after Canny 1986, "A computational approach to
//! edge detection"). Where intensity jumps as well, less of a step in height is asked for
//! ([`super::edges`]).

use super::discs::{Columns, DIRECTIONS, Discs, LANES, Planes, Step, Steps};
use super::edges;
use super::heights::CellHeights;
use crate::numeric::{median, round_i32};

/// Rows that must be known before and after those whose ridge is asked for: as far as a disc reaches from
/// the row beside, and one more.
pub const HALO_ROWS: usize = 5;

/// Cells of the disc that must be known, of 37, and on either side of the line.
const FEWEST: [f32; 2] = [24.0, 7.0];
/// Steps weaker than this many standard deviations are no part of a ridge.
const LOW: f64 = 3.9;

/// A place where the height jumps across a line, as cells tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RidgePoint {
    /// Row and column of the cell.
    pub cell: [i64; 2],
    /// s and t, metres, refined to a part of a cell; s as the row has it.
    pub at: [f64; 2],
    /// Direction of the line in (s, t), radians; the higher side is on its left.
    pub heading_rad: f64,
    /// Height left of the line less right of it, metres: positive.
    pub step_m: f64,
    /// The step over its standard deviation; where intensity jumps as well, what both together are
    /// worth.
    pub score: f64,
    /// Height half way up the step at the place, and the ground's slopes along s and t.
    pub plane: [f64; 3],
}

/// The best step through the middle of one cell.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fit {
    direction: usize,
    step_m: f64,
    /// What the step is worth, with its sign.
    pub score: f64,
    plane: [f64; 3],
}

/// Cells of the ridge among the rows `own` (counted within the run), in order of rows and columns.
#[must_use]
pub fn ridge(heights: &CellHeights, own: std::ops::Range<usize>) -> Vec<RidgePoint> {
    let finder = Finder::new(heights);
    let from = own.start.saturating_sub(1);
    let rows = from..(own.end + 1).min(heights.rows);
    let mut discs = Discs::new();
    let mut fits: Vec<Option<Fit>> = Vec::with_capacity(rows.len() * heights.columns);
    for row in rows {
        finder.fits_of_row(row, &mut discs, &mut fits);
    }
    let scale = usual_scale(fits.iter().flatten().map(|f| f.score.abs()));
    for fit in fits.iter_mut().flatten() {
        fit.score /= scale;
    }
    edges::weigh(&finder, scale, &mut fits, from);
    let mut out = Vec::new();
    for row in own {
        for column in 0..heights.columns {
            let at = (row - from) * heights.columns + column;
            out.extend(finder.crest(&fits, at, [row, column]));
        }
    }
    out
}

/// What scores are divided by to be what they say: on plain road, which is most of a run, half of
/// them lie below the median of the largest of [`DIRECTIONS`] dependent normal scores.
pub(super) fn usual_scale(largest: impl Iterator<Item = f64>) -> f64 {
    /// Median of the largest |score| over the eight directions (measured on 98 168 discs of plain
    /// noise, 250 points on a square metre).
    const USUAL: f64 = 1.69;
    let mut scores: Vec<f64> = largest.collect();
    median(&mut scores).map_or(1.0, |m| (m / USUAL).max(1.0))
}

pub(super) struct Finder<'a> {
    pub heights: &'a CellHeights,
    cells: Columns,
    /// Logarithms of intensity, for each setup that knows any.
    pub shades: Vec<Columns>,
    /// Left normals of the directions.
    normals: [[f64; 2]; DIRECTIONS],
    /// The same over the way on which σ rises from 0 to 1, 1/m.
    per_rise: [[f64; 2]; DIRECTIONS],
}

impl<'a> Finder<'a> {
    pub fn new(heights: &'a CellHeights) -> Self {
        let normals = std::array::from_fn(|k| {
            let heading = heading_rad(k);
            [-heading.sin(), heading.cos()]
        });
        let [ds, dt] = heights.steps_m;
        Self {
            heights,
            cells: Columns::of(heights),
            shades: Columns::of_shades(heights),
            normals,
            per_rise: normals.map(|n| n.map(|x| x / (0.5 * (n[0] * ds).hypot(n[1] * dt)))),
        }
    }

    /// The steps through the discs, each in the direction where it is worth most, with that worth; `None`
    /// where too little is known around. `worth` is asked with lane and direction.
    pub fn fits(
        &self,
        discs: &mut Discs,
        worth: impl Fn([usize; 2], &Step) -> f64,
    ) -> [Option<Fit>; LANES] {
        let Some(planes) = discs.planes(FEWEST[0]) else {
            return [None; LANES];
        };
        let mut best: [Option<(f64, usize, Step)>; LANES] = [None; LANES];
        for (direction, &per_rise) in self.per_rise.iter().enumerate() {
            let steps = discs.steps(&planes, per_rise, FEWEST[1]);
            for (lane, best) in best.iter_mut().enumerate() {
                let Some(step) = steps.of(lane) else { continue };
                let worth = worth([lane, direction], &step);
                // As clear a step in a later direction takes the place of an earlier.
                if best.is_none_or(|(most, ..)| worth >= most) {
                    *best = Some((worth, direction, step));
                }
            }
        }
        std::array::from_fn(|lane| {
            let (worth, direction, step) = best[lane]?;
            Some(Fit {
                direction,
                step_m: 2.0 * step.half,
                score: worth.copysign(step.score),
                plane: discs.half_way(&planes, lane, &step),
            })
        })
    }

    /// The steps through cells of a row from the first column on.
    fn fits_of_row(&self, row: usize, discs: &mut Discs, out: &mut Vec<Option<Fit>>) {
        for first in (0..self.heights.columns).step_by(LANES) {
            discs.put_row(&self.cells, [row, first]);
            let found = self.fits(discs, |_, step| step.score.abs());
            let own = LANES.min(self.heights.columns - first);
            out.extend_from_slice(&found[..own]);
        }
    }

    /// The steps through up to four cells.
    pub fn fits_of(
        &self,
        cells: &[[usize; 2]],
        discs: &mut Discs,
        worth: impl Fn([usize; 2], &Step) -> f64,
    ) -> [Option<Fit>; LANES] {
        for (lane, &cell) in cells.iter().enumerate() {
            discs.put(lane, &self.cells, cell);
        }
        discs.clear_from(cells.len());
        self.fits(discs, worth)
    }

    /// The steps through discs in one direction.
    pub fn steps(&self, discs: &Discs, planes: &Planes, direction: usize, fewest: f32) -> Steps {
        discs.steps(planes, self.per_rise[direction], fewest)
    }

    /// The cell as a place on the ridge, when its step is the clearest across the line.
    fn crest(&self, fits: &[Option<Fit>], at: usize, cell: [usize; 2]) -> Option<RidgePoint> {
        let fit = fits[at].filter(|f| f.score.abs() >= LOW)?;
        let normal = self.normals[fit.direction];
        let [dr, dc] = normal.map(|n| i64::from(round_i32(1.08 * n)));
        let score = |sign: i64| {
            let column = i64::try_from(cell[1]).ok()? + sign * dc;
            let inside = column >= 0 && column < i64::try_from(self.heights.columns).ok()?;
            let jump = sign * (dr * i64::try_from(self.heights.columns).ok()? + dc);
            let k = usize::try_from(i64::try_from(at).ok()? + jump).ok()?;
            let other = fits.get(k).copied().flatten().filter(|_| inside)?;
            Some(other.score * fit.score.signum())
        };
        let (own, back, ahead) = (
            fit.score.abs(),
            score(-1).unwrap_or(0.0).max(0.0),
            score(1).unwrap_or(0.0).max(0.0),
        );
        // A step between two cells is as clear from both: the one behind has it.
        if own < back || own <= ahead {
            return None;
        }
        let bend = (2.0 * own - back - ahead).max(1e-9);
        let shift = (0.5 * (ahead - back) / bend).clamp(-0.5, 0.5);
        Some(self.place(&fit, cell, [dr, dc].map(|d| shift * d as f64)))
    }

    fn place(&self, fit: &Fit, cell: [usize; 2], shift: [f64; 2]) -> RidgePoint {
        let row = self.heights.first_row + i64::try_from(cell[0]).unwrap_or(0);
        let column = i64::try_from(cell[1]).unwrap_or(0);
        let [ds, dt] = self.heights.steps_m;
        let [z, slope_s, slope_t] = fit.plane;
        let z = z + slope_s * shift[0] * ds + slope_t * shift[1] * dt;
        let turn = if fit.step_m > 0.0 {
            0.0
        } else {
            std::f64::consts::PI
        };
        RidgePoint {
            cell: [row, column],
            at: [
                (row as f64 + shift[0]) * ds,
                self.heights.first_t_m + (column as f64 + shift[1]) * dt,
            ],
            heading_rad: heading_rad(fit.direction) + turn,
            step_m: fit.step_m.abs(),
            score: fit.score.abs(),
            plane: [z, slope_s, slope_t],
        }
    }
}

fn heading_rad(direction: usize) -> f64 {
    std::f64::consts::PI * direction as f64 / DIRECTIONS as f64
}
