//! From places on the ridge to curves: linked, split at corners, smoothed.
//!
//! Linking is hysteresis (Canny 1986): a chain starts at a clear place and runs on over weaker
//! ones, over small gaps, as long as the direction holds. The higher side stays on its left.

use std::collections::HashMap;
use std::f64::consts::PI;

use super::evidence::RidgePoint;
use super::smooth::smoothed;
use super::squares::Squares;
use crate::numeric::{round_i32, to_index};

/// A chain starts where the step is at least this many standard deviations: on 2300 m² of the
/// proving ground's asphalt without steps no chain came of it.
const HIGH: f64 = 5.5;
/// The next place is looked for within this many cells, and over a gap within this many.
const REACH_CELLS: [f64; 2] = [2.4, 7.0];
/// Greatest turn to the next place, radians; over a gap.
const TURN_RAD: [f64; 2] = [0.9, 0.35];
/// Places within this many cells of a chain that point its way belong to it.
const OWN_CELLS: i64 = 2;
/// Shortest chain that is worth a closer look, metres.
const SHORTEST_M: f64 = 0.6;
/// A turn by more than this within [`CORNER_M`] is a corner, radians.
const CORNER_RAD: f64 = 0.6;
/// Length before and after a place that tells its turn, metres.
const CORNER_M: f64 = 0.5;
/// The ridge is round within this distance of a corner, metres.
const ROUND_M: f64 = 0.2;
/// Chains that aim at each other over a gap up to this are one, metres: what is in the gap is told
/// by the points there.
const JOIN_M: f64 = 3.0;
/// They aim to this, radians, by a length of [`AIM_M`] at their ends.
const JOIN_RAD: f64 = 0.15;
/// Length at the end of a chain that tells where it aims, metres.
const AIM_M: f64 = 1.0;
/// Waves shorter than this are smoothed out of a chain, metres: a paver does not steer faster.
const WAVE_M: f64 = 3.0;

/// A smooth curve along the ridge, the higher side on its left; s unwrapped.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// Places about a cell apart, (s, t), metres.
    pub at: Vec<[f64; 2]>,
    /// The plane half way up the step: height at the place, and slopes along s and t.
    pub planes: Vec<[f64; 3]>,
    /// Mean step, metres.
    pub step_m: f64,
}

/// The lattice that ridge points lie on, as far as linking needs it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rows {
    /// Rows of the course.
    pub rows: i64,
    /// Size of a cell along s and t, metres.
    pub steps_m: [f64; 2],
    /// Whether the last row is followed by the first.
    pub closed: bool,
}

/// Link the ridge of a whole course, in order of rows (counted from 0) and columns, as [`super::ridge`] of
/// one run after another gives it.
#[must_use]
pub fn link(ridge: &[RidgePoint], rows: Rows) -> Vec<Chain> {
    let mut linker = Linker::new(ridge, rows);
    let mut starts: Vec<usize> = (0..ridge.len())
        .filter(|&k| ridge[k].score >= HIGH)
        .collect();
    starts.sort_by(|&a, &b| ridge[b].score.total_cmp(&ridge[a].score).then(a.cmp(&b)));
    let mut parts = Vec::new();
    for start in starts {
        if !linker.used[start] {
            let places = linker.trace(start);
            linker.claim(&places);
            parts.extend(linker.parts(&places));
        }
    }
    let parts = linker.joined(parts);
    parts.iter().map(|part| linker.chain(part)).collect()
}

/// A ridge point met on the way, with its unwrapped place.
#[derive(Debug, Clone, Copy)]
struct Met {
    k: usize,
    at: [f64; 2],
}

struct Linker<'a> {
    ridge: &'a [RidgePoint],
    rows: Rows,
    /// Where the places of each row begin, and where those of the last end.
    starts: Vec<usize>,
    used: Vec<bool>,
}

impl<'a> Linker<'a> {
    fn new(ridge: &'a [RidgePoint], rows: Rows) -> Self {
        let before = |row: i64| ridge.partition_point(|p| p.cell[0] < row);
        Self {
            ridge,
            rows,
            starts: (0..=rows.rows.max(0)).map(before).collect(),
            used: vec![false; ridge.len()],
        }
    }

    fn cell_m(&self) -> f64 {
        (self.rows.steps_m[0] * self.rows.steps_m[1]).sqrt()
    }

