//! How much the new heights count, node by node: all inside a change, nothing some metres off, and
//! between in a way that neither height nor slope jumps.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};

use super::grid::Grid;
use super::pair::Pair;
use super::regions::{Region, Regions};
use super::scales::means;
use crate::numeric::{to_f32, to_index};

/// The new heights count alone this far beyond the cells that changed, metres: a window of the fit
/// reaches so far across the border of a change.
pub(super) const MARGIN_M: f64 = 0.3;
/// Slope may change by this from one node to the next by blending.
const SLOPE_JUMP: f64 = 3e-5;
/// Least and greatest length over which an offset is blended, metres.
const LENGTH_M: [f64; 2] = [2.0, 10.0];
/// Sharpening ends within this of the end of the scan, metres.
const REFINE_END_M: f64 = 3.0;
/// Width of the squares over which the shares of sharpening are meant, metres.
const REFINE_MEAN_M: f64 = 1.0;

/// The weight of the new heights, by node.
#[derive(Debug, Clone, PartialEq)]
pub struct Blend {
    grid: Grid,
    weight: Vec<f64>,
    core: Vec<bool>,
}

impl Blend {
    /// Weights around the places that changed; `offsets_m` is by how much new and old heights
    /// differ around each: the larger, the longer they are blended.
    ///
    /// Outside a change the weight is S(b / (a + b)), S(u) = 3u² − 2u³, a the distance to the
    /// change and b that to where old heights stand alone: its slope is continuous and zero at
    /// both ends. The length L keeps the slope's change from node to node, 6·offset·step/L², below
    /// 0.03 mm/m.
    #[must_use]
    pub fn new(pair: &Pair, regions: &Regions, offsets_m: &[f64]) -> Self {
        let grid = &pair.grid;
        let mut rest = vec![1.0; grid.nodes()];
        let mut core = vec![false; grid.nodes()];
        for (region, offset) in regions.list.iter().zip(offsets_m) {
            let inside = margin(pair, region);
            inside.iter().for_each(|&k| core[k] = true);
            for (k, w) in around(pair, &inside, length_m(grid, *offset)) {
                rest[k] *= 1.0 - w;
            }
        }
        let own = rest.iter_mut().zip(&core).filter(|(_, core)| **core);
        own.for_each(|(rest, _)| *rest = 0.0);
        Self {
            grid: grid.clone(),
            weight: rest.iter().map(|r| 1.0 - r).collect(),
            core,
        }
    }

    /// Let the new heights sharpen the old ones outside of changes as well, by what both are worth.
    #[must_use]
    pub fn refined(mut self, pair: &Pair) -> Self {
        let share = |[old, new]: [f32; 2]| {
            let (old, new) = (f64::from(old).powi(2), f64::from(new).powi(2));
            to_f32(old / (old + new))
        };
        let shares: Vec<f32> = pair.sigma_m.iter().map(|&s| share(s)).collect();
        let known = |v: &f32| if v.is_finite() { 1.0 } else { 0.0 };
        let ones: Vec<f32> = shares.iter().map(known).collect();
        let shares = means(&self.grid, &shares, &ones, REFINE_MEAN_M);
        let ends: Vec<usize> = (0..shares.len())
            .filter(|&k| stands_alone(pair, k))
            .collect();
        let far = distances(&self.grid, &ends, REFINE_END_M);
        for (k, w) in self.weight.iter_mut().enumerate() {
            let end = far.get(&k).map_or(1.0, |d| d / REFINE_END_M);
            let share = f64::from(shares[k]) * smooth(end);
            if share.is_finite() && !stands_alone(pair, k) {
                *w += (1.0 - *w) * share;
            }
        }
        self
    }

    /// The nodes that the weights are for.
    #[must_use]
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// Weight of the new height at a node: 0 old alone, 1 new alone.
    #[must_use]
    pub fn weight(&self, node: usize) -> f64 {
        self.weight[node]
    }

