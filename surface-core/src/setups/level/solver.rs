//! The system of the setups' unknowns, and its rounds.

use super::report::{LevelError, Levelled};
use super::slow;
use crate::numeric::{factor_dense, solve_dense};
use crate::setups::model::{SLOW_TERMS, slow_shape};
use crate::setups::places::{Place, Places};
use crate::setups::ties::{spare, ties, turning_points};

/// Unknowns a setup: offset and two tilts, and with a slow error.
pub(super) const LEVEL: usize = 3;
pub(super) const WITH_SLOW: usize = LEVEL + SLOW_TERMS;
/// Tilts and slow errors are solved for as the height that they make at this distance, metres:
/// about what offsets are, so that the system is well scaled.
pub(super) const ARM_M: f64 = 10.0;
/// Rounds of weights and variances; twelve settle offsets to a hundredth of their error.
const ROUNDS: usize = 12;
/// Rounds before setups that contradict the others are left out.
const PATIENCE: usize = 5;
/// Least and greatest spread of offsets, tilts and slow errors that is believed, metres (at the
/// arm).
pub(super) const BELIEVED_M: [f64; 2] = [2e-5, 1e-2];
/// Two setups agree at a place to this at best, metres: their points do not lie on the same
/// stones.
pub(super) const FLOOR_M: f64 = 5e-5;
/// Setups that are levelled at most: the dense system of their unknowns takes 288 MB, and its time
/// grows with the cube. A circuit has tens to hundreds of scanner positions.
const MOST_SETUPS: usize = 2000;

/// Level `setups` setups by the places that they share.
///
/// `about_m` are the scanners' local positions where they are known. Sights with a setup number of
/// `setups` or more are fixed heights (checkpoints): they have no unknowns and hold the datum.
/// The answer does not depend on the number of threads.
///
/// # Errors
/// [`LevelError`] when there are more than 2000 setups or the system cannot be solved.
///
/// Not guaranteed: error patterns of a scanner other than offset, tilts and a slow error of up to
/// three cycles a turn are not looked for; the latter only up to 750 setups.
pub fn level(
    places: &Places,
    setups: usize,
    about_m: &[Option<[f64; 3]>],
) -> Result<Levelled, LevelError> {
    if setups > MOST_SETUPS {
        return Err(LevelError::TooMany {
            setups,
            most: MOST_SETUPS,
        });
    }
    let plain = settled(places, setups, about_m, LEVEL)?;
    let Some(told) = slow::told(&plain) else {
        return Ok(plain.finish(None));
    };
    if told.is_clear() && WITH_SLOW * setups <= LEVEL * MOST_SETUPS {
        let whole = settled(places, setups, about_m, WITH_SLOW)?;
        if whole.misfit_m() < plain.misfit_m() {
            return Ok(whole.finish(Some(told)));
        }
    }
    Ok(plain.finish(Some(told)))
}

/// All rounds with `each` unknowns a setup.
fn settled<'a>(
    places: &'a Places,
    setups: usize,
    about_m: &[Option<[f64; 3]>],
    each: usize,
) -> Result<Solver<'a>, LevelError> {
    let mut solver = Solver::new(places, setups, about_m, each);
    for round in 0..ROUNDS {
        solver.solve()?;
        solver.judge();
        if round + 1 >= PATIENCE {
            solver.leave_out();
        }
    }
    Ok(solver)
}

pub(super) struct Solver<'a> {
    pub(super) places: &'a Places,
    pub(super) setups: usize,
    /// Unknowns a setup.
    pub(super) each: usize,
    pub(super) about_m: Vec<[f64; 2]>,
    /// Whether the scanner stood there.
    pub(super) stood: Vec<bool>,
    /// Tukey's weight of every sight.
    pub(super) trust: Vec<f64>,
    /// Variance that two setups differ by at a place besides their points' noise, m².
    pub(super) extra_m2: f64,
    /// Prior variances of offsets, tilts and terms of slow errors (at the arm), m².
    pub(super) prior_m2: [f64; 3],
    /// How far the prior holds for each setup: 0 for one that is off.
    pub(super) held: Vec<f64>,
    /// Robust spread of the offsets, metres.
    pub(super) robust_sd_m: f64,
    pub(super) left_out: Vec<bool>,
    /// Those of them that cannot be tied.
    pub(super) spare: Vec<bool>,
    pub(super) shared: Vec<u32>,
    pub(super) tied: Vec<bool>,
    /// A setup number beyond the others has been seen.
    pub(super) fixed: bool,
    pub(super) x: Vec<f64>,
    pub(super) variance: Vec<f64>,
    /// By setup: variance of its offset from the mean of those tied, m².
    pub(super) relative_m2: Vec<f64>,
    pub(super) misfits_m: Vec<f64>,
}

