//! From points to one robust observation a cell: what each cell of the lattice says about height.
//!
//! A cell is the square around a node. Blocks of cells, 0.4 m wide, get a robust plane (least trimmed
//! squares, then Tukey); in each cell the residuals against it start at the lowest dense half and
//! end in a Tukey mean, every point weighted by the variance of its own setup there. A cell that
//! a breakline crosses makes two: one of what its node sees, one of what lies beyond the line.

use super::block_grid::BlockGrid;
use super::block_noise::{BlockPlanes, UsualNoise};
use super::blocks::{Block, Doubted, Sights, fit_blocks, part_blocks};
use super::bodies::set_bodies_aside;
use super::cut_cell::cut_cell;
use super::cuts::{CellPart, Cuts};
use super::lattice::Lattice;
use super::lone::set_lone_strays_aside;
use super::rounding::{Rounding, weigh_for_rounding};
use super::shades::shades;
use super::trust::{RunSetups, Trust};
use crate::cloud::{Frame, PackedPoint};
use crate::numeric::{MAD_TO_SIGMA, TUKEY_C, biweight, floor_i32, to_u32};
use crate::setups::SetupModels;
use crate::zones::CellShade;

/// Points further than this from the block's plane stand on the road, or lie under it by
/// multipath: twice the height of a tall kerb.
pub(super) const STANDING_M: f64 = 0.15;
/// So many points of a cell out of reach of the ground are a body that stands in it: strays come
/// one by one.
const BODY_POINTS: usize = 3;
/// No cell is trusted to a smaller spread of its points than this, metres: the fine texture of
/// asphalt under the beam.
const SPREAD_FLOOR_M: f64 = 3e-4;
/// Nor to a smaller spread than this share of the step that heights come in: with less, Tukey's
/// mean falls on one of the two steps that a cell lies between instead of between them (chosen by
/// `heights_in_coarse_steps_come_out_smooth`).
const STEP_SPREAD: f64 = 1.0;
/// Candidate half-samples up to this much wider than the tightest may win by lying lower.
const LOWER_SLACK: f64 = 1.5;
/// Rounds of Tukey's mean in a cell; the third moves it by less than a hundredth of its error.
const ROUNDS: usize = 3;

/// Where the road ends left and right at each row of a run of rows, metres.
#[derive(Debug, Clone, PartialEq)]
pub struct RowLimits {
    /// t of the left edge, one a row.
    pub left_t_m: Vec<f64>,
    /// t of the right edge, one a row.
    pub right_t_m: Vec<f64>,
}

/// The robust, additive observations of a run of rows: row-major, one a cell.
///
/// Two scans of the same cells add up by adding `w`, `ws`, `wt`, `wz`, `n` and `set_aside`; where
/// breaklines cross cells these hold what the node sees, and `beyond` the rest.
#[derive(Debug, Clone, PartialEq)]
pub struct CellSums {
    /// Global index of the first row.
    pub first_row: usize,
    /// Rows here.
    pub rows: usize,
    /// Cells a row.
    pub columns: usize,
    /// Σ of the weights 1/σ_z², 1/m².
    pub w: Vec<f64>,
    /// Σ w · (s − s of the node).
    pub ws: Vec<f64>,
    /// Σ w · (t − t of the node).
    pub wt: Vec<f64>,
    /// Σ w · z.
    pub wz: Vec<f64>,
    /// Points that count.
    pub n: Vec<u32>,
    /// Points set aside as not road.
    pub set_aside: Vec<u32>,
    /// Variance that all heights of the run have in common through their setups, m².
    pub common_m2: f64,
    /// What lies beyond breaklines, in order of cells.
    pub beyond: Vec<CellPart>,
    /// What rounding does to the heights of the run.
    pub rounding: Rounding,
}

impl CellSums {
    /// The sums of cells that hold no point.
    #[must_use]
    pub fn empty(first_row: usize, rows: usize, columns: usize) -> Self {
        let cells = rows * columns;
        Self {
            first_row,
            rows,
            columns,
            w: vec![0.0; cells],
            ws: vec![0.0; cells],
            wt: vec![0.0; cells],
            wz: vec![0.0; cells],
            n: vec![0; cells],
            set_aside: vec![0; cells],
            common_m2: 0.0,
            beyond: Vec::new(),
            rounding: Rounding::default(),
        }
    }

    fn put(&mut self, part: &CellPart) {
        let k = part.cell as usize;
        self.w[k] = part.w;
        self.ws[k] = part.ws;
        self.wt[k] = part.wt;
        self.wz[k] = part.wz;
        self.n[k] = part.n;
        self.set_aside[k] = part.set_aside;
    }
}

