//! One height offset and two tilts a setup, from places that several setups saw.
//!
//! Model: the mean that setup k measured at place p is h_p + o_k + a_k·(p − c_k) + noise. The
//! heights h_p are eliminated place by place; what is left is a small dense system in the setups'
//! unknowns, solved in rounds of Tukey's weights. Offsets are drawn towards their common mean and
//! tilts towards zero with variances learnt from the solution itself (expectation and
//! maximisation), so that a chain of setups neither sags nor is forced straight. What the solution
//! cannot tell, the height of all setups together, stays as it was delivered: the mean offset of
//! the setups that agree is zero, unless checkpoints say otherwise.

use super::model::Correction;
use super::places::{Place, Places};
use super::ties::{FEWEST_PLACES, ties, turning_points};
use crate::numeric::{
    MEDIAN_CHI2, Singular, TUKEY_C, biweight, factor_dense, mad_sigma, median, solve_dense,
};

/// Unknowns a setup.
const EACH: usize = 3;
/// Tilts are solved for as the height that they make at this distance, metres: about what
/// offsets are, so that the system is well scaled.
const ARM_M: f64 = 10.0;
/// Rounds of weights and variances; twelve settle offsets to a hundredth of their error.
const ROUNDS: usize = 12;
/// Rounds before setups that contradict the others are left out.
const PATIENCE: usize = 5;
/// A setup with this share of its sights rejected contradicts the others.
const CONTRADICTS: f64 = 0.5;
/// Offsets further from the others than this are named, metres, and beyond this many of their
/// standard deviations.
const OFF_M: f64 = 2e-3;
const OFF_SDS: f64 = 4.0;
/// Least and greatest spread of offsets and tilts that is believed, metres (at the arm).
const BELIEVED_M: [f64; 2] = [2e-5, 1e-2];
/// Two setups agree at a place to this at best, metres: their points do not lie on the same
/// stones.
const FLOOR_M: f64 = 5e-5;
/// Setups that are levelled at most: the dense system of their unknowns takes 288 MB, and its time
/// grows with the cube. A circuit has tens to hundreds of scanner positions.
const MOST_SETUPS: usize = 2000;
/// How well the mean of all setups is known where checkpoints tell it, metres. Without them it is
/// what was delivered (and put back to that in the end), as good as the mean of so many setups.
const DATUM_M: f64 = 10.0;

/// Why the setups cannot be levelled.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum LevelError {
    /// The system has no solution.
    #[error("{setups} setups cannot be levelled")]
    Singular {
        /// Setups in the system.
        setups: usize,
        /// Where the elimination ended.
        source: Singular,
    },
    /// More setups than a dense system of their unknowns can hold.
    #[error(
        "{setups} setups are more than the {most} that can be levelled; point source ids that do \
         not stand for scanner positions make setups of their own"
    )]
    TooMany {
        /// Setups given.
        setups: usize,
        /// Most that are levelled.
        most: usize,
    },
}

/// How the levelling went.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LevelReport {
    /// Places that two or more setups saw.
    pub places: usize,
    /// Learnt spread of the offsets, metres.
    pub offset_sd_m: f64,
    /// Learnt spread of the tilts, radians.
    pub tilt_sd_rad: f64,
    /// Robust spread of what setups differ by at a place, before, metres.
    pub misfit_before_m: f64,
    /// The same after, metres.
    pub misfit_m: f64,
    /// By setup: places it shares with others.
    pub shared: Vec<u32>,
    /// By setup: standard deviation of its offset, metres.
    pub sd_m: Vec<f64>,
    /// By setup: standard deviation of its tilts, root mean square of both, radians.
    pub tilt_sd: Vec<f64>,
    /// By setup: whether a chain of common places ties it to most others.
    pub tied: Vec<bool>,
    /// By setup: whether its offset lies far from the others'.
    pub off: Vec<bool>,
    /// By setup: whether it contradicts the others and must not be used.
    pub left_out: Vec<bool>,
}

/// The corrections, by setup.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Levelled {
    /// What to take off each setup's heights.
    pub corrections: Vec<Correction>,
    /// How it went.
    pub report: LevelReport,
}

