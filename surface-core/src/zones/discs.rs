//! Planes and steps through discs of cells, four discs at a time.
//!
//! A disc lies in one lane of columns of four numbers: of four places side by side, or of one place as
//! four setups saw it. Heights are taken from the disc's own middle, so that single precision holds them
//! to a thousandth of their noise.

use wide::f32x4;

use super::heights::{CellHeight, CellHeights, CellShade};
use crate::numeric::{PlaneSums, to_f32};

/// Discs that are worked on together.
pub(super) const LANES: usize = 4;
/// Directions that are tried over half a turn.
pub(super) const DIRECTIONS: usize = 8;
/// How many cells the disc reaches to either side in its rows: all whose middles lie within 3.6 cells.
/// Three on either side of a line, within which asphalt is nearly straight at 0.10 m.
const SPANS: [usize; 7] = [1, 2, 3, 3, 3, 2, 1];
/// Rows of the disc on either side of its middle.
const ROWS: usize = SPANS.len() / 2;
/// Cells of the disc.
const CELLS: usize = 37;
/// A cell's mean intensity weighs no more than that of this many points: what it strays by further is
/// the texture of asphalt.
const MOST_SHADES: f64 = 4.0;
/// What a cell's mean strays from a plane because the road is rough, metres, added to its noise.
const ROUGH_M: f64 = 1.5e-4;

/// Columns of numbers, of which each disc has a lane.
type Lanes = [[f32; LANES]; CELLS];

/// Where the cells of a run lie.
#[derive(Debug, Clone, Copy)]
pub(super) struct Grid {
    pub rows: usize,
    pub columns: usize,
    pub steps_m: [f64; 2],
}

/// Cells of a run in columns, row by row; one that is not known has weight 0.
#[derive(Debug, Clone)]
pub(super) struct Columns {
    /// Mean place of the points less the middle of the cell along s and t, metres.
    off: Vec<[f32; 2]>,
    /// Height, metres, or logarithm of intensity.
    z: Vec<f64>,
    w: Vec<f32>,
}

impl Columns {
    pub fn of(heights: &CellHeights) -> Self {
        let mut out = Self::unknown(heights.cells.len());
        for (k, cell) in heights.cells.iter().enumerate() {
            if let Some(CellHeight {
                off_m,
                z_m,
                variance_m2,
            }) = *cell
            {
                out.set(k, off_m, z_m, 1.0 / (variance_m2 + ROUGH_M * ROUGH_M));
            }
        }
        out
    }

    /// For each setup the logarithms of the intensities that it saw.
    pub fn of_shades(heights: &CellHeights) -> Vec<Self> {
        let mut setups: Vec<u16> = heights.shades.iter().map(|s| s.setup).collect();
        setups.sort_unstable();
        setups.dedup();
        let mut out = vec![Self::unknown(heights.cells.len()); setups.len()];
        for shade in &heights.shades {
            let &CellShade { cell, points, .. } = shade;
            if let Ok(setup) = setups.binary_search(&shade.setup) {
                let weight = points.min(MOST_SHADES);
                out[setup].set(cell, shade.off_m, shade.log_intensity, weight);
            }
        }
        out
    }

    /// As many cells of which nothing is known.
    fn unknown(cells: usize) -> Self {
        Self {
            off: vec![[0.0; 2]; cells],
            z: vec![0.0; cells],
            w: vec![0.0; cells],
        }
    }

    fn set(&mut self, k: usize, off_m: [f64; 2], z: f64, weight: f64) {
        self.off[k] = off_m.map(to_f32);
        self.z[k] = z;
        self.w[k] = to_f32(weight);
    }
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
    pub sums: [f64; 3],
}

/// The cells around four places, and what planes leave of their heights.
#[derive(Debug)]
pub(super) struct Discs {
    u: Lanes,
    v: Lanes,
    w: Lanes,
    /// Heights over those of the middles; once planes are known, what they leave of them.
    z: Lanes,
    /// Height of what is the middle's zero.
    zero: [f64; LANES],
    /// How many cells are known.
    known: [f32; LANES],
}

impl Discs {
    pub fn new() -> Self {
        let nothing = [[0.0; LANES]; CELLS];
        Self {
            u: nothing,
            v: nothing,
            w: nothing,
            z: nothing,
            zero: [0.0; LANES],
            known: [0.0; LANES],
        }
    }

