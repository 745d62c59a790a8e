//! From strips to breaklines: where the step lies to some millimetres, and whether it is one.
//!
//! Around every piece the points of [`POOL`] pieces on either side are fitted by
//! r = aₖ + b·n + c·n² + d·n³ + ½h·σ(n − n₀): a step h at n₀ on ground that may bend as it likes
//! within the strip, so that a bump, a rib or the face of a kerb is no step. n₀ is told by
//! [`Place`] and smoothed along the line. Steps that single pieces tell are placed by those.

use super::breakline::{Breakline, Breaklines, VERTEX_STEP_M};
use super::doubles::without_doubles;
use super::place::Place;
use super::smooth::smoothed;
use super::strip::{BEYOND, PIECE_M, Piece, Profile, REACH_M, StripTotals, Strips};
use rayon::prelude::*;

use crate::numeric::{factor_dense, median, solve_dense, to_index};
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
/// Places of the step that are tried, first and second.
const TRIED: [Tried; 2] = [Tried::new(0.0075, 14, POOL), Tried::new(0.0025, 10, POOL)];
/// And of steps that each piece tells by itself: pieces that are fitted together all have the one place,
/// however slanted a short chain lies to its step, and however round it goes into a corner.
const ALONE: Tried = Tried::new(0.004, 25, 0);
/// Steps of which half of the pieces gain more than this by themselves, (step/σ)²: the faces of kerbs and
/// their ribs. Chosen with `a_kerb_with_vertical_sides_stands_on_rails`.
const STRONG: f64 = 200.0;
/// Pieces on either side whose bends are what the line may be expected to bend by.
const BEND_AROUND: usize = 8;
/// Waves shorter than this are smoothed out of a breakline, metres.
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

/// Places of the step that are tried: steps of this, so many to either side; and how many pieces on either
/// side are fitted together.
#[derive(Debug, Clone, Copy)]
struct Tried {
    step_m: f64,
    count: i32,
    pool: usize,
}

impl Tried {
    const fn new(step_m: f64, count: i32, pool: usize) -> Self {
        Self {
            step_m,
            count,
            pool,
        }
    }

    /// The places, metres from where the step is thought to be.
    fn places(self) -> Vec<f64> {
        let place = |k: i32| f64::from(k) * self.step_m;
        (-self.count..=self.count).map(place).collect()
    }
}

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
    /// Weighted sums of the terms; none of σ.
    sums: [f64; TERMS],
    /// Moments of the terms but σ.
    ground: Moments,
}

/// The number of σ among the terms.
const SIDE: usize = 3;

/// Centred weighted moments of σ with each term; additive over pieces.
type SideMoments = [f64; TERMS];

impl Beside {
    fn of(profile: &Profile) -> Self {
        let held = profile.0.iter().filter(|b| b[0] > 0.0);
        let bins: Vec<[f64; 3]> = held.map(|[w, wn, wr]| [*w, wn / w, wr / w]).collect();
        let (mut w_all, mut sums) = (0.0, [0.0; TERMS]);
        let mut ground = Moments::default();
        for &[w, n, r] in &bins {
            let terms = terms(n, 0.0, r);
            w_all += w;
            for i in 0..TERMS {
                sums[i] += w * terms[i];
                for j in 0..=i {
                    ground.products[TERMS * i + j] += w * terms[i] * terms[j];
                }
            }
        }
        if w_all > 0.0 {
            ground.freedom = bins.len() as f64 - 1.0;
            for (i, j) in (0..TERMS).flat_map(|i| (0..=i).map(move |j| (i, j))) {
                ground.products[TERMS * i + j] -= sums[i] * sums[j] / w_all;
            }
        }
        Self {
            bins,
            w: w_all,
            sums,
            ground,
        }
    }