/// Level `setups` setups by the places that they share.
///
/// `about_m` are the scanners' local positions where they are known. Sights with a setup number of
/// `setups` or more are fixed heights (checkpoints): they have no unknowns and hold the datum.
/// The answer does not depend on the number of threads.
///
/// # Errors
/// [`LevelError`] when there are more than 2000 setups or the system cannot be solved.
///
/// Not guaranteed: error patterns of a scanner other than offset and tilts are not looked for.
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
    let mut solver = Solver::new(places, setups, about_m);
    for round in 0..ROUNDS {
        solver.solve()?;
        solver.judge();
        if round + 1 >= PATIENCE {
            solver.leave_out();
        }
    }
    Ok(solver.finish())
}

struct Solver<'a> {
    places: &'a Places,
    setups: usize,
    about_m: Vec<[f64; 2]>,
    /// Tukey's weight of every sight.
    trust: Vec<f64>,
    /// Variance that two setups differ by at a place besides their points' noise, m².
    extra_m2: f64,
    /// Prior variances of offsets and tilts (at the arm), m².
    prior_m2: [f64; 2],
    /// How far the prior holds for each setup: 0 for one that is off.
    held: Vec<f64>,
    /// Robust spread of the offsets, metres.
    robust_sd_m: f64,
    left_out: Vec<bool>,
    shared: Vec<u32>,
    tied: Vec<bool>,
    /// A setup number beyond the others has been seen.
    fixed: bool,
    x: Vec<f64>,
    variance: Vec<f64>,
    /// By setup: variance of its offset from the mean of those tied, m².
    relative_m2: Vec<f64>,
    misfits_m: Vec<f64>,
}

impl<'a> Solver<'a> {
    fn new(places: &'a Places, setups: usize, about_m: &[Option<[f64; 3]>]) -> Self {
        let (shared, tied) = ties(places, setups);
        let sights = places.iter().map(|p| p.sights.len()).sum();
        let beyond = |p: Place| p.sights.iter().any(|s| usize::from(s.setup) >= setups);
        let mut out = Self {
            places,
            setups,
            about_m: turning_points(places, setups, about_m),
            trust: vec![1.0; sights],
            extra_m2: (4.0 * FLOOR_M).powi(2),
            prior_m2: [4e-6, 1e-6],
            held: vec![1.0; setups],
            robust_sd_m: BELIEVED_M[1],
            left_out: vec![false; setups],
            shared,
            tied,
            fixed: places.iter().any(beyond),
            x: vec![0.0; EACH * setups],
            variance: vec![0.0; EACH * setups],
            relative_m2: vec![0.0; setups],
            misfits_m: Vec::new(),
        };
        let before = out.standardised();
        out.misfits_m.push(before.raw_spread_m());
        out
    }

    /// Height at a place of a unit of each unknown.
    fn shape(&self, setup: usize, place: &Place) -> [f64; EACH] {
        let [x, y] = self.about_m[setup];
        [
            1.0,
            (place.xyz_m[0] - x) / ARM_M,
            (place.xyz_m[1] - y) / ARM_M,
        ]
    }

    fn correction(&self, setup: usize, place: &Place) -> f64 {
        if setup >= self.setups {
            return 0.0;
        }
        let shape = self.shape(setup, place);
        (0..EACH).map(|u| shape[u] * self.x[EACH * setup + u]).sum()
    }

    /// (setup, weight, mean less correction) of each sight of a place.
    fn observations(&self, place: &Place, first: usize, out: &mut Vec<(usize, f64, f64)>) {
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
        let n = EACH * self.setups;
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
        let n = EACH * self.setups;
        let m = count(self.tied.iter().filter(|t| **t).count().max(1));
        let mut y = vec![0.0; n];
        for s in (0..self.setups).filter(|&s| self.tied[s]) {
            y[EACH * s] = 1.0 / m;
        }
        solve_dense(factor, n, &mut y);
        let tied = (0..self.setups).filter(|&s| self.tied[s]);
        let mean: f64 = tied.map(|s| y[EACH * s]).sum::<f64>() / m;
        let relative = |s: usize| self.variance[EACH * s] - 2.0 * y[EACH * s] + mean;
        (0..self.setups).map(|s| relative(s).max(0.0)).collect()
    }

