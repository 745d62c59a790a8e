//! From strips to breaklines: where the step lies to some millimetres, and whether it is one.
//!
//! Around every piece the points of [`POOL`] pieces on either side are fitted by
//! r = aₖ + b·n + c·n² + d·n³ + ½h·σ(n − n₀): a step h at n₀ on ground that may bend as it likes
//! within the strip, so that a bump, a rib or the face of a kerb is no step. n₀ is where the step
//! explains most, and is smoothed along the chain.

use super::breakline::{Breakline, Breaklines, VERTEX_STEP_M};
use super::doubles::without_doubles;
use super::smooth::smoothed;
use super::strip::{PIECE_M, Piece, Profile, REACH_M, StripTotals, Strips};
use rayon::prelude::*;

use crate::numeric::{factor_dense, solve_dense, to_index};
use crate::ribbon::RibbonPoint;

/// Pieces on either side that are fitted together: 1.25 m in all.
const POOL: usize = 2;
/// Pieces on either side whose step a piece is expected to have.
const AROUND: usize = 4;
/// A piece is held to have at least this share of the largest step around it: beyond the end of a
/// line, where there is none, that tells sooner than the step that fades out with the pool.
const SHARE: f64 = 0.6;
/// Half the width over which a step rises, metres: half a bin and a little of the beam.
const RISE_M: f64 = 0.007;
/// Places of the step that are tried, first and second: steps of this, so many to either side.
const TRIED: [(f64, i32); 2] = [(0.005, 20), (0.0025, 12)];
/// Waves shorter than this are smoothed out of a breakline's distance from its chain, metres.
const WAVE_M: f64 = 1.5;
/// Pieces in a metre: no breakline is shorter.
const METRE: usize = 4;
/// Steps below this are not kept whatever their σ, metres: the texture of asphalt.
const LEAST_STEP_M: f64 = 1.0e-3;
/// A step must be more than this many standard deviations.
const SURE: f64 = 3.0;
/// Where the ground bends within the strip, a step may be off by this times its bend: three invented
/// courses with ribbed kerbs and no joints have 65 false lines with 0 and none with this.
const BENT: f64 = 2.5;
/// Unknowns besides the step, the step, and the height: n, n², n³, σ, r.
const TERMS: usize = 5;

/// Centred weighted moments of the terms; additive over pieces, each with a level of its own.
#[derive(Debug, Clone, Copy, Default)]
struct Moments {
    products: [f64; TERMS * TERMS],
    /// Bins that hold points, less one a piece.
    freedom: f64,
}

/// A step as one fit tells.
#[derive(Debug, Clone, Copy)]
struct Step {
    step_m: f64,
    /// 1/variance, 1/m².
    weight: f64,
    /// How much the ground bends within the strip, root mean square, metres.
    bend_m: f64,
}

impl Step {
    const NONE: Self = Self {
        step_m: 0.0,
        weight: 0.0,
        bend_m: 0.0,
    };

    /// Standard deviation, metres: of the noise, and of ground that bends more than a cubic can.
    fn sd_m(&self) -> f64 {
        self.weight.sqrt().recip().hypot(BENT * self.bend_m)
    }

    /// Whether it is a step and no chance.
    fn is_sure(&self) -> bool {
        self.step_m > (SURE * self.sd_m()).max(LEAST_STEP_M)
    }

    /// How much better the points are explained with the step than without, signed.
    fn gain(&self) -> f64 {
        self.step_m * self.step_m.abs() * self.weight
    }
}

/// What a piece says, whatever the place of the step.
#[derive(Debug, Clone)]
struct Beside {
    /// Weight, mean distance to the left and mean height of the bins that hold points.
    bins: Vec<[f64; 3]>,
    w: f64,
    /// Weighted sums of the terms and their products; none of σ.
    sums: [f64; TERMS],
    products: [f64; TERMS * TERMS],
}

/// The number of σ among the terms.
const SIDE: usize = 3;

