//! How large a change is: its volume and its area, told from the cells of the old and the new points
//! where they stand out, and from the fitted heights where not.
//!
//! A fit's window smears what is as narrow as itself, and Tukey's weights make it take the flanks of
//! a bump for strays: windows as wide as the road's kept 80 to 105 % of the volume of a bump of 12 mm
//! over 0.5 m and doubled its area. The robust means of single cells do neither. So
//!
//! - the volume is the integral of new cells less old ones (less the old surface where there are
//!   none), meant over 3 × 3 cells (a linear window of fixed width, which keeps integrals), over the
//!   change and 0.3 m around;
//! - the area is where the change is over half of its bulk height ∫d²/∫d. That is its height where
//!   it is a panel, nine sixteenths of the greatest for a hump of cosines; half of it is the place at
//!   which neither a symmetric smear nor noise moves a border. Single cells are taken where the bulk
//!   height is over five times their scatter, else the fitted heights.

use std::collections::HashMap;

use super::measure::{SKIRT_M, steps};
use super::pair::Pair;
use super::regions::Region;
use crate::numeric::{mad_sigma, median};

/// The volume and the heights count so far beyond what changed, metres.
const HEIGHTS_SKIRT_M: f64 = 0.2;
/// Single cells tell the area when the bulk height is over this many times their scatter.
const STANDS_OUT: f64 = 5.0;
/// Values further than this many standard deviations from the ground around are no ground.
const CLIP_SDS: f64 = 3.0;
/// A cell's square is looked at in so many places a side for the area.
const PARTS: i32 = 8;

/// Volume and area of a change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Extent {
    /// New less old over the ground around, m³.
    pub volume_m3: f64,
    /// Where it is over half of its bulk height, m²; `None` where noise leaves no bulk height.
    pub area_m2: Option<f64>,
}

/// What is measured: a region, the nodes of the ground around it, and the area of a node.
pub(super) struct Measured<'a> {
    pub pair: &'a Pair,
    pub region: &'a Region,
    pub ring: &'a [usize],
    pub area_m2: &'a dyn Fn(usize) -> f64,
}

/// Values by node over the ground around, positive where they go the way of the change.
struct Layer {
    values: HashMap<usize, f64>,
    /// Robust spread of the ground around, metres.
    sd_m: f64,
}