    /// Put the disc around a cell into a lane; returns how many of its cells are known.
    pub fn put(&mut self, lane: usize, from: &Columns, grid: &Grid, at: [usize; 2]) -> f64 {
        let (mut k, mut known) = (0, 0.0);
        let zero = middle_of(from, grid, at);
        let [ds, dt] = grid.steps_m;
        for (r, &span) in SPANS.iter().enumerate() {
            let row = (at[0] + r).checked_sub(ROWS).filter(|r| *r < grid.rows);
            let du = to_f32((r as f64 - ROWS as f64) * ds);
            for c in 0..=2 * span {
                let column = (at[1] + c).checked_sub(span).filter(|c| *c < grid.columns);
                let cell = row.zip(column).map(|(r, c)| r * grid.columns + c);
                for column in [&mut self.u, &mut self.v, &mut self.w, &mut self.z] {
                    column[k][lane] = 0.0;
                }
                if let Some(cell) = cell.filter(|&cell| from.w[cell] > 0.0) {
                    let dv = to_f32((c as f64 - span as f64) * dt);
                    self.u[k][lane] = du + from.off[cell][0];
                    self.v[k][lane] = dv + from.off[cell][1];
                    self.w[k][lane] = from.w[cell];
                    self.z[k][lane] = to_f32(from.z[cell] - zero);
                    known += 1.0;
                }
                k += 1;
            }
        }
        (self.zero[lane], self.known[lane]) = (zero, known);
        f64::from(known)
    }

    /// Leave lanes from this one on without a disc.
    pub fn clear_from(&mut self, lane: usize) {
        for lane in lane..LANES {
            self.known[lane] = 0.0;
            self.w.iter_mut().for_each(|w| w[lane] = 0.0);
        }
    }

    /// How many cells of a lane's disc are known.
    pub fn known(&self, lane: usize) -> f64 {
        f64::from(self.known[lane])
    }

    /// The weighted planes through discs of which at least `fewest` cells are known; what they leave of
    /// the heights takes their place.
    pub fn planes(&mut self, fewest: f64) -> [Option<Plane>; LANES] {
        if (0..LANES).all(|lane| self.known(lane) < fewest) {
            return [None; LANES];
        }
        let sums = self.moments();
        let planes: [Option<Plane>; LANES] = std::array::from_fn(|lane| {
            let sums = sums.map(|sum| f64::from(sum[lane]));
            (self.known(lane) >= fewest).then(|| Plane::through(&PlaneSums::from(sums)))?
        });
        let abc = [0, 1, 2].map(|k| planes.map(|p| to_f32(p.map_or(0.0, |p| p.abc[k]))));
        let [a, b, c] = abc.map(f32x4::from);
        for k in 0..CELLS {
            let [u, v, z] = [self.u[k], self.v[k], self.z[k]].map(f32x4::from);
            self.z[k] = (z - a - b * u - c * v).to_array();
        }
        planes
    }

    /// Σ of w, wu, wv, wz, wuu, wuv, wvv, wuz and wvz.
    fn moments(&self) -> [[f32; LANES]; 9] {
        let mut sums = [f32x4::ZERO; 9];
        for k in 0..CELLS {
            let [w, u, v, z] = [self.w[k], self.u[k], self.v[k], self.z[k]].map(f32x4::from);
            let (wu, wv) = (w * u, w * v);
            let terms = [w, wu, wv, w * z, wu * u, wu * v, wv * v, wu * z, wv * z];
            for (sum, term) in sums.iter_mut().zip(terms) {
                *sum += term;
            }
        }
        sums.map(f32x4::to_array)
    }

    /// Σw·z² of each lane.
    pub fn squares(&self) -> [f64; LANES] {
        let mut sum = f32x4::ZERO;
        for k in 0..CELLS {
            let [w, z] = [self.w[k], self.z[k]].map(f32x4::from);
            sum += w * z * z;
        }
        sum.to_array().map(f64::from)
    }

    /// The steps in one direction, given the planes without them; `None` where fewer than `fewest` cells
    /// are known on either side. `per_rise` is the left normal over the way on which σ rises from 0
    /// to 1, 1/m.
    pub fn steps(
        &self,
        planes: &[Option<Plane>; LANES],
        (direction, per_rise): (usize, [f64; 2]),
        fewest: f64,
    ) -> [Option<Step>; LANES] {
        let per_rise = per_rise.map(to_f32);
        let sums = self.rises(per_rise);
        let full = (0..LANES).all(|lane| self.known(lane) >= CELLS as f64);
        let fewer = if full {
            [f32::INFINITY; LANES]
        } else {
            self.fewer(per_rise)
        };
        std::array::from_fn(|lane| {
            let plane = planes[lane].as_ref()?;
            let [one, u, v, square, rest] = sums.map(|sum| f64::from(sum[lane]));
            let sums = [one, u, v];
            let own = square - plane.square_of(sums);
            (own > 1e-6 * square && f64::from(fewer[lane]) >= fewest).then(|| Step {
                direction,
                half_step: rest / own,
                score: rest / own.sqrt(),
                weight: own,
                sums,
            })
        })
    }

