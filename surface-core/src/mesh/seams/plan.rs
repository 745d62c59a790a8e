//! Where rails may run, before heights and holes are known.

use std::collections::HashMap;

use super::super::layout::Layout;
use crate::field::SECTION_ROWS;
use crate::numeric::{floor_i32, to_index};
use crate::zones::{Breakline, Breaklines};

/// Rails run this far to either side of a breakline, metres: as near as a breakline is known
/// (a tenth of a step), and steep enough that the height between rails is off over 10 mm only.
pub(super) const HALF_GAP_M: f64 = 0.005;
/// Vertices of rails are about this far apart, in steps across: as dense as the lattice.
const STEP_STEPS: f64 = 1.0;
/// Vertices of a breakline nearer than this to the one before are left out, in steps.
const LEAST_STEPS: f64 = 0.5;
/// Vertices nearer than this to a crossing of a section's border give way to it, in steps.
const CLEAR_OF_ROW_STEPS: f64 = 0.3;
/// Rails keep this much clear of a border row that they do not cross, metres.
const BAND_M: f64 = 2.0 * HALF_GAP_M;
/// Least sine of the angle between a breakline and a border row that it may cross (27°): rails
/// meet the row at most 11 mm from the line.
const LEAST_SINE: f64 = 0.45;
/// A breakline that turns by more than this in a vertex ends there (cosine of 100°).
const MOST_TURN_COSINE: f64 = -0.17;
/// Where rows are nearer or further apart than this share of their spacing there are no rails:
/// beside them the triangles between nodes would be slivers.
const STRETCH: [f64; 2] = [0.6, 1.7];
/// Places along rails that are looked at, metres apart.
pub(super) const LOOK_M: f64 = 0.01;
/// Breaklines keep this far from each other, metres: both pairs of rails and room between them.
const APART_M: f64 = 0.045;
/// A breakline is its own neighbour over this length, metres.
const SELF_M: f64 = 0.12;

/// A place on a breakline with one on either side. (s, t) in metres, s unwrapped.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SeamPair {
    pub middle: [f64; 2],
    pub left: [f64; 2],
    pub right: [f64; 2],
    /// The border row (of the lattice, wrapped) on which it lies.
    pub row: Option<usize>,
}

/// Where rails may run along breaklines.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SeamPlan {
    pub(super) chains: Vec<Vec<SeamPair>>,
    /// By section: which pairs (chain, place in it) have their heights there.
    by_section: Vec<Vec<(u32, u32)>>,
    /// Length of the breaklines given, metres.
    pub(super) given_m: f64,
}

/// Geometry of the lattice under the rails.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ground<'a> {
    pub layout: &'a Layout,
}

impl Ground<'_> {
    /// The row gap and the share of it at `s`; `None` off the ends of an open course.
    pub fn gap(&self, s: f64) -> Option<(usize, f64)> {
        let lattice = self.layout.lattice();
        let at = s / lattice.s_step_m;
        if !at.is_finite() || at.abs() > 1e9 {
            return None;
        }
        let row = floor_i32(at);
        let share = at - f64::from(row);
        let gaps = i32::try_from(lattice.row_gaps()).ok()?;
        let row = if lattice.closed {
            row.rem_euclid(gaps)
        } else {
            row
        };
        (0..gaps)
            .contains(&row)
            .then(|| (to_index(f64::from(row)), share))
    }

    /// Metres of road per metre of s.
    pub fn stretch(&self, gap: usize, t: f64) -> f64 {
        self.layout.station(gap).frame.stretch(t)
    }

    /// Local x, y of (s, t): straight between rows, as the mesh is.
    pub fn place(&self, [s, t]: [f64; 2]) -> Option<[f64; 2]> {
        let (gap, share) = self.gap(s)?;
        let a = self.layout.station(gap).frame.at(t);
        let b = self.layout.station(gap + 1).frame.at(t);
        Some([0, 1].map(|d| a[d] + share * (b[d] - a[d])))
    }

    /// The border row between `from` and `to`, as unwrapped row and its s.
    fn border_between(&self, from: f64, to: f64) -> Option<(usize, f64)> {
        let lattice = self.layout.lattice();
        let step = lattice.s_step_m;
        let (low, high) = (from.min(to), from.max(to));
        // A place on the row lies behind it.
        let mut row = floor_i32(high / step);
        while f64::from(row) * step > low {
            if let Some(border) = self.border_row(row) {
                return Some((border, f64::from(row) * step));
            }
            row -= 1;
        }
        None
    }

    /// The wrapped row if it is a border between two sections: the ends of an open course are none.
    fn border_row(&self, row: i32) -> Option<usize> {
        let lattice = self.layout.lattice();
        let rows = i32::try_from(lattice.rows).ok()?;
        let wrapped = if lattice.closed {
            row.rem_euclid(rows)
        } else {
            row
        };
        let wrapped = usize::try_from(wrapped).ok()?;
        let inside = lattice.closed || (0 < wrapped && wrapped < lattice.row_gaps());
        (inside && wrapped.is_multiple_of(SECTION_ROWS)).then_some(wrapped)
    }

    /// Distance along s to the nearest border row, metres.
    fn border_distance_m(self, s: f64) -> f64 {
        let step = self.layout.lattice().s_step_m;
        let row = floor_i32(s / step);
        [row, row + 1]
            .into_iter()
            .filter(|&r| self.border_row(r).is_some())
            .map(|r| (s - f64::from(r) * step).abs())
            .fold(f64::INFINITY, f64::min)
    }
}