/// Points of a run of rows sorted by cell (stable): offsets into the sorted columns.
#[derive(Debug)]
pub(super) struct Sorted {
    pub grid: BlockGrid,
    pub rows: usize,
    pub columns: usize,
    /// Cell k holds points `start[k]..start[k + 1]`.
    pub start: Vec<usize>,
    /// s and t relative to the first node of the run, z, metres.
    pub s: Vec<f64>,
    pub t: Vec<f64>,
    /// Less the correction of the point's setup.
    pub z: Vec<f64>,
    /// Number of the setup within the run.
    pub setup: Vec<u16>,
    pub intensity: Vec<u16>,
    pub setups: RunSetups,
}

impl Sorted {
    /// Whether a cell has any point.
    fn has(&self, cell: usize) -> bool {
        self.start[cell + 1] > self.start[cell]
    }
}

/// The cell observations of rows `first_row ..` from the points of those rows (s, t, z packed).
///
/// Points outside `limits` or the rows, and those of setups that are left out, do not count; the
/// others are moved by their setups' corrections. The rows must begin at a multiple of the block
/// size; the answer depends on these points alone, in their order.
#[must_use]
pub fn cell_sums(
    points: &[PackedPoint],
    lattice: &Lattice,
    first_row: usize,
    limits: &RowLimits,
    trust: Trust,
) -> CellSums {
    let sorted = sort(points, lattice, first_row, limits, trust);
    PlainRun::of(&sorted, lattice, first_row, trust.setups).finished(&sorted, lattice)
}

/// [`cell_sums`] where cells that a breakline crosses keep what lies beyond it apart. With `plain`, what
/// [`cell_sums_shaded`] kept of the same run, only what the lines change is made.
#[must_use]
pub fn cell_sums_cut(
    points: &[PackedPoint],
    lattice: &Lattice,
    first_row: usize,
    limits: &RowLimits,
    trust: Trust,
    (cuts, plain): (&Cuts, Option<PlainRun>),
) -> CellSums {
    let sorted = sort(points, lattice, first_row, limits, trust);
    let plain = plain
        .filter(|plain| plain.fits(&sorted, first_row))
        .unwrap_or_else(|| PlainRun::of(&sorted, lattice, first_row, trust.setups));
    let parted = plain.parted(&sorted, lattice, trust.setups, cuts);
    parted.finished(&sorted, lattice)
}

/// The sums of a run of cells, and what its setups saw there.
#[derive(Debug, Clone)]
pub struct ShadedSums {
    /// The sums of its cells.
    pub sums: CellSums,
    /// How bright each setup saw squares of cells: in order of squares (row by row) and setups, none of
    /// points without intensity.
    pub shades: Vec<CellShade>,
    /// How much each setup scatters.
    pub usual: UsualNoise,
}

/// [`cell_sums`], and how bright each setup saw squares of `side` by `side` cells; and where `keep` asks
/// for it, what saves half of the work of [`cell_sums_cut`] afterwards.
#[must_use]
pub fn cell_sums_shaded(
    points: &[PackedPoint],
    lattice: &Lattice,
    first_row: usize,
    limits: &RowLimits,
    trust: Trust,
    (side, keep): (usize, bool),
) -> (ShadedSums, Option<PlainRun>) {
    let sorted = sort(points, lattice, first_row, limits, trust);
    let plain = PlainRun::of(&sorted, lattice, first_row, trust.setups);
    let kept = keep.then(|| plain.clone());
    let shaded = ShadedSums {
        shades: shades(&sorted, &plain.blocks, lattice, side),
        usual: plain.blocks.usual_noise(&sorted.setups.numbers),
        sums: plain.finished(&sorted, lattice),
    };
    (shaded, kept)
}

/// A run of rows whose points no breakline parts: planes of its blocks, and sums of its cells before
/// cells are held against each other.
#[derive(Debug, Clone)]
pub struct PlainRun {
    blocks: BlockPlanes,
    doubted: Doubted,
    sums: CellSums,
}

