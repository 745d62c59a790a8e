//! How even the ground is, cell by cell, and how bright.

use super::cells::{GroundRaster, cells_in};
use super::split::quantile;
use crate::progress::{Cancelled, Counted, Progress};

/// Evenness and brightness of the occupied cells, in the order of [`GroundRaster::ground`].
#[derive(Debug)]
pub(super) struct Features {
    /// ln(unevenness in mm): inner spread and distance from the neighbours' plane, the median of
    /// the cell and its neighbours. NaN where too little is known.
    pub log_uneven: Vec<f64>,
    /// ln(1 + intensity) less its median in the wider surroundings. Empty if all are equal.
    pub brightness: Vec<f64>,
    /// Cells with more ln(unevenness in mm) are surely no road: bushes, walls, the steps of stands.
    pub log_uneven_max: f64,
}

/// What is surely no road in cells of [`NARROW_M`], mm. In wider cells the fold where a road meets
/// a bank is as uneven as that without being rough, in proportion to the width: such a road was
/// lost over 50 m of the measured ring road, in cells of 2 m.
const UNEVEN_MAX_MM: f64 = 60.0;
const NARROW_M: f64 = 0.5;

/// Evenness below this is not told apart, millimetres: the noise of the best scanners.
const FLOOR_MM: f64 = 0.2;
/// Residuals are cut to this many metres before weighting, so that a flat cell keeps a scale.
const PLANE_SCALE_MIN_M: f64 = 0.001;
/// Rounds of reweighting of a cell's plane: the weights settle within three.
const PLANE_ROUNDS: usize = 3;
/// Side of the tiles over which the slow trend of the intensity is taken, metres: wider than a
/// road with its verges, narrower than the spacing of the setups.
const TREND_TILE_M: f64 = 24.0;
/// Cells between two calls of progress.
const BATCH: usize = 65_536;

impl Features {
    pub fn of(raster: &GroundRaster, progress: &mut dyn Progress) -> Result<Self, Cancelled> {
        progress.stage(
            "evenness of the ground",
            raster.ground.len() as u64,
            Counted::Cells,
        );
        let mut raw = Vec::with_capacity(raster.ground.len());
        for slot in 0..raster.ground.len() {
            if slot % BATCH == 0 {
                progress.advance(BATCH.min(raster.ground.len() - slot) as u64)?;
            }
            raw.push(unevenness_m(raster, slot).map_or(f64::NAN, |e| (1e3 * e).max(FLOOR_MM).ln()));
        }
        let log_uneven = median_of_neighbours(raster, &raw);
        Ok(Self {
            log_uneven,
            brightness: brightness(raster),
            log_uneven_max: (UNEVEN_MAX_MM * (raster.layout.cell_m / NARROW_M).max(1.0)).ln(),
        })
    }
}

/// Root of inner variance plus squared distance from the neighbours' plane, metres. A cell with
/// something tall all over it has no inner variance: its lowest points speak alone.
fn unevenness_m(raster: &GroundRaster, slot: usize) -> Option<f64> {
    let plane = plane_at(raster, raster.at[slot])?;
    let ground = &raster.ground[slot];
    let layout = &raster.layout;
    let inner = ground.variance_m2(plane.slope, layout.cell_m, raster.grid_cell_m);
    match inner {
        Some(v) => Some((v + plane.residual_m.powi(2)).sqrt()),
        None if ground.is_all_tall() => Some(plane.scale_m.max(plane.residual_m.abs())),
        None => None,
    }
}

struct Plane {
    /// Rise per metre east and north.
    slope: [f64; 2],
    /// Height of the middle cell above the plane.
    residual_m: f64,
    /// Root mean square distance of all nine.
    scale_m: f64,
}

/// Plane through the heights of a cell and its neighbours, reweighted by 1/(1 + (r/s)²) so that a
/// car's side or a wall in one corner does not tip it. `None` with fewer than five cells.
fn plane_at(raster: &GroundRaster, index: usize) -> Option<Plane> {
    let own = raster.get(index)?.height_m();
    let mut cells = [(0.0, 0.0, 0.0); 9];
    let mut n = 0;
    for (k, neighbour) in raster.layout.block(index).into_iter().enumerate() {
        if let Some(g) = raster.get(neighbour) {
            cells[n] = (
                (k % 3) as f64 - 1.0,
                (k / 3) as f64 - 1.0,
                g.height_m() - own,
            );
            n += 1;
        }
    }
    if n < 5 {
        return None;
    }
    let (fit, rms) = fit_plane(&cells[..n])?;
    let m = raster.layout.cell_m;
    Some(Plane {
        slope: [fit[1] / m, fit[2] / m],
        residual_m: -fit[0],
        scale_m: rms,
    })
}

fn fit_plane(cells: &[(f64, f64, f64)]) -> Option<([f64; 3], f64)> {
    let mut weights = [1.0; 9];
    let mut fit = [0.0; 3];
    let mut residuals = [0.0; 9];
    for _ in 0..PLANE_ROUNDS {
        fit = weighted_plane(cells, &weights)?;
        for (r, c) in residuals.iter_mut().zip(cells) {
            *r = (c.2 - fit[0] - fit[1] * c.0 - fit[2] * c.1).abs();
        }
        let mut sorted = residuals;
        let scale = quantile(&mut sorted[..cells.len()], 0.5)?.max(PLANE_SCALE_MIN_M);
        for (w, r) in weights.iter_mut().zip(residuals) {
            *w = 1.0 / (1.0 + (r / scale).powi(2));
        }
    }
    let square: f64 = residuals[..cells.len()].iter().map(|r| r * r).sum();
    Some((fit, (square / cells.len() as f64).sqrt()))
}

