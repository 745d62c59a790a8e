//! Cells that changed, joined to connected places.

use super::grid::Grid;

/// A connected place at which the road rose, or fell.
#[derive(Debug, Clone, PartialEq)]
pub struct Region {
    /// Its nodes in ascending order.
    pub nodes: Vec<usize>,
    /// Whether it rose.
    pub rose: bool,
}

/// All connected places of a pair, in order of their first node.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Regions {
    /// The places.
    pub list: Vec<Region>,
    /// By node: number of its place from 1; 0 for none.
    pub label: Vec<u32>,
}

/// Holes up to this large are part of the change around them, m².
const HOLE_M2: f64 = 4.0;

impl Regions {
    /// Join nodes of one sign (−1, 0 for none, 1) that touch; places without a `seed` or of fewer
    /// than `least` nodes are left out, small holes are filled.
    #[must_use]
    pub fn join(grid: &Grid, sign: &[i8], seed: &[bool], least: usize) -> Self {
        let mut out = Self {
            list: Vec::new(),
            label: vec![0; grid.nodes()],
        };
        let mut seen = vec![false; grid.nodes()];
        for start in 0..grid.nodes() {
            if sign[start] == 0 || seen[start] {
                continue;
            }
            let alike = |k: usize| sign[k] == sign[start];
            let nodes = flood(grid, start, &mut seen, &alike, true);
            if nodes.len() >= least && nodes.iter().any(|&k| seed[k]) {
                out.list.push(Region {
                    nodes,
                    rose: sign[start] > 0,
                });
            }
        }
        out.relabel();
        out.fill_holes(grid);
        out
    }

    /// The places that `keep` holds.
    #[must_use]
    pub fn filtered(mut self, keep: impl FnMut(&Region) -> bool) -> Self {
        self.list.retain(keep);
        self.relabel();
        self
    }

    /// Less the places that lie mostly within `steps` nodes of one of at least five times their
    /// size: a fit that sees a change in part swings to the other side beside it.
    #[must_use]
    pub fn without_rims(self, grid: &Grid, steps: usize) -> Self {
        let wide: Vec<Vec<usize>> = self.list.iter().map(|r| r.widened(grid, steps)).collect();
        let size = |r: &Region| r.nodes.len();
        let is_rim = |small: &Region| {
            let large = self
                .list
                .iter()
                .zip(&wide)
                .filter(|(r, _)| size(r) >= 5 * size(small));
            large.into_iter().any(|(_, wide)| {
                let near = |k: &&usize| wide.binary_search(k).is_ok();
                2 * small.nodes.iter().filter(near).count() >= size(small)
            })
        };
        let rims: Vec<bool> = self.list.iter().map(is_rim).collect();
        let mut rims = rims.into_iter();
        self.filtered(|_| !rims.next().unwrap_or(false))
    }

    fn relabel(&mut self) {
        self.label.fill(0);
        for (number, region) in (1u32..).zip(&self.list) {
            region.nodes.iter().for_each(|&k| self.label[k] = number);
        }
    }

    /// Nodes that one place surrounds become part of it, as far as the hole is small.
    fn fill_holes(&mut self, grid: &Grid) {
        let [hs, ht] = grid.steps_m();
        let most = HOLE_M2 / (hs * ht);
        let mut seen: Vec<bool> = self.label.iter().map(|&l| l != 0).collect();
        for start in 0..grid.nodes() {
            if seen[start] {
                continue;
            }
            let label = &self.label;
            let free = |k: usize| label[k] == 0;
            let hole = flood(grid, start, &mut seen, &free, false);
            if hole.len() as f64 > most {
                continue;
            }
            if let Some(owner) = self.only_owner(grid, &hole) {
                hole.iter().for_each(|&k| self.label[k] = owner);
                let region = &mut self.list[owner as usize - 1];
                region.nodes.extend(&hole);
                region.nodes.sort_unstable();
            }
        }
    }