    /// The ridge point in a cell, rows wrapped on a closed course, and its unwrapped place.
    fn get(&self, [row, column]: [i64; 2]) -> Option<Met> {
        let wrapped = if self.rows.closed {
            row.rem_euclid(self.rows.rows)
        } else {
            row
        };
        let row_at = usize::try_from(wrapped).ok()?;
        let (first, end) = (self.starts.get(row_at)?, self.starts.get(row_at + 1)?);
        let own = &self.ridge[*first..*end];
        let k = first + own.binary_search_by_key(&column, |p| p.cell[1]).ok()?;
        let turns = (row - wrapped) as f64 * self.rows.steps_m[0];
        let [s, t] = self.ridge[k].at;
        Some(Met {
            k,
            at: [s + turns, t],
        })
    }

    /// All places of a chain through `start`, in order.
    fn trace(&mut self, start: usize) -> Vec<Met> {
        let first = Met {
            k: start,
            at: self.ridge[start].at,
        };
        self.used[start] = true;
        let mut back = self.walk(first, PI);
        back.reverse();
        back.push(first);
        back.extend(self.walk(first, 0.0));
        back
    }

    /// The places from `first` on, with the headings of the ridge turned by `turn`.
    fn walk(&mut self, first: Met, turn: f64) -> Vec<Met> {
        let mut out: Vec<Met> = Vec::new();
        let mut here = first;
        while let Some(next) = self.next(here, turn, &out) {
            self.used[next.k] = true;
            out.push(next);
            here = next;
        }
        out
    }

    fn next(&self, here: Met, turn: f64, way: &[Met]) -> Option<Met> {
        let own = self.ridge[here.k].heading_rad + turn;
        // A cell's heading comes in steps of 22.5°; the way so far is finer.
        let heading = match way.len().checked_sub(6) {
            Some(k) => bearing(way[k].at, here.at),
            None => own,
        };
        (0..2).find_map(|gap| self.nearest(here, [heading, own], turn, gap))
    }

    /// The nearest unused place ahead, sideways steps counted double.
    fn nearest(&self, here: Met, headings: [f64; 2], turn: f64, gap: usize) -> Option<Met> {
        let reach = i64::from(round_i32(REACH_CELLS[gap].ceil()));
        let [ds, dt] = self.rows.steps_m;
        let [row, column] = [
            i64::from(round_i32(here.at[0] / ds)),
            self.ridge[here.k].cell[1],
        ];
        let mut best: Option<(f64, Met)> = None;
        for cell in
            (-reach..=reach).flat_map(|r| (-reach..=reach).map(move |c| [row + r, column + c]))
        {
            let Some(met) = self.get(cell).filter(|m| !self.used[m.k]) else {
                continue;
            };
            let away = [met.at[0] - here.at[0], met.at[1] - here.at[1]];
            let distance = (away[0] / ds).hypot(away[1] / dt);
            if !(0.3..=REACH_CELLS[gap]).contains(&distance) {
                continue;
            }
            let off = angle(bearing(here.at, met.at), headings[0]);
            let bend = angle(self.ridge[met.k].heading_rad + turn, headings[1]);
            if off > TURN_RAD[gap] || bend > TURN_RAD[0] {
                continue;
            }
            let cost = distance * (1.0 + off.sin());
            if best.is_none_or(|(c, _)| cost < c) {
                best = Some((cost, met));
            }
        }
        best.map(|(_, met)| met)
    }

    /// Take the places beside a chain out of play.
    fn claim(&mut self, places: &[Met]) {
        for met in places {
            let own = self.ridge[met.k];
            for r in -OWN_CELLS..=OWN_CELLS {
                for c in -OWN_CELLS..=OWN_CELLS {
                    let near = self.get([own.cell[0] + r, own.cell[1] + c]);
                    let Some(near) = near else { continue };
                    if angle(self.ridge[near.k].heading_rad, own.heading_rad) < TURN_RAD[0] {
                        self.used[near.k] = true;
                    }
                }
            }
        }
    }