    /// With σ(n) as r: Σ of w·r, w·r·u, w·r·v, w·r² and w·r·z.
    fn rises(&self, per_rise: [f32; 2]) -> [[f32; LANES]; 5] {
        let [nu, nv] = per_rise.map(f32x4::splat);
        let mut sums = [f32x4::ZERO; 5];
        for k in 0..CELLS {
            let [w, u, v, z] = [self.w[k], self.u[k], self.v[k], self.z[k]].map(f32x4::from);
            let rise = clamped(nu * u + nv * v);
            let wb = w * rise;
            for (sum, term) in sums.iter_mut().zip([wb, wb * u, wb * v, wb * rise, wb * z]) {
                *sum += term;
            }
        }
        sums.map(f32x4::to_array)
    }

    /// How many cells are known on the side of the line where that are fewer.
    fn fewer(&self, per_rise: [f32; 2]) -> [f32; LANES] {
        let [nu, nv] = per_rise.map(f32x4::splat);
        let [mut ahead, mut behind] = [f32x4::ZERO; 2];
        for k in 0..CELLS {
            let [w, u, v] = [self.w[k], self.u[k], self.v[k]].map(f32x4::from);
            let rise = clamped(nu * u + nv * v) & w.simd_gt(f32x4::ZERO);
            ahead += rise.fast_max(f32x4::ZERO);
            behind -= rise.fast_min(f32x4::ZERO);
        }
        ahead.fast_min(behind).to_array()
    }

    /// A plane of a lane with heights as the run has them.
    pub fn height_m(&self, lane: usize, [z, u, v]: [f64; 3]) -> [f64; 3] {
        [self.zero[lane] + z, u, v]
    }
}

fn clamped(rise: f32x4) -> f32x4 {
    rise.fast_max(-f32x4::ONE).fast_min(f32x4::ONE)
}

/// The height of the cell, or of the first in its disc that is known.
fn middle_of(from: &Columns, grid: &Grid, [row, column]: [usize; 2]) -> f64 {
    let own = row * grid.columns + column;
    if from.w[own] > 0.0 {
        return from.z[own];
    }
    let rows = row.saturating_sub(ROWS)..(row + ROWS + 1).min(grid.rows);
    let across = column.saturating_sub(ROWS)..(column + ROWS + 1).min(grid.columns);
    let mut near = rows.flat_map(|r| across.clone().map(move |c| r * grid.columns + c));
    near.find(|&k| from.w[k] > 0.0).map_or(0.0, |k| from.z[k])
}

/// The weighted plane through the cells of a disc, and what projects onto planes there.
#[derive(Debug, Clone, Copy)]
pub(super) struct Plane {
    pub abc: [f64; 3],
    /// Σw, and the means of u and v.
    weight: f64,
    middle: [f64; 2],
    /// Inverse of the matrix of Σw·u², Σw·uv, Σw·v² about the middle: uu, uv, vv.
    inverse: [f64; 3],
}

impl Plane {
    /// The plane of these sums; `None` where they lie on a line.
    fn through(sums: &PlaneSums) -> Option<Self> {
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
        (det > f64::from(f32::EPSILON) * uu * vv).then_some(plane)
    }

    /// Σw·x·u and Σw·x·v about the middle, of Σw·x, Σw·x·u and Σw·x·v.
    fn about_middle(&self, [one, u, v]: [f64; 3]) -> [f64; 2] {
        [u - self.middle[0] * one, v - self.middle[1] * one]
    }

