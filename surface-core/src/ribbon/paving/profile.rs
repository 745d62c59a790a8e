//! Profiles across the line: what each narrow cell of ground looks like.

use super::refine::NO_GROUND_M;
use super::stretch::{SidePoint, Stretch};
use crate::numeric::{floor_i32, median, quantile, round_i32, to_index};

/// Points that a cell should hold: a median of differences of fewer says little.
const CELL_POINTS: f64 = 8.0;
/// Cell widths to choose from and the half length along s that each may take, metres. Narrow cells
/// where points are dense; long ones first, because an edge runs along s.
const CELL_SIZES_M: [(f64, f64); 4] = [(0.05, 0.5), (0.1, 1.0), (0.2, 2.0), (0.4, 3.0)];
/// Shortest half length of a cell along s, metres: half the step between stations.
const MIN_HALF_LENGTH_M: f64 = 0.25;
/// The step of a cell is taken against the mean of the inner cells within this, metres.
const INNER_M: f64 = 0.2;
/// At least this share of a cell's points lies on the ground, or little of it is seen.
const GROUND_QUANTILE: f64 = 0.2;
/// A station's slope and brightness are taken from about this many of its points: a slope to
/// 1e-4 over half a metre.
const CORE_POINTS: usize = 1000;
/// Fewest points near the line for a slope along s.
const MIN_CORE_POINTS: usize = 10;

/// "Nothing measured" in a [`Cell`].
pub(super) const NONE: u8 = 255;
/// Values that a feature can take.
pub(super) const LEVELS: usize = 64;

/// Size of the cells: width across, half length along.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct CellSize {
    pub width_m: f64,
    pub half_length_m: f64,
}

impl CellSize {
    /// The smallest cells that hold about eight points at this density.
    pub(super) fn for_density(per_m2: f64) -> Self {
        let half_length = |width: f64| CELL_POINTS / (2.0 * width * per_m2.max(0.1));
        let fits = |&&(width, longest): &&(f64, f64)| half_length(width) <= longest;
        let last = CELL_SIZES_M[CELL_SIZES_M.len() - 1];
        let (width_m, longest) = *CELL_SIZES_M.iter().find(fits).unwrap_or(&last);
        Self {
            width_m,
            half_length_m: half_length(width_m).clamp(MIN_HALF_LENGTH_M, longest),
        }
    }
}

/// Levels of the three features of a cell; [`NONE`] where not measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Cell {
    /// Unevenness from point to point along s, tenths of a decade from 0.1 mm.
    pub rough: u8,
    /// Brightness against the middle of the road, tenths of an octave, 32 = equal.
    pub bright: u8,
    /// Height against the inner neighbours, tenths of a decade from 0.1 mm.
    pub step: u8,
}

impl Cell {
    pub(super) const EMPTY: Self = Self {
        rough: NONE,
        bright: NONE,
        step: NONE,
    };

    pub(super) fn is_empty(self) -> bool {
        self == Self::EMPTY
    }
}

/// The cells of a station from the line outwards, for the left and the right side.
pub(super) type Row = [Vec<Cell>; 2];

/// What a profile needs to know beside the points.
#[derive(Debug, Clone, Copy)]
pub(super) struct ProfileShape {
    pub size: CellSize,
    /// Cells a side.
    pub cells: usize,
}

/// Profiles at the stations of a stretch; `core` gives the t from right to left that is road
/// beyond doubt at each station.
pub(super) fn rows(
    points: &[SidePoint],
    stretch: &Stretch,
    shape: &ProfileShape,
    core: &dyn Fn(usize) -> [f64; 2],
) -> Vec<Row> {
    let mut columns = Columns::new(shape);
    (0..stretch.stations)
        .map(|k| {
            let s = stretch.station(k);
            let slice = within(points, s, shape.size.half_length_m);
            columns.row(slice, s, core(k))
        })
        .collect()
}

/// The points with |s − at| ≤ half.
pub(super) fn within(points: &[SidePoint], at: f64, half: f64) -> &[SidePoint] {
    let from = points.partition_point(|p| p.s < at - half);
    let to = points.partition_point(|p| p.s <= at + half);
    &points[from..to]
}

/// Slope of z along s and median intensity of the points between the t of `core`.
pub(super) fn middle_of_road(points: &[SidePoint], s: f64, core: [f64; 2]) -> (f64, Option<f64>) {
    let every = (points.len() / CORE_POINTS).max(1);
    let thinned = points.iter().step_by(every);
    let inside: Vec<SidePoint> = thinned
        .filter(|p| p.t >= core[0] && p.t <= core[1])
        .copied()
        .collect();
    let mut intensities: Vec<f64> = inside.iter().map(|p| p.intensity).collect();
    let bright = median(&mut intensities).filter(|v| *v > 0.0);
    if inside.len() < MIN_CORE_POINTS {
        return (0.0, bright);
    }
    (plane_slope_along(inside.iter(), s, inside.len()), bright)
}