    /// Normal equations for a step from the present corrections, the places' heights eliminated.
    fn normal(&self) -> (Vec<f64>, Vec<f64>) {
        let n = EACH * self.setups;
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
                for u in 0..EACH {
                    b[EACH * k + u] += wk * (rk - height) * fk[u];
                }
                for &(l, wl, _) in seen.iter().filter(|s| s.0 < self.setups) {
                    let both = if k == l { wk } else { 0.0 } - wk * wl / total;
                    add_block(&mut a, n, [k, l], both, &fk, &self.shape(l, &place));
                }
            }
        }
        for (k, x) in self.x.iter().enumerate() {
            b[k] -= self.prior_pull(k) * (x - self.common(k));
        }
        (a, b)
    }

    /// 1/variance that draws unknown `k` to its common value.
    fn prior_pull(&self, k: usize) -> f64 {
        let hold = self.held[k / EACH].max(1e-6);
        hold / self.prior_m2[usize::from(!k.is_multiple_of(EACH))]
    }

    /// What the prior draws unknown `k` to: the mean offset as the prior knows it, or level.
    fn common(&self, k: usize) -> f64 {
        if !k.is_multiple_of(EACH) {
            return 0.0;
        }
        let sum: f64 = (0..self.setups)
            .map(|s| self.prior_pull(EACH * s) * self.x[EACH * s])
            .sum();
        sum / self.common_pull()
    }

    /// 1/variance of the mean offset, from the setups and from what is known of the datum.
    fn common_pull(&self) -> f64 {
        let setups: f64 = (0..self.setups).map(|s| self.prior_pull(EACH * s)).sum();
        let datum = if self.fixed { DATUM_M.powi(-2) } else { setups };
        setups + datum.max(1e-300)
    }

    /// The prior, with the mean offset eliminated.
    fn add_prior(&self, a: &mut [f64]) {
        let n = EACH * self.setups;
        let total = self.common_pull();
        for k in 0..n {
            a[k * n + k] += self.prior_pull(k);
        }
        for k in (0..n).step_by(EACH) {
            for l in (0..n).step_by(EACH) {
                a[k * n + l] -= self.prior_pull(k) * self.prior_pull(l) / total;
            }
        }
    }

    /// Spread of offsets and tilts from the solution and its own uncertainty.
    fn learn_prior(&mut self) {
        let tied: Vec<usize> = (0..self.setups).filter(|&s| self.tied[s]).collect();
        if tied.len() < 3 {
            return;
        }
        let offsets = self.spread_offsets(&tied);
        for (&s, o) in tied.iter().zip(&offsets) {
            self.held[s] = biweight(o / (TUKEY_C * self.robust_sd_m));
        }
        let mut sums = [[0.0; 2]; 2];
        for (&s, o) in tied.iter().zip(&offsets) {
            sums[0][0] += self.held[s];
            sums[0][1] += self.held[s] * (o * o + self.relative_m2[s]);
            for k in EACH * s + 1..EACH * (s + 1) {
                sums[1][0] += self.held[s];
                sums[1][1] += self.held[s] * (self.x[k] * self.x[k] + self.variance[k]);
            }
        }
        for (prior, [count, sum]) in self.prior_m2.iter_mut().zip(sums) {
            let square = sum / count.max(1e-300);
            *prior = square.clamp(BELIEVED_M[0].powi(2), BELIEVED_M[1].powi(2));
        }
    }

    /// Offsets of setups less their median; their robust spread is noted.
    fn spread_offsets(&mut self, tied: &[usize]) -> Vec<f64> {
        let mut offsets: Vec<f64> = tied.iter().map(|&s| self.x[EACH * s]).collect();
        let middle = median(&mut offsets.clone()).unwrap_or(0.0);
        offsets.iter_mut().for_each(|o| *o -= middle);
        self.robust_sd_m = spread(offsets.clone(), 0.0).max(BELIEVED_M[0]);
        offsets
    }

    /// Misfits of all sights, in metres and over their standard deviations.
    fn standardised(&self) -> Misfits {
        let mut out = Misfits::default();
        let (mut seen, mut first) = (Vec::new(), 0);
        for place in self.places.iter() {
            self.observations(&place, first, &mut seen);
            first += place.sights.len();
            let total: f64 = seen.iter().map(|s| s.1).sum();
            let height = seen.iter().map(|s| s.1 * s.2).sum::<f64>() / total.max(1e-300);
            for (sight, &(_, w, mean)) in place.sights.iter().zip(&seen) {
                let own = f64::from(sight.variance_m2) / f64::from(sight.n.max(1.0));
                let own = own + self.extra_m2;
                // What a sight says of a height that it made itself is worth less.
                let share = if w > 0.0 { w * own * own } else { 0.0 };
                let left = (own - share / (total * own).max(1e-300)).max(0.05 * own);
                out.raw_m.push(mean - height);
                out.over_sd.push((mean - height) / left.sqrt());
                out.variance_m2.push(own);
                out.shared.push(place.sights.len() > 1);
            }
        }
        out
    }

    /// New weights, and the variance that points' noise does not explain.
    fn judge(&mut self) {
        let misfits = self.standardised();
        let mut squares: Vec<f64> = misfits.of_shared(&misfits.over_sd).map(|u| u * u).collect();
        if squares.is_empty() {
            return;
        }
        let middle = squares.len() / 2;
        let (_, square, _) = squares.select_nth_unstable_by(middle, f64::total_cmp);
        let excess = *square / MEDIAN_CHI2 - 1.0;
        let mut variances: Vec<f64> = misfits.of_shared(&misfits.variance_m2).collect();
        let (_, typical, _) = variances.select_nth_unstable_by(middle, f64::total_cmp);
        self.extra_m2 = (self.extra_m2 + 0.7 * excess * *typical).max(FLOOR_M * FLOOR_M);
        for (trust, u) in self.trust.iter_mut().zip(&misfits.over_sd) {
            *trust = biweight(u / TUKEY_C);
        }
        self.misfits_m.push(misfits.raw_spread_m());
    }

    /// Setups most of whose sights the others contradict are left out.
    fn leave_out(&mut self) {
        let mut counts = vec![[0.0f64; 2]; self.setups];
        let sights = self.places.iter().flat_map(|p| {
            let shared = p.sights.len() > 1;
            p.sights.iter().map(move |sight| (sight, shared))
        });
        // What nobody else saw agrees with itself.
        for ((sight, _), trust) in sights.zip(&self.trust).filter(|((_, shared), _)| *shared) {
            if let Some(count) = counts.get_mut(usize::from(sight.setup)) {
                count[0] += 1.0;
                count[1] += f64::from(u8::from(*trust <= 0.0));
            }
        }
        let worst = (0..self.setups)
            .filter(|&s| !self.left_out[s] && self.shared[s] >= FEWEST_PLACES)
            .map(|s| (counts[s][1] / counts[s][0].max(1.0), s))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((share, setup)) = worst {
            self.left_out[setup] |= share > CONTRADICTS;
        }
    }

    fn finish(mut self) -> Levelled {
        let spread = self.prior_m2[0].sqrt();
        let tied: Vec<usize> = (0..self.setups).filter(|&s| self.tied[s]).collect();
        let off = self.far_off(&tied);
        let datum = self.datum(&off);
        let tilt_sd = (0..self.setups).map(|s| self.tilt_sd(s)).collect();
        let corrections = (0..self.setups).map(|s| self.correction_of(s, datum));
        Levelled {
            corrections: corrections.collect(),
            report: LevelReport {
                places: self.places.iter().filter(|p| p.sights.len() > 1).count(),
                offset_sd_m: spread,
                tilt_sd_rad: self.prior_m2[1].sqrt() / ARM_M,
                misfit_before_m: self.misfits_m.first().copied().unwrap_or(0.0),
                misfit_m: self.misfits_m.last().copied().unwrap_or(0.0),
                shared: self.shared,
                sd_m: (0..self.setups)
                    .map(|s| self.variance[EACH * s].sqrt())
                    .collect(),
                tilt_sd,
                tied: self.tied,
                off,
                left_out: self.left_out,
            },
        }
    }

    /// Which setups lie far from the others.
    fn far_off(&mut self, tied: &[usize]) -> Vec<bool> {
        let mut out = vec![false; self.setups];
        let offsets = self.spread_offsets(tied);
        let limit = OFF_M.max(OFF_SDS * self.robust_sd_m);
        for (&s, o) in tied.iter().zip(offsets) {
            out[s] = o.abs() > limit;
        }
        out
    }

    fn tilt_sd(&self, s: usize) -> f64 {
        let of = |u: usize| self.variance[EACH * s + u];
        (0.5 * (of(1) + of(2))).sqrt() / ARM_M
    }

    /// What all offsets are shifted by: nothing where checkpoints hold them, else the mean of the
    /// setups that agree.
    fn datum(&self, off: &[bool]) -> f64 {
        if self.fixed {
            return 0.0;
        }
        let agreed: Vec<f64> = (0..self.setups)
            .filter(|&s| self.tied[s] && !off[s] && !self.left_out[s])
            .map(|s| self.x[EACH * s])
            .collect();
        agreed.iter().sum::<f64>() / count(agreed.len().max(1))
    }

    fn correction_of(&self, s: usize, datum_m: f64) -> Correction {
        let x = &self.x[EACH * s..EACH * (s + 1)];
        // What no chain ties to the others, and no checkpoint holds, stays as it was delivered.
        if self.shared[s] == 0 || !(self.tied[s] || self.fixed) {
            return Correction {
                about_m: self.about_m[s],
                ..Correction::default()
            };
        }
        Correction {
            offset_m: x[0] - datum_m,
            tilt_rad: [x[1] / ARM_M, x[2] / ARM_M],
            about_m: self.about_m[s],
        }
    }
}

