//! Where cells tell of a step: fits of a plane with a step in eight directions, and their ridge.
//!
//! Around every cell a disc of cells is fitted by z = a + b·u + c·v + ½d·σ(n), with n the distance
//! to the left of a line through the middle and σ rising from −1 to 1 within the middle cell. The
//! direction with the largest |d|/sd stands for the cell; cells where that is largest across the
//! line are the ridge (non-maximum suppression, after Canny 1986, "A computational approach to
//! edge detection"). Where intensity jumps as well, less of a step in height is asked for
//! ([`super::edges`]).

use wide::f64x2;

use super::edges;
use super::heights::{CellHeight, CellHeights, CellShade};
use crate::numeric::{PlaneSums, column_sums, median, round_i32, to_index};

/// Rows that must be known before and after those whose ridge is asked for.
pub const HALO_ROWS: usize = DISC + 1;

/// Directions that are tried over half a turn.
pub(super) const DIRECTIONS: usize = 8;
/// Radius of the disc in cells, rounded up.
const DISC: usize = 4;
/// Radius of the disc in cells: three on either side of the line, within which asphalt is nearly
/// straight at 0.10 m.
const RADIUS_CELLS: f64 = 3.6;
/// Cells of the disc that must be known, of 37, and on either side of the line.
const FEWEST: [f64; 2] = [24.0, 7.0];
/// Steps weaker than this many standard deviations are no part of a ridge.
const LOW: f64 = 3.9;
/// A cell's mean intensity weighs no more than that of this many points: what it strays by further is
/// the texture of asphalt.
const MOST_SHADES: f64 = 4.0;
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

/// A step through the middle of a disc in one direction.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    pub direction: usize,
    /// Half of the step; metres of a step in height.
    pub half_step: f64,
    pub score: f64,
    /// 1/variance of the half.
    pub weight: f64,
    /// Σw·σ(n), Σw·σ(n)·u and Σw·σ(n)·v.
    sums: [f64; 3],
}

/// Cells in columns; one that is not known has weight 0.
#[derive(Debug, Clone, Default)]
pub(super) struct Columns {
    /// Place along s and t from the first cell of the run, or the middle of the disc, metres.
    u: Vec<f64>,
    v: Vec<f64>,
    /// Height, metres, or logarithm of intensity.
    z: Vec<f64>,
    pub w: Vec<f64>,
    /// 1 where the cell is known, else 0.
    pub known: Vec<f64>,
}