impl SeamPlan {
    /// Where rails may run along `lines` on the mesh of `layout`.
    #[must_use]
    pub fn new(layout: &Layout, lines: &Breaklines) -> Self {
        let mut planner = Planner {
            ground: Ground { layout },
            taken: HashMap::new(),
            plan: Self::default(),
        };
        for (number, line) in lines.iter().enumerate() {
            planner.add(number, line);
        }
        let mut plan = planner.plan;
        plan.by_section = vec![Vec::new(); layout.lattice().sections()];
        for (chain, pairs) in (0u32..).zip(&plan.chains) {
            for (k, pair) in (0u32..).zip(pairs) {
                let row = pair
                    .row
                    .or_else(|| Some(Ground { layout }.gap(pair.middle[0])?.0));
                let section = row.and_then(|row| plan.by_section.get_mut(row / SECTION_ROWS));
                if let Some(section) = section {
                    section.push((chain, k));
                }
            }
        }
        plan
    }

    /// Whether no rail runs anywhere.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.chains.is_empty()
    }

    /// The places (s, t) of rails in a section whose heights are asked for: left and right in
    /// turn, s within the course.
    #[must_use]
    pub fn places(&self, layout: &Layout, section: usize) -> Vec<[f64; 2]> {
        let lattice = layout.lattice();
        #[expect(clippy::cast_precision_loss, reason = "rows are far below 2^53")]
        let length = lattice.rows as f64 * lattice.s_step_m;
        let pairs = self.by_section.get(section).into_iter().flatten();
        let pairs = pairs.map(|&(chain, k)| &self.chains[chain as usize][k as usize]);
        let wrap = |[s, t]: [f64; 2], turn: f64| [s - turn, t];
        pairs
            .flat_map(|p| {
                // A pair at the start stays on one side of it.
                let turn = match (lattice.closed, p.row) {
                    (false, _) => 0.0,
                    (true, Some(0)) => p.middle[0],
                    (true, _) => (p.middle[0] / length).floor() * length,
                };
                [wrap(p.left, turn), wrap(p.right, turn)]
            })
            .collect()
    }

    /// The pairs whose heights a section holds.
    pub(super) fn pairs_of(&self, section: usize) -> &[(u32, u32)] {
        self.by_section.get(section).map_or(&[], Vec::as_slice)
    }
}

/// A vertex of a breakline on its way to a pair.
#[derive(Debug, Clone, Copy)]
struct Stop {
    at: [f64; 2],
    row: Option<usize>,
}

/// A place that rails take up.
#[derive(Debug, Clone, Copy)]
struct Passed {
    line: usize,
    /// Way along the line, metres.
    way_m: f64,
    at_m: [f64; 2],
}

struct Planner<'a> {
    ground: Ground<'a>,
    /// Places along rails by square of the plan.
    taken: HashMap<(i32, i32), Vec<Passed>>,
    plan: SeamPlan,
}