    /// The weight at a row of the lattice and a column; 0 off the grid.
    #[must_use]
    pub fn at(&self, row: usize, column: usize) -> f64 {
        self.grid.node(row, column).map_or(0.0, |k| self.weight[k])
    }

    /// How the weight changes along s and t there, 1/m.
    #[must_use]
    pub fn slopes(&self, row: usize, column: usize) -> [f64; 2] {
        let node = self.grid.node(row, column);
        node.map_or([0.0; 2], |k| self.slopes_of(k))
    }

    /// The same at the node nearest to (s, t).
    #[must_use]
    pub fn slopes_at(&self, s_m: f64, t_m: f64) -> [f64; 2] {
        let node = self.nearest(s_m, t_m);
        node.map_or([0.0; 2], |k| self.slopes_of(k))
    }

    fn slopes_of(&self, k: usize) -> [f64; 2] {
        let column = k % self.grid.columns();
        let (columns, [hs, ht]) = (self.grid.columns(), self.grid.steps_m());
        let own = k / columns;
        let of = |r: Option<usize>| r.map_or(0.0, |r| self.weight[r * columns + column]);
        let along = of(self.grid.next(own)) - of(self.grid.previous(own));
        let left = if column + 1 < columns {
            self.weight[k + 1]
        } else {
            self.weight[k]
        };
        let right = if column > 0 {
            self.weight[k - 1]
        } else {
            self.weight[k]
        };
        [0.5 * along / hs, 0.5 * (left - right) / ht]
    }

    /// Whether (s, t) lies in a change or its margin, where the new heights count alone.
    #[must_use]
    pub fn is_new(&self, s_m: f64, t_m: f64) -> bool {
        self.nearest(s_m, t_m).is_some_and(|k| self.core[k])
    }

    /// The weight at (s, t): that of the nearest node.
    #[must_use]
    pub fn weight_at(&self, s_m: f64, t_m: f64) -> f64 {
        self.nearest(s_m, t_m).map_or(0.0, |k| self.weight[k])
    }

    /// Whether the node nearest to (s, t) or one of its neighbours has a weight.
    #[must_use]
    pub fn touches(&self, s_m: f64, t_m: f64) -> bool {
        self.nearest(s_m, t_m).is_some_and(|k| {
            let mut near = self.grid.around(k).chain([k]);
            near.any(|n| self.weight[n] > 0.0)
        })
    }

    fn nearest(&self, s_m: f64, t_m: f64) -> Option<usize> {
        let lattice = self.grid.lattice();
        let row = (s_m / lattice.s_step_m).round();
        let rows = lattice.rows as f64;
        let row = if lattice.closed {
            row.rem_euclid(rows)
        } else {
            row
        };
        let column = (t_m / lattice.t_step_m).round() - f64::from(lattice.first_column);
        let known = row >= 0.0 && row < rows && column >= 0.0;
        known.then(|| self.grid.node(to_index(row), to_index(column)))?
    }

    /// Rows of the lattice, in order, in which some weight is not zero.
    #[must_use]
    pub fn touched_rows(&self) -> Vec<usize> {
        let columns = self.grid.columns();
        let touched = |row: &usize| {
            let own = &self.weight[row * columns..(row + 1) * columns];
            own.iter().any(|w| *w > 0.0)
        };
        let rows = (0..self.grid.rows()).filter(touched);
        rows.map(|row| self.grid.row_and_column(row * columns).0)
            .collect()
    }
}

/// The length over which an offset is blended, metres.
fn length_m(grid: &Grid, offset_m: f64) -> f64 {
    let step = grid.lattice().t_step_m;
    let wanted = (6.0 * offset_m.abs() * step / SLOPE_JUMP).sqrt();
    wanted.clamp(LENGTH_M[0], LENGTH_M[1])
}

/// A region's nodes with its margin; in the margin only where there are new heights.
fn margin(pair: &Pair, region: &Region) -> Vec<usize> {
    let steps = to_index((MARGIN_M / pair.grid.lattice().t_step_m).ceil());
    let own = &region.nodes;
    let mut out = region.widened(&pair.grid, steps);
    out.retain(|k| own.binary_search(k).is_ok() || !stands_alone(pair, *k));
    out
}