impl PlainRun {
    fn of(sorted: &Sorted, lattice: &Lattice, first_row: usize, models: &SetupModels) -> Self {
        let (planes, doubted) = fit_blocks(sorted);
        let blocks = BlockPlanes::of(sorted, planes, models);
        let mut sums = CellSums::empty(first_row, sorted.rows, sorted.columns);
        sums.common_m2 = sorted.setups.common_m2(&sorted.setup);
        let mut scratch = Vec::new();
        for cell in (0..sums.n.len()).filter(|&cell| sorted.has(cell)) {
            let node = node_offset(lattice, cell, sorted.columns);
            let part = one_cell(sorted, &blocks, (cell, node), &|_| true, &mut scratch);
            sums.put(&part);
        }
        Self {
            blocks,
            doubted,
            sums,
        }
    }

    /// The same with breaklines that part its points: blocks and cells that they cross are made again,
    /// and what hangs on those.
    fn parted(self, sorted: &Sorted, lattice: &Lattice, models: &SetupModels, cuts: &Cuts) -> Self {
        if cuts.is_empty() {
            return self;
        }
        let sights = Sights::new(sorted.grid, cuts);
        let planes = part_blocks(sorted, (self.blocks.planes(), &self.doubted), &sights);
        let changed = self.blocks.changed_by(&planes, &sights);
        self.remade(sorted, lattice, models, (cuts, &sights), (planes, &changed))
    }

    /// The same with other planes: of blocks that `changed` names, noise and cells are made again.
    fn remade(
        self,
        sorted: &Sorted,
        lattice: &Lattice,
        models: &SetupModels,
        (cuts, sights): (&Cuts, &Sights),
        (planes, changed): (Vec<Option<Block>>, &[bool]),
    ) -> Self {
        let blocks = self.blocks.with(sorted, (planes, changed), sights, models);
        let (mut sums, mut scratch) = (self.sums, Vec::new());
        let crossed = cuts.cells(lattice, sorted.rows, sorted.columns);
        for cell in (0..sums.n.len()).filter(|&cell| sorted.has(cell)) {
            let at = (cell, node_offset(lattice, cell, sorted.columns));
            if crossed.binary_search(&cell).is_ok() {
                let parts = cut_cell(sorted, &blocks, lattice, at, cuts, &mut scratch);
                sums.put(&parts[0]);
                sums.beyond.extend(&parts[1..]);
            } else if changed[sorted.grid.of_cell(cell)] {
                let part = one_cell(sorted, &blocks, at, &|_| true, &mut scratch);
                sums.put(&part);
            }
        }
        Self {
            blocks,
            doubted: self.doubted,
            sums,
        }
    }

    /// The same made anew, block by block and cell by cell.
    #[cfg(test)]
    pub(super) fn anew(
        self,
        sorted: &Sorted,
        lattice: &Lattice,
        models: &SetupModels,
        cuts: &Cuts,
    ) -> CellSums {
        let sights = Sights::new(sorted.grid, cuts);
        let planes = super::blocks::blocks_anew(sorted, &sights);
        let all = vec![true; planes.len()];
        let remade = self.remade(sorted, lattice, models, (cuts, &sights), (planes, &all));
        remade.finished(sorted, lattice)
    }

    /// Whether it is of these rows, and of as many setups.
    fn fits(&self, sorted: &Sorted, first_row: usize) -> bool {
        let own = [self.sums.first_row, self.sums.rows, self.sums.columns];
        own == [first_row, sorted.rows, sorted.columns] && self.blocks.fits(sorted)
    }

    /// The sums, cells held against each other.
    fn finished(self, sorted: &Sorted, lattice: &Lattice) -> CellSums {
        let (mut sums, blocks) = (self.sums, self.blocks);
        set_bodies_aside(&mut sums, sorted, lattice);
        set_lone_strays_aside(&mut sums, sorted, &blocks, lattice);
        weigh_for_rounding(&mut sums, sorted, &blocks, lattice);
        sums
    }

    /// Bytes that it takes, about.
    #[must_use]
    pub fn bytes(&self) -> usize {
        let cells = self.sums.n.len() * (4 * size_of::<f64>() + 2 * size_of::<u32>());
        self.blocks.bytes() + self.doubted.len() * size_of::<Option<Block>>() + cells
    }
}

/// The points of a run by cell.
pub(super) fn sort(
    points: &[PackedPoint],
    lattice: &Lattice,
    first_row: usize,
    limits: &RowLimits,
    trust: Trust,
) -> Sorted {
    let rows = limits.left_t_m.len();
    let columns = lattice.columns;
    let setups = RunSetups::new(points, lattice, first_row, rows, trust);
    let cell_of = cell_finder(lattice, first_row, limits);
    let mut start = vec![0usize; rows * columns + 1];
    let cells: Vec<u32> = points
        .iter()
        .map(|p| {
            let cell = setups.dense(p.setup).and_then(|_| cell_of(p));
            if let Some(k) = cell {
                start[k + 1] += 1;
            }
            cell.map_or(u32::MAX, to_u32)
        })
        .collect();
    for k in 0..rows * columns {
        start[k + 1] += start[k];
    }
    scatter(points, &cells, start, setups, lattice, first_row)
}