impl Measured<'_> {
    pub fn extent(&self) -> Extent {
        let grid = &self.pair.grid;
        let [far, near] = [SKIRT_M, HEIGHTS_SKIRT_M]
            .map(|reach_m| self.region.widened(grid, steps(self.pair, reach_m)));
        let sign = if self.region.rose { 1.0 } else { -1.0 };
        let (window_off, _) = ground(self.ring, &|k| self.windowed_m(k));
        let windowed = |k: usize| sign * (self.windowed_m(k) - window_off);
        let (fit_off, fit_sd) = ground(self.ring, &|k| self.pair.difference_m(k));
        let fit = |k: usize| sign * (self.pair.difference_m(k) - fit_off);
        let (_, cell_sd) = ground(self.ring, &|k| self.cell_m(k));
        let cell = |k: usize| sign * (self.filled_m(k) - window_off);
        let layer = |of: &dyn Fn(usize) -> f64, sd_m: f64| {
            let known = far.iter().map(|&k| (k, of(k)));
            let values = known.filter(|(_, v)| v.is_finite()).collect();
            Layer { values, sd_m }
        };
        let cells = layer(&cell, cell_sd);
        let sharp = self
            .bulk_m(&cells, &near, &windowed)
            .filter(|bulk| *bulk > STANDS_OUT * cell_sd && self.pair.has_cells());
        let area_m2 = match sharp {
            Some(bulk) => Some(self.beyond_m2(&cells, &near, 0.5 * bulk)),
            None => {
                let fitted = layer(&fit, fit_sd);
                let bulk = self.bulk_m(&fitted, &near, &fit);
                bulk.map(|bulk| self.beyond_m2(&fitted, &near, 0.5 * bulk))
            }
        };
        Extent {
            volume_m3: sign * self.integral(&far, &windowed),
            area_m2,
        }
    }

    /// The new points' cell less the old one, metres; NaN where it has no points.
    fn cell_m(&self, node: usize) -> f64 {
        let [over, weight] = self.pair.cells[node].map(f64::from);
        if weight > 0.0 { over } else { f64::NAN }
    }

    /// The same meant over 3 × 3 cells. Weights would take ground out of holes: where a side of one
    /// passes through a cell, its mean is known a hundred times worse than that of the even ground
    /// beside it.
    fn windowed_m(&self, node: usize) -> f64 {
        if !self.pair.difference_m(node).is_finite() {
            return f64::NAN;
        }
        self.around_m(node, &|k| self.filled_m(k))
            .unwrap_or(f64::NAN)
    }

    /// The cell; the fitted difference where it has no points, moved by as much as the cells around
    /// are off theirs.
    fn filled_m(&self, node: usize) -> f64 {
        let (own, fitted) = (self.cell_m(node), self.pair.difference_m(node));
        if own.is_finite() {
            return own;
        }
        let off = |k: usize| self.cell_m(k) - self.pair.difference_m(k);
        fitted + self.around_m(node, &off).unwrap_or(0.0)
    }

    /// Mean of what is known over 3 × 3 nodes, the middle one counting four times as much as a corner.
    fn around_m(&self, node: usize, of: &dyn Fn(usize) -> f64) -> Option<f64> {
        let columns = self.pair.grid.columns();
        let share = |k: usize| match (k / columns == node / columns, k % columns == node % columns)
        {
            (true, true) => 4.0,
            (false, false) => 1.0,
            _ => 2.0,
        };
        let near = self.pair.grid.around(node).chain([node]);
        let known = near
            .map(|k| (share(k), of(k)))
            .filter(|(_, v)| v.is_finite());
        let (all, sum) = known.fold((0.0, 0.0), |(all, sum), (share, v)| {
            (all + share, sum + share * v)
        });
        (all > 0.0).then(|| sum / all)
    }

    fn integral(&self, nodes: &[usize], of: &dyn Fn(usize) -> f64) -> f64 {
        let part = |&k: &usize| {
            Some(of(k))
                .filter(|v| v.is_finite())
                .map(|v| v * (self.area_m2)(k))
        };
        nodes.iter().filter_map(part).sum()
    }

    /// ∫d²/∫d, the noise's share of the former taken off.
    fn bulk_m(&self, layer: &Layer, nodes: &[usize], mean: &dyn Fn(usize) -> f64) -> Option<f64> {
        let square = |k: usize| {
            let value = layer.values.get(&k).copied().unwrap_or(f64::NAN);
            value * value - layer.sd_m * layer.sd_m
        };
        let (squares, sum) = (self.integral(nodes, &square), self.integral(nodes, mean));
        Some(squares / sum).filter(|bulk| *bulk > 0.0 && sum > 0.0)
    }

    /// Area over which the layer, linear between nodes, is over `limit_m`.
    fn beyond_m2(&self, layer: &Layer, nodes: &[usize], limit_m: f64) -> f64 {
        let all = f64::from(PARTS * PARTS);
        let share = |&k: &usize| {
            let corners = self.corners(layer, k)?;
            let part = |i: i32| (f64::from(i) + 0.5) / f64::from(PARTS) - 0.5;
            let places = (0..PARTS).flat_map(|i| (0..PARTS).map(move |j| [part(i), part(j)]));
            let beyond = places.filter(|p| between(&corners, *p) > limit_m).count();
            Some(beyond as f64 / all * (self.area_m2)(k))
        };
        nodes.iter().filter_map(share).sum()
    }

    /// A node's value and its eight neighbours', row by row; its own for those that there are not.
    fn corners(&self, layer: &Layer, node: usize) -> Option<[[f64; 3]; 3]> {
        let own = layer.values.get(&node).copied()?;
        let grid = &self.pair.grid;
        let (row, column) = (node / grid.columns(), node % grid.columns());
        let mut out = [[own; 3]; 3];
        let rows = [grid.previous(row), Some(row), grid.next(row)];
        for (i, row) in rows.into_iter().enumerate() {
            for (j, value) in out[i].iter_mut().enumerate() {
                let place = row.zip((column + j).checked_sub(1));
                let place = place.filter(|(_, c)| *c < grid.columns());
                let found = place.and_then(|(r, c)| layer.values.get(&(r * grid.columns() + c)));
                *value = found.copied().unwrap_or(own);
            }
        }
        Some(out)
    }
}

/// The value at (u, v) steps from the middle one, linear between nodes.
fn between(corners: &[[f64; 3]; 3], [u, v]: [f64; 2]) -> f64 {
    let side = |x: f64| if x < 0.0 { 0 } else { 2 };
    let (i, j, u, v) = (side(u), side(v), u.abs(), v.abs());
    let row = |k: usize| (1.0 - v) * corners[k][1] + v * corners[k][j];
    (1.0 - u) * row(1) + u * row(i)
}

/// Mean of the ground around without what stands out of it, and its robust spread; zero where there
/// is none.
fn ground(ring: &[usize], of: &dyn Fn(usize) -> f64) -> (f64, f64) {
    let known: Vec<f64> = ring
        .iter()
        .map(|&k| of(k))
        .filter(|v| v.is_finite())
        .collect();
    let middle = median(&mut known.clone()).unwrap_or(0.0);
    let sd = mad_sigma(&mut known.clone(), middle).unwrap_or(0.0);
    let near = known
        .iter()
        .filter(|v| (**v - middle).abs() <= CLIP_SDS * sd);
    let (sum, n) = near.fold((0.0, 0.0), |(sum, n), v| (sum + v, n + 1.0));
    (if n > 0.0 { sum / n } else { middle }, sd)
}
