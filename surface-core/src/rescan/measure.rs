//! Changes in numbers: where, how large, how high, with what border.

use super::extent::{Extent, Measured};
use super::kinds::{Kind, Signs};
use super::pair::Pair;
use super::regions::{Region, Regions};
use crate::numeric::{PlaneSums, median, quantile, to_index, to_u32};

/// The ground around a change is looked at from here to there outside of it, metres.
const RING_M: [f64; 2] = [0.4, 1.2];
/// Heights are held against the ground around so far beyond the cells that changed, metres.
pub(super) const SKIRT_M: f64 = 0.3;
/// A border is a step when it takes at least this share of the change's greatest height within
/// 0.4 m.
const STEP_SHARE: f64 = 0.6;
/// And at least this, metres.
const STEP_M: f64 = 1e-3;
/// Cells nearer than this to an edge are beside it, metres.
const BY_EDGE_M: f64 = 1.3;

/// What is known of the road around changes.
#[derive(Clone, Copy)]
pub struct Surroundings<'a> {
    /// Area that a node (row of the lattice, column) stands for, m².
    pub area_m2: &'a dyn Fn(usize, usize) -> f64,
    /// Distance of (s, t) to the nearer edge of the road, metres.
    pub edge_m: &'a dyn Fn(f64, f64) -> f64,
    /// Whether an old or new breakline passes within 0.2 m of (s, t).
    pub by_line: &'a dyn Fn(f64, f64) -> bool,
}

/// One connected change.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Number from 1, largest volume first.
    pub id: u32,
    /// Which of the regions it is.
    pub region: usize,
    /// Its middle, (s, t), metres.
    pub at_m: [f64; 2],
    /// Least and greatest s and t, metres; s unwrapped where it lies over the start.
    pub reach_m: [[f64; 2]; 2],
    /// Area where it is over half of its bulk height ∫d²/∫d, m²: for a panel all of it, for a bump
    /// what its half height holds.
    pub area_m2: f64,
    /// Area over the level of detection, m²: the better the scans, the more of a bump's foot.
    pub beyond_m2: f64,
    /// New less old, over the ground around, m³.
    pub volume_m3: f64,
    /// Mean of the same, metres.
    pub mean_m: f64,
    /// Greatest (98 % of the cells are nearer to zero), metres.
    pub most_m: f64,
    /// By how much the change rises within 0.4 m at its border, metres.
    pub step_m: f64,
    /// Whether that is a step rather than a slope.
    pub stepped: bool,
    /// By how much new and old differ around it, metres: what is blended.
    pub offset_m: f64,
    /// The new scan ends at it: more may have changed.
    pub cut_off: bool,
    /// What happened.
    pub kind: Kind,
}

/// Measure every region; largest volume first. `lod95_m` is the level of detection by node.
#[must_use]
pub fn changes(
    pair: &Pair,
    regions: &Regions,
    lod95_m: &[f32],
    around: &Surroundings,
) -> Vec<Change> {
    let one = |(index, region)| Measurer::new(pair, region, lod95_m, around).change(index);
    let mut out: Vec<Change> = regions.list.iter().enumerate().map(one).collect();
    out.sort_by(|a, b| {
        b.volume_m3
            .abs()
            .total_cmp(&a.volume_m3.abs())
            .then(a.region.cmp(&b.region))
    });
    for (k, change) in out.iter_mut().enumerate() {
        change.id = to_u32(k + 1);
    }
    out
}

struct Measurer<'a> {
    pair: &'a Pair,
    region: &'a Region,
    around: &'a Surroundings<'a>,
    /// Nodes beyond their level of detection.
    beyond: Vec<usize>,
    /// Nodes of the ground around.
    ring: Vec<usize>,
    offset_m: f64,
}

impl<'a> Measurer<'a> {
    fn new(pair: &'a Pair, region: &'a Region, lod: &[f32], around: &'a Surroundings<'a>) -> Self {
        let counts = |&k: &usize| {
            let d = pair.difference_m(k);
            d.abs() > f64::from(lod[k]) && (d > 0.0) == region.rose
        };
        let mut beyond: Vec<usize> = region.nodes.iter().copied().filter(counts).collect();
        if beyond.is_empty() {
            beyond.clone_from(&region.nodes);
        }
        let [from, to] = RING_M.map(|r| steps(pair, r));
        let inner = region.widened(&pair.grid, from);
        let mut ring = region.widened(&pair.grid, to);
        ring.retain(|k| inner.binary_search(k).is_err() && pair.difference_m(*k).is_finite());
        let mut d: Vec<f64> = ring.iter().map(|&k| pair.difference_m(k)).collect();
        Self {
            pair,
            region,
            around,
            beyond,
            ring,
            offset_m: median(&mut d).unwrap_or(0.0),
        }
    }