#[expect(
    clippy::cast_precision_loss,
    reason = "rows and columns are far below 2^53"
)]
fn scatter(
    points: &[PackedPoint],
    cells: &[u32],
    start: Vec<usize>,
    setups: RunSetups,
    lattice: &Lattice,
    first_row: usize,
) -> Sorted {
    let columns = lattice.columns;
    let rows = (start.len() - 1) / columns;
    let total = start[rows * columns];
    let mut next = start.clone();
    let mut out = Sorted {
        grid: BlockGrid::new(lattice, rows),
        rows,
        columns,
        start,
        s: vec![0.0; total],
        t: vec![0.0; total],
        z: vec![0.0; total],
        setup: vec![0; total],
        intensity: vec![0; total],
        setups,
    };
    let (s0, t0) = (first_row as f64 * lattice.s_step_m, lattice.column_t_m(0));
    for (p, &cell) in points.iter().zip(cells).filter(|(_, c)| **c != u32::MAX) {
        let at = &mut next[cell as usize];
        let [s, t, z] = p.metres();
        out.s[*at] = nearest_turn(s - s0, rows, lattice);
        out.t[*at] = t - t0;
        let dense = out.setups.dense(p.setup).unwrap_or(0);
        out.z[*at] = z - out.setups.shift_m(out.grid.of_cell(cell as usize), dense);
        out.setup[*at] = dense;
        out.intensity[*at] = p.intensity;
        *at += 1;
    }
    out
}

/// s relative to a run of `rows`: on a closed course, what lies beyond the run's last row is taken
/// for what lies a lap before it, since half a step before row 0 belongs to row 0. The run's own
/// rows may be more than half the lap.
#[expect(clippy::cast_precision_loss, reason = "rows are far below 2^53")]
pub(super) fn nearest_turn(s_m: f64, rows: usize, lattice: &Lattice) -> f64 {
    let last_m = (rows as f64 - 0.5) * lattice.s_step_m;
    if lattice.closed && s_m >= last_m {
        s_m - lattice.rows as f64 * lattice.s_step_m
    } else {
        s_m
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "rows and columns are far below 2^53"
)]
pub(super) fn cell_finder(
    lattice: &Lattice,
    first_row: usize,
    limits: &RowLimits,
) -> impl Fn(&PackedPoint) -> Option<usize> {
    let (columns, rows) = (lattice.columns, limits.left_t_m.len());
    let (s0, t0) = (first_row as f64 * lattice.s_step_m, lattice.column_t_m(0));
    let (inv_s, inv_t) = (1.0 / lattice.s_step_m, 1.0 / lattice.t_step_m);
    move |p| {
        let t = Frame::unpack(p.abc[1]);
        let s = nearest_turn(Frame::unpack(p.abc[0]) - s0, rows, lattice);
        let (row, column) = (
            floor_i32(s * inv_s + 0.5),
            floor_i32((t - t0) * inv_t + 0.5),
        );
        let (row, column) = (usize::try_from(row).ok()?, usize::try_from(column).ok()?);
        let inside = row < rows
            && column < columns
            && t <= limits.left_t_m[row]
            && t >= limits.right_t_m[row];
        inside.then(|| row * columns + column)
    }
}

/// Residuals of those of a cell's points that `counts` holds, against its block's plane, with
/// their weights; returns how many points it holds.
fn residuals(
    sorted: &Sorted,
    blocks: &BlockPlanes,
    cell: usize,
    counts: &dyn Fn(usize) -> bool,
    out: &mut Vec<(f64, f64, usize)>,
) -> usize {
    out.clear();
    let mut all = 0;
    let block = blocks.of_cell(cell);
    let reach = block.map_or(0.0, |b| STANDING_M.max(TUKEY_C * b.scale_m));
    for k in (sorted.start[cell]..sorted.start[cell + 1]).filter(|&k| counts(k)) {
        all += 1;
        let Some(block) = block else { continue };
        let r = sorted.z[k] - block.at(sorted.s[k], sorted.t[k]);
        if r.abs() < reach {
            let weight = blocks.weight(block, sorted.setup[k], sorted.intensity[k]);
            out.push((r, weight, k));
        }
    }
    all
}