/// Normal equations of z = a + b x + c y, solved by Cramer's rule about the weighted centre.
fn weighted_plane(cells: &[(f64, f64, f64)], weights: &[f64; 9]) -> Option<[f64; 3]> {
    let sum = |f: &dyn Fn(&(f64, f64, f64)) -> f64| -> f64 {
        cells.iter().zip(weights).map(|(c, w)| w * f(c)).sum()
    };
    let w = sum(&|_| 1.0);
    let (x, y, z) = (sum(&|c| c.0) / w, sum(&|c| c.1) / w, sum(&|c| c.2) / w);
    let xx = sum(&|c| (c.0 - x).powi(2));
    let xy = sum(&|c| (c.0 - x) * (c.1 - y));
    let yy = sum(&|c| (c.1 - y).powi(2));
    let (xz, yz) = (
        sum(&|c| (c.0 - x) * (c.2 - z)),
        sum(&|c| (c.1 - y) * (c.2 - z)),
    );
    let det = xx * yy - xy * xy;
    if det <= 1e-9 * w * w {
        return None;
    }
    let (b, c) = ((xz * yy - yz * xy) / det, (yz * xx - xz * xy) / det);
    Some([z - b * x - c * y, b, c])
}

/// Median over the known cells of each 3 × 3 block; NaN where fewer than three are known.
fn median_of_neighbours(raster: &GroundRaster, raw: &[f64]) -> Vec<f64> {
    let one = |&index: &usize| {
        let mut known = [0.0; 9];
        let mut n = 0;
        for slot in raster
            .layout
            .block(index)
            .into_iter()
            .filter_map(|k| raster.slot(k))
        {
            if !raw[slot].is_nan() {
                known[n] = raw[slot];
                n += 1;
            }
        }
        if n < 3 {
            f64::NAN
        } else {
            quantile(&mut known[..n], 0.5).unwrap_or(f64::NAN)
        }
    };
    raster.at.iter().map(one).collect()
}

/// ln(1 + intensity) less the median of the tiles around; empty where the cloud has none.
fn brightness(raster: &GroundRaster) -> Vec<f64> {
    let mut values: Vec<f64> = raster
        .ground
        .iter()
        .map(|g| g.intensity().ln_1p())
        .collect();
    let (low, high) = values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &v| {
            (l.min(v), h.max(v))
        });
    if high - low < 1e-3 {
        return Vec::new();
    }
    let trend = Trend::of(raster, &values);
    for (v, &index) in values.iter_mut().zip(&raster.at) {
        *v -= trend.at(raster, index);
    }
    values
}

/// Medians of tiles, averaged over 3 × 3 tiles by count.
struct Trend {
    side: usize,
    columns: usize,
    means: Vec<f64>,
}

impl Trend {
    fn of(raster: &GroundRaster, values: &[f64]) -> Self {
        let layout = &raster.layout;
        let side = cells_in(TREND_TILE_M, layout.cell_m);
        // One empty tile on every side.
        let columns = layout.width.div_ceil(side) + 2;
        let rows = layout.height.div_ceil(side) + 2;
        let mut trend = Self {
            side,
            columns,
            means: Vec::new(),
        };
        let mut tiles = vec![Vec::new(); columns * rows];
        for (&v, &index) in values.iter().zip(&raster.at) {
            tiles[trend.tile(layout.width, index)].push(v);
        }
        let medians: Vec<(f64, f64)> = tiles
            .iter_mut()
            .map(|t| (t.len() as f64, quantile(t, 0.5).unwrap_or(0.0)))
            .collect();
        trend.means = (0..medians.len())
            .map(|t| trend.around(&medians, t))
            .collect();
        trend
    }

    fn tile(&self, width: usize, index: usize) -> usize {
        (index / width / self.side + 1) * self.columns + index % width / self.side + 1
    }

    fn around(&self, medians: &[(f64, f64)], tile: usize) -> f64 {
        let (mut n, mut sum) = (0.0, 0.0);
        for row in [tile.wrapping_sub(self.columns), tile, tile + self.columns] {
            for t in [row.wrapping_sub(1), row, row.wrapping_add(1)] {
                if let Some(&(count, median)) = medians.get(t) {
                    n += count;
                    sum += count * median;
                }
            }
        }
        if n > 0.0 { sum / n } else { 0.0 }
    }

    fn at(&self, raster: &GroundRaster, index: usize) -> f64 {
        self.means[self.tile(raster.layout.width, index)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plane_is_not_tipped_by_one_cell_with_a_wall() {
        let mut cells: Vec<(f64, f64, f64)> = (0..9)
            .map(|k| (f64::from(k % 3) - 1.0, f64::from(k / 3) - 1.0))
            .map(|(x, y)| (x, y, 0.02 * x - 0.01 * y))
            .collect();
        cells[8].2 += 1.0;
        let (fit, _) = fit_plane(&cells).unwrap();
        // Unweighted the wall would lift the middle by 111 mm and tip it by 167 mm a cell; three
        // rounds leave a hundredth of that.
        assert!(
            fit[0].abs() < 2e-3 && (fit[1] - 0.02).abs() < 2e-3,
            "{fit:?}"
        );
    }

    #[test]
    fn cells_in_one_row_carry_no_plane() {
        let row: Vec<(f64, f64, f64)> = (0..5).map(|k| (f64::from(k), 0.0, 0.0)).collect();
        assert!(fit_plane(&row).is_none());
    }
}