/// Cells of the ridge among the rows `own` (counted within the run), in order of rows and columns.
#[must_use]
pub fn ridge(heights: &CellHeights, own: std::ops::Range<usize>) -> Vec<RidgePoint> {
    let finder = Finder::new(heights);
    let from = own.start.saturating_sub(1);
    let rows = from..(own.end + 1).min(heights.rows);
    let mut disc = Disc::default();
    let mut fits: Vec<Option<Fit>> = rows
        .flat_map(|row| (0..heights.columns).map(move |column| [row, column]))
        .map(|cell| finder.fit(cell, &mut disc, |step| step.score.abs()))
        .collect();
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
    /// How many cells the disc reaches to either side, in rows from −[`DISC`] on.
    spans: [Option<usize>; 2 * DISC + 1],
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
            spans: std::array::from_fn(|k| {
                let rest = RADIUS_CELLS.powi(2) - (k.abs_diff(DISC) as f64).powi(2);
                (rest >= 0.0).then(|| to_index(rest.sqrt()))
            }),
            normals,
            per_rise: normals.map(|n| n.map(|x| x / (0.5 * (n[0] * ds).hypot(n[1] * dt)))),
        }
    }

    /// The step through a cell in the direction where it is worth most, with that worth; `None` where
    /// too little is known around it.
    pub fn fit(
        &self,
        cell: [usize; 2],
        disc: &mut Disc,
        worth: impl Fn(&Step) -> f64,
    ) -> Option<Fit> {
        let plane = self.plane(&self.cells, cell, FEWEST[0], disc)?;
        let steps = (0..DIRECTIONS).filter_map(|k| self.step(disc, &plane, k, FEWEST[1]));
        let steps = steps.map(|step| (worth(&step), step));
        let (worth, best) = steps.max_by(|a, b| a.0.total_cmp(&b.0))?;
        let along = plane.of(best.sums);
        Some(Fit {
            direction: best.direction,
            step_m: 2.0 * best.half_step,
            score: worth.copysign(best.score),
            plane: [0, 1, 2].map(|k| plane.abc[k] - best.half_step * along[k]),
        })
    }

    /// The plane through the cells around one, which are then in the disc; `None` where fewer than
    /// `fewest` are known.
    pub fn plane(
        &self,
        of: &Columns,
        cell: [usize; 2],
        fewest: f64,
        disc: &mut Disc,
    ) -> Option<Plane> {
        self.gather(of, cell, &mut disc.cells);
        if disc.cells.known.iter().sum::<f64>() < fewest {
            return None;
        }
        Plane::through(disc)
    }

    /// The cells of the disc around one.
    fn gather(&self, from: &Columns, [row, column]: [usize; 2], out: &mut Columns) {
        let [ds, dt] = self.heights.steps_m;
        let (s, t) = (row as f64 * ds, column as f64 * dt);
        out.clear();
        for (k, span) in self.spans.iter().enumerate() {
            let other = (row + k).checked_sub(DISC);
            let (Some(other), Some(span)) = (other.filter(|&r| r < self.heights.rows), span) else {
                continue;
            };
            let first = other * self.heights.columns;
            let to = (column + span + 1).min(self.heights.columns);
            let cells = first + column.saturating_sub(*span)..first + to;
            out.extend(from, cells, [s, t]);
        }
    }

    /// The step in one direction, given the plane without it; `None` where fewer than `fewest` cells
    /// are known on either side.
    pub fn step(&self, disc: &Disc, plane: &Plane, direction: usize, fewest: f64) -> Option<Step> {
        let [nu, nv] = self.per_rise[direction].map(f64x2::splat);
        let all = &disc.cells;
        let columns: [&[f64]; 5] = [&all.w, &all.u, &all.v, &disc.left, &all.known];
        let sums = column_sums(columns, |[w, u, v, left, known]| {
            let rise = (nu * u + nv * v).fast_max(-f64x2::ONE).fast_min(f64x2::ONE);
            let wb = w * rise;
            let ahead = known * rise.fast_max(f64x2::ZERO);
            let behind = ahead - known * rise;
            [wb, wb * u, wb * v, wb * rise, wb * left, ahead, behind]
        });
        let [one, u, v, square, rest, ahead, behind] = sums;
        if ahead.min(behind) < fewest {
            return None;
        }
        let sums = [one, u, v];
        let own = square - plane.square_of(sums);
        (own > 1e-6 * square).then(|| Step {
            direction,
            half_step: rest / own,
            score: rest / own.sqrt(),
            weight: own,
            sums,
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

impl Columns {
    fn of(heights: &CellHeights) -> Self {
        let mut out = Self::default();
        let [ds, dt] = heights.steps_m;
        for (k, cell) in heights.cells.iter().enumerate() {
            let (row, column) = (k / heights.columns, k % heights.columns);
            let (s, t) = (row as f64 * ds, column as f64 * dt);
            let off = cell.map_or([0.0; 2], |c| c.off_m);
            out.u.push(s + off[0]);
            out.v.push(t + off[1]);
            out.z.push(cell.map_or(0.0, |c| c.z_m));
            let weight = |c: CellHeight| 1.0 / (c.variance_m2 + ROUGH_M * ROUGH_M);
            out.w.push(cell.map_or(0.0, weight));
            out.known.push(cell.map_or(0.0, |_| 1.0));
        }
        out
    }

    /// For each setup the logarithms of the intensities that it saw.
    fn of_shades(heights: &CellHeights) -> Vec<Self> {
        let mut setups: Vec<u16> = heights.shades.iter().map(|s| s.setup).collect();
        setups.sort_unstable();
        setups.dedup();
        let mut out = vec![Self::unknown(heights.cells.len()); setups.len()];
        let [ds, dt] = heights.steps_m;
        for shade in &heights.shades {
            if let Ok(setup) = setups.binary_search(&shade.setup) {
                let (row, column) = (shade.cell / heights.columns, shade.cell % heights.columns);
                out[setup].set(shade, [row as f64 * ds, column as f64 * dt]);
            }
        }
        out
    }

    /// As many cells of which nothing is known.
    fn unknown(cells: usize) -> Self {
        let nothing = || vec![0.0; cells];
        Self {
            u: nothing(),
            v: nothing(),
            z: nothing(),
            w: nothing(),
            known: nothing(),
        }
    }

    fn set(&mut self, shade: &CellShade, [s, t]: [f64; 2]) {
        let k = shade.cell;
        self.u[k] = s + shade.off_m[0];
        self.v[k] = t + shade.off_m[1];
        self.z[k] = shade.log_intensity;
        self.w[k] = shade.points.min(MOST_SHADES);
        self.known[k] = 1.0;
    }

    fn clear(&mut self) {
        let columns = [&mut self.u, &mut self.v, &mut self.z, &mut self.w];
        columns.into_iter().for_each(Vec::clear);
        self.known.clear();
    }

    /// Add cells that lie side by side, seen from (s, t).
    fn extend(&mut self, from: &Self, cells: std::ops::Range<usize>, [s, t]: [f64; 2]) {
        self.u.extend(from.u[cells.clone()].iter().map(|x| x - s));
        self.v.extend(from.v[cells.clone()].iter().map(|x| x - t));
        self.z.extend_from_slice(&from.z[cells.clone()]);
        self.w.extend_from_slice(&from.w[cells.clone()]);
        self.known.extend_from_slice(&from.known[cells]);
    }
}

/// The cells around one, and what their plane leaves of their heights.
#[derive(Debug, Default)]
pub(super) struct Disc {
    pub cells: Columns,
    pub left: Vec<f64>,
}

/// The weighted plane through the cells of a disc, and what projects onto planes there.
pub(super) struct Plane {
    abc: [f64; 3],
    /// Σw, and the means of u and v.
    weight: f64,
    middle: [f64; 2],
    /// Inverse of the matrix of Σw·u², Σw·uv, Σw·v² about the middle: uu, uv, vv.
    inverse: [f64; 3],
}

impl Plane {
    /// The plane; what it leaves of each height goes into the disc.
    fn through(disc: &mut Disc) -> Option<Self> {
        let all = &disc.cells;
        let sums = PlaneSums::of_columns([&all.w, &all.u, &all.v, &all.z]);
        let middle = sums.middle()?;
        let [uu, uv, vv] = sums.spread();
        let det = uu * vv - uv * uv;
        let mut plane = Self {
            abc: [0.0; 3],
            weight: sums.w,
            middle,
            inverse: [vv / det, -uv / det, uu / det],
        };
        plane.abc = plane.of(sums.heights());
        let [a, b, c] = plane.abc;
        let cells = all.z.iter().zip(&all.u).zip(&all.v);
        disc.left.clear();
        disc.left
            .extend(cells.map(|((z, u), v)| z - a - b * u - c * v));
        (det > f64::EPSILON * uu * vv).then_some(plane)
    }

    /// Σw·x·u and Σw·x·v about the middle, of Σw·x, Σw·x·u and Σw·x·v.
    fn about_middle(&self, [one, u, v]: [f64; 3]) -> [f64; 2] {
        [u - self.middle[0] * one, v - self.middle[1] * one]
    }

    /// The plane of least squares through x, of the same sums.
    fn of(&self, sums: [f64; 3]) -> [f64; 3] {
        let [u, v] = self.about_middle(sums);
        let [uu, uv, vv] = self.inverse;
        let (slope_u, slope_v) = (uu * u + uv * v, uv * u + vv * v);
        let rise = slope_u * self.middle[0] + slope_v * self.middle[1];
        [sums[0] / self.weight - rise, slope_u, slope_v]
    }

    /// Σw times the square of that plane.
    fn square_of(&self, sums: [f64; 3]) -> f64 {
        let [u, v] = self.about_middle(sums);
        let [uu, uv, vv] = self.inverse;
        sums[0] * sums[0] / self.weight + uu * u * u + 2.0 * uv * u * v + vv * v * v
    }
}
