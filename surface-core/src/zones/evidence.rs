//! Where cells tell of a step: fits of a plane with a step in eight directions, and their ridge.
//!
//! Around every cell a disc of cells is fitted by z = a + b·u + c·v + ½d·σ(n), with n the distance
//! to the left of a line through the middle and σ rising from −1 to 1 within the middle cell. The
//! direction with the largest |d|/sd stands for the cell; cells where that is largest across the
//! line are the ridge (non-maximum suppression, after Canny 1986, "A computational approach to
//! edge detection").

use super::heights::CellHeights;
use crate::numeric::{factor_dense, median, round_i32, solve_dense};

/// Rows that must be known before and after those whose ridge is asked for.
pub const HALO_ROWS: usize = DISC + 1;

/// Directions that are tried over half a turn.
const DIRECTIONS: usize = 8;
/// Radius of the disc in cells, rounded up.
const DISC: usize = 4;
/// Radius of the disc in cells: three on either side of the line, within which asphalt is nearly
/// straight at 0.10 m.
const RADIUS_CELLS: f64 = 3.6;
/// Cells of the disc that must be known, of 37, and on either side of the line.
const FEWEST: [f64; 2] = [24.0, 7.0];
/// Steps weaker than this many standard deviations are no part of a ridge.
const LOW: f64 = 3.9;
/// What a cell's mean strays from a plane because the road is rough, metres, added to its noise.
const ROUGH_M: f64 = 1.5e-4;

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
    /// The step over its standard deviation.
    pub score: f64,
    /// Height half way up the step at the place, and the ground's slopes along s and t.
    pub plane: [f64; 3],
}

/// The best step through the middle of one cell.
#[derive(Debug, Clone, Copy)]
struct Fit {
    direction: usize,
    step_m: f64,
    score: f64,
    plane: [f64; 3],
}

/// One cell of the disc as the fits see it.
#[derive(Debug, Clone, Copy)]
struct Seen {
    u: f64,
    v: f64,
    z: f64,
    w: f64,
}

/// Cells of the ridge among the rows `own` (counted within the run), in order of rows and columns.
#[must_use]
pub fn ridge(heights: &CellHeights, own: std::ops::Range<usize>) -> Vec<RidgePoint> {
    let finder = Finder::new(heights);
    let from = own.start.saturating_sub(1);
    let rows = from..(own.end + 1).min(heights.rows);
    let mut fits: Vec<Option<Fit>> = rows
        .flat_map(|row| (0..heights.columns).map(move |column| (row, column)))
        .map(|(row, column)| finder.fit(row, column))
        .collect();
    calibrate(&mut fits);
    let mut out = Vec::new();
    for row in own {
        for column in 0..heights.columns {
            let at = (row - from) * heights.columns + column;
            out.extend(finder.crest(&fits, at, [row, column]));
        }
    }
    out
}

/// Make scores what they say: on plain road, which is most of a run, half of them lie below the
/// median of the largest of [`DIRECTIONS`] dependent normal scores.
fn calibrate(fits: &mut [Option<Fit>]) {
    /// Median of the largest |score| over the eight directions (measured on 98 168 discs of plain
    /// noise, 250 points on a square metre).
    const USUAL: f64 = 1.69;
    let mut scores: Vec<f64> = fits.iter().flatten().map(|f| f.score.abs()).collect();
    let scale = median(&mut scores).map_or(1.0, |m| (m / USUAL).max(1.0));
    for fit in fits.iter_mut().flatten() {
        fit.score /= scale;
    }
}

struct Finder<'a> {
    heights: &'a CellHeights,
    /// Offsets of the disc's cells.
    disc: Vec<[i64; 2]>,
    /// Left normals of the directions.
    normals: [[f64; 2]; DIRECTIONS],
}

impl<'a> Finder<'a> {
    fn new(heights: &'a CellHeights) -> Self {
        let reach = i64::try_from(DISC).unwrap_or(0);
        let near = |r: i64, c: i64| (r as f64).hypot(c as f64) <= RADIUS_CELLS;
        let disc = (-reach..=reach)
            .flat_map(|r| (-reach..=reach).map(move |c| [r, c]))
            .filter(|&[r, c]| near(r, c))
            .collect();
        Self {
            heights,
            disc,
            normals: std::array::from_fn(|k| {
                let heading = heading_rad(k);
                [-heading.sin(), heading.cos()]
            }),
        }
    }