impl<'a> Solver<'a> {
    fn new(places: &'a Places, setups: usize, about_m: &[Option<[f64; 3]>], each: usize) -> Self {
        let (shared, tied) = ties(places, setups);
        let sights = places.iter().map(|p| p.sights.len()).sum();
        let beyond = |p: Place| p.sights.iter().any(|s| usize::from(s.setup) >= setups);
        let fixed = places.iter().any(beyond);
        let spare = if fixed {
            vec![false; setups]
        } else {
            spare(places, &tied)
        };
        let mut out = Self {
            places,
            setups,
            each,
            stood: (0..setups)
                .map(|s| about_m.get(s).copied().flatten().is_some())
                .collect(),
            about_m: turning_points(places, setups, about_m),
            trust: vec![1.0; sights],
            extra_m2: (4.0 * FLOOR_M).powi(2),
            prior_m2: [4e-6, 1e-6, 4e-8],
            held: vec![1.0; setups],
            robust_sd_m: BELIEVED_M[1],
            left_out: spare.clone(),
            spare,
            shared,
            tied,
            fixed,
            x: vec![0.0; each * setups],
            variance: vec![0.0; each * setups],
            relative_m2: vec![0.0; setups],
            misfits_m: Vec::new(),
        };
        let before = out.standardised();
        out.misfits_m.push(before.raw_spread_m());
        out
    }

    /// Height at a place of a unit of each unknown; only the first `each` count.
    fn shape(&self, setup: usize, place: &Place) -> [f64; WITH_SLOW] {
        let [x, y] = self.about_m[setup];
        let [dx, dy] = [place.xyz_m[0] - x, place.xyz_m[1] - y];
        let mut out = [0.0; WITH_SLOW];
        out[0] = 1.0;
        out[1] = dx / ARM_M;
        out[2] = dy / ARM_M;
        if self.each > LEVEL {
            out[LEVEL..].copy_from_slice(&self.slow_shape(setup, place));
        }
        out
    }

    /// The same of the terms of a slow error alone; nothing where the scanner's position is not
    /// known.
    pub(super) fn slow_shape(&self, setup: usize, place: &Place) -> [f64; SLOW_TERMS] {
        if !self.stood[setup] {
            return [0.0; SLOW_TERMS];
        }
        let [x, y] = self.about_m[setup];
        slow_shape([place.xyz_m[0] - x, place.xyz_m[1] - y]).map(|v| v / ARM_M)
    }

    fn correction(&self, setup: usize, place: &Place) -> f64 {
        if setup >= self.setups {
            return 0.0;
        }
        let shape = self.shape(setup, place);
        (0..self.each)
            .map(|u| shape[u] * self.x[self.each * setup + u])
            .sum()
    }

    /// (setup, weight, mean less correction) of each sight of a place.
    pub(super) fn observations(
        &self,
        place: &Place,
        first: usize,
        out: &mut Vec<(usize, f64, f64)>,
    ) {
        out.clear();
        for (k, sight) in place.sights.iter().enumerate() {
            let setup = usize::from(sight.setup);
            let variance = f64::from(sight.variance_m2) / f64::from(sight.n.max(1.0));
            let used = setup >= self.setups || !self.left_out[setup];
            let trust = if used { self.trust[first + k] } else { 0.0 };
            let mean = f64::from(sight.mean_m) - self.correction(setup, place);
            out.push((setup, trust / (variance + self.extra_m2), mean));
        }
    }