pub(super) fn one_cell(
    sorted: &Sorted,
    blocks: &BlockPlanes,
    (cell, node): (usize, [f64; 2]),
    counts: &dyn Fn(usize) -> bool,
    scratch: &mut Vec<(f64, f64, usize)>,
) -> CellPart {
    let mut part = CellPart::of(cell);
    let all = residuals(sorted, blocks, cell, counts, scratch);
    if scratch.is_empty() {
        part.set_aside = to_u32(all);
        return part;
    }
    let typical_sd = blocks.typical_sd(cell);
    if all - scratch.len() >= BODY_POINTS {
        // A body stands here: its lowest points are no road, only what agrees with the ground is.
        let ground_m = TUKEY_C * blocks.scale_m(cell).max(typical_sd);
        scratch.retain(|p| p.0.abs() < ground_m);
        if scratch.is_empty() {
            part.set_aside = to_u32(all);
            return part;
        }
    }
    let floor_m = SPREAD_FLOOR_M.max(STEP_SPREAD * sorted.setups.step_m());
    let (centre, scale) = robust_centre(scratch, typical_sd, floor_m);
    for &(r, w, k) in scratch.iter() {
        let w = w * biweight((r - centre) / (TUKEY_C * scale));
        if w > 0.0 {
            part.n += 1;
            part.w += w;
            part.ws += w * (sorted.s[k] - node[0]);
            part.wt += w * (sorted.t[k] - node[1]);
            part.wz += w * sorted.z[k];
        }
    }
    part.set_aside = to_u32(all) - part.n;
    part
}

#[expect(
    clippy::cast_precision_loss,
    reason = "rows and columns are far below 2^53"
)]
pub(super) fn node_offset(lattice: &Lattice, cell: usize, columns: usize) -> [f64; 2] {
    let (row, column) = (cell / columns, cell % columns);
    [
        row as f64 * lattice.s_step_m,
        column as f64 * lattice.t_step_m,
    ]
}

/// Tukey's mean of weighted residuals from the lowest dense half; and the scale it used.
fn robust_centre(points: &mut [(f64, f64, usize)], typical_sd: f64, floor_m: f64) -> (f64, f64) {
    points.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.2.cmp(&b.2)));
    let mut centre = lowest_dense_half(points, floor_m);
    let mut scale = typical_sd.max(floor_m);
    let mut spread: Vec<f64> = Vec::new();
    for _ in 0..ROUNDS {
        if points.len() >= 8 {
            spread.clear();
            spread.extend(points.iter().map(|p| (p.0 - centre).abs()));
            let middle = spread.len() / 2;
            let (_, mad, _) = spread.select_nth_unstable_by(middle, f64::total_cmp);
            scale = (MAD_TO_SIGMA * *mad)
                .clamp(0.5 * typical_sd, 4.0 * typical_sd)
                .max(floor_m);
        }
        let (mut w_sum, mut wr_sum) = (0.0, 0.0);
        for &(r, w, _) in points.iter() {
            let w = w * biweight((r - centre) / (TUKEY_C * scale));
            w_sum += w;
            wr_sum += w * r;
        }
        if w_sum > 0.0 {
            centre = wr_sum / w_sum;
        }
    }
    (centre, scale)
}

/// The mean of the lowest of the nearly tightest halves of sorted residuals (the shorth, biased
/// down: what stands on the road is above it).
fn lowest_dense_half(sorted: &[(f64, f64, usize)], floor_m: f64) -> f64 {
    let half = sorted.len() / 2 + 1;
    let width = |k: usize| sorted[k + half - 1].0 - sorted[k].0;
    let windows = sorted.len() - half + 1;
    let tightest = (0..windows).map(width).fold(f64::INFINITY, f64::min);
    let limit = LOWER_SLACK * tightest.max(floor_m);
    let lowest = (0..windows).find(|&k| width(k) <= limit).unwrap_or(0);
    let window = &sorted[lowest..lowest + half];
    window.iter().map(|p| p.0).sum::<f64>() / half_count(half)
}

#[expect(clippy::cast_precision_loss, reason = "a count of points in a cell")]
fn half_count(half: usize) -> f64 {
    half as f64
}

impl Block {
    /// Height of the block's plane at (s, t) relative to the run's first node.
    #[inline]
    pub(super) fn at(&self, s: f64, t: f64) -> f64 {
        self.plane.at(s - self.centre[0], t - self.centre[1])
    }
}