    /// The plane of least squares through x, of the same sums.
    pub fn of(&self, sums: [f64; 3]) -> [f64; 3] {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::{Draw, factor_dense, solve_dense};

    const SIDE: usize = 12;
    const STEPS_M: [f64; 2] = [0.1, 0.095];

    /// A banked patch 400 m up with a slanted step of 5 mm, in which every seventh cell is not known.
    fn patch() -> CellHeights {
        let mut draw = Draw(5);
        let mut cell = |k: usize| {
            let off_m = [0, 1].map(|_| 0.08 * (draw.unit() - 0.5));
            let [s, t] = [k / SIDE, k % SIDE].map(|n| n as f64);
            let (u, v) = (s * STEPS_M[0] + off_m[0], t * STEPS_M[1] + off_m[1]);
            let step = if u + 0.4 * v > 0.8 { 0.005 } else { 0.0 };
            let variance_m2 = 1e-7 * (1.0 + draw.unit());
            let z_m = 400.0 + 0.08 * u - 0.1 * v + step + variance_m2.sqrt() * draw.normal();
            (k % 7 != 0).then_some(CellHeight {
                off_m,
                z_m,
                variance_m2,
            })
        };
        CellHeights {
            first_row: 0,
            rows: SIDE,
            columns: SIDE,
            steps_m: STEPS_M,
            first_t_m: 0.0,
            cells: (0..SIDE * SIDE).map(&mut cell).collect(),
            shades: Vec::new(),
        }
    }

    /// Known cells within 3.6 cells of a place: u, v, height and weight.
    fn disc(heights: &CellHeights, [row, column]: [usize; 2]) -> Vec<[f64; 4]> {
        let known = |k: usize| {
            let cell = heights.cells[k]?;
            let away = [k / SIDE, k % SIDE].map(|n| n as f64);
            let away = [away[0] - row as f64, away[1] - column as f64];
            let weight = 1.0 / (cell.variance_m2 + ROUGH_M * ROUGH_M);
            let [u, v] = [0, 1].map(|d| away[d] * STEPS_M[d] + cell.off_m[d]);
            (away[0].hypot(away[1]) <= 3.6).then_some([u, v, cell.z_m, weight])
        };
        (0..SIDE * SIDE).filter_map(known).collect()
    }

    /// Half step, its σ, height half way up and slopes, by least squares in double precision; and the
    /// cells on the emptier side.
    fn solved(cells: &[[f64; 4]], normal: [f64; 2]) -> ([f64; 5], f64) {
        let rise = |c: &[f64; 4]| (normal[0] * c[0] + normal[1] * c[1]).clamp(-1.0, 1.0);
        let (mut normal_of, mut x) = ([0.0; 16], [0.0; 4]);
        for c in cells {
            let terms = [1.0, c[0], c[1], rise(c)];
            for i in 0..4 {
                x[i] += c[3] * terms[i] * c[2];
                for j in 0..=i {
                    normal_of[4 * i + j] += c[3] * terms[i] * terms[j];
                }
            }
        }
        factor_dense(&mut normal_of, 4, 0).unwrap();
        solve_dense(&normal_of, 4, &mut x);
        let ahead: f64 = cells.iter().map(|c| rise(c).max(0.0)).sum();
        let behind: f64 = cells.iter().map(|c| (-rise(c)).max(0.0)).sum();
        // The last pivot is what is left of the step's own weight.
        (
            [x[3], normal_of[15].recip(), x[0], x[1], x[2]],
            ahead.min(behind),
        )
    }

    #[test]
    fn steps_are_those_of_least_squares_in_double_precision() {
        let heights = patch();
        let grid = Grid {
            rows: SIDE,
            columns: SIDE,
            steps_m: STEPS_M,
        };
        let columns = Columns::of(&heights);
        let mut discs = Discs::new();
        let mut compared = 0;
        for row in 0..SIDE {
            for four in [[0, 1, 2, 3], [4, 5, 6, 7], [8, 9, 10, 11]] {
                for (lane, column) in four.into_iter().enumerate() {
                    discs.put(lane, &columns, &grid, [row, column]);
                }
                let planes = discs.planes(20.0);
                let per_rise = [14.0, 11.0];
                let steps = discs.steps(&planes, (3, per_rise), 6.0);
                for (lane, column) in four.into_iter().enumerate() {
                    let cells = disc(&heights, [row, column]);
                    assert_eq!(cells.len(), crate::numeric::to_index(discs.known(lane)));
                    let (want, fewer) = solved(&cells, per_rise);
                    assert_eq!(steps[lane].is_some(), cells.len() >= 20 && fewer >= 6.0);
                    let Some(step) = steps[lane] else { continue };
                    let along = planes[lane].unwrap().of(step.sums);
                    let abc = planes[lane].unwrap().abc;
                    let plane = [0, 1, 2].map(|k| abc[k] - step.half_step * along[k]);
                    let [z, u, v] = discs.height_m(lane, plane);
                    let off = (step.half_step - want[0]).abs();
                    assert!(off < 1e-3 * want[1], "{step:?} {want:?}");
                    let score = want[0] / want[1];
                    assert!((step.score - score).abs() < 1e-3 * score.abs().max(1.0));
                    assert!((step.weight.sqrt() * want[1] - 1.0).abs() < 1e-3);
                    assert!((z - want[2]).abs() < 1e-6);
                    assert!((u - want[3]).hypot(v - want[4]) < 1e-5);
                    compared += 1;
                }
            }
        }
        assert!(compared > 50, "{compared}");
    }
}