    fn change(&self, index: usize) -> Change {
        let over: Vec<f64> = self.beyond.iter().filter_map(|&k| self.over_m(k)).collect();
        let mean_m = over.iter().sum::<f64>() / over.len().max(1) as f64;
        let mut sizes: Vec<f64> = over.iter().map(|d| d.abs()).collect();
        let most_m = quantile(&mut sizes, 0.98).unwrap_or(0.0).copysign(mean_m);
        let step_m = self.step_m();
        let (at_m, reach_m) = self.place();
        let beyond_m2 = self.beyond.iter().map(|&k| self.area_m2(k)).sum();
        let extent = self.extent();
        Change {
            id: 0,
            region: index,
            at_m,
            reach_m,
            area_m2: extent.area_m2.unwrap_or(beyond_m2),
            beyond_m2,
            volume_m3: extent.volume_m3,
            mean_m,
            most_m,
            step_m,
            stepped: step_m.abs() > STEP_M.max(STEP_SHARE * most_m.abs()),
            offset_m: self.offset_m,
            cut_off: self.cut_off(),
            kind: self.signs(reach_m, most_m / mean_m).kind(),
        }
    }

    /// Difference over the offset of the ground around.
    fn over_m(&self, node: usize) -> Option<f64> {
        Some(self.pair.difference_m(node) - self.offset_m).filter(|d| d.is_finite())
    }

    fn area_m2(&self, node: usize) -> f64 {
        let (row, column) = self.pair.grid.row_and_column(node);
        (self.around.area_m2)(row, column)
    }

    fn extent(&self) -> Extent {
        let measured = Measured {
            pair: self.pair,
            region: self.region,
            ring: &self.ring,
            area_m2: &|k| self.area_m2(k),
        };
        measured.extent()
    }

    /// Middle and reach; s unwrapped from the first node on.
    fn place(&self) -> ([f64; 2], [[f64; 2]; 2]) {
        let lattice = self.pair.grid.lattice();
        let length = lattice.rows as f64 * lattice.s_step_m;
        let first = self.pair.grid.place(self.beyond[0])[0];
        let near = |s: f64| match lattice.closed {
            true => s - ((s - first) / length).round() * length,
            false => s,
        };
        let mut reach = [[f64::INFINITY, f64::NEG_INFINITY]; 2];
        let mut sum = [0.0; 2];
        for &k in &self.beyond {
            let [s, t] = self.pair.grid.place(k);
            for (axis, v) in [near(s), t].into_iter().enumerate() {
                reach[axis] = [reach[axis][0].min(v), reach[axis][1].max(v)];
                sum[axis] += v;
            }
        }
        let mut at = sum.map(|v| v / self.beyond.len() as f64);
        if lattice.closed {
            at[0] = at[0].rem_euclid(length);
        }
        (at, reach)
    }

    /// Median difference just inside the border less that just outside.
    fn step_m(&self) -> f64 {
        let grid = &self.pair.grid;
        let mut own = self.beyond.clone();
        own.sort_unstable();
        let inside = |k: usize| own.binary_search(&k).is_ok();
        let rim: Vec<usize> = own
            .iter()
            .copied()
            .filter(|&k| grid.around(k).any(|n| !inside(n)))
            .collect();
        let whole = Region {
            nodes: rim,
            rose: self.region.rose,
        };
        let beside = |from: usize, to: usize, within: bool| -> Option<f64> {
            let near = whole.widened(grid, from);
            let mut far = whole.widened(grid, to);
            far.retain(|k| near.binary_search(k).is_err() && inside(*k) == within);
            let mut d: Vec<f64> = far.iter().filter_map(|&k| self.over_m(k)).collect();
            median(&mut d)
        };
        let inner = beside(0, 2, true).or_else(|| {
            let mut d: Vec<f64> = whole.nodes.iter().filter_map(|&k| self.over_m(k)).collect();
            median(&mut d)
        });
        inner.unwrap_or(0.0) - beside(1, 3, false).unwrap_or(0.0)
    }