    /// The pieces between the corners of a chain that are long enough to be looked at.
    fn parts(&self, places: &[Met]) -> Vec<Vec<Met>> {
        let way = way_m(places);
        let mut bounds: Vec<[f64; 2]> = Vec::new();
        let mut from = f64::NEG_INFINITY;
        for k in corners(places, &way, self.cell_m()) {
            bounds.push([from, way[k] - ROUND_M]);
            from = way[k] + ROUND_M;
        }
        bounds.push([from, f64::INFINITY]);
        let within = |b: [f64; 2]| -> Vec<Met> {
            let inside = places.iter().zip(&way);
            inside
                .filter(|(_, w)| **w >= b[0] && **w <= b[1])
                .map(|(m, _)| *m)
                .collect()
        };
        let long = |part: &Vec<Met>| way_m(part).last().is_some_and(|l| *l >= SHORTEST_M);
        bounds.into_iter().map(within).filter(long).collect()
    }

    /// A smooth curve through places, straight over gaps.
    fn chain(&self, places: &[Met]) -> Chain {
        let (places, weights) = self.evenly(places);
        let column = |d: usize| -> Vec<f64> { places.iter().map(|m| m.at[d]).collect() };
        let none = vec![0.0; weights.len()];
        let smooth = |d| smoothed((&column(d), &none), &weights, self.cell_m(), WAVE_M);
        let (s, t) = (smooth(0), smooth(1));
        let at: Vec<[f64; 2]> = s.into_iter().zip(t).map(|(s, t)| [s, t]).collect();
        let plane = |m: &Met, at: [f64; 2]| {
            let [z, slope_s, slope_t] = self.ridge[m.k].plane;
            let z = z + slope_s * (at[0] - m.at[0]) + slope_t * (at[1] - m.at[1]);
            [z, slope_s, slope_t]
        };
        let steps = places.iter().map(|m| self.ridge[m.k].step_m);
        Chain {
            planes: places.iter().zip(&at).map(|(m, &a)| plane(m, a)).collect(),
            step_m: steps.sum::<f64>() / places.len() as f64,
            at,
        }
    }

    /// Places with others of no weight in the gaps between them, about a cell apart.
    fn evenly(&self, places: &[Met]) -> (Vec<Met>, Vec<f64>) {
        let (mut out, mut weights) = (Vec::new(), Vec::new());
        for (k, met) in places.iter().enumerate() {
            if k > 0 {
                let from = places[k - 1];
                let d = [0, 1].map(|i| met.at[i] - from.at[i]);
                let count = to_index((d[0].hypot(d[1]) / self.cell_m()).round()).max(1);
                out.extend((1..count).map(|i| {
                    let f = i as f64 / count as f64;
                    let nearest = if f < 0.5 { from.k } else { met.k };
                    Met {
                        k: nearest,
                        at: [from.at[0] + f * d[0], from.at[1] + f * d[1]],
                    }
                }));
                weights.resize(out.len(), 0.0);
            }
            out.push(*met);
            weights.push(1.0);
        }
        (out, weights)
    }

    /// Parts that go on where another ends, made one.
    fn joined(&self, mut parts: Vec<Vec<Met>>) -> Vec<Vec<Met>> {
        let squares = Squares::new(JOIN_M, self.rows.closed.then(|| self.length_m()));
        let mut starts: HashMap<[i32; 2], Vec<usize>> = HashMap::new();
        for (j, part) in parts.iter().enumerate() {
            let key = part.first().map(|met| squares.of(met.at));
            starts.entry(key.unwrap_or_default()).or_default().push(j);
        }
        for k in 0..parts.len() {
            while let Some(j) = self.next_part(&parts, k, (&squares, &starts)) {
                let shift = self.turn_m(&parts[k], &parts[j]);
                let more = std::mem::take(&mut parts[j]);
                let moved = |m: Met| Met {
                    at: [m.at[0] + shift, m.at[1]],
                    ..m
                };
                parts[k].extend(more.into_iter().map(moved));
            }
        }
        parts.retain(|part| !part.is_empty());
        parts
    }

