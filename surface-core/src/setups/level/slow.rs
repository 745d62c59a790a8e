//! Whether the misfits that offsets and tilts leave show a slow angular error.
//!
//! Of every setup the normal equations of its slow error alone are solved, all else as it is: the
//! weighted sum of squared misfits falls by gᵀA⁻¹g. By chance it falls by one an unknown at most
//! (less, as offsets and tilts have taken their part already), with a variance of two. With a
//! spread τ of each term it falls by τ²·tr A more, which gives a first τ.

use super::report::SlowLevel;
use super::solver::{ARM_M, LEVEL, Solver, WITH_SLOW, count};
use crate::numeric::{factor_dense, solve_dense};
use crate::setups::model::{SLOW_TERMS, slow_rms};
use crate::setups::ties::FEWEST_PLACES;

/// The fall must be over this many times what chance gives, and over chance by this many of its
/// standard deviations: misfits of neighbouring places are not quite independent.
const CLEAR_TIMES: f64 = 2.0;
const CLEAR_SDS: f64 = 5.0;

/// Normal equations of one setup's slow error.
#[derive(Debug, Clone, Copy, Default)]
struct Own {
    a: [f64; SLOW_TERMS * SLOW_TERMS],
    g: [f64; SLOW_TERMS],
}

impl Own {
    /// A sight of weight `w` that lies `r` over the height that sights of weight `total` make.
    fn add(&mut self, f: &[f64; SLOW_TERMS], w: f64, r: f64, total: f64) {
        let both = w - w * w / total;
        for (u, fu) in f.iter().enumerate() {
            self.g[u] += w * r * fu;
            for (v, fv) in f.iter().enumerate() {
                self.a[SLOW_TERMS * u + v] += both * fu * fv;
            }
        }
    }

    fn trace(&self) -> f64 {
        (0..SLOW_TERMS).map(|u| self.a[(SLOW_TERMS + 1) * u]).sum()
    }

    /// gᵀA⁻¹g.
    fn fall(&self) -> f64 {
        let (mut a, mut x) = (self.a, self.g);
        let ridge = 1e-9 * self.trace() + 1e-300;
        (0..SLOW_TERMS).for_each(|u| a[(SLOW_TERMS + 1) * u] += ridge);
        if factor_dense(&mut a, SLOW_TERMS, 0).is_err() {
            return 0.0;
        }
        solve_dense(&a, SLOW_TERMS, &mut x);
        x.iter().zip(&self.g).map(|(x, g)| x * g).sum()
    }
}

/// What the misfits of a solution without slow errors tell of them; `None` where no setup with a
/// known position shares enough places.
pub(super) fn told(solver: &Solver) -> Option<SlowLevel> {
    let own = equations(solver);
    let telling: Vec<&Own> = (0..solver.setups)
        .filter(|&s| solver.tells_slow(s))
        .map(|s| &own[s])
        .collect();
    let unknowns = count(SLOW_TERMS * telling.len());
    let drop: f64 = telling.iter().map(|own| own.fall()).sum();
    let trace: f64 = telling.iter().map(|own| own.trace()).sum();
    let term_m = ((drop - unknowns).max(0.0) / trace.max(1e-300)).sqrt();
    (unknowns > 0.0).then_some(SlowLevel {
        sd_rad: slow_rms(&[term_m / ARM_M; SLOW_TERMS]),
        drop,
        unknowns,
        corrected: false,
    })
}

/// Each setup's own equations, heights of places eliminated.
fn equations(solver: &Solver) -> Vec<Own> {
    let mut out = vec![Own::default(); solver.setups];
    let (mut seen, mut first) = (Vec::new(), 0);
    for place in solver.places.iter() {
        solver.observations(&place, first, &mut seen);
        first += place.sights.len();
        let total: f64 = seen.iter().map(|s| s.1).sum();
        if total <= 0.0 {
            continue;
        }
        let height = seen.iter().map(|s| s.1 * s.2).sum::<f64>() / total;
        for &(k, w, mean) in seen.iter().filter(|s| s.0 < solver.setups) {
            out[k].add(&solver.slow_shape(k, &place), w, mean - height, total);
        }
    }
    out
}

impl SlowLevel {
    /// Whether the fall is far beyond chance.
    pub(super) fn is_clear(&self) -> bool {
        let chance = self.unknowns + CLEAR_SDS * (2.0 * self.unknowns).sqrt();
        self.drop > chance.max(CLEAR_TIMES * self.unknowns)
    }
}

impl Solver<'_> {
    /// Whether a setup can tell its slow error at all.
    pub(super) fn tells_slow(&self, s: usize) -> bool {
        self.stood[s] && self.shared[s] >= FEWEST_PLACES && !self.left_out[s]
    }

    /// The terms of a setup's slow error; nothing where none is solved for.
    pub(super) fn slow_rad(&self, s: usize) -> [f64; SLOW_TERMS] {
        let of = |u: usize| self.x[self.each * s + LEVEL + u] / ARM_M;
        if self.each < WITH_SLOW {
            return [0.0; SLOW_TERMS];
        }
        std::array::from_fn(of)
    }

    /// Standard deviation of a term of a setup's slow error, root mean square of all, radians.
    pub(super) fn slow_sd(&self, s: usize) -> f64 {
        if self.each < WITH_SLOW || !self.stood[s] {
            return 0.0;
        }
        let terms = &self.variance[self.each * s + LEVEL..self.each * (s + 1)];
        (terms.iter().sum::<f64>() / count(SLOW_TERMS)).sqrt() / ARM_M
    }

    /// What was `told`, with what is learnt where slow errors are solved for.
    pub(super) fn slow_level(&self, told: SlowLevel) -> SlowLevel {
        if self.each < WITH_SLOW {
            return told;
        }
        SlowLevel {
            sd_rad: slow_rms(&[self.prior_m2[2].sqrt() / ARM_M; SLOW_TERMS]),
            corrected: true,
            ..told
        }
    }
}