impl Beside {
    fn of(profile: &Profile) -> Self {
        let held = profile.0.iter().filter(|b| b[0] > 0.0);
        let mut out = Self {
            bins: held.map(|[w, wn, wr]| [*w, wn / w, wr / w]).collect(),
            w: 0.0,
            sums: [0.0; TERMS],
            products: [0.0; TERMS * TERMS],
        };
        for &[w, n, r] in &out.bins {
            let terms = terms(n, 0.0, r);
            out.w += w;
            for i in 0..TERMS {
                out.sums[i] += w * terms[i];
                for j in 0..=i {
                    out.products[TERMS * i + j] += w * terms[i] * terms[j];
                }
            }
        }
        out
    }

    /// The moments for a step `n0_m` to the left.
    fn moments(&self, n0_m: f64) -> Moments {
        if self.w <= 0.0 {
            return Moments::default();
        }
        let (mut sums, mut own) = (self.sums, [0.0; TERMS]);
        for &[w, n, r] in &self.bins {
            let terms = terms(n, ((n - n0_m) / RISE_M).clamp(-1.0, 1.0), r);
            let w = w * terms[SIDE];
            sums[SIDE] += w;
            for i in 0..TERMS {
                own[i] += w * terms[i];
            }
        }
        let mut products = self.products;
        for i in 0..TERMS {
            products[TERMS * SIDE.max(i) + SIDE.min(i)] = own[i];
        }
        for i in 0..TERMS {
            for j in 0..=i {
                products[TERMS * i + j] -= sums[i] * sums[j] / self.w;
            }
        }
        Moments {
            products,
            freedom: self.bins.len() as f64 - 1.0,
        }
    }
}

/// n, n², n³, σ and r, the distance over the strip's reach.
fn terms(n_m: f64, side: f64, r: f64) -> [f64; TERMS] {
    let x = n_m / REACH_M;
    [x, x * x, x * x * x, side, r]
}

impl Moments {
    fn add(&mut self, other: &Self) {
        let both = self.products.iter_mut().zip(&other.products);
        both.for_each(|(a, b)| *a += b);
        self.freedom += other.freedom;
    }

    fn at(&self, i: usize, j: usize) -> f64 {
        self.products[TERMS * i.max(j) + i.min(j)]
    }

    /// The step with its weight, once the bent ground is taken away.
    fn step(&self) -> Step {
        let mut ground = [0.0; 9];
        for i in 0..3 {
            for j in 0..=i {
                ground[3 * i + j] = self.at(i, j) * if i == j { 1.0 + 1e-9 } else { 1.0 };
            }
        }
        if self.freedom < 6.0 || factor_dense(&mut ground, 3, 0).is_err() {
            return Step::NONE;
        }
        let side = [0, 1, 2].map(|i| self.at(3, i));
        let (mut of_side, mut of_height) = (side, [0, 1, 2].map(|i| self.at(4, i)));
        let height = of_height;
        solve_dense(&ground, 3, &mut of_side);
        solve_dense(&ground, 3, &mut of_height);
        let dot = |a: &[f64; 3], b: &[f64; 3]| (0..3).map(|k| a[k] * b[k]).sum::<f64>();
        let own = self.at(3, 3) - dot(&side, &of_side);
        if own <= 1e-3 * self.at(3, 3) || own <= 0.0 {
            return Step::NONE;
        }
        let half = (self.at(4, 3) - dot(&side, &of_height)) / own;
        let rest = self.at(4, 4) - dot(&height, &of_height) - half * half * own;
        // Noise beyond what the points' own σ say (texture, mixed returns) counts.
        // Root mean squares of n² and n³ over the strip, less what a plane takes of them.
        let bent = |k: usize| of_height[k] - half * of_side[k];
        let bend_m = (0.298 * bent(1)).hypot(0.151 * bent(2));
        let scatter = (rest / (self.freedom - 4.0)).max(1.0);
        Step {
            step_m: 2.0 * half,
            weight: own / (4.0 * scatter),
            bend_m,
        }
    }
}

impl Strips {
    /// The breaklines that the points beside the chains confirm; on a closed course each begins
    /// (with its least s) on the first lap.
    #[must_use]
    pub fn breaklines(&self, totals: &StripTotals) -> Breaklines {
        let chains = self.starts.par_windows(2).map(|k| k[0]..k[1]);
        let mut lines: Vec<Breakline> = chains
            .flat_map_iter(|own| confirmed(&self.pieces[own.clone()], &totals.0[own]))
            .collect();
        lines.sort_by(|a, b| b.length_m().total_cmp(&a.length_m()));
        let lines = Breaklines::new(without_doubles(lines, self.period_m));
        match self.period_m {
            Some(length) => lines.in_first_lap(length),
            None => lines,
        }
    }
}

