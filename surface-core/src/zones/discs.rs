//! Planes and steps through discs of cells, four discs at a time.
//!
//! A disc lies in one lane of columns of four numbers: of four places side by side, or of one place as
//! four setups saw it. Heights are taken from that of the disc's middle, or where that is not known of a
//! cell beside it, so that single precision holds steps to a hundredth of their σ in runs that rise by
//! ten metres, and to a thousandth in most.

use wide::f32x4;

use super::heights::{CellHeights, CellShade};
use crate::numeric::to_f32;

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
/// Where so many cells are known, enough are on either side of any line.
const PLENTY: f32 = 31.0;
/// A cell's mean intensity weighs no more than that of this many points: what it strays by further is
/// the texture of asphalt.
const MOST_SHADES: f64 = 4.0;
/// What a cell's mean strays from a plane because the road is rough, metres, added to its noise.
const ROUGH_M: f64 = 1.5e-4;

/// Columns of numbers, of which each disc has a lane.
type Lanes = [[f32; LANES]; CELLS];

/// Cells of a run in columns, row by row, with a rim on all sides of which nothing is known; a cell that
/// is not known has weight 0.
#[derive(Debug, Clone)]
pub(super) struct Columns {
    steps_m: [f64; 2],
    /// Cells a row with both rims.
    wide: usize,
    /// Mean place of the points less the middle of the cell along s and t, metres.
    off_s: Vec<f32>,
    off_t: Vec<f32>,
    /// Height, metres, or logarithm of intensity, over `zero`.
    z: Vec<f32>,
    w: Vec<f32>,
    zero: f64,
}

/// Cells beyond the last column: as many as a disc reaches, and lanes that are beside it.
const RIM: usize = ROWS + LANES;

impl Columns {
    pub fn of(heights: &CellHeights) -> Self {
        let known = || heights.cells.iter().enumerate();
        let zero = known().find_map(|(_, cell)| Some(cell.as_ref()?.z_m));
        let mut out = Self::unknown(heights, zero.unwrap_or(0.0));
        for (k, cell) in known().filter_map(|(k, cell)| Some((k, cell.as_ref()?))) {
            let weight = 1.0 / (cell.variance_m2 + ROUGH_M * ROUGH_M);
            out.set(heights, k, [cell.off_m[0], cell.off_m[1], cell.z_m, weight]);
        }
        out.fill();
        out
    }

    /// For each setup the logarithms of the intensities that it saw.
    pub fn of_shades(heights: &CellHeights) -> Vec<Self> {
        let mut setups: Vec<u16> = heights.shades.iter().map(|s| s.setup).collect();
        setups.sort_unstable();
        setups.dedup();
        let mut out = vec![Self::unknown(heights, 0.0); setups.len()];
        for shade in &heights.shades {
            let &CellShade { cell, points, .. } = shade;
            if let Ok(setup) = setups.binary_search(&shade.setup) {
                let [s, t] = shade.off_m;
                let weight = points.min(MOST_SHADES);
                out[setup].set(heights, cell, [s, t, shade.log_intensity, weight]);
            }
        }
        out.iter_mut().for_each(Self::fill);
        out
    }

    /// As many cells of which nothing is known.
    fn unknown(heights: &CellHeights, zero: f64) -> Self {
        let wide = heights.columns + ROWS + RIM;
        let nothing = || vec![0.0; wide * (heights.rows + 2 * ROWS)];
        Self {
            steps_m: heights.steps_m,
            wide,
            off_s: nothing(),
            off_t: nothing(),
            z: nothing(),
            w: nothing(),
            zero,
        }
    }

    fn set(&mut self, heights: &CellHeights, k: usize, [s, t, z, w]: [f64; 4]) {
        let k = self.of_cell([k / heights.columns, k % heights.columns]);
        (self.off_s[k], self.off_t[k]) = (to_f32(s), to_f32(t));
        (self.z[k], self.w[k]) = (to_f32(z - self.zero), to_f32(w));
    }

    /// Give cells that are not known the height of one near by: it may be a disc's zero.
    fn fill(&mut self) {
        for first in (0..self.z.len()).step_by(self.wide) {
            let own = first..first + self.wide;
            let Some(known) = own.clone().find(|&k| self.w[k] > 0.0) else {
                if first > 0 {
                    self.z.copy_within(first - self.wide..first, first);
                }
                continue;
            };
            let mut last = self.z[known];
            for k in own {
                if self.w[k] > 0.0 {
                    last = self.z[k];
                } else {
                    self.z[k] = last;
                }
            }
        }
    }

