//! The measured ground as one raster of working cells: which part of the grid, how wide a cell.

use std::collections::{BTreeMap, BTreeSet};

use super::error::CourseError;
use crate::cloud::{Cell, CellGrid};
use crate::numeric::{ceil_i32, floor_i32, round_i32, to_index};

/// Longest stretch without data that still belongs to one cloud and is bridged, metres: the ground
/// between two setups that a parked lorry hides. Chosen by the test of the bridged gap.
pub(super) const MAX_GAP_M: f64 = 20.0;
/// Narrowest working cell, metres: six to a lane, and a course of 4 km stays a few million cells.
const CELL_MIN_M: f64 = 0.5;
/// Widest working cell, metres: two to a lane.
const CELL_MAX_M: f64 = 2.0;
/// A working cell should hold this many points, so that its spread means something.
const POINTS_A_CELL: u32 = 6;
/// Most cells of the raster: about 200 MB at the peak.
const CELLS_MAX: usize = 16_000_000;
/// A coarse block (20 m) with fewer points is taken for strays.
const BLOCK_POINTS_MIN: u64 = 20;
/// Empty cells around the raster, so that neighbours need no range check.
const MARGIN: i32 = 3;
/// Spread of the heights in a cell above which something stands on the ground, metres, for a
/// narrow cell; wider cells may slope, see [`tall_m`].
const TALL_M: f64 = 0.3;
/// Steepest ground that is no step, metres a metre.
const STEEPEST: f64 = 0.2;
/// Ground must be covered at least this wide and with so many cells, else it is a line or a dot.
const EXTENT_MIN_M: f64 = 1.5;
const CELLS_MIN: usize = 50;

/// Where the cells of a raster lie.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Layout {
    pub cell_m: f64,
    pub i0: i32,
    pub j0: i32,
    pub width: usize,
    pub height: usize,
}

impl Layout {
    pub fn len(&self) -> usize {
        self.width * self.height
    }

    /// Index of the cell (i, j), counted in working cells from the local origin.
    pub fn index(&self, i: i32, j: i32) -> Option<usize> {
        let column = usize::try_from(i.checked_sub(self.i0)?).ok()?;
        let row = usize::try_from(j.checked_sub(self.j0)?).ok()?;
        (column < self.width && row < self.height).then(|| row * self.width + column)
    }

    /// Index of the cell under a point (local metres).
    pub fn locate(&self, p: [f64; 2]) -> Option<usize> {
        self.index(floor_i32(p[0] / self.cell_m), floor_i32(p[1] / self.cell_m))
    }

    /// Middle of a cell, local metres.
    pub fn centre(&self, index: usize) -> [f64; 2] {
        let (column, row) = ((index % self.width) as f64, (index / self.width) as f64);
        [
            (f64::from(self.i0) + column + 0.5) * self.cell_m,
            (f64::from(self.j0) + row + 0.5) * self.cell_m,
        ]
    }

    /// Indices of the eight neighbours of a cell that is not on the border, east first, then
    /// counter-clockwise.
    pub fn ring(&self, k: usize) -> [usize; 8] {
        let w = self.width;
        [
            k + 1,
            k + w + 1,
            k + w,
            k + w - 1,
            k - 1,
            k - w - 1,
            k - w,
            k - w + 1,
        ]
    }

    /// The nine cells centred on a cell that is not on the border, row by row.
    pub fn block(&self, k: usize) -> [usize; 9] {
        let w = self.width;
        [
            k - w - 1,
            k - w,
            k - w + 1,
            k - 1,
            k,
            k + 1,
            k + w - 1,
            k + w,
            k + w + 1,
        ]
    }
}

/// What is known of one working cell. Parts of it where something tall stands only count with
/// their lowest height.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ground {
    /// Points on parts without anything tall.
    pub n: f64,
    /// Their mean height, local metres.
    pub mean_m: f64,
    /// Their sum of squares about the mean.
    scatter: f64,
    /// Sum of squares about the mean of each grid cell, and its degrees of freedom.
    within: f64,
    within_dof: f64,
    /// Lowest height of all.
    pub low_m: f64,
    /// All points and their summed intensity.
    pub all: f64,
    intensity: f64,
    tall: bool,
}