impl Planner<'_> {
    fn add(&mut self, number: usize, line: &Breakline) {
        self.plan.given_m += Some(line.length_m())
            .filter(|l| l.is_finite())
            .unwrap_or(0.0);
        let step = self.ground.layout.lattice().t_step_m;
        let stops = self.with_crossings(thinned(line, step));
        let mut way = 0.0;
        let mut run: Vec<usize> = Vec::new();
        for k in 0..stops.len().saturating_sub(1) {
            let good = self.may_run(number, way, &stops, k);
            way += distance(stops[k].at, stops[k + 1].at);
            if good {
                if run.is_empty() {
                    run.push(k);
                }
                run.push(k + 1);
            } else {
                self.end_run(&stops, &mut run);
            }
        }
        self.end_run(&stops, &mut run);
    }

    /// Put stops on border rows that the line crosses; stops close to those give way.
    fn with_crossings(&self, stops: Vec<[f64; 2]>) -> Vec<Stop> {
        let clear = CLEAR_OF_ROW_STEPS * self.ground.layout.lattice().t_step_m;
        let mut out: Vec<Stop> = Vec::with_capacity(stops.len());
        let mut previous: Option<[f64; 2]> = None;
        for at in stops {
            let crossing = previous.and_then(|from| self.crossing(from, at));
            if let Some(stop) = crossing {
                let near =
                    |other: &Stop| other.row.is_none() && distance(other.at, stop.at) < clear;
                if out.last().is_some_and(near) {
                    out.pop();
                }
                out.push(stop);
            }
            previous = Some(at);
            let crowded = |stop: &Stop| stop.row.is_some() && distance(stop.at, at) < clear;
            if !out.last().is_some_and(crowded) {
                out.push(Stop { at, row: None });
            }
        }
        out
    }

    /// Where the piece between two places crosses a border row.
    fn crossing(&self, from: [f64; 2], to: [f64; 2]) -> Option<Stop> {
        let (row, s) = self.ground.border_between(from[0], to[0])?;
        let share = (s - from[0]) / (to[0] - from[0]);
        let t = from[1] + share * (to[1] - from[1]);
        let row = Some(row);
        Some(Stop { at: [s, t], row })
    }

    /// Whether rails may run from stop `k` to the next; if so the way is taken.
    fn may_run(&mut self, number: usize, way: f64, stops: &[Stop], k: usize) -> bool {
        let (a, b) = (stops[k], stops[k + 1]);
        let length = distance(a.at, b.at);
        if length < 1e-3 || !self.turns_gently(stops, k) {
            return false;
        }
        let may_cross = (a.row.is_some() || b.row.is_some()) && self.is_steep(a.at, b.at);
        let mut places = Vec::new();
        let count = floor_i32(length / LOOK_M).max(0) + 1;
        for i in 0..=count {
            let share = f64::from(i) / f64::from(count);
            let at = [0, 1].map(|d| a.at[d] + share * (b.at[d] - a.at[d]));
            let Some(place) = self.may_pass(at, may_cross) else {
                return false;
            };
            let along = way + share * length;
            if self.is_taken(number, along, place) {
                return false;
            }
            places.push((along, place));
        }
        for (way_m, at_m) in places {
            let passed = Passed {
                line: number,
                way_m,
                at_m,
            };
            self.taken.entry(square(at_m)).or_default().push(passed);
        }
        true
    }

    /// Whether a segment crosses rows at an angle wide enough for a border row.
    fn is_steep(&self, a: [f64; 2], b: [f64; 2]) -> bool {
        let Some((gap, _)) = self.ground.gap(0.5 * (a[0] + b[0])) else {
            return false;
        };
        let along = (b[0] - a[0]).abs() * self.ground.stretch(gap, 0.5 * (a[1] + b[1]));
        along >= LEAST_SINE * along.hypot(b[1] - a[1])
    }

    /// Whether the line turns by less than the most in stop `k`, and crosses a row in it one way.
    fn turns_gently(&self, stops: &[Stop], k: usize) -> bool {
        let Some(before) = k.checked_sub(1) else {
            return true;
        };
        let (p, q, r) = (stops[before].at, stops[k].at, stops[k + 1].at);
        let (u, v) = ([q[0] - p[0], q[1] - p[1]], [r[0] - q[0], r[1] - q[1]]);
        let cosine = (u[0] * v[0] + u[1] * v[1]) / (distance(p, q) * distance(q, r));
        cosine > MOST_TURN_COSINE && (stops[k].row.is_none() || u[0] * v[0] > 0.0)
    }

    fn may_pass(&self, at: [f64; 2], may_cross: bool) -> Option<[f64; 2]> {
        let place = self.ground.place(at)?;
        let (gap, _) = self.ground.gap(at[0])?;
        let stretch = self.ground.stretch(gap, at[1]);
        let clear = may_cross || self.ground.border_distance_m(at[0]) * stretch > BAND_M;
        (clear && stretch > STRETCH[0] && stretch < STRETCH[1]).then_some(place)
    }

    fn is_taken(&self, number: usize, along: f64, place: [f64; 2]) -> bool {
        let (i, j) = square(place);
        let near = |p: &Passed| {
            let own = p.line == number && (p.way_m - along).abs() < SELF_M;
            !own && distance(p.at_m, place) < APART_M
        };
        (i - 1..=i + 1)
            .flat_map(|i| (j - 1..=j + 1).map(move |j| (i, j)))
            .filter_map(|key| self.taken.get(&key))
            .any(|list| list.iter().any(near))
    }

    fn end_run(&mut self, stops: &[Stop], run: &mut Vec<usize>) {
        if run.len() >= 3 {
            let pair = |&k: &usize| {
                let before = stops[if k > run[0] { k - 1 } else { k }].at;
                let after = stops[if k < run[run.len() - 1] { k + 1 } else { k }].at;
                self.pair(stops[k], before, after)
            };
            let chain: Vec<SeamPair> = run.iter().map(pair).collect();
            self.plan.chains.push(chain);
        }
        run.clear();
    }

    /// The places on either side of a stop, across the mean of its two directions.
    fn pair(&self, stop: Stop, before: [f64; 2], after: [f64; 2]) -> SeamPair {
        let gap = self.ground.gap(stop.at[0]).map_or(0, |g| g.0);
        let stretch = self.ground.stretch(gap, stop.at[1]);
        let unit = |from: [f64; 2], to: [f64; 2]| {
            let v = [(to[0] - from[0]) * stretch, to[1] - from[1]];
            let length = v[0].hypot(v[1]);
            if length > 0.0 {
                [v[0] / length, v[1] / length]
            } else {
                [0.0, 0.0]
            }
        };
        let (u, v) = (unit(before, stop.at), unit(stop.at, after));
        let sum = [u[0] + v[0], u[1] + v[1]];
        let length = sum[0].hypot(sum[1]).max(1e-9);
        let [a, b] = [sum[0] / length, sum[1] / length];
        // In a bend the rails stay parallel: mitred by the cosine of half the turn.
        let half_turn = (a * v[0] + b * v[1]).abs().max((a * u[0] + b * u[1]).abs());
        let reach = HALF_GAP_M / half_turn.clamp(0.6, 1.0);
        let [s, t] = stop.at;
        let side = |sign: f64| match stop.row {
            Some(_) => [s, t + sign * HALF_GAP_M / a.signum() / a.abs().max(0.4)],
            None => [s - sign * reach * b / stretch, t + sign * reach * a],
        };
        SeamPair {
            middle: stop.at,
            left: side(1.0),
            right: side(-1.0),
            row: stop.row,
        }
    }
}

/// Vertices of a line, about a step apart.
fn thinned(line: &Breakline, step: f64) -> Vec<[f64; 2]> {
    let mut out: Vec<[f64; 2]> = Vec::new();
    for p in line
        .points
        .iter()
        .filter(|p| p.s.is_finite() && p.t.is_finite())
    {
        let to = [p.s, p.t];
        let Some(&from) = out.last() else {
            out.push(to);
            continue;
        };
        let length = distance(from, to);
        if length < LEAST_STEPS * step {
            continue;
        }
        let count = floor_i32((length / (STEP_STEPS * step) - 1e-9).min(1e6)).max(0) + 1;
        out.extend((1..=count).map(|k| {
            let share = f64::from(k) / f64::from(count);
            [0, 1].map(|d| from[d] + share * (to[d] - from[d]))
        }));
    }
    out
}

pub(super) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (b[0] - a[0]).hypot(b[1] - a[1])
}

fn square(place: [f64; 2]) -> (i32, i32) {
    (floor_i32(place[0] / APART_M), floor_i32(place[1] / APART_M))
}
