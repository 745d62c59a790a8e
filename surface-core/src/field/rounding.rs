//! Heights that come in coarse steps: what rounding adds to a point, and what averaging leaves of it.
//!
//! A height rounded to whole steps q errs by up to q/2. Averaging over heights that are spread by
//! noise, or by the road's own slope, makes these errors cancel: each harmonic k of the rounding
//! error (variance q²/2π²k²) is left by exp(−4π²k²·v/q²) when the heights are spread with variance
//! v (the characteristic function of a Gaussian; Widrow's theory of quantisation). Without any
//! spread q²/12 stays, however many points there are.

use super::block_noise::BlockPlanes;
use super::blocks::SAMPLE;
use super::cells::{CellSums, Sorted};
use super::lattice::Lattice;
use crate::numeric::{MEDIAN_CHI2, median};

/// Cells with fewer points than this do not tell how far means scatter.
const FEWEST_POINTS: u32 = 8;
/// Fewest cells that tell how far means scatter.
const FEWEST_CELLS: usize = 100;

/// The steps that heights come in, and what spreads them.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Rounding {
    /// Heights are whole multiples of this, metres; 0 where that is of no interest.
    pub step_m: f64,
    /// Variance of heights before they were rounded, m².
    pub noise_m2: f64,
}

impl Rounding {
    /// Variance that rounding adds to a single height, m²: q²/12.
    #[must_use]
    pub fn of_a_point_m2(&self) -> f64 {
        self.step_m * self.step_m / 12.0
    }

    /// Variance that is left of it in a mean over heights which differ by `spread_m2` besides their
    /// noise, m²: q²/12 · exp(−4π²v/q²), an upper bound of the sum over harmonics.
    #[must_use]
    pub fn of_a_mean_m2(&self, spread_m2: f64) -> f64 {
        if self.step_m <= 0.0 {
            return 0.0;
        }
        let turns2 = (self.noise_m2 + spread_m2) / (self.step_m * self.step_m);
        self.of_a_point_m2() * (-4.0 * std::f64::consts::PI.powi(2) * turns2).exp()
    }
}

/// Weigh the cells of a run for the rounding that their points have in common: no cell is worth
/// more than what rounding leaves in its mean, nor more than cells' means scatter about the planes
/// of their blocks beyond their weights.
pub(super) fn weigh_for_rounding(
    sums: &mut CellSums,
    sorted: &Sorted,
    blocks: &BlockPlanes,
    lattice: &Lattice,
) {
    sums.rounding = blocks.rounding;
    if blocks.rounding.step_m <= 0.0 {
        return;
    }
    let scatter_m2 = excess_scatter_m2(sums, sorted, blocks, lattice).unwrap_or(0.0);
    let common_m2 = |cell: usize| {
        let Some(block) = blocks.of_cell(cell) else {
            return 0.0;
        };
        let rise_s = block.plane.slope_u * lattice.s_step_m;
        let rise_t = block.plane.slope_v * lattice.t_step_m;
        let spread_m2 = (rise_s * rise_s + rise_t * rise_t) / 12.0;
        blocks.rounding.of_a_mean_m2(spread_m2).max(scatter_m2)
    };
    for cell in 0..sums.n.len() {
        let share = (1.0 + common_m2(cell) * sums.w[cell]).recip();
        for sum in [&mut sums.w, &mut sums.ws, &mut sums.wt, &mut sums.wz] {
            sum[cell] *= share;
        }
    }
    for part in &mut sums.beyond {
        let share = (1.0 + common_m2(part.cell as usize) * part.w).recip();
        for sum in [&mut part.w, &mut part.ws, &mut part.wt, &mut part.wz] {
            *sum *= share;
        }
    }
}

/// Variance of cells' means about their blocks' planes beyond what their weights expect, m²: the
/// median over cells; `None` where too few tell.
fn excess_scatter_m2(
    sums: &CellSums,
    sorted: &Sorted,
    blocks: &BlockPlanes,
    lattice: &Lattice,
) -> Option<f64> {
    // The planes themselves are fitted to a sample: three parameters' worth of its noise.
    let planes_m2 = 3.0 * blocks.usual_variance_m2() / SAMPLE as f64;
    let excess = |cell: usize| {
        let block = blocks.of_cell(cell)?;
        let node = super::cells::node_offset(lattice, cell, sorted.columns);
        let over = sums.w[cell].recip();
        let (s, t) = (
            node[0] + sums.ws[cell] * over,
            node[1] + sums.wt[cell] * over,
        );
        let off = sums.wz[cell] * over - block.at(s, t);
        Some(off * off / MEDIAN_CHI2 - over - planes_m2)
    };
    let told = (0..sums.n.len()).filter(|&cell| sums.n[cell] >= FEWEST_POINTS);
    let mut found: Vec<f64> = told.filter_map(excess).collect();
    if found.len() < FEWEST_CELLS {
        return None;
    }
    median(&mut found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean square of the error of means over heights spread evenly in phase and as told.
    fn measured_m2(step: f64, noise: f64) -> f64 {
        let gauss = |k: i32| {
            // Quantiles of a Gaussian by its logistic neighbour are too rough: Box–Muller.
            let u = (f64::from(k) * 0.754_877_666_246_693 + 0.5).fract();
            let v = (f64::from(k) * 0.569_840_290_998_053 + 0.5).fract();
            (-2.0 * u.max(1e-12).ln()).sqrt() * (std::f64::consts::TAU * v).cos()
        };
        let phases = 64;
        let error = |j: i32| {
            let z = step * f64::from(j) / f64::from(phases);
            let round = |k: i32| ((z + noise * gauss(k)) / step).round() * step - z;
            (1..=4000).map(round).sum::<f64>() / 4000.0
        };
        (0..phases).map(|j| error(j).powi(2)).sum::<f64>() / f64::from(phases)
    }

    #[test]
    fn means_of_rounded_heights_err_as_the_formula_says() {
        for share in [0.0, 0.1, 0.2, 0.3] {
            let rounding = Rounding {
                step_m: 0.01,
                noise_m2: (0.01f64 * share).powi(2),
            };
            let (told, found) = (rounding.of_a_mean_m2(0.0), measured_m2(0.01, 0.01 * share));
            // The bound lies at most π²/6 over the first harmonic alone.
            assert!(
                found < 1.05 * told && found > 0.5 * told,
                "{share}: {found:e} of {told:e}"
            );
        }
    }

    #[test]
    fn a_slope_takes_the_rounding_away_and_no_step_adds_nothing() {
        let rounding = Rounding {
            step_m: 0.01,
            noise_m2: 0.0,
        };
        assert!((rounding.of_a_mean_m2(0.0) - 1e-4 / 12.0).abs() < 1e-12);
        assert!(rounding.of_a_mean_m2(1e-4) < 1e-20);
        assert!(Rounding::default().of_a_mean_m2(0.0).abs() < 1e-30);
    }
}