/// The parts of one chain that are steps.
fn confirmed(pieces: &[Piece], profiles: &[Profile]) -> Vec<Breakline> {
    let mut shift = vec![0.0; pieces.len()];
    let beside: Vec<Beside> = profiles.iter().map(Beside::of).collect();
    for (step_m, count) in TRIED {
        shift = refined(&beside, &shift, step_m, count);
    }
    let each = beside.iter().zip(&shift);
    let moments: Vec<Moments> = each.map(|(own, n)| own.moments(*n)).collect();
    let alone: Vec<Step> = moments.iter().map(Moments::step).collect();
    let pooled: Vec<Step> = (0..pieces.len())
        .map(|k| pool(&moments, k).step())
        .collect();
    let mut found = Vec::new();
    stretches(&alone, &pooled, 0..pieces.len(), &mut found);
    let parts = found.into_iter().flat_map(|own| risen(&moments, own));
    parts
        .filter_map(|own| line(pieces, &shift, &moments, own))
        .collect()
}

/// The parts of a stretch over every metre of which the left side is the higher one.
fn risen(moments: &[Moments], own: std::ops::Range<usize>) -> Vec<std::ops::Range<usize>> {
    let mut fallen = vec![false; own.len()];
    for (k, window) in moments[own.clone()].windows(METRE).enumerate() {
        if sum(window).step().step_m <= 0.0 {
            fallen[k + 1..k + METRE - 1].fill(true);
        }
    }
    let mut parts = Vec::new();
    let mut from = 0;
    for k in 0..=fallen.len() {
        if k == fallen.len() || fallen[k] {
            parts.push(own.start + from..own.start + k);
            from = k + 1;
        }
    }
    parts.retain(|part| part.len() >= METRE);
    parts
}

fn pool(moments: &[Moments], k: usize) -> Moments {
    sum(&moments[k.saturating_sub(POOL)..(k + POOL + 1).min(moments.len())])
}

fn sum(moments: &[Moments]) -> Moments {
    let mut sum = Moments::default();
    moments.iter().for_each(|m| sum.add(m));
    sum
}

/// The distances of the step from the pieces, each the best of those tried around `shift`.
fn refined(beside: &[Beside], shift: &[f64], step_m: f64, count: i32) -> Vec<f64> {
    let tried: Vec<f64> = (-count..=count).map(|k| f64::from(k) * step_m).collect();
    let mut gains: Vec<Vec<f64>> = Vec::with_capacity(tried.len());
    for &d in &tried {
        let each = beside.iter().zip(shift);
        let moments: Vec<Moments> = each.map(|(own, n)| own.moments(n + d)).collect();
        let pooled = (0..beside.len()).map(|k| pool(&moments, k).step().gain());
        gains.push(pooled.collect());
    }
    let (mut best, mut weights) = (Vec::new(), Vec::new());
    for k in 0..beside.len() {
        let gain = |i: usize| gains[i][k];
        let top = (0..tried.len()).max_by(|&a, &b| gain(a).total_cmp(&gain(b)));
        let top = top.unwrap_or(0);
        let inner = top > 0 && top + 1 < tried.len();
        let bend = if inner {
            2.0 * gain(top) - gain(top - 1) - gain(top + 1)
        } else {
            0.0
        };
        let part = if bend > 0.0 {
            0.5 * (gain(top + 1) - gain(top - 1)) / bend
        } else {
            0.0
        };
        best.push(shift[k] + tried[top] + part * step_m);
        weights.push(if inner { gain(top).max(0.0) } else { 0.0 });
    }
    smoothed(&best, &weights, PIECE_M, WAVE_M)
}