    /// The moments of σ for a step `n0_m` to the left.
    fn side(&self, n0_m: f64) -> SideMoments {
        if self.w <= 0.0 {
            return [0.0; TERMS];
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
        std::array::from_fn(|i| own[i] - sums[SIDE] * sums[i] / self.w)
    }

    /// All moments for a step `n0_m` to the left.
    fn moments(&self, n0_m: f64) -> Moments {
        let mut moments = self.ground;
        for (i, own) in self.side(n0_m).into_iter().enumerate() {
            moments.products[TERMS * SIDE.max(i) + SIDE.min(i)] = own;
        }
        moments
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
        let side = std::array::from_fn(|i| self.at(SIDE, i));
        Ground::of(self).map_or(Step::NONE, |ground| ground.step(side))
    }
}

/// The bent ground of some pieces, and what it leaves of the heights.
#[derive(Debug, Clone, Copy)]
struct Ground {
    /// Factor of the moments of n, n² and n³.
    factor: [f64; 9],
    /// How r goes with these.
    of_height: [f64; 3],
    /// What they leave of r.
    rest: f64,
    freedom: f64,
}

impl Ground {
    /// Of moments; `None` where too few bins hold points.
    fn of(moments: &Moments) -> Option<Self> {
        let mut factor = [0.0; 9];
        for i in 0..3 {
            for j in 0..=i {
                factor[3 * i + j] = moments.at(i, j) * if i == j { 1.0 + 1e-9 } else { 1.0 };
            }
        }
        if moments.freedom < 6.0 || factor_dense(&mut factor, 3, 0).is_err() {
            return None;
        }
        let height = [0, 1, 2].map(|i| moments.at(4, i));
        let mut of_height = height;
        solve_dense(&factor, 3, &mut of_height);
        Some(Self {
            factor,
            of_height,
            rest: moments.at(4, 4) - dot(&height, &of_height),
            freedom: moments.freedom,
        })
    }