/// ∂z/∂s of the least-squares plane.
fn plane_slope_along<'a>(
    points: impl Iterator<Item = &'a SidePoint> + Clone,
    s: f64,
    n: usize,
) -> f64 {
    let n = n as f64;
    let sum = |f: &dyn Fn(&SidePoint) -> f64| points.clone().map(f).sum::<f64>() / n;
    let (ms, mt, mz) = (sum(&|p| p.s - s), sum(&|p| p.t), sum(&|p| p.z));
    let (mut ss, mut st, mut tt, mut sz, mut tz) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for p in points.clone() {
        let (a, b, z) = (p.s - s - ms, p.t - mt, p.z - mz);
        ss += a * a;
        st += a * b;
        tt += b * b;
        sz += a * z;
        tz += b * z;
    }
    let det = ss * tt - st * st;
    if det > 1e-9 * ss * tt {
        (sz * tt - tz * st) / det
    } else {
        0.0
    }
}

/// Buffers for sorting the points of a station into columns of cells.
struct Columns {
    width: f64,
    cells: usize,
    columns: Vec<Vec<SidePoint>>,
    scratch: Vec<f64>,
}

impl Columns {
    fn new(shape: &ProfileShape) -> Self {
        Self {
            width: shape.size.width_m,
            cells: shape.cells,
            columns: vec![Vec::new(); 2 * shape.cells],
            scratch: Vec::new(),
        }
    }

    fn row(&mut self, points: &[SidePoint], s: f64, core: [f64; 2]) -> Row {
        let (slope, bright) = middle_of_road(points, s, core);
        self.columns.iter_mut().for_each(Vec::clear);
        for p in points {
            let column = floor_i32(p.t / self.width);
            let column = usize::try_from(column + crate::numeric::round_i32(self.cells as f64));
            if let Some(list) = column.ok().and_then(|c| self.columns.get_mut(c)) {
                let z = p.z - slope * (p.s - s);
                list.push(SidePoint { z, ..*p });
            }
        }
        for column in &mut self.columns {
            keep_ground(column, &mut self.scratch);
        }
        let left = (self.cells..2 * self.cells).collect::<Vec<_>>();
        let right = (0..self.cells).rev().collect::<Vec<_>>();
        [self.side(&left, bright), self.side(&right, bright)]
    }

    /// Features of the columns in the order from the line outwards.
    fn side(&mut self, order: &[usize], bright: Option<f64>) -> Vec<Cell> {
        let memory = to_index((INNER_M / self.width).round()).max(1);
        let mut inner: Vec<f64> = Vec::new();
        let mut out = Vec::with_capacity(order.len());
        for &c in order {
            let points = &self.columns[c];
            if points.is_empty() {
                out.push(Cell::EMPTY);
                continue;
            }
            let height = fill_median(&mut self.scratch, points.iter().map(|p| p.z));
            let recent = &inner[inner.len().saturating_sub(memory)..];
            let mean = recent.iter().sum::<f64>() / recent.len() as f64;
            let step = if recent.is_empty() {
                NONE
            } else {
                decade_level((height - mean).abs())
            };
            inner.push(height);
            out.push(Cell {
                rough: roughness(points, &mut self.scratch).map_or(NONE, decade_level),
                bright: brightness(points, bright),
                step,
            });
        }
        out
    }
}

/// Leave out what stands on the ground: cars and people that other setups look past.
fn keep_ground(points: &mut Vec<SidePoint>, scratch: &mut Vec<f64>) {
    let ends = |(lo, hi): (f64, f64), p: &SidePoint| (lo.min(p.z), hi.max(p.z));
    let (lowest, highest) = points.iter().fold((f64::MAX, f64::MIN), ends);
    if highest - lowest <= NO_GROUND_M {
        return;
    }
    scratch.clear();
    scratch.extend(points.iter().map(|p| p.z));
    if let Some(low) = quantile(scratch, GROUND_QUANTILE) {
        points.retain(|p| p.z <= low + NO_GROUND_M);
    }
}

fn fill_median(scratch: &mut Vec<f64>, values: impl Iterator<Item = f64>) -> f64 {
    scratch.clear();
    scratch.extend(values);
    median(scratch).unwrap_or(0.0)
}

/// Median distance of a point from the straight between its neighbours along s: a ramp, a rib or
/// a kerb is even by this measure, grass is not.
fn roughness(points: &[SidePoint], scratch: &mut Vec<f64>) -> Option<f64> {
    let bend = |w: &[SidePoint]| {
        let way = w[2].s - w[0].s;
        let share = if way > 0.0 {
            (w[1].s - w[0].s) / way
        } else {
            0.5
        };
        (w[1].z - w[0].z - share * (w[2].z - w[0].z)).abs()
    };
    (points.len() >= 3).then(|| fill_median(scratch, points.windows(3).map(bend)))
}

fn brightness(points: &[SidePoint], middle: Option<f64>) -> u8 {
    let mean = points.iter().map(|p| p.intensity).sum::<f64>() / points.len() as f64;
    middle.map_or(NONE, |m| level((mean.max(1.0) / m).log2() * 10.0 + 32.0))
}

fn decade_level(metres: f64) -> u8 {
    level((metres.max(1e-5) / 1e-4).log10() * 10.0)
}

fn level(v: f64) -> u8 {
    u8::try_from(round_i32(v.clamp(0.0, (LEVELS - 1) as f64))).unwrap_or(NONE)
}