/// The stretches of pieces where the step is likelier than none: those with the greatest sum of
/// (2·d·D − D²)/σ², d the piece's own step and D that around it.
fn stretches(
    alone: &[Step],
    pooled: &[Step],
    within: std::ops::Range<usize>,
    out: &mut Vec<std::ops::Range<usize>>,
) {
    let likely = |k: usize| {
        let near = k.saturating_sub(AROUND)..(k + AROUND + 1).min(pooled.len());
        let largest = pooled[near].iter().map(|p| p.step_m).fold(0.0, f64::max);
        let around = (SHARE * largest).max(LEAST_STEP_M);
        (2.0 * alone[k].step_m - around) * around * alone[k].weight
    };
    let (mut best, mut own) = (0.0, 0..0);
    let (mut sum, mut from) = (0.0, within.start);
    for k in within.clone() {
        sum += likely(k);
        if sum > best {
            (best, own) = (sum, from..k + 1);
        }
        if sum <= 0.0 {
            (sum, from) = (0.0, k + 1);
        }
    }
    if own.is_empty() {
        return;
    }
    stretches(alone, pooled, within.start..own.start, out);
    out.push(own.clone());
    stretches(alone, pooled, own.end..within.end, out);
}

/// The breakline of a stretch, if the step holds over its length.
fn line(
    pieces: &[Piece],
    shift: &[f64],
    moments: &[Moments],
    own: std::ops::Range<usize>,
) -> Option<Breakline> {
    let whole = sum(&moments[own.clone()]).step();
    let metres = moments[own.clone()].windows(METRE);
    let sure = metres.clone().filter(|m| sum(m).step().is_sure()).count();
    if !whole.is_sure() || sure == 0 || 4 * sure < metres.len() {
        return None;
    }
    let place = |k: usize, forward: f64| {
        let (p, left) = (&pieces[k], pieces[k].left());
        let at = [0, 1].map(|d| p.at[d] + shift[k] * left[d] + forward * p.along[d]);
        RibbonPoint { s: at[0], t: at[1] }
    };
    let (first, last) = (own.start, own.end - 1);
    let mut points = vec![place(first, -0.5 * PIECE_M)];
    points.extend(own.map(|k| place(k, 0.0)));
    points.push(place(last, 0.5 * PIECE_M));
    Some(Breakline {
        points: even(&points),
        step_m: whole.step_m,
        sd_m: whole.sd_m(),
    })
}

/// The same line with vertices evenly along it, at most [`VERTEX_STEP_M`] apart.
///
/// Pieces beside a chain come out a hair longer than a vertex step: halving those that do would
/// double the vertices of most lines.
fn even(points: &[RibbonPoint]) -> Vec<RibbonPoint> {
    let mut way = vec![0.0];
    for pair in points.windows(2) {
        let before = way.last().copied().unwrap_or(0.0);
        way.push(before + (pair[1].s - pair[0].s).hypot(pair[1].t - pair[0].t));
    }
    let length = way.last().copied().unwrap_or(0.0);
    let parts = to_index((length / VERTEX_STEP_M).ceil()).max(1);
    let place = |i: usize| {
        let w = length * i as f64 / parts as f64;
        let k = way.partition_point(|v| *v < w).clamp(1, way.len() - 1);
        let f = (w - way[k - 1]) / (way[k] - way[k - 1]).max(f64::MIN_POSITIVE);
        let (a, b) = (points[k - 1], points[k]);
        RibbonPoint {
            s: a.s + f * (b.s - a.s),
            t: a.t + f * (b.t - a.t),
        }
    };
    (0..=parts).map(place).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn vertices_are_even_and_no_more_than_the_length_needs() {
        // A wave, with a step along s as wide as a vertex step and half ones at the ends.
        let at = |s: f64| RibbonPoint {
            s,
            t: 0.02 * (2.0 * s).sin(),
        };
        let mut points = vec![at(-0.125)];
        points.extend((0..80).map(|k| at(VERTEX_STEP_M * f64::from(k))));
        points.push(at(19.875));
        let even = even(&points);
        assert_eq!(even.len(), 82, "20.008 m in steps of 0.25 m");
        assert!((even[0].s + 0.125).abs() < 1e-12 && (even[81].s - 19.875).abs() < 1e-12);
        for (a, b) in even.iter().zip(&even[1..]) {
            let apart = (b.s - a.s).hypot(b.t - a.t);
            assert!(apart <= VERTEX_STEP_M + 1e-12 && apart > 0.24, "{apart}");
            // Chords of the wave stay within its sagitta.
            assert!((a.t - at(a.s).t).abs() < 7e-4);
        }
    }
}