    /// The step on it, with its weight.
    fn step(&self, moments: SideMoments) -> Step {
        let [a, b, c, square, with_height] = moments;
        let side = [a, b, c];
        let mut of_side = side;
        solve_dense(&self.factor, 3, &mut of_side);
        let own = square - dot(&side, &of_side);
        if own <= 1e-3 * square || own <= 0.0 {
            return Step::NONE;
        }
        let half = (with_height - dot(&side, &self.of_height)) / own;
        let rest = self.rest - half * half * own;
        // Root mean squares of n² and n³ over the strip, less what a plane takes of them.
        let bent = |k: usize| self.of_height[k] - half * of_side[k];
        let bend_m = (0.298 * bent(1)).hypot(0.151 * bent(2));
        // Noise beyond what the points' own σ say (texture, mixed returns) counts.
        let scatter = (rest / (self.freedom - 4.0)).max(1.0);
        Step {
            step_m: 2.0 * half,
            weight: own / (4.0 * scatter),
            bend_m,
        }
    }
}

fn dot(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    (0..3).map(|k| a[k] * b[k]).sum()
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
    let (mut shift, bends) = (vec![0.0; pieces.len()], bends(pieces));
    let beside: Vec<Beside> = profiles.iter().map(Beside::of).collect();
    for tried in TRIED {
        shift = refined(&beside, (&shift, &bends), tried);
    }
    if is_strong(&beside, &shift) {
        shift = refined(&beside, (&shift, &bends), ALONE);
    }
    let each = beside.iter().zip(&shift);
    let moments: Vec<Moments> = each.map(|(own, n)| own.moments(*n)).collect();
    let alone: Vec<Step> = moments.iter().map(Moments::step).collect();
    let pooled: Vec<Step> = (0..pieces.len())
        .map(|k| pool(&moments, k, POOL).step())
        .collect();
    let mut found = Vec::new();
    stretches(&alone, &pooled, 0..pieces.len(), &mut found);
    let parts = found.into_iter().flat_map(|own| risen(&moments, own));
    parts
        .filter_map(|own| line(pieces, &shift, &moments, own))
        .collect()
}

/// Whether single pieces tell the step.
fn is_strong(beside: &[Beside], shift: &[f64]) -> bool {
    let own = BEYOND..beside.len().saturating_sub(BEYOND);
    let gains = own.map(|k| beside[k].moments(shift[k]).step().gain());
    median(&mut gains.collect::<Vec<f64>>()).is_some_and(|gain| gain > STRONG)
}

/// By how much more than the chain around each piece bends to the left in it, x₋ − 2x + x₊, metres; none
/// in the first and last. A chain that follows a bend has none, one that wanders by a metre or two has.
fn bends(pieces: &[Piece]) -> Vec<f64> {
    let bend = |k: usize| {
        let (a, b, c) = (&pieces[k - 1], &pieces[k], &pieces[k + 1]);
        let left = b.left();
        (0..2)
            .map(|d| left[d] * (a.at[d] - 2.0 * b.at[d] + c.at[d]))
            .sum()
    };
    let inner = 1..pieces.len().saturating_sub(1);
    let own: Vec<f64> = inner.map(bend).collect();
    let around = |k: usize| {
        let near = k.saturating_sub(BEND_AROUND)..(k + BEND_AROUND + 1).min(own.len());
        median(&mut own[near].to_vec()).unwrap_or(0.0)
    };
    let mut bends = vec![0.0; pieces.len()];
    for (k, bend) in own.iter().enumerate() {
        bends[k + 1] = bend - around(k);
    }
    bends
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

fn pool(moments: &[Moments], k: usize, around: usize) -> Moments {
    sum(&moments[pooled_with(k, around, moments.len())])
}

/// The pieces of `n` that are fitted together with piece `k`.
fn pooled_with(k: usize, around: usize, n: usize) -> std::ops::Range<usize> {
    k.saturating_sub(around)..(k + around + 1).min(n)
}

fn sum(moments: &[Moments]) -> Moments {
    let mut sum = Moments::default();
    moments.iter().for_each(|m| sum.add(m));
    sum
}

/// The distances of the step from the pieces, each told by the places tried around `shift`.
///
/// What is smooth is the line, so the chain's own `bends` count against it: a chain wanders where ribs
/// meet the face of a kerb.
fn refined(beside: &[Beside], (shift, bends): (&[f64], &[f64]), tried: Tried) -> Vec<f64> {
    let places = tried.places();
    let gains = gains(beside, shift, &places, tried.pool);
    let of_piece = |k: usize| gains.iter().map(|each| each[k]).collect::<Vec<f64>>();
    let each = (0..shift.len()).map(|k| Place::of(&of_piece(k), &places, tried.step_m));
    let each: Vec<Place> = each.collect();
    let usual = median(&mut each.iter().map(|place| place.gain).collect::<Vec<f64>>());
    let best: Vec<f64> = shift.iter().zip(&each).map(|(n, p)| n + p.mean_m).collect();
    let weights: Vec<f64> = each.iter().map(|place| place.weight_among(usual)).collect();
    smoothed((&best, bends), &weights, PIECE_M, WAVE_M)
}

/// What a step gains in each of the places tried, for every piece with those that are pooled with it.
fn gains(beside: &[Beside], shift: &[f64], places: &[f64], pooled: usize) -> Vec<Vec<f64>> {
    let grounds: Vec<Moments> = beside.iter().map(|own| own.ground).collect();
    let grounds: Vec<Option<Ground>> = (0..beside.len())
        .map(|k| Ground::of(&pool(&grounds, k, pooled)))
        .collect();
    let at = |d: f64| {
        let each = beside.iter().zip(shift);
        let sides: Vec<SideMoments> = each.map(|(own, n)| own.side(n + d)).collect();
        let gain = |(k, ground): (usize, &Option<Ground>)| {
            let mut side = [0.0; TERMS];
            for own in &sides[pooled_with(k, pooled, sides.len())] {
                side.iter_mut().zip(own).for_each(|(a, b)| *a += b);
            }
            ground.map_or(0.0, |ground| ground.step(side).gain())
        };
        grounds.iter().enumerate().map(gain).collect()
    };
    places.iter().map(|d| at(*d)).collect()
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

    /// Pieces along t = `t(s)`, from left to right or back.
    fn along(t: impl Fn(f64) -> f64, back: bool) -> Vec<Piece> {
        let piece = |k: i32| {
            let s = PIECE_M * f64::from(if back { -k } else { k });
            let away = if back { -1.0 } else { 1.0 };
            Piece {
                at: [s, t(s)],
                along: [away, 0.0],
                plane: [0.0; 3],
                step_m: 0.01,
            }
        };
        (0..80).map(piece).collect()
    }

    #[test]
    fn what_a_chain_wanders_is_bends_to_its_left_and_what_it_follows_is_none() {
        let wave = |s: f64| 0.05 * (std::f64::consts::TAU * s / 2.0).sin();
        for back in [false, true] {
            let pieces = along(wave, back);
            // A straight line beside it: distances to the left of each piece.
            let left = if back { 1.0 } else { -1.0 };
            let away: Vec<f64> = pieces.iter().map(|p| left * p.at[1]).collect();
            let smooth = smoothed((&away, &bends(&pieces)), &[4.0; 80], PIECE_M, WAVE_M);
            let inner = smooth.iter().zip(&away).skip(8).take(64);
            let off = inner.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            assert!(off < 3e-3, "{off}");
        }
        // A bend of 20 m radius, which the line has as well: nothing is asked of its distance.
        let pieces = along(|s| s * s / 40.0, false);
        assert!(bends(&pieces).iter().all(|b| b.abs() < 1e-6));
    }

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