impl Default for Ground {
    fn default() -> Self {
        Self {
            n: 0.0,
            mean_m: 0.0,
            scatter: 0.0,
            within: 0.0,
            within_dof: 0.0,
            low_m: f64::INFINITY,
            all: 0.0,
            intensity: 0.0,
            tall: false,
        }
    }
}

impl Ground {
    fn add(&mut self, cell: &Cell, tall_m: f64) {
        let n = f64::from(cell.n);
        self.all += n;
        self.intensity += n * cell.intensity_mean();
        self.low_m = self.low_m.min(cell.z_min_m());
        if 1e-4 * (f64::from(cell.z_max) - f64::from(cell.z_min)) > tall_m {
            self.tall = true;
            return;
        }
        let (mean, square) = (cell.z_mean_m(), n * cell.z_sd_m().powi(2));
        let step = mean - self.mean_m;
        let total = self.n + n;
        self.scatter += square + step * step * self.n * n / total;
        self.mean_m += step * n / total;
        self.n = total;
        self.within += square;
        self.within_dof += n - 1.0;
    }

    /// Mean intensity.
    pub fn intensity(&self) -> f64 {
        self.intensity / self.all
    }

    /// Ground height: the mean of the clear part, else the lowest point.
    pub fn height_m(&self) -> f64 {
        if self.n > 0.0 && self.mean_m - self.low_m < TALL_M {
            self.mean_m
        } else {
            self.low_m
        }
    }

    /// Variance of the heights inside the cell once the ground's slope is taken off, m²; `None`
    /// with fewer than three clear points. Where the grid's own finer cells hold enough points
    /// their inner variance is used: a slope adds least to it.
    pub fn variance_m2(&self, slope: [f64; 2], cell_m: f64, grid_cell_m: f64) -> Option<f64> {
        let tilt = (slope[0].powi(2) + slope[1].powi(2)) / 12.0;
        if self.within_dof >= 4.0 {
            return Some((self.within / self.within_dof - tilt * grid_cell_m.powi(2)).max(0.0));
        }
        let dof = self.n - 1.0;
        (dof >= 2.0).then(|| (self.scatter / dof - tilt * cell_m.powi(2)).max(0.0))
    }

    /// Whether something stands on all of the cell.
    pub fn is_all_tall(&self) -> bool {
        self.tall && self.n < 3.0
    }
}

/// The occupied working cells of the part of the cloud that is looked at.
#[derive(Debug)]
pub(super) struct GroundRaster {
    pub layout: Layout,
    pub grid_cell_m: f64,
    /// For each cell of the layout its place in `ground`, or [`NONE`].
    slot: Vec<u32>,
    /// Occupied cells.
    pub ground: Vec<Ground>,
    /// For each of them its index in the layout.
    pub at: Vec<usize>,
    /// Coarse blocks left out as strays or as another cloud.
    pub left_out: usize,
}

const NONE: u32 = u32::MAX;

impl GroundRaster {
    pub fn slot(&self, index: usize) -> Option<usize> {
        match self.slot[index] {
            NONE => None,
            s => Some(s as usize),
        }
    }

    pub fn get(&self, index: usize) -> Option<&Ground> {
        self.slot(index).map(|s| &self.ground[s])
    }
}

/// Part of the plane that is looked at, local metres: low corner, high corner.
pub(super) type Window = [[f64; 2]; 2];

/// Collect the ground of the largest connected part of the cloud (or of `window`) into cells of a
/// width at which half of them hold [`POINTS_A_CELL`] points.
pub(super) fn gather(grid: &CellGrid, window: Option<Window>) -> Result<GroundRaster, CourseError> {
    let blocks = Blocks::of(grid, window);
    let kept = blocks.kept(window.is_some());
    let too_few = |cells| CourseError::TooFewPoints {
        points: grid.points(),
        cells,
        cell_m: grid.cell_m(),
    };
    let bounds = blocks.bounds(&kept).ok_or_else(|| too_few(0))?;
    let (factor, layout) = choose_cell(grid, &blocks, &kept, bounds)?;
    let mut raster = fill(grid, &blocks, &kept, factor, layout);
    raster.left_out = blocks.points.len() - kept.len();
    check_extent(&raster).map_err(|e| e.unwrap_or_else(|| too_few(raster.ground.len())))?;
    Ok(raster)
}

/// Coarse blocks as wide as the longest gap, with the points in each.
struct Blocks {
    cells: i32,
    points: BTreeMap<(i32, i32), u64>,
}

