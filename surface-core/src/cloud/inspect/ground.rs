//! How dense and how rough is the cloud over the ground?

use super::repeats::mix;
use super::report::Density;
use crate::cloud::{CellGrid, Columns};

/// Width of a cell, metres: wide enough for a few points of an aerial scan, narrow enough that a
/// road's slope adds little to the spread of heights in it.
const CELL_M: f64 = 0.5;
/// Blocks of 16 m × 16 m held at most (64 kB each, 128 MB in all): half a square kilometre of
/// occupied ground. Beyond that a fixed, ever smaller part of all blocks is looked at.
const MAX_BLOCKS: usize = 2048;
/// Points a cell needs for its spread to mean something.
const SPREAD_POINTS: u32 = 5;

/// The cloud over the ground, in bounded memory. Which blocks are looked at follows from their
/// place alone, so the result does not depend on the order of the points.
#[derive(Debug)]
pub(super) struct Ground {
    grid: CellGrid,
    origin: [f64; 3],
    /// Blocks with a larger hash are not looked at.
    limit: u64,
    kept: Columns,
}

fn block_hash(block: (i32, i32)) -> u64 {
    let word = |v: i32| u64::from(v.cast_unsigned());
    mix(word(block.0) << 32 | word(block.1))
}

impl Ground {
    pub fn new(origin: [f64; 3]) -> Self {
        Self {
            grid: CellGrid::new(CELL_M),
            origin,
            limit: u64::MAX,
            kept: Columns::default(),
        }
    }

    pub fn add(&mut self, points: &Columns) {
        self.kept.clear();
        let [ox, oy, oz] = self.origin;
        let (mut last, mut wanted) = (None, false);
        for k in 0..points.len() {
            let (x, y) = (points.x[k] - ox, points.y[k] - oy);
            let block = self.grid.block_at(x, y);
            if last != Some(block) {
                last = Some(block);
                wanted = block_hash(block) <= self.limit;
            }
            if wanted {
                self.kept
                    .push([x, y, points.z[k] - oz], points.intensity[k], 0);
            }
        }
        let kept = &self.kept;
        self.grid.add(&kept.x, &kept.y, &kept.z, &kept.intensity);
        self.thin();
    }

    fn thin(&mut self) {
        while self.grid.blocks() > MAX_BLOCKS {
            self.limit /= 2;
            let limit = self.limit;
            self.grid.retain_blocks(|block| block_hash(block) <= limit);
        }
    }

    /// Points per area; zeros when nothing was looked at.
    pub fn density(&self) -> Density {
        let mut counts: Vec<u32> = self.grid.iter().map(|(_, c)| c.n).collect();
        counts.sort_unstable();
        let at = |share: f64| quantile(&counts, share).map_or(0.0, f64::from) / (CELL_M * CELL_M);
        let looked_at = as_f64(self.limit) / as_f64(u64::MAX);
        Density {
            median_per_m2: at(0.5),
            low_per_m2: at(0.05),
            high_per_m2: at(0.95),
            area_m2: as_f64(counts.len() as u64) * CELL_M * CELL_M / looked_at,
        }
    }

    /// Median standard deviation of the heights in a cell, metres; `None` when no cell has enough
    /// points.
    pub fn spread_m(&self) -> Option<f64> {
        let cells = self.grid.iter().filter(|(_, c)| c.n >= SPREAD_POINTS);
        let mut spreads: Vec<f64> = cells.map(|(_, c)| c.z_sd_m()).collect();
        spreads.sort_unstable_by(f64::total_cmp);
        quantile(&spreads, 0.5)
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "a share and an area for a report"
)]
fn as_f64(v: u64) -> f64 {
    v as f64
}

/// The value below which `share` of the sorted values lie, by the nearest rank.
pub(super) fn quantile<T: Copy>(sorted: &[T], share: f64) -> Option<T> {
    let last = sorted.len().checked_sub(1)?;
    let rank = crate::numeric::to_index((share * as_f64(last as u64)).round());
    sorted.get(rank.min(last)).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lattice(metres: i32, step: f64) -> Columns {
        let per_metre = crate::numeric::round_i32(1.0 / step);
        let mut out = Columns::default();
        for i in 0..metres * per_metre {
            for j in 0..per_metre {
                let z = 0.2 * f64::from((i + j) % 2);
                out.push(
                    [(f64::from(i) + 0.5) * step, (f64::from(j) + 0.5) * step, z],
                    9,
                    0,
                );
            }
        }
        out
    }

    #[test]
    fn density_and_spread_of_an_even_cloud_are_exact() {
        let mut ground = Ground::new([0.0; 3]);
        ground.add(&lattice(10, 0.125));
        let density = ground.density();
        let found = [density.median_per_m2, density.low_per_m2, density.area_m2];
        assert_eq!(found.map(crate::numeric::round_i32), [64, 64, 10]);
        // Half of the points lie 0.2 m higher.
        assert!((ground.spread_m().unwrap() - 0.1).abs() < 1e-9);
    }

    #[test]
    fn a_huge_area_is_thinned_to_a_bound_and_still_measured() {
        let mut ground = Ground::new([0.0; 3]);
        let mut strip = Columns::default();
        for k in 0..60_000 {
            strip.push([16.0 * f64::from(k) + 1.0, 1.0, 0.0], 0, 0);
        }
        ground.add(&strip);
        assert!(ground.grid.blocks() <= MAX_BLOCKS);
        let area = ground.density().area_m2;
        // 15 000 m² from about 1 900 of 60 000 blocks: one part in 43 is the sampling error (1σ).
        assert!((area / 15_000.0 - 1.0).abs() < 0.1, "{area}");
    }
}
