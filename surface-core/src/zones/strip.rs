//! The finder's second look: heights of points by their distance from the chains.
//!
//! Each chain is cut into pieces of [`PIECE_M`]; the points beside a piece are summed in narrow
//! bins of their distance from it. The sums of two parts of a cloud add up, so a course streams,
//! and memory grows with the length of the chains and not with the number of points.

use super::chain::{Chain, Rows};
use super::squares::{Lists, Squares};
use crate::numeric::{to_index, to_u32};

/// Length of a piece, metres.
pub(super) const PIECE_M: f64 = 0.25;
/// Points within this distance of a chain count, metres.
pub(super) const REACH_M: f64 = 0.20;
/// Width of a bin, metres: narrower than the positions that are asked for need.
const BIN_M: f64 = 0.01;
/// Bins on both sides.
pub(super) const BINS: usize = 40;
/// Pieces that a chain is carried on straight at its ends, where the ridge was too near to
/// another step or to the edge of the road.
pub(super) const BEYOND: usize = 4;
/// Length at the end of a chain that tells its direction, metres.
const AIM_M: f64 = 0.8;
/// Side of a square of the index, metres.
const SQUARE_M: f64 = 0.5;
/// Points further than this, a part of the step and their own noise from the middle of the step are
/// strays, metres.
const STRAY_M: f64 = 0.004;
/// That part: half a step is where the two sides are, the rest is for steps that change.
const STRAY_STEPS: f64 = 0.9;
/// That noise, in standard deviations: each side is cut on its outer flank alone, so that less would
/// draw the two sides together.
const STRAY_SIGMAS: f64 = 3.0;

/// One point of the road, or of something that stands there: strays are cut by the strip itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StripPoint {
    /// Along the line, metres; on a closed course of any lap, so that it may be below 0 just before
    /// the start.
    pub s: f64,
    /// Left of the line, metres.
    pub t: f64,
    /// Height, metres.
    pub z: f64,
    /// 1/σ² of its height, 1/m².
    pub weight: f64,
}

/// A short straight piece of a chain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Piece {
    /// Its middle, (s, t), metres, s unwrapped.
    pub at: [f64; 2],
    /// Unit vector along it.
    pub along: [f64; 2],
    /// Height half way up the step, and the ground's slopes along s and t.
    pub plane: [f64; 3],
    /// The chain's step, metres.
    pub step_m: f64,
}

impl Piece {
    /// Unit vector to its left.
    pub fn left(&self) -> [f64; 2] {
        [-self.along[1], self.along[0]]
    }
}

/// Sums over the points beside one piece, by distance to its left: w, w·n, w·r with r the height
/// above the piece's plane.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Profile(pub Vec<[f64; 3]>);

impl Profile {
    fn new() -> Self {
        Self(vec![[0.0; 3]; BINS])
    }
}

/// What the points of a part of the cloud say about the pieces near them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StripSums(Vec<(usize, Profile)>);

/// The pieces of all chains of a course.
#[derive(Debug, Clone)]
pub struct Strips {
    pub(super) pieces: Vec<Piece>,
    /// Pieces of chain k: `starts[k]..starts[k + 1]`.
    pub(super) starts: Vec<usize>,
    squares: Squares,
    index: Lists,
    /// Length of a closed course, metres.
    pub(super) period_m: Option<f64>,
}

impl Strips {
    /// The pieces of `chains`; chains of fewer than two places have none.
    #[must_use]
    pub fn along(chains: &[Chain], rows: Rows) -> Self {
        let mut starts = vec![0];
        let mut pieces = Vec::new();
        for chain in chains.iter().filter(|chain| chain.at.len() > 1) {
            pieces.extend(cut(chain));
            starts.push(pieces.len());
        }
        let period_m = rows.closed.then(|| rows.rows as f64 * rows.steps_m[0]);
        let squares = Squares::new(SQUARE_M, period_m);
        let near = |piece: &Piece| squares.around(piece.at, REACH_M.hypot(0.5 * PIECE_M));
        let index: Vec<([i32; 2], u32)> = pieces
            .iter()
            .enumerate()
            .flat_map(|(k, piece)| near(piece).into_iter().map(move |key| (key, to_u32(k))))
            .collect();
        let index = Lists::new(&index);
        Self {
            pieces,
            starts,
            squares,
            index,
            period_m,
        }
    }

    /// s from `from` the shorter way round.
    fn s_from(&self, from: f64, s: f64) -> f64 {
        let away = s - from;
        self.period_m
            .map_or(away, |length| away - length * (away / length).round())
    }

    /// Whether any piece lies between two s, metres (of a closed course: wrapped).
    #[must_use]
    pub fn any_between(&self, from_s_m: f64, to_s_m: f64) -> bool {
        let (middle, half) = (
            0.5 * (from_s_m + to_s_m),
            0.5 * (to_s_m - from_s_m) + SQUARE_M,
        );
        let near = |p: &Piece| self.s_from(middle, p.at[0]).abs() <= half;
        self.pieces.iter().any(near)
    }

    /// Whether a piece may be near (s, t): quickly told, for most of a course has none.
    #[must_use]
    #[inline]
    pub fn may_reach(&self, at: [f64; 2]) -> bool {
        !self.index.at(self.squares.of(at)).is_empty()
    }

    /// What these points say of the pieces near them, to be given to [`StripTotals::add`].
    pub fn sums(&self, points: impl Iterator<Item = StripPoint>) -> StripSums {
        let mut found = Found {
            slots: vec![NONE; self.pieces.len()],
            sums: Vec::new(),
        };
        for point in points {
            for &k in self.index.at(self.squares.of([point.s, point.t])) {
                let k = k as usize;
                if let Some((bin, n, r)) = self.place(&self.pieces[k], &point) {
                    let sums = &mut found.profile(k).0[bin];
                    sums[0] += point.weight;
                    sums[1] += point.weight * n;
                    sums[2] += point.weight * r;
                }
            }
        }
        found.sums.sort_unstable_by_key(|(k, _)| *k);
        StripSums(found.sums)
    }

