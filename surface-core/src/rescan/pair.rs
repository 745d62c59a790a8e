//! Two states of the road on the rows that both have.

use super::grid::Grid;
use crate::field::{CellMeans, FieldRows, flags};
use crate::numeric::to_f32;

/// Old and new heights, node by node, with what is known of them.
#[derive(Debug, Clone)]
pub struct Pair {
    /// Which nodes there are.
    pub grid: Grid,
    /// Old heights, metres; NaN where there is none.
    pub old_m: Vec<f64>,
    /// New heights, metres; NaN where there is none.
    pub new_m: Vec<f64>,
    /// Standard deviations of the old and the new heights, metres, as their fits tell.
    pub sigma_m: Vec<[f32; 2]>,
    /// Standard deviations of the means of the node's cell, of old and new points, metres; NaN where one
    /// of them has none.
    cell_sigma_m: Vec<[f32; 2]>,
    /// Whether the node lies between the edges.
    pub inside: Vec<bool>,
    /// Whether the new height is carried over from its surroundings: its cell has no new points.
    pub bridged: Vec<bool>,
    /// Mean of the new points of the node's cell less that of the old ones, less the old surface
    /// where there were none, metres, and its weight 1/σ²; without weight where there are no new
    /// points, or where it was not asked for.
    pub cells: Vec<[f32; 2]>,
}

impl Pair {
    /// A pair without heights yet.
    #[must_use]
    pub fn new(grid: Grid) -> Self {
        let nodes = grid.nodes();
        Self {
            grid,
            old_m: vec![f64::NAN; nodes],
            new_m: vec![f64::NAN; nodes],
            sigma_m: vec![[f32::NAN; 2]; nodes],
            cell_sigma_m: vec![[f32::NAN; 2]; nodes],
            inside: vec![false; nodes],
            bridged: vec![false; nodes],
            cells: vec![[0.0; 2]; nodes],
        }
    }

    /// Take in rows of the old and the new field (the same rows).
    pub fn put(&mut self, old: &FieldRows, new: &FieldRows) {
        let columns = self.grid.columns();
        for local in 0..old.rows.min(new.rows) {
            let Some(first) = self.grid.node(old.first_row + local, 0) else {
                continue;
            };
            for column in 0..columns {
                let (k, out) = (local * columns + column, first + column);
                self.old_m[out] = old.z_m[k];
                self.new_m[out] = new.z_m[k];
                self.sigma_m[out] = [old.sigma_m[k], new.sigma_m[k]];
                self.bridged[out] = new.flags[k] & flags::BRIDGED != 0;
                self.inside[out] = (old.flags[k] | new.flags[k]) & flags::INSIDE != 0;
            }
        }
    }

    /// Take in the cells of the old and of the new points of the same rows, both over the old surface.
    pub fn put_cells(&mut self, old: &CellMeans, new: &CellMeans) {
        for k in 0..new.weight.len() {
            let (row, column) = (k / new.columns, k % new.columns);
            let node = self.grid.node(new.first_row + row, column);
            if let Some((node, [over, weight])) = node.zip(new.cell(k)) {
                let [was, old_weight] = old.cell(k).unwrap_or([0.0, f64::INFINITY]);
                let both = 1.0 / (1.0 / weight + 1.0 / old_weight);
                self.cells[node] = [to_f32(over - was), to_f32(both)];
                if old_weight.is_finite() {
                    let of = |weight: f64| to_f32(weight.sqrt().recip());
                    self.cell_sigma_m[node] = [of(old_weight), of(weight)];
                }
            }
        }
    }

    /// Whether there are cells of new points.
    #[must_use]
    pub(super) fn has_cells(&self) -> bool {
        self.cells.iter().any(|c| c[1] > 0.0)
    }

    /// New height less old, metres; NaN where one is missing.
    #[must_use]
    pub fn difference_m(&self, node: usize) -> f64 {
        self.new_m[node] - self.old_m[node]
    }

    /// What the σ of both heights are worth where these are held against each other, metres: as the fits
    /// tell, but of a height that is rough in one state alone no more than its own cell has. A fit's σ
    /// counts the waves that it leaves out; what one state has of them and the other has not is the
    /// change itself. (What a setup's points have in common, which no cell tells, is learnt with all
    /// else that differences of unchanged road have.)
    pub(super) fn sigma_of_change_m(&self, node: usize) -> [f32; 2] {
        of_change(self.sigma_m[node], self.cell_sigma_m[node])
    }

    /// How much each node's height differs from what its neighbours along s and t lead to expect,
    /// in the smoother of both states, metres: at kerbs, ribs and seams two scans differ by more
    /// than their noise. Only one rough state is a change, so the smoother counts.
    #[must_use]
    pub fn relief_m(&self) -> Vec<f32> {
        let of = |z: &[f64], k: usize| {
            let (columns, grid) = (self.grid.columns(), &self.grid);
            let (row, column) = (k / columns, k % columns);
            let bend = |a: Option<usize>, b: Option<usize>| match (a, b) {
                (Some(a), Some(b)) => (0.5 * (z[a] + z[b]) - z[k]).abs(),
                _ => 0.0,
            };
            let at = |r: Option<usize>| r.map(|r| r * columns + column);
            let along = bend(at(grid.previous(row)), at(grid.next(row)));
            let right = column.checked_sub(1).map(|_| k - 1);
            let across = bend(right, (column + 1 < columns).then_some(k + 1));
            // `max` takes the number where the other is none.
            along.max(across)
        };
        let nodes = 0..self.grid.nodes();
        let least = |k: usize| to_f32(of(&self.old_m, k).min(of(&self.new_m, k)));
        let own: Vec<f32> = nodes.clone().map(least).collect();
        let widest = |k: usize| {
            let near = self.grid.around(k).map(|n| own[n]);
            near.fold(own[k], f32::max)
        };
        nodes.map(widest).collect()
    }
}

/// See [`Pair::sigma_of_change_m`].
fn of_change([old, new]: [f32; 2], [old_cell, new_cell]: [f32; 2]) -> [f32; 2] {
    // `max` takes the number where the other is none.
    let rough = |own: f32, other: f32, cell: f32| {
        if cell.is_nan() || own.is_nan() {
            own
        } else {
            own.min(other.max(cell))
        }
    };
    [rough(old, new, old_cell), rough(new, old, new_cell)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[expect(clippy::float_cmp, reason = "one of the numbers given comes back")]
    fn a_height_that_is_rough_in_one_state_alone_has_the_sigma_of_its_cell() {
        let told = |sigma, cell| of_change(sigma, cell);
        // A pothole of 3 mm that is gone, and a new one.
        assert_eq!(told([3e-3, 3e-4], [5e-4, 5e-4]), [5e-4, 3e-4]);
        assert_eq!(told([3e-4, 3e-3], [5e-4, 6e-4]), [3e-4, 6e-4]);
        // A kerb in both; smooth road, the second scan thinner.
        assert_eq!(told([2e-3, 2.2e-3], [5e-4, 5e-4]), [2e-3, 2e-3]);
        assert_eq!(told([3e-4, 6e-4], [5e-4, 2e-3]), [3e-4, 6e-4]);
        // Nothing known of cells.
        assert_eq!(told([3e-3, 3e-4], [f32::NAN; 2]), [3e-3, 3e-4]);
        assert!(told([f32::NAN, 3e-4], [f32::NAN; 2])[0].is_nan());
        assert!(told([f32::NAN, 3e-4], [5e-4; 2])[0].is_nan());
    }
}