/// Whether a node has an old height and no new one, or lies at the end of a scanned stretch.
fn stands_alone(pair: &Pair, node: usize) -> bool {
    let grid = &pair.grid;
    let row = node / grid.columns();
    let lattice_row = grid.row_and_column(node).0;
    let open_end = !grid.lattice().closed;
    let last = lattice_row + 1 == grid.lattice().rows && open_end;
    let first = lattice_row == 0 && open_end;
    let end = (grid.next(row).is_none() && !last) || (grid.previous(row).is_none() && !first);
    end || (pair.old_m[node].is_finite() && !pair.new_m[node].is_finite())
}

/// Weights outside of the nodes `inside`, over `length_m`.
fn around(pair: &Pair, inside: &[usize], length_m: f64) -> Vec<(usize, f64)> {
    let grid = &pair.grid;
    let near = distances(grid, inside, length_m);
    let mut alone: Vec<usize> = near
        .keys()
        .copied()
        .filter(|&k| stands_alone(pair, k))
        .collect();
    alone.retain(|k| inside.binary_search(k).is_err());
    alone.sort_unstable();
    let ends = distances(grid, &alone, length_m);
    let weight = |(&k, &a): (&usize, &f64)| {
        let b = (length_m - a).min(ends.get(&k).copied().unwrap_or(f64::INFINITY));
        (k, smooth(b.max(0.0) / (a + b.max(0.0)).max(1e-9)))
    };
    near.iter().filter(|(_, a)| **a > 0.0).map(weight).collect()
}

fn smooth(u: f64) -> f64 {
    let u = u.clamp(0.0, 1.0);
    u * u * (3.0 - 2.0 * u)
}

/// A node on its way: how far off (in 2⁻²⁰ m², so that order is exact), which, and the steps to its
/// source.
type Waiting = Reverse<(u64, usize, i32, i32)>;

/// Distance of nodes within `reach_m` to the nearest of `sources`, metres.
///
/// Steps to the nearest source are handed from neighbour to neighbour, nearest first; that is the
/// Euclidean distance but for a hundredth of a step in rare places.
fn distances(grid: &Grid, sources: &[usize], reach_m: f64) -> HashMap<usize, f64> {
    let [hs, ht] = grid.steps_m();
    let square = |i: i32, j: i32| (f64::from(i) * hs).powi(2) + (f64::from(j) * ht).powi(2);
    let mut out: HashMap<usize, f64> = HashMap::new();
    let mut waiting: BinaryHeap<Waiting> = sources.iter().map(|&k| Reverse((0, k, 0, 0))).collect();
    while let Some(Reverse((_, k, i, j))) = waiting.pop() {
        let distance = square(i, j).sqrt();
        if distance > reach_m || out.contains_key(&k) {
            continue;
        }
        out.insert(k, distance);
        for (near, di, dj) in steps_around(grid, k) {
            if !out.contains_key(&near) {
                let (i, j) = (i + di, j + dj);
                waiting.push(Reverse((fixed(square(i, j)), near, i, j)));
            }
        }
    }
    out
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "squares of metres"
)]
fn fixed(square_m2: f64) -> u64 {
    (square_m2 * f64::from(1u32 << 20)) as u64
}

/// Neighbours of a node with the steps to them.
fn steps_around(grid: &Grid, node: usize) -> Vec<(usize, i32, i32)> {
    let columns = grid.columns();
    let (row, column) = (node / columns, node % columns);
    let rows = [
        (grid.previous(row), -1),
        (Some(row), 0),
        (grid.next(row), 1),
    ];
    let mut out = Vec::with_capacity(8);
    for (r, di) in rows.into_iter().filter_map(|(r, di)| Some((r?, di))) {
        if column > 0 {
            out.push((r * columns + column - 1, di, -1));
        }
        if di != 0 {
            out.push((r * columns + column, di, 0));
        }
        if column + 1 < columns {
            out.push((r * columns + column + 1, di, 1));
        }
    }
    out
}