    /// The part that goes on nearest behind the end of part `k`.
    fn next_part(
        &self,
        parts: &[Vec<Met>],
        k: usize,
        (squares, starts): (&Squares, &HashMap<[i32; 2], Vec<usize>>),
    ) -> Option<usize> {
        let near = squares.around(parts[k].last()?.at, JOIN_M);
        near.iter()
            .filter_map(|key| starts.get(key))
            .flatten()
            .filter(|&&j| j != k)
            .filter_map(|&j| Some((self.gap_m(&parts[k], &parts[j])?, j)))
            .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)))
            .map(|(_, j)| j)
    }

    /// Length of the course along s, metres.
    fn length_m(&self) -> f64 {
        self.rows.rows as f64 * self.rows.steps_m[0]
    }

    /// What is added to s of `b` so that it starts near the end of `a`, metres.
    fn turn_m(&self, a: &[Met], b: &[Met]) -> f64 {
        let length = self.length_m();
        match (a.last(), b.first(), self.rows.closed) {
            (Some(a), Some(b), true) => length * ((a.at[0] - b.at[0]) / length).round(),
            _ => 0.0,
        }
    }

    /// Length of the gap from the end of `a` to the start of `b`, if `b` goes on where `a` aims.
    fn gap_m(&self, a: &[Met], b: &[Met]) -> Option<f64> {
        let (end, start) = (a.last()?.at, b.first()?.at);
        let start = [start[0] + self.turn_m(a, b), start[1]];
        let gap = (start[0] - end[0]).hypot(start[1] - end[1]);
        if !(1e-9..JOIN_M).contains(&gap) {
            return None;
        }
        let (leaving, ahead) = (leaving(a)?, arriving(b)?);
        let over = bearing(end, start);
        // Over a short gap the places' own scatter turns the bearing.
        let slack = JOIN_RAD + (0.5 * self.cell_m() / gap).atan();
        let straight = angle(leaving, ahead) < 2.0 * JOIN_RAD
            && angle(leaving, over) < slack
            && angle(over, ahead) < slack;
        straight.then_some(gap)
    }
}

/// Places that turn by more than a corner's angle, more than those around them.
fn corners(places: &[Met], way: &[f64], cell_m: f64) -> Vec<usize> {
    // In cells of over a quarter of a metre a place is told by more than its neighbours.
    let reach = CORNER_M.max(2.0 * cell_m);
    let last = way.last().copied().unwrap_or(0.0);
    let turn = |k: usize| {
        if way[k] < reach || last - way[k] < reach {
            return 0.0;
        }
        let before = way.partition_point(|w| *w < way[k] - reach).min(k - 1);
        let after = way.partition_point(|w| *w < way[k] + reach);
        let after = after.max(k + 1).min(places.len() - 1);
        angle(
            bearing(places[before].at, places[k].at),
            bearing(places[k].at, places[after].at),
        )
    };
    let turns: Vec<f64> = (0..places.len()).map(turn).collect();
    let sharpest = |k: usize| {
        let from = way.partition_point(|w| *w <= way[k] - reach);
        let to = way.partition_point(|w| *w < way[k] + reach);
        (from..to).all(|j| turns[j] < turns[k] || (j >= k && turns[j] <= turns[k]))
    };
    (0..places.len())
        .filter(|&k| turns[k] > CORNER_RAD && sharpest(k))
        .collect()
}

/// Where a part aims at its end, by what lies within the last [`AIM_M`].
fn leaving(part: &[Met]) -> Option<f64> {
    let end = part.last()?.at;
    let (mut from, mut way) = (end, 0.0);
    for met in part.iter().rev().skip(1) {
        way += (met.at[0] - from[0]).hypot(met.at[1] - from[1]);
        if way > AIM_M {
            break;
        }
        from = met.at;
    }
    Some(bearing(from, end))
}

/// Where a part aims at its start, by the first place [`AIM_M`] on.
fn arriving(part: &[Met]) -> Option<f64> {
    let start = part.first()?.at;
    let (mut to, mut way) = (start, 0.0);
    for met in &part[1..] {
        way += (met.at[0] - to[0]).hypot(met.at[1] - to[1]);
        to = met.at;
        if way >= AIM_M {
            break;
        }
    }
    Some(bearing(start, to))
}

/// Way along the places, metres, from the first.
fn way_m(places: &[Met]) -> Vec<f64> {
    let mut way = 0.0;
    let mut out = Vec::with_capacity(places.len());
    for (k, met) in places.iter().enumerate() {
        if k > 0 {
            let before = places[k - 1].at;
            way += (met.at[0] - before[0]).hypot(met.at[1] - before[1]);
        }
        out.push(way);
    }
    out
}

fn bearing(from: [f64; 2], to: [f64; 2]) -> f64 {
    (to[1] - from[1]).atan2(to[0] - from[0])
}

/// Angle between two headings, 0 to π.
fn angle(a: f64, b: f64) -> f64 {
    let turn = (a - b).rem_euclid(2.0 * PI);
    turn.min(2.0 * PI - turn)
}