    /// The best step through a cell; `None` where too little is known around it.
    fn fit(&self, row: usize, column: usize) -> Option<Fit> {
        let (row, column) = (i64::try_from(row).ok()?, i64::try_from(column).ok()?);
        let mut seen = [Seen {
            u: 0.0,
            v: 0.0,
            z: 0.0,
            w: 0.0,
        }; (2 * DISC + 1) * (2 * DISC + 1)];
        let mut count = 0;
        let mut base = 0.0;
        let [ds, dt] = self.heights.steps_m;
        for &[r, c] in &self.disc {
            if let Some(cell) = self.heights.at(row + r, column + c) {
                if count == 0 {
                    base = cell.z_m;
                }
                seen[count] = Seen {
                    u: r as f64 * ds + cell.off_m[0],
                    v: c as f64 * dt + cell.off_m[1],
                    z: cell.z_m - base,
                    w: 1.0 / (cell.variance_m2 + ROUGH_M * ROUGH_M),
                };
                count += 1;
            }
        }
        if (count as f64) < FEWEST[0] {
            return None;
        }
        let seen = &seen[..count];
        let plane = Plane::through(seen)?;
        let fits = (0..DIRECTIONS).filter_map(|k| self.step(seen, &plane, k));
        let best = fits.max_by(|a, b| a.score.abs().total_cmp(&b.score.abs()))?;
        Some(Fit {
            plane: [best.plane[0] + base, best.plane[1], best.plane[2]],
            ..best
        })
    }

    /// The step in one direction, given the plane without it.
    fn step(&self, seen: &[Seen], plane: &Plane, direction: usize) -> Option<Fit> {
        let [nu, nv] = self.normals[direction];
        let half = 0.5 * (nu * self.heights.steps_m[0]).hypot(nv * self.heights.steps_m[1]);
        let (mut sums, mut square, mut rest) = ([0.0; 3], 0.0, 0.0);
        let mut sides = [0.0; 2];
        for (p, r) in seen.iter().zip(&plane.residuals) {
            let b = ((nu * p.u + nv * p.v) / half).clamp(-1.0, 1.0);
            let wb = p.w * b;
            sums[0] += wb;
            sums[1] += wb * p.u;
            sums[2] += wb * p.v;
            square += wb * b;
            rest += wb * r;
            sides[0] += b.max(0.0);
            sides[1] -= b.min(0.0);
        }
        if sides[0].min(sides[1]) < FEWEST[1] {
            return None;
        }
        let mut along = sums;
        solve_dense(&plane.factor, 3, &mut along);
        let own = square - (0..3).map(|k| sums[k] * along[k]).sum::<f64>();
        if own <= 1e-6 * square {
            return None;
        }
        let half_step = rest / own;
        Some(Fit {
            direction,
            step_m: 2.0 * half_step,
            score: half_step * own.sqrt(),
            plane: [0, 1, 2].map(|k| plane.abc[k] - half_step * along[k]),
        })
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

/// The weighted plane through the cells of a disc.
struct Plane {
    abc: [f64; 3],
    factor: [f64; 9],
    residuals: Vec<f64>,
}

impl Plane {
    fn through(seen: &[Seen]) -> Option<Self> {
        let (mut a, mut x) = ([0.0; 9], [0.0; 3]);
        for p in seen {
            let row = [1.0, p.u, p.v];
            for i in 0..3 {
                let wi = p.w * row[i];
                x[i] += wi * p.z;
                for j in 0..=i {
                    a[3 * i + j] += wi * row[j];
                }
            }
        }
        factor_dense(&mut a, 3, 0).ok()?;
        solve_dense(&a, 3, &mut x);
        let residual = |p: &Seen| p.z - x[0] - x[1] * p.u - x[2] * p.v;
        Some(Self {
            abc: x,
            factor: a,
            residuals: seen.iter().map(residual).collect(),
        })
    }
}