    /// Bin, distance to the left and height above the plane of a point beside a piece.
    fn place(&self, piece: &Piece, point: &StripPoint) -> Option<(usize, f64, f64)> {
        let away = [self.s_from(piece.at[0], point.s), point.t - piece.at[1]];
        let dot = |v: [f64; 2]| v[0] * away[0] + v[1] * away[1];
        let (l, n) = (dot(piece.along), dot(piece.left()));
        if l.abs() > 0.5 * PIECE_M || n.abs() >= REACH_M {
            return None;
        }
        let [z, slope_s, slope_t] = piece.plane;
        let r = point.z - z - slope_s * away[0] - slope_t * away[1];
        let bin = to_index((n + REACH_M) / BIN_M).min(BINS - 1);
        let noise = STRAY_SIGMAS / point.weight.sqrt();
        (r.abs() <= STRAY_M + STRAY_STEPS * piece.step_m + noise).then_some((bin, n, r))
    }
}

/// No profile yet.
const NONE: u32 = u32::MAX;

/// Profiles of the pieces that points were beside.
struct Found {
    /// Where in `sums` each piece's profile is.
    slots: Vec<u32>,
    sums: Vec<(usize, Profile)>,
}

impl Found {
    #[inline]
    fn profile(&mut self, piece: usize) -> &mut Profile {
        if self.slots[piece] == NONE {
            self.slots[piece] = to_u32(self.sums.len());
            self.sums.push((piece, Profile::new()));
        }
        &mut self.sums[self.slots[piece] as usize].1
    }
}

/// What all points of the cloud say about every piece.
#[derive(Debug, Clone, PartialEq)]
pub struct StripTotals(pub(super) Vec<Profile>);

impl StripTotals {
    /// Nothing is known yet about the pieces of `strips`.
    #[must_use]
    pub fn new(strips: &Strips) -> Self {
        Self(vec![Profile::new(); strips.pieces.len()])
    }

    /// Sum of the weights of the points beside a piece, 1/m².
    #[cfg(test)]
    pub(super) fn weight(&self, piece: usize) -> f64 {
        self.0[piece].0.iter().map(|bin| bin[0]).sum()
    }

    /// Add what a part of the cloud says; for the same bytes, always in the same order.
    pub fn add(&mut self, sums: &StripSums) {
        for (k, profile) in &sums.0 {
            for (own, more) in self.0[*k].0.iter_mut().zip(&profile.0) {
                own.iter_mut().zip(more).for_each(|(a, b)| *a += b);
            }
        }
    }
}

/// The pieces of one chain, in order, carried on straight at both ends.
fn cut(chain: &Chain) -> Vec<Piece> {
    let mut way = vec![0.0];
    for pair in chain.at.windows(2) {
        let before = way.last().copied().unwrap_or(0.0);
        way.push(before + (pair[1][0] - pair[0][0]).hypot(pair[1][1] - pair[0][1]));
    }
    let length = way.last().copied().unwrap_or(0.0);
    let count = to_index(length / PIECE_M).max(1);
    let spare = 0.5 * (length - count as f64 * PIECE_M);
    let place = |w: f64| along(chain, &way, w);
    (0..count + 2 * BEYOND)
        .map(|k| {
            let w = spare + (k as f64 + 0.5 - BEYOND as f64) * PIECE_M;
            let (a, b) = (place(w - 0.5 * PIECE_M), place(w + 0.5 * PIECE_M));
            let (ds, dt) = (b[0] - a[0], b[1] - a[1]);
            let long = ds.hypot(dt).max(f64::MIN_POSITIVE);
            let at = [0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])];
            let near = way.partition_point(|v| *v < w).min(chain.at.len() - 1);
            let [z, slope_s, slope_t] = chain.planes[near];
            let away = [at[0] - chain.at[near][0], at[1] - chain.at[near][1]];
            Piece {
                at,
                along: [ds / long, dt / long],
                plane: [z + slope_s * away[0] + slope_t * away[1], slope_s, slope_t],
                step_m: chain.step_m,
            }
        })
        .collect()
}

/// The place `w` along a chain, straight on beyond its ends.
fn along(chain: &Chain, way: &[f64], w: f64) -> [f64; 2] {
    let length = way.last().copied().unwrap_or(0.0);
    if w < 0.0 {
        return aimed(inside(chain, way, AIM_M.min(length)), chain.at[0], -w);
    }
    if w > length {
        let back = inside(chain, way, (length - AIM_M).max(0.0));
        return aimed(back, chain.at[chain.at.len() - 1], w - length);
    }
    inside(chain, way, w)
}

/// `distance` past `end`, coming from `from`.
fn aimed(from: [f64; 2], end: [f64; 2], distance: f64) -> [f64; 2] {
    let (ds, dt) = (end[0] - from[0], end[1] - from[1]);
    let scale = distance / ds.hypot(dt).max(f64::MIN_POSITIVE);
    [end[0] + scale * ds, end[1] + scale * dt]
}

fn inside(chain: &Chain, way: &[f64], w: f64) -> [f64; 2] {
    let k = way.partition_point(|v| *v < w).clamp(1, way.len() - 1);
    let f = (w - way[k - 1]) / (way[k] - way[k - 1]).max(f64::MIN_POSITIVE);
    [0, 1].map(|d| chain.at[k - 1][d] + f * (chain.at[k][d] - chain.at[k - 1][d]))
}