    /// One linear solution with the weights as they are.
    fn solve(&mut self) -> Result<(), LevelError> {
        let n = self.each * self.setups;
        let (mut a, mut b) = self.normal();
        self.add_prior(&mut a);
        factor_dense(&mut a, n, 0).map_err(|source| LevelError::Singular {
            setups: self.setups,
            source,
        })?;
        solve_dense(&a, n, &mut b);
        for (x, step) in self.x.iter_mut().zip(&b) {
            *x += step;
        }
        self.variance = inverse_diagonal(&a, n);
        self.relative_m2 = self.relative_variances(&a);
        self.learn_prior();
        Ok(())
    }

    /// Variances of the offsets from the mean of those tied, from the system's factor: how well the
    /// mean itself is known is no spread of setups. cov(x, mean) = A⁻¹e/m with e = 1 at the m
    /// offsets.
    fn relative_variances(&self, factor: &[f64]) -> Vec<f64> {
        let n = self.each * self.setups;
        let m = count(self.tied.iter().filter(|t| **t).count().max(1));
        let mut y = vec![0.0; n];
        for s in (0..self.setups).filter(|&s| self.tied[s]) {
            y[self.each * s] = 1.0 / m;
        }
        solve_dense(factor, n, &mut y);
        let tied = (0..self.setups).filter(|&s| self.tied[s]);
        let mean: f64 = tied.map(|s| y[self.each * s]).sum::<f64>() / m;
        let relative = |s: usize| self.variance[self.each * s] - 2.0 * y[self.each * s] + mean;
        (0..self.setups).map(|s| relative(s).max(0.0)).collect()
    }

    /// Normal equations for a step from the present corrections, the places' heights eliminated.
    fn normal(&self) -> (Vec<f64>, Vec<f64>) {
        let n = self.each * self.setups;
        let (mut a, mut b) = (vec![0.0; n * n], vec![0.0; n]);
        let (mut seen, mut first) = (Vec::new(), 0);
        for place in self.places.iter() {
            self.observations(&place, first, &mut seen);
            first += place.sights.len();
            let total: f64 = seen.iter().map(|s| s.1).sum();
            if total <= 0.0 {
                continue;
            }
            let height = seen.iter().map(|s| s.1 * s.2).sum::<f64>() / total;
            for &(k, wk, rk) in seen.iter().filter(|s| s.0 < self.setups) {
                let fk = self.shape(k, &place);
                for u in 0..self.each {
                    b[self.each * k + u] += wk * (rk - height) * fk[u];
                }
                for &(l, wl, _) in seen.iter().filter(|s| s.0 < self.setups) {
                    let both = if k == l { wk } else { 0.0 } - wk * wl / total;
                    let fl = self.shape(l, &place);
                    let (fk, fl) = (&fk[..self.each], &fl[..self.each]);
                    add_block(&mut a, n, [k, l], both, fk, fl);
                }
            }
        }
        for (k, x) in self.x.iter().enumerate() {
            b[k] -= self.prior_pull(k) * (x - self.common(k));
        }
        (a, b)
    }
}

fn add_block(a: &mut [f64], n: usize, [k, l]: [usize; 2], w: f64, fk: &[f64], fl: &[f64]) {
    let each = fk.len();
    for (u, fu) in fk.iter().enumerate() {
        for (v, fv) in fl.iter().enumerate() {
            a[(each * k + u) * n + each * l + v] += w * fu * fv;
        }
    }
}

/// Diagonal of the inverse of a matrix from its dense Cholesky factor.
fn inverse_diagonal(factor: &[f64], n: usize) -> Vec<f64> {
    let mut out = vec![0.0; n];
    let mut column = vec![0.0; n];
    for j in 0..n {
        // Column j of the factor's inverse, by forward substitution; rows above j are zero.
        column[j] = 1.0 / factor[j * n + j];
        for i in j + 1..n {
            let dot: f64 = (j..i).map(|k| factor[i * n + k] * column[k]).sum();
            column[i] = -dot / factor[i * n + i];
        }
        out[j] = column[j..].iter().map(|v| v * v).sum();
    }
    out
}

#[expect(clippy::cast_precision_loss, reason = "a count of setups")]
pub(super) fn count(n: usize) -> f64 {
    n as f64
}
