//! What the points of single cells say, kept with the surface: a later scan can be held against them
//! without the points.

use super::cells::CellSums;
use super::lattice::{FieldRows, LatticeError};
use crate::numeric::to_f32;

/// Robust means of the points of single cells over a surface, row-major, one a node.
///
/// With the heights and slopes of that surface they are the cells' additive sums again: the weight,
/// and the weighted height where the points lie. No window has smeared them.
#[derive(Debug, Clone, PartialEq)]
pub struct CellMeans {
    /// Global index of the first row.
    pub first_row: usize,
    /// Cells a row.
    pub columns: usize,
    /// Mean of the cell's points less the surface where they lie, metres; NaN where there is none.
    pub over_m: Vec<f32>,
    /// Its weight Σ1/σ_z², 1/m².
    pub weight: Vec<f32>,
}

impl CellMeans {
    /// Cells without points.
    #[must_use]
    pub fn empty(first_row: usize, rows: usize, columns: usize) -> Self {
        Self {
            first_row,
            columns,
            over_m: vec![f32::NAN; rows * columns],
            weight: vec![0.0; rows * columns],
        }
    }

    /// How far do the points of each cell lie over the surface of `rows`?
    ///
    /// # Errors
    /// [`LatticeError::Length`] when the sums are not those of the same rows.
    pub fn over(rows: &FieldRows, sums: &CellSums) -> Result<Self, LatticeError> {
        if sums.w.len() != rows.z_m.len() || sums.first_row != rows.first_row {
            return Err(LatticeError::Length {
                name: "sums of cells",
                found: sums.w.len(),
                expected: rows.z_m.len(),
            });
        }
        let mut out = Self::empty(rows.first_row, rows.rows, sums.columns);
        for k in (0..sums.w.len()).filter(|&k| sums.w[k] > 0.0) {
            let [slope_s, slope_t] = [rows.slope_s[k], rows.slope_t[k]].map(f64::from);
            let tilted = slope_s * sums.ws[k] + slope_t * sums.wt[k];
            let over = (sums.wz[k] - tilted) / sums.w[k] - rows.z_m[k];
            if over.is_finite() {
                out.over_m[k] = to_f32(over);
                out.weight[k] = to_f32(sums.w[k]);
            }
        }
        Ok(out)
    }

    /// Mean and weight of a cell; `None` where there are no points.
    #[must_use]
    pub fn cell(&self, k: usize) -> Option<[f64; 2]> {
        let weight = *self.weight.get(k)?;
        (weight > 0.0).then(|| [self.over_m[k], weight].map(f64::from))
    }

    /// The same cells over a surface that lies `raised_m` higher at cell `k`.
    pub fn raise(&mut self, k: usize, raised_m: f64) {
        self.over_m[k] = to_f32(f64::from(self.over_m[k]) - raised_m);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::Lattice;

    #[test]
    fn a_cell_is_held_against_the_plane_where_its_points_lie() {
        let lattice = Lattice::new([0.1, 0.1], 2, -1..2, false).unwrap();
        let mut rows = FieldRows::empty(lattice, 0, 2).unwrap();
        rows.z_m.fill(5.0);
        rows.slope_s.fill(0.02);
        rows.slope_t.fill(-0.01);
        let mut sums = CellSums::empty(0, 2, 3);
        // Two points' weight, 0.03 m ahead and 0.02 m to the left of the node, 4 mm over the plane.
        sums.w[4] = 2e6;
        sums.ws[4] = 2e6 * 0.03;
        sums.wt[4] = 2e6 * 0.02;
        sums.wz[4] = 2e6 * (5.0 + 0.02 * 0.03 - 0.01 * 0.02 + 4e-3);
        let mut means = CellMeans::over(&rows, &sums).unwrap();
        let [over, weight] = means.cell(4).unwrap();
        assert!((over - 4e-3).abs() < 1e-8 && (weight - 2e6).abs() < 1.0);
        assert_eq!(means.cell(3), None);
        means.raise(4, 1e-3);
        assert!((means.cell(4).unwrap()[0] - 3e-3).abs() < 1e-8);
        assert!(CellMeans::over(&rows, &CellSums::empty(0, 1, 3)).is_err());
    }
}