    /// Whether a node beside it has an old height and no new one, or the scanned stretch ends.
    fn cut_off(&self) -> bool {
        let (pair, grid) = (self.pair, &self.pair.grid);
        let lattice = grid.lattice();
        let ends = |k: usize| {
            let row = k / grid.columns();
            let of_course = grid.row_and_column(k).0;
            let course_ends = !lattice.closed && (of_course == 0 || of_course + 1 == lattice.rows);
            !course_ends && (grid.next(row).is_none() || grid.previous(row).is_none())
        };
        let alone = |k: &usize| pair.old_m[*k].is_finite() && !pair.new_m[*k].is_finite();
        let near = self.region.widened(grid, 1);
        let missing = near.iter().filter(|k| alone(k)).count();
        // Single cells without points are holes of the scan, not its end.
        missing > near.len() / 20 + 2 || near.iter().any(|&k| ends(k))
    }

    fn signs(&self, reach_m: [[f64; 2]; 2], peak: f64) -> Signs {
        let share = |holds: &dyn Fn(f64, f64) -> bool| {
            let place = |&k: &usize| self.pair.grid.place(k);
            let inside = self.beyond.iter().map(place).filter(|p| holds(p[0], p[1]));
            inside.count() as f64 / self.beyond.len() as f64
        };
        let extent = |axis: usize| reach_m[axis][1] - reach_m[axis][0];
        let (relief_m, alike) = self.relief();
        Signs {
            rose: self.region.rose,
            area_m2: self.beyond.iter().map(|&k| self.area_m2(k)).sum(),
            length_m: extent(0).max(extent(1)),
            peak,
            relief_m,
            alike,
            by_edge: share(&|s, t| (self.around.edge_m)(s, t) < BY_EDGE_M),
            along_line: share(self.around.by_line),
        }
    }

    /// Old and new heights about the plane of the old ground around: their root mean square over
    /// the change, and how alike they are to it, with its skirts.
    fn relief(&self) -> ([f64; 2], [f64; 2]) {
        let grid = &self.pair.grid;
        let [s0, t0] = grid.place(self.beyond[0]);
        let lattice = grid.lattice();
        let length = lattice.rows as f64 * lattice.s_step_m;
        let local = |k: usize| {
            let [s, t] = grid.place(k);
            let ds = s - s0;
            let laps = if lattice.closed {
                (ds / length).round()
            } else {
                0.0
            };
            [ds - laps * length, t - t0]
        };
        let mut sums = PlaneSums::default();
        for &k in &self.ring {
            let [u, v] = local(k);
            sums.add(1.0, u, v, self.pair.old_m[k]);
        }
        let Some(plane) = sums.solve(0.0, 0.0, 0.0) else {
            return ([0.0; 2], [0.0; 2]);
        };
        let over = |k: usize| {
            let [u, v] = local(k);
            let ground = plane.at(u, v);
            [
                self.pair.old_m[k] - ground,
                self.pair.new_m[k] - self.offset_m - ground,
            ]
        };
        let own: Vec<[f64; 2]> = self.beyond.iter().map(|&k| over(k)).collect();
        let skirt = self.region.widened(grid, steps(self.pair, SKIRT_M));
        let wide: Vec<[f64; 2]> = skirt.iter().map(|&k| over(k)).collect();
        let change = |r: &[f64; 2]| r[1] - r[0];
        let went = correlation(wide.iter().map(|r| [r[0], -change(r)]));
        let came = correlation(wide.iter().map(|r| [r[1], change(r)]));
        let rms = |which: usize| {
            let known: Vec<f64> = own
                .iter()
                .map(|r| r[which])
                .filter(|r| r.is_finite())
                .collect();
            (known.iter().map(|r| r * r).sum::<f64>() / known.len().max(1) as f64).sqrt()
        };
        ([rms(0), rms(1)], [went, came])
    }
}

/// Correlation of pairs of values; 0 where they do not vary.
fn correlation(pairs: impl Iterator<Item = [f64; 2]>) -> f64 {
    let known: Vec<[f64; 2]> = pairs
        .filter(|p| p[0].is_finite() && p[1].is_finite())
        .collect();
    let n = known.len().max(1) as f64;
    let mean = [0, 1].map(|k| known.iter().map(|p| p[k]).sum::<f64>() / n);
    let moment = |i: usize, j: usize| {
        known
            .iter()
            .map(|p| (p[i] - mean[i]) * (p[j] - mean[j]))
            .sum::<f64>()
    };
    let spread = (moment(0, 0) * moment(1, 1)).sqrt();
    if spread > 0.0 {
        moment(0, 1) / spread
    } else {
        0.0
    }
}

pub(super) fn steps(pair: &Pair, reach_m: f64) -> usize {
    to_index((reach_m / pair.grid.lattice().t_step_m).round())
}