    /// The one place around a hole; `None` where it opens to the border of the grid or to several.
    fn only_owner(&self, grid: &Grid, hole: &[usize]) -> Option<u32> {
        let columns = grid.columns();
        let mut owner = None;
        for &k in hole {
            let (row, column) = (k / columns, k % columns);
            grid.next(row)?;
            grid.previous(row)?;
            if column == 0 || column + 1 == columns {
                return None;
            }
            for label in grid.around(k).map(|n| self.label[n]).filter(|&l| l != 0) {
                if *owner.get_or_insert(label) != label {
                    return None;
                }
            }
        }
        owner
    }

    /// Whether each node lies within `steps` nodes of a place.
    #[must_use]
    pub fn widened(&self, grid: &Grid, steps: usize) -> Vec<bool> {
        let mut out: Vec<bool> = self.label.iter().map(|&l| l != 0).collect();
        let mut edge: Vec<usize> = (0..out.len()).filter(|&k| out[k]).collect();
        for _ in 0..steps {
            edge = widen(grid, &edge, &mut out);
        }
        out
    }
}

impl Region {
    /// Its nodes and those within `steps` nodes of it, in ascending order.
    #[must_use]
    pub fn widened(&self, grid: &Grid, steps: usize) -> Vec<usize> {
        let mut inside = std::collections::BTreeSet::from_iter(self.nodes.iter().copied());
        let mut edge = self.nodes.clone();
        for _ in 0..steps {
            let near = edge.iter().flat_map(|&k| grid.around(k));
            let mut new: Vec<usize> = near.filter(|k| !inside.contains(k)).collect();
            new.sort_unstable();
            new.dedup();
            inside.extend(&new);
            edge = new;
        }
        inside.into_iter().collect()
    }
}

/// One step outwards: the nodes that are new.
fn widen(grid: &Grid, edge: &[usize], inside: &mut [bool]) -> Vec<usize> {
    let mut out = Vec::new();
    for near in edge.iter().flat_map(|&k| grid.around(k)) {
        if !std::mem::replace(&mut inside[near], true) {
            out.push(near);
        }
    }
    out
}

/// The nodes that hang together with `start`, over corners too when `corners`.
fn flood(
    grid: &Grid,
    start: usize,
    seen: &mut [bool],
    alike: &dyn Fn(usize) -> bool,
    corners: bool,
) -> Vec<usize> {
    let columns = grid.columns();
    let (mut out, mut waiting) = (Vec::new(), vec![start]);
    seen[start] = true;
    while let Some(k) = waiting.pop() {
        out.push(k);
        let side = |n: &usize| corners || n % columns == k % columns || n / columns == k / columns;
        for near in grid.around(k).filter(side) {
            if !seen[near] && alike(near) {
                seen[near] = true;
                waiting.push(near);
            }
        }
    }
    out.sort_unstable();
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::Lattice;

    #[test]
    fn touching_nodes_of_one_sign_are_one_place_with_its_holes_filled() {
        let lattice = Lattice::new([0.1, 0.1], 40, 0..20, false).unwrap();
        let grid = Grid::new(lattice, std::slice::from_ref(&(0..40)));
        let mut sign = vec![0i8; grid.nodes()];
        for row in 5..15 {
            for column in 5..12 {
                sign[row * 20 + column] = 1;
            }
        }
        sign[8 * 20 + 8] = 0;
        sign[20 * 20 + 3] = -1;
        sign[21 * 20 + 4] = -1;
        sign[30 * 20 + 4] = -1;
        let seed: Vec<bool> = (0..grid.nodes())
            .map(|k| k == 6 * 20 + 6 || k == 403)
            .collect();
        let found = Regions::join(&grid, &sign, &seed, 2);
        let sizes: Vec<(usize, bool)> =
            found.list.iter().map(|r| (r.nodes.len(), r.rose)).collect();
        assert_eq!(sizes, [(70, true), (2, false)]);
        assert_eq!(found.label[8 * 20 + 8], 1);
        let wide = found.widened(&grid, 1).iter().filter(|w| **w).count();
        assert_eq!(wide, 12 * 9 + 14);
        assert_eq!(found.list[0].widened(&grid, 1).len(), 12 * 9);
        assert_eq!(found.clone().without_rims(&grid, 5).list.len(), 2);
        assert_eq!(found.without_rims(&grid, 7).list.len(), 1);
    }
}