impl Blocks {
    fn of(grid: &CellGrid, window: Option<Window>) -> Self {
        let cells = ceil_i32(MAX_GAP_M / grid.cell_m()).max(1);
        let mut blocks = Self {
            cells,
            points: BTreeMap::new(),
        };
        let block_m = f64::from(cells) * grid.cell_m();
        let inside = |key: (i32, i32)| {
            window.is_none_or(|[low, high]| {
                let corner = [f64::from(key.0) * block_m, f64::from(key.1) * block_m];
                (0..2).all(|a| corner[a] <= high[a] && corner[a] + block_m >= low[a])
            })
        };
        for ((i, j), cell) in grid.iter() {
            let key = blocks.key(i, j);
            if inside(key) {
                *blocks.points.entry(key).or_default() += u64::from(cell.n);
            }
        }
        blocks
    }

    fn key(&self, i: i32, j: i32) -> (i32, i32) {
        (i.div_euclid(self.cells), j.div_euclid(self.cells))
    }

    /// Blocks to look at: all that hold more than strays, or the connected part with most points.
    fn kept(&self, all: bool) -> BTreeSet<(i32, i32)> {
        let solid: BTreeMap<_, _> = self
            .points
            .iter()
            .filter(|(_, n)| **n >= BLOCK_POINTS_MIN)
            .map(|(k, n)| (*k, *n))
            .collect();
        if all {
            return solid.into_keys().collect();
        }
        let mut left = solid.clone();
        let mut best = (0, BTreeSet::new());
        while let Some((&start, _)) = left.first_key_value() {
            let part = take_part(&mut left, start);
            let points: u64 = part.iter().map(|k| solid[k]).sum();
            if points > best.0 {
                best = (points, part);
            }
        }
        best.1
    }

    /// Range of grid cells that the blocks cover: lowest i, j and highest i, j.
    fn bounds(&self, kept: &BTreeSet<(i32, i32)>) -> Option<[i32; 4]> {
        let low_i = kept.iter().map(|k| k.0).min()?;
        let low_j = kept.iter().map(|k| k.1).min()?;
        let high_i = kept.iter().map(|k| k.0).max()?;
        let high_j = kept.iter().map(|k| k.1).max()?;
        let c = self.cells;
        Some([low_i * c, low_j * c, high_i * c + c - 1, high_j * c + c - 1])
    }
}

/// Remove from `left` all blocks connected to `start` (also across corners) and return them.
fn take_part(left: &mut BTreeMap<(i32, i32), u64>, start: (i32, i32)) -> BTreeSet<(i32, i32)> {
    let mut part = BTreeSet::new();
    let mut open = vec![start];
    left.remove(&start);
    while let Some((i, j)) = open.pop() {
        part.insert((i, j));
        for next in (-1..=1).flat_map(|a| (-1..=1).map(move |b| (i + a, j + b))) {
            if left.remove(&next).is_some() {
                open.push(next);
            }
        }
    }
    part
}

/// The number of grid cells to a working cell, and the raster's layout.
fn choose_cell(
    grid: &CellGrid,
    blocks: &Blocks,
    kept: &BTreeSet<(i32, i32)>,
    bounds: [i32; 4],
) -> Result<(i32, Layout), CourseError> {
    let mut factor = 1;
    while grid.cell_m() * f64::from(factor) < 0.9 * CELL_MIN_M {
        factor *= 2;
    }
    loop {
        let layout = layout_of(grid, bounds, factor);
        let widest = layout.cell_m * 2.0 > 1.1 * CELL_MAX_M;
        let fits = layout.len() <= CELLS_MAX;
        if fits && (widest || median_points(grid, blocks, kept, factor, &layout) >= POINTS_A_CELL) {
            return Ok((factor, layout));
        }
        if widest {
            return Err(CourseError::TooLarge {
                width_m: layout.width as f64 * layout.cell_m,
                height_m: layout.height as f64 * layout.cell_m,
                cell_m: layout.cell_m,
                limit: CELLS_MAX,
            });
        }
        factor *= 2;
    }
}

fn layout_of(grid: &CellGrid, bounds: [i32; 4], factor: i32) -> Layout {
    let [low_i, low_j, high_i, high_j] = bounds.map(|v| v.div_euclid(factor));
    let side = |low: i32, high: i32| usize::try_from(high - low + 1 + 2 * MARGIN).unwrap_or(0);
    Layout {
        cell_m: grid.cell_m() * f64::from(factor),
        i0: low_i - MARGIN,
        j0: low_j - MARGIN,
        width: side(low_i, high_i),
        height: side(low_j, high_j),
    }
}