/// Robust spread about `centre`; 0 of nothing.
fn spread(mut values: Vec<f64>, centre: f64) -> f64 {
    mad_sigma(&mut values, centre).unwrap_or(0.0)
}

#[derive(Default)]
struct Misfits {
    raw_m: Vec<f64>,
    over_sd: Vec<f64>,
    variance_m2: Vec<f64>,
    /// Whether another setup saw the place too: a sight alone makes its own height, and its misfit
    /// of nothing says nothing.
    shared: Vec<bool>,
}

impl Misfits {
    /// Those of `values`, one a sight, that belong to places of several sights.
    fn of_shared(&self, values: &[f64]) -> impl Iterator<Item = f64> {
        let both = values.iter().zip(&self.shared);
        both.filter(|(_, shared)| **shared).map(|(v, _)| *v)
    }

    /// Robust spread of the misfits in metres.
    fn raw_spread_m(&self) -> f64 {
        spread(self.of_shared(&self.raw_m).collect(), 0.0)
    }
}

fn add_block(a: &mut [f64], n: usize, [k, l]: [usize; 2], w: f64, fk: &[f64; 3], fl: &[f64; 3]) {
    for u in 0..EACH {
        for v in 0..EACH {
            a[(EACH * k + u) * n + EACH * l + v] += w * fk[u] * fl[v];
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
fn count(n: usize) -> f64 {
    n as f64
}

#[cfg(test)]
mod tests {
    use super::super::Sight;
    use super::*;
    use crate::numeric::PlaneSums;

    const SETUPS: usize = 12;
    /// Spread of a sight's mean about the truth, metres.
    const NOISE_M: f64 = 2e-4;

    fn stand(setup: usize) -> [f64; 3] {
        let turn = std::f64::consts::TAU * count(setup) / count(SETUPS);
        [60.0 * turn.cos(), 60.0 * turn.sin(), 2.0]
    }

    /// Even noise of unit spread from a counter.
    fn noise(k: usize) -> f64 {
        let mut z = (k as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x1234_5678_9abc_def1;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z ^= z >> 27;
        12f64.sqrt() * ((z >> 11) as f64 / (1u64 << 53) as f64 - 0.5)
    }

    fn sight(setup: usize, mean_m: f64) -> Sight {
        Sight {
            setup: u16::try_from(setup).unwrap(),
            n: 16.0,
            mean_m: crate::numeric::to_f32(mean_m),
            variance_m2: crate::numeric::to_f32(16.0 * NOISE_M * NOISE_M),
        }
    }

    /// A round course; every place is seen by the setups within 45 m, each off as `error` says.
    fn places(error: impl Fn(usize, [f64; 2]) -> f64) -> Places {
        let mut out = Places::default();
        for k in 0..4000usize {
            let turn = std::f64::consts::TAU * count(k) / 4000.0;
            let r = 55.0 + 10.0 * (noise(7 * k) / 3.5 + 0.5);
            let [x, y] = [r * turn.cos(), r * turn.sin()];
            let sights: Vec<Sight> = (0..SETUPS)
                .filter(|&s| (x - stand(s)[0]).hypot(y - stand(s)[1]) < 45.0)
                .map(|s| sight(s, error(s, [x, y]) + NOISE_M * noise(SETUPS * k + s)))
                .collect();
            out.push([x, y, 0.0], &sights);
        }
        out
    }

    fn levelled(places: &Places) -> Levelled {
        let about: Vec<_> = (0..SETUPS).map(|s| Some(stand(s))).collect();
        level(places, SETUPS, &about).unwrap()
    }

    /// Planted offsets of up to 0.8 mm with mean zero and tilts of up to 20 µrad.
    fn planted(s: usize) -> Correction {
        let offset = |s: usize| 0.8e-3 * noise(1000 + s) / 1.8;
        let mean = (0..SETUPS).map(offset).sum::<f64>() / count(SETUPS);
        Correction {
            offset_m: offset(s) - mean,
            tilt_rad: [2000, 3000].map(|k| 20e-6 * noise(k + s) / 1.8),
            about_m: [stand(s)[0], stand(s)[1]],
        }
    }

    #[test]
    fn planted_errors_are_found_to_a_fraction_of_a_millimetre() {
        let found = levelled(&places(|s, at| planted(s).at(at)));
        // A plane common to all setups cannot be known: it is taken off before they are compared.
        let mut common = PlaneSums::default();
        let mut rest = Vec::new();
        for s in 0..SETUPS {
            for d in [[0.0, 0.0], [20.0, 0.0], [0.0, 20.0]] {
                let at = [stand(s)[0] + d[0], stand(s)[1] + d[1]];
                let error = found.corrections[s].at(at) - planted(s).at(at);
                common.add(1.0, at[0], at[1], error);
                rest.push((at, error));
            }
        }
        let plane = common.solve(0.0, 0.0, 0.0).unwrap();
        for (at, error) in rest {
            // Hundreds of places with sights of 0.2 mm tie neighbours to 0.02 mm, and the ring sags
            // by a few of these between; unlevelled, the difference is up to 0.8 mm.
            let left = error - plane.at(at[0], at[1]);
            assert!(left.abs() < 1.2e-4, "{at:?}: {left}");
        }
        let mean = found.corrections.iter().map(|c| c.offset_m).sum::<f64>() / count(SETUPS);
        assert!(mean.abs() < 1e-12, "{mean}");
        assert!(found.report.misfit_m < 0.6 * found.report.misfit_before_m);
        assert!(found.report.tied.iter().all(|t| *t));
    }

    #[test]
    fn a_setup_six_millimetres_off_is_named_and_does_not_move_the_others() {
        let off = |s: usize, at: [f64; 2]| planted(s).at(at) + if s == 4 { 6e-3 } else { 0.0 };
        let found = levelled(&places(off));
        let names: Vec<usize> = (0..SETUPS).filter(|&s| found.report.off[s]).collect();
        assert_eq!(names, [4]);
        let shift = found.corrections[4].offset_m - planted(4).offset_m;
        assert!((shift - 6e-3).abs() < 2e-4, "{shift}");
        let other = found.corrections[9].offset_m - planted(9).offset_m;
        assert!(other.abs() < 2e-4, "{other}");
    }

    #[test]
    fn a_setup_that_contradicts_the_others_is_left_out_and_one_alone_is_kept_as_it_is() {
        let mut seen = places(|s, at| {
            let torn = if s == 7 {
                5e-3 * (3.0 * at[0]).sin()
            } else {
                0.0
            };
            planted(s).at(at) + torn
        });
        for k in 0..50usize {
            seen.push([500.0 + count(k), 0.0, 0.0], &[sight(SETUPS, 0.003)]);
        }
        let about: Vec<_> = (0..SETUPS).map(|s| Some(stand(s))).chain([None]).collect();
        let found = level(&seen, SETUPS + 1, &about).unwrap();
        let out: Vec<usize> = (0..=SETUPS).filter(|&s| found.report.left_out[s]).collect();
        assert_eq!(out, [7]);
        assert!(!found.report.tied[SETUPS]);
        assert!(found.corrections[SETUPS].offset_m.abs() < 1e-15);
    }

    #[test]
    fn checkpoints_hold_the_height_of_all() {
        let mut seen = places(|s, at| planted(s).at(at) + 0.015);
        for k in 0..30usize {
            let s = k % SETUPS;
            let [x, y, _] = stand(s);
            let at = [x + 3.0, y - 2.0];
            let own = sight(s, planted(s).at(at) + 0.015);
            let mark = Sight {
                setup: u16::MAX,
                n: 1.0,
                mean_m: 0.0,
                variance_m2: 4e-6,
            };
            seen.push([at[0], at[1], 0.0], &[own, mark]);
        }
        let found = levelled(&seen);
        let mean = found.corrections.iter().map(|c| c.offset_m).sum::<f64>() / count(SETUPS);
        // 30 checkpoints of 2 mm tell the height to 0.37 mm; free of noise here, far better.
        assert!((mean - 0.015).abs() < 2e-4, "{mean}");
    }

    #[test]
    fn places_that_one_setup_saw_alone_tell_nothing_of_the_misfit() {
        let torn = |s: usize, at: [f64; 2]| {
            let wave = if s == 7 { (3.0 * at[0]).sin() } else { 0.0 };
            planted(s).at(at) + 5e-3 * wave
        };
        let mut seen = places(torn);
        let shared = levelled(&seen);
        for k in 0..6000usize {
            let s = if k < 3000 { 7 } else { k % SETUPS };
            let [x, y, _] = stand(s);
            seen.push([x + 0.003 * count(k), y, 0.0], &[sight(s, 0.001)]);
        }
        let both = levelled(&seen);
        assert_eq!(both.report.left_out, shared.report.left_out);
        assert!(both.report.left_out[7]);
        let off = both.report.misfit_m - shared.report.misfit_m;
        assert!(off.abs() < 1e-9, "{off}");
        for (a, b) in both.corrections.iter().zip(&shared.corrections) {
            assert!((a.offset_m - b.offset_m).abs() < 1e-9);
        }
    }

    #[test]
    fn how_well_checkpoints_hold_the_whole_is_no_spread_of_setups() {
        let mut seen = places(|s, at| planted(s).at(at));
        let [x, y, _] = stand(3);
        let mark = Sight {
            setup: u16::MAX,
            n: 1.0,
            mean_m: 0.0,
            variance_m2: 4e-4,
        };
        seen.push([x, y, 0.0], &[sight(3, planted(3).at([x, y])), mark]);
        let found = levelled(&seen);
        // Offsets of 0.46 mm were planted; one checkpoint of 20 mm holds their mean.
        let sd_m = found.report.offset_sd_m;
        assert!((2e-4..8e-4).contains(&sd_m), "{sd_m}");
        assert!(found.report.sd_m.iter().all(|sd| *sd > 0.01));
    }

    #[test]
    fn more_setups_than_can_be_levelled_are_refused_with_their_number() {
        let error = level(&Places::default(), 5000, &[]).unwrap_err();
        assert!(error.to_string().starts_with("5000 setups"), "{error}");
    }

    #[test]
    fn one_setup_or_none_needs_no_levelling() {
        assert_eq!(level(&Places::default(), 0, &[]).unwrap().corrections, []);
        let mut alone = Places::default();
        alone.push([1.0, 2.0, 3.0], &[sight(0, 0.004)]);
        let found = level(&alone, 1, &[None]).unwrap();
        assert!(found.corrections[0].offset_m.abs() < 1e-15);
    }
}