    /// How many cells of the disc around a cell are known.
    pub fn known_around(&self, cell: [usize; 2]) -> usize {
        let (wide, middle) = (self.wide, self.of_cell(cell));
        let row = |(r, &span): (usize, &usize)| {
            let first = middle + r * wide - ROWS * wide - span;
            self.w[first..=first + 2 * span]
                .iter()
                .filter(|w| **w > 0.0)
                .count()
        };
        SPANS.iter().enumerate().map(row).sum()
    }

    /// Where a row and column lie behind the rim.
    fn of_cell(&self, [row, column]: [usize; 2]) -> usize {
        (row + ROWS) * self.wide + column + ROWS
    }

    /// Number, and place along s and t from the middle, metres, of the cells of the disc around `cell`.
    fn disc(&self, cell: [usize; 2]) -> impl Iterator<Item = (usize, [f32; 2])> {
        let ([ds, dt], wide, middle) = (self.steps_m, self.wide, self.of_cell(cell));
        SPANS.iter().enumerate().flat_map(move |(r, &span)| {
            let first = middle + r * wide - ROWS * wide - span;
            let du = to_f32((r as f64 - ROWS as f64) * ds);
            (0..=2 * span).map(move |c| (first + c, [du, to_f32((c as f64 - span as f64) * dt)]))
        })
    }
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

    /// Put the discs around a cell and the next ones of its row into the lanes.
    pub fn put_row(&mut self, from: &Columns, at: [usize; 2]) {
        let four =
            |column: &[f32], k: usize| f32x4::from([0, 1, 2, 3].map(|lane| column[k + lane]));
        let mut known = f32x4::ZERO;
        let middle = four(&from.z, from.of_cell(at));
        for (k, (cell, [du, dv])) in from.disc(at).enumerate() {
            let w = four(&from.w, cell);
            known += f32x4::ONE & w.simd_gt(f32x4::ZERO);
            self.u[k] = (four(&from.off_s, cell) + du).to_array();
            self.v[k] = (four(&from.off_t, cell) + dv).to_array();
            self.w[k] = w.to_array();
            self.z[k] = (four(&from.z, cell) - middle).to_array();
        }
        self.zero = middle.to_array().map(|z| from.zero + f64::from(z));
        self.known = known.to_array();
    }