/// Median number of points in an occupied working cell.
fn median_points(
    grid: &CellGrid,
    blocks: &Blocks,
    kept: &BTreeSet<(i32, i32)>,
    factor: i32,
    layout: &Layout,
) -> u32 {
    let mut counts = vec![0u16; layout.len()];
    for_cells(grid, blocks, kept, factor, layout, |index, cell| {
        counts[index] = counts[index].saturating_add(u16::try_from(cell.n).unwrap_or(u16::MAX));
    });
    let mut histogram = [0usize; 64];
    for &c in counts.iter().filter(|c| **c > 0) {
        histogram[usize::from(c).min(63)] += 1;
    }
    let half = histogram.iter().sum::<usize>().div_ceil(2);
    let mut seen = 0;
    let median = histogram.iter().position(|h| {
        seen += h;
        seen >= half
    });
    crate::numeric::to_u32(median.unwrap_or(0))
}

/// Visit the grid's cells in the kept blocks with their working cell's index.
fn for_cells(
    grid: &CellGrid,
    blocks: &Blocks,
    kept: &BTreeSet<(i32, i32)>,
    factor: i32,
    layout: &Layout,
    mut visit: impl FnMut(usize, &Cell),
) {
    let mut last = ((i32::MIN, i32::MIN), false);
    for ((i, j), cell) in grid.iter() {
        let key = blocks.key(i, j);
        if key != last.0 {
            last = (key, kept.contains(&key));
        }
        if last.1
            && let Some(index) = layout.index(i.div_euclid(factor), j.div_euclid(factor))
        {
            visit(index, cell);
        }
    }
}

fn fill(
    grid: &CellGrid,
    blocks: &Blocks,
    kept: &BTreeSet<(i32, i32)>,
    factor: i32,
    layout: Layout,
) -> GroundRaster {
    let mut slot = vec![NONE; layout.len()];
    let (mut ground, mut at) = (Vec::<Ground>::new(), Vec::new());
    let tall = tall_m(grid.cell_m());
    for_cells(grid, blocks, kept, factor, &layout, |index, cell| {
        if slot[index] == NONE {
            slot[index] = crate::numeric::to_u32(ground.len());
            ground.push(Ground::default());
            at.push(index);
        }
        ground[slot[index] as usize].add(cell, tall);
    });
    GroundRaster {
        layout,
        grid_cell_m: grid.cell_m(),
        slot,
        ground,
        at,
        left_out: 0,
    }
}

/// Height spread in a cell of that width above which something stands on the ground.
fn tall_m(cell_m: f64) -> f64 {
    TALL_M + STEEPEST * cell_m * std::f64::consts::SQRT_2
}

/// An error where the cells make no area; `Err(None)` where there are too few of them.
fn check_extent(raster: &GroundRaster) -> Result<(), Option<CourseError>> {
    let n = raster.at.len() as f64;
    let points: Vec<_> = raster.at.iter().map(|&k| raster.layout.centre(k)).collect();
    let mean = points
        .iter()
        .fold([0.0; 2], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n]);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for p in &points {
        let d = [p[0] - mean[0], p[1] - mean[1]];
        xx += d[0] * d[0] / n;
        xy += d[0] * d[1] / n;
        yy += d[1] * d[1] / n;
    }
    let (half, root) = (0.5 * (xx + yy), (0.25 * (xx - yy).powi(2) + xy * xy).sqrt());
    // A strip of even cover has a standard deviation of its width over √12; one cell of width
    // cannot be told from none.
    let side = |v: f64| (12.0 * v.max(0.0)).sqrt();
    let (length_m, width_m) = (side(half + root), side(half - root));
    if width_m < EXTENT_MIN_M.max(1.5 * raster.layout.cell_m) {
        return Err(Some(CourseError::NoExtent { length_m, width_m }));
    }
    if raster.at.len() < CELLS_MIN {
        Err(None)
    } else {
        Ok(())
    }
}

/// `metres` in whole cells, at least one.
pub(super) fn cells_in(metres: f64, cell_m: f64) -> usize {
    to_index(f64::from(round_i32(metres / cell_m))).max(1)
}