    /// Put the disc around a cell into a lane.
    pub fn put(&mut self, lane: usize, from: &Columns, at: [usize; 2]) {
        let mut known = 0.0;
        let middle = from.z[from.of_cell(at)];
        for (k, (cell, [du, dv])) in from.disc(at).enumerate() {
            self.u[k][lane] = from.off_s[cell] + du;
            self.v[k][lane] = from.off_t[cell] + dv;
            self.w[k][lane] = from.w[cell];
            self.z[k][lane] = from.z[cell] - middle;
            known += if from.w[cell] > 0.0 { 1.0 } else { 0.0 };
        }
        self.zero[lane] = from.zero + f64::from(middle);
        self.known[lane] = known;
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

    /// The weighted planes through discs of which at least `fewest` cells are known, and what they leave
    /// of the heights, which takes their place; `None` where that is no disc.
    pub fn planes(&mut self, fewest: f32) -> Option<Planes> {
        let enough = f32x4::from(self.known).simd_ge(f32x4::splat(fewest));
        if !enough.any() {
            return None;
        }
        let planes = Planes::through(self.moments(), enough);
        let [a, b, c] = planes.abc;
        for k in 0..CELLS {
            let [u, v, z] = [self.u[k], self.v[k], self.z[k]].map(f32x4::from);
            self.z[k] = (z - a - b * u - c * v).to_array();
        }
        Some(planes)
    }

    /// Σ of w, wu, wv, wz, wuu, wuv, wvv, wuz and wvz.
    fn moments(&self) -> [f32x4; 9] {
        let mut sums = [f32x4::ZERO; 9];
        for k in 0..CELLS {
            let [w, u, v, z] = [self.w[k], self.u[k], self.v[k], self.z[k]].map(f32x4::from);
            let (wu, wv) = (w * u, w * v);
            let terms = [w, wu, wv, w * z, wu * u, wu * v, wv * v, wu * z, wv * z];
            for (sum, term) in sums.iter_mut().zip(terms) {
                *sum += term;
            }
        }
        sums
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

    /// The steps in one direction, given the planes without them; none where fewer than `fewest` cells
    /// are known on either side. `per_rise` is the left normal over the way on which σ rises from 0
    /// to 1, 1/m.
    pub fn steps(&self, planes: &Planes, per_rise: [f64; 2], fewest: f32) -> Steps {
        let per_rise = per_rise.map(to_f32);
        let [one, u, v, square, rest] = self.rises(per_rise);
        let sums = [one, u, v];
        let own = square - planes.square_of(sums);
        let mut told = planes.told & own.simd_gt(square * 1e-5);
        if self.known.iter().any(|known| *known < PLENTY) {
            told &= self.fewer(per_rise).simd_ge(f32x4::splat(fewest));
        }
        // Where nothing is told a step of 0 of no weight.
        let over = (f32x4::ONE / own) & told;
        Steps {
            half: (rest * over).to_array(),
            score: (rest * over.sqrt()).to_array(),
            weight: (own & told).to_array(),
            sums: sums.map(f32x4::to_array),
            told: told.to_bitmask(),
        }
    }

    /// With σ(n) as r: Σ of w·r, w·r·u, w·r·v, w·r² and w·r·z.
    fn rises(&self, per_rise: [f32; 2]) -> [f32x4; 5] {
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
        sums
    }

    /// How many cells are known on the side of the line where that are fewer.
    fn fewer(&self, per_rise: [f32; 2]) -> f32x4 {
        let [nu, nv] = per_rise.map(f32x4::splat);
        let [mut ahead, mut behind] = [f32x4::ZERO; 2];
        for k in 0..CELLS {
            let [w, u, v] = [self.w[k], self.u[k], self.v[k]].map(f32x4::from);
            let rise = clamped(nu * u + nv * v) & w.simd_gt(f32x4::ZERO);
            ahead += rise.fast_max(f32x4::ZERO);
            behind -= rise.fast_min(f32x4::ZERO);
        }
        ahead.fast_min(behind)
    }

    /// Height half way up a step of a lane, as the run has it, and the ground's slopes along s and t.
    pub fn half_way(&self, planes: &Planes, lane: usize, step: &Step) -> [f64; 3] {
        let [z, u, v] = planes.less(lane, step);
        [self.zero[lane] + z, u, v]
    }
}

fn clamped(rise: f32x4) -> f32x4 {
    rise.fast_max(-f32x4::ONE).fast_min(f32x4::ONE)
}

/// Steps through the middles of discs in one direction; zeros where nothing is told.
#[derive(Debug, Clone, Copy)]
pub(super) struct Steps {
    /// Halves of the steps; metres of a step in height.
    pub half: [f32; LANES],
    pub score: [f32; LANES],
    /// 1/variance of the halves.
    pub weight: [f32; LANES],
    /// Σw·σ(n), Σw·σ(n)·u and Σw·σ(n)·v.
    sums: [[f32; LANES]; 3],
    /// Lanes with a step, one a bit.
    told: u32,
}

/// A step of one lane.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    pub half: f64,
    pub score: f64,
    sums: [f64; 3],
}

impl Steps {
    pub fn of(&self, lane: usize) -> Option<Step> {
        (self.told >> lane & 1 == 1).then(|| Step {
            half: f64::from(self.half[lane]),
            score: f64::from(self.score[lane]),
            sums: self.sums.map(|sum| f64::from(sum[lane])),
        })
    }
}

/// The weighted planes through the cells of discs, and what projects onto planes there.
#[derive(Debug, Clone, Copy)]
pub(super) struct Planes {
    abc: [f32x4; 3],
    /// Σw, and the means of u and v.
    weight: f32x4,
    middle: [f32x4; 2],
    /// Inverse of the matrix of Σw·u², Σw·uv, Σw·v² about the middle: uu, uv, vv.
    inverse: [f32x4; 3],
    /// All bits of the lanes that have a plane.
    told: f32x4,
}

impl Planes {
    /// The planes of these moments, where `enough` is told and they do not lie on a line.
    fn through([w, u, v, z, uu, uv, vv, uz, vz]: [f32x4; 9], enough: f32x4) -> Self {
        let (mu, mv) = (u / w, v / w);
        let [uu, uv, vv] = [uu - u * mu, uv - u * mv, vv - v * mv];
        let det = uu * vv - uv * uv;
        let told = enough & det.simd_gt(uu * vv * f32::EPSILON);
        let mut planes = Self {
            abc: [f32x4::ZERO; 3],
            weight: w,
            middle: [mu, mv],
            inverse: [vv / det, -uv / det, uu / det],
            told,
        };
        planes.abc = planes.of([z, uz, vz]).map(|x| x & told);
        planes
    }

    /// Σw·x·u and Σw·x·v about the middle, of Σw·x, Σw·x·u and Σw·x·v.
    fn about_middle(&self, [one, u, v]: [f32x4; 3]) -> [f32x4; 2] {
        [u - self.middle[0] * one, v - self.middle[1] * one]
    }

    /// The planes of least squares through x, of the same sums.
    fn of(&self, sums: [f32x4; 3]) -> [f32x4; 3] {
        let [u, v] = self.about_middle(sums);
        let [uu, uv, vv] = self.inverse;
        let (slope_u, slope_v) = (uu * u + uv * v, uv * u + vv * v);
        let rise = slope_u * self.middle[0] + slope_v * self.middle[1];
        [sums[0] / self.weight - rise, slope_u, slope_v]
    }

    /// Σw times the square of those planes.
    fn square_of(&self, sums: [f32x4; 3]) -> f32x4 {
        let [u, v] = self.about_middle(sums);
        let [uu, uv, vv] = self.inverse;
        sums[0] * sums[0] / self.weight + uu * u * u + 2.0 * (uv * u * v) + vv * v * v
    }

    /// Whether a lane has a plane.
    pub fn has(&self, lane: usize) -> bool {
        self.told.to_bitmask() >> lane & 1 == 1
    }

    /// The plane of a lane, less what a step's half makes of it: height, and slopes along s and t.
    fn less(&self, lane: usize, step: &Step) -> [f64; 3] {
        let along = self.of(step.sums.map(|sum| f32x4::splat(to_f32(sum))));
        [0, 1, 2].map(|k| {
            let [own, along] = [self.abc[k], along[k]].map(|x| f64::from(x.to_array()[lane]));
            own - step.half * along
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::heights::CellHeight;
    use super::*;
    use crate::numeric::{Draw, factor_dense, solve_dense};

    const SIDE: usize = 16;
    const STEPS_M: [f64; 2] = [0.1, 0.095];

    /// A banked patch 400 m up with a slanted step of 5 mm, in which every seventh cell is not known; and
    /// away from it a cell at this height, which is the zero of the run.
    fn patch(zero_m: f64) -> CellHeights {
        let mut draw = Draw(5);
        let mut cell = |k: usize| {
            let off_m = [0, 1].map(|_| 0.08 * (draw.unit() - 0.5));
            let [s, t] = [k / SIDE, k % SIDE].map(|n| n as f64);
            let (u, v) = (s * STEPS_M[0] + off_m[0], t * STEPS_M[1] + off_m[1]);
            let step = if u + 0.4 * v > 0.8 { 0.005 } else { 0.0 };
            let variance_m2 = 1e-7 * (1.0 + draw.unit());
            let z_m = 400.0 + 0.08 * u - 0.1 * v + step + variance_m2.sqrt() * draw.normal();
            let is_zero = k == 1;
            let known = k >= 4 * SIDE && !k.is_multiple_of(7);
            (known || is_zero).then_some(CellHeight {
                off_m,
                z_m: if is_zero { zero_m } else { z_m },
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
        hold_to_double(&patch(400.0), 1e-3);
        hold_to_double(&patch(390.0), 1e-2);
    }

    /// Hold steps to so many of their σ.
    fn hold_to_double(heights: &CellHeights, sigmas: f64) {
        let columns = Columns::of(heights);
        let mut discs = Discs::new();
        let mut compared = 0;
        for [row, first] in (0..SIDE).flat_map(|row| [0, 4, 8, 12].map(|first| [row, first])) {
            discs.put_row(&columns, [row, first]);
            let mut alone = Discs::new();
            for lane in 0..LANES {
                alone.put(lane, &columns, [row, first + lane]);
                let known = [alone.known(lane), discs.known(lane)];
                let around = columns.known_around([row, first + lane]) as f64;
                assert!(known.iter().all(|known| (known - around).abs() < 1e-9));
            }
            assert!(discs.w == alone.w && discs.u == alone.u && discs.z == alone.z);
            let Some(planes) = discs.planes(20.0) else {
                continue;
            };
            let per_rise = [14.0, 11.0];
            let steps = discs.steps(&planes, per_rise, 6.0);
            for lane in 0..LANES {
                let cells = disc(heights, [row, first + lane]);
                assert_eq!(cells.len(), crate::numeric::to_index(discs.known(lane)));
                let (want, fewer) = solved(&cells, per_rise);
                let step = steps.of(lane);
                assert_eq!(step.is_some(), cells.len() >= 20 && fewer >= 6.0);
                let Some(step) = step else { continue };
                assert!((step.half - want[0]).abs() < sigmas * want[1], "{step:?}");
                let score = want[0] / want[1];
                assert!((step.score - score).abs() < sigmas.max(1e-3 * score.abs()));
                let weight = f64::from(steps.weight[lane]);
                assert!((weight.sqrt() * want[1] - 1.0).abs() < 1e-3);
                let [z, u, v] = discs.half_way(&planes, lane, &step);
                assert!((z - want[2]).abs() < 1e-6);
                assert!((u - want[3]).hypot(v - want[4]) < 1e-5);
                compared += 1;
            }
        }
        assert!(compared > 50, "{compared}");
    }
}
