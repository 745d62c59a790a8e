//! From cell observations to heights: a Tukey plane through a Gaussian window whose width is the
//! best for the road's own spectrum and the local noise.
//!
//! A road whose profile spectrum falls with n⁻² has the 2-D spectrum S(k) = A·k⁻³. A Gaussian
//! window exp(−d²/2b²) over observations of density W (Σ1/σ_z² per m²) then errs by
//! 28.98·A·b + 1/(4π·W·b²) in the mean square; the least, at b = 0.1764·(A·W)^(−1/3), is within
//! 1 % of the Wiener bound 7.596·A·(A·W)^(−1/3) (derived from the two transfer functions). What
//! the plane takes off waves of 1 to 3 m is given back by a window nearly twice as wide (`bend`).

use super::around::{Around, SeenColumns};
use super::bend::{Bent, Flat, LEFT_OUT_SHARE, NOISE_SHARE, WideWindow, wider_m};
use super::beyond::Beyond;
use super::cells::CellSums;
use super::cuts::{Cuts, Sight};
use super::lattice::Lattice;
use super::resolved::{resolved_m, spread_of};
use super::rounding::Rounding;
use super::rounds::{Gathered, Near};
use super::told::{Among, Ground, Told, Width};
use crate::numeric::{FittedPlane, ceil_i32, floor_i32, to_index};
use crate::zones::Breaklines;

/// Best window over (A·W)^(−1/3), see the module's text.
pub(super) const BEST_WIDTH: f64 = 0.1764;
/// Mean square of the road that a window of width b leaves out, over A·b.
const LEFT_OUT: f64 = 28.98;
/// Cells on either side that a plane's window may reach where no gap is bridged. What tells the
/// bend reaches nearly twice as far ([`wider_m`]).
pub(super) const REACH: usize = 8;
/// A window is cut at this many widths.
pub(super) const CUT: f64 = 2.5;
/// Times at most that a window is made narrower because the ground in it is rougher than the course,
/// each time to less than this share of its width.
const NARROWINGS: usize = 3;
const NARROWER: f64 = 0.9;
/// Ground that is no plane in a window, or of which that loses much to steps with no breakline near, is
/// kerbs' ribs and the like: so many times the spectrum makes it three times as narrow.
const STEPPED_ROUGHER: f64 = 27.0;
/// Rounds of Tukey's weights in a window after the start.
const ROUNDS: usize = 2;
/// A round that moves the height by less than this share of its σ is the last.
const SETTLED_SHARE: f64 = 0.03;
/// Breaklines within so many steps of a place are asked what its density is, and mark its height.
const CLOSE_STEPS: f64 = 1.5;
/// What steers the fit of heights.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KernelParams {
    /// Level A of the road's spectrum S(k) = A·k⁻³, m (k in cycles/m).
    pub level_m: f64,
    /// Holes up to this wide are bridged, metres.
    pub bridge_m: f64,
}

/// Cell observations of a run of rows with their halo, ready for windows.
#[derive(Debug)]
pub struct Window<'a> {
    pub(super) lattice: &'a Lattice,
    /// Global (unwrapped) index of the first row; may be negative on a closed course.
    pub(super) first_row: i64,
    pub(super) rows: usize,
    pub(super) columns: usize,
    pub(super) cells: SeenColumns,
    pub(super) n: Vec<u32>,
    pub(super) set_aside: Vec<u32>,
    /// Variance that heights have in common through their setups, m².
    pub(super) common_m2: f64,
    pub(super) rounding: Rounding,
    beyond: Beyond,
    pub(super) cuts: Cuts,
}

/// One observation of the road.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    pub w: f64,
    pub s: f64,
    pub t: f64,
    pub z: f64,
}

/// A height with what is known of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fitted {
    pub plane: FittedPlane,
    pub sigma_m: f64,
    /// Shortest wavelength of which the height holds more road than noise, metres.
    pub resolved_m: f64,
    pub stepped: bool,
    /// Whether the height may be found jointly with those around.
    pub ground: Ground,
}

/// Columns that every height of a run is found in, one after another.
#[derive(Debug, Default)]
pub(super) struct Room {
    near: Near,
    wide: WideWindow,
}

/// Where a height is asked for.
#[derive(Debug, Clone, Copy)]
struct Place {
    /// s and t from the window's first node, metres.
    at: [f64; 2],
    /// The cell there, and cells on either side that are asked where it is empty.
    anchor: usize,
    reach: usize,
}

impl<'a> Window<'a> {
    /// Join runs of cell sums (in order, contiguous, unwrapped rows from `first_row`).
    #[must_use]
    #[expect(
        clippy::cast_precision_loss,
        reason = "rows and columns are far below 2^53"
    )]
    pub fn join(
        lattice: &'a Lattice,
        first_row: i64,
        runs: &[(&CellSums, std::ops::Range<usize>)],
    ) -> Self {
        let columns = lattice.columns;
        let rows = runs.iter().map(|(_, r)| r.len()).sum();
        let cells = rows * columns;
        let mut out = Self {
            lattice,
            first_row,
            rows,
            columns,
            cells: SeenColumns::with_room(cells),
            n: Vec::with_capacity(cells),
            set_aside: Vec::with_capacity(cells),
            common_m2: runs
                .iter()
                .map(|(sums, _)| sums.common_m2)
                .fold(0.0, f64::max),
            beyond: Beyond::of_runs(lattice, runs),
            cuts: Cuts::default(),
            rounding: coarsest(runs),
        };
        for (sums, range) in runs {
            for row in range.clone() {
                let s_node = (out.n.len() / columns) as f64 * lattice.s_step_m;
                for column in 0..columns {
                    out.push(
                        sums,
                        row * columns + column,
                        s_node,
                        column as f64 * lattice.t_step_m,
                    );
                }
            }
        }
        out
    }

    fn push(&mut self, sums: &CellSums, k: usize, s_node: f64, t_node: f64) {
        let w = sums.w[k];
        let over = if w > 0.0 { w.recip() } else { 0.0 };
        self.cells.push(Seen {
            w,
            s: s_node + sums.ws[k] * over,
            t: t_node + sums.wt[k] * over,
            z: sums.wz[k] * over,
        });
        self.n.push(sums.n[k]);
        self.set_aside.push(sums.set_aside[k]);
    }

    /// (s, t) of a node relative to the window's first.
    #[expect(
        clippy::cast_precision_loss,
        reason = "rows and columns are far below 2^53"
    )]
    fn node(&self, row: usize, column: usize) -> [f64; 2] {
        [
            row as f64 * self.lattice.s_step_m,
            column as f64 * self.lattice.t_step_m,
        ]
    }

    /// The window with breaklines that it does not look across.
    #[must_use]
    pub fn cut_along(mut self, lines: &Breaklines) -> Self {
        self.cuts = Cuts::near_rows(lines, self.lattice, self.first_row, self.rows);
        self
    }

    /// The height plane at (s, t) relative to the window's first node, anchored at `anchor`, with
    /// windows at least `least_b_m` wide; `None` where no cell is near.
    ///
    /// Cells that a breakline hides from (s, t) do not count, unless it hides all.
    pub(super) fn fit(
        &self,
        at: [f64; 2],
        anchor: usize,
        least_b_m: f64,
        level_m: f64,
        room: &mut Room,
    ) -> Option<Fitted> {
        let step = self.lattice.t_step_m;
        let close = self.cuts.around(at, CLOSE_STEPS * step);
        let place = Place {
            at,
            anchor,
            reach: self.reach_over(least_b_m),
        };
        let width = |density: f64| self.width(density, level_m, least_b_m, close.is_none());
        let in_sight = width(self.density(anchor, close.as_ref(), place.reach));
        let looks_m = CUT * wider_m(in_sight.b_m, step);
        let sight = self.cuts.around(at, looks_m.max(CLOSE_STEPS * step));
        if sight.is_some() && in_sight.density > 0.0 {
            let found = self.fit_in(&place, in_sight, level_m, sight.as_ref(), room);
            if let Some(mut found) = found {
                found.stepped |= close.is_some();
                return Some(found);
            }
        }
        let all = match close {
            Some(_) => width(self.density(anchor, None, place.reach)),
            None => in_sight,
        };
        (all.density > 0.0).then(|| self.fit_in(&place, all, level_m, None, room))?
    }

    /// The best window on observations of this density.
    fn width(&self, density: f64, level_m: f64, least_b_m: f64, no_line: bool) -> Width {
        let step = self.lattice.t_step_m;
        let best = BEST_WIDTH / (level_m * density).cbrt();
        let b = window_over_cells(best, step).min(REACH_M_STEPS * step);
        Width {
            b_m: b.max(least_b_m),
            least_b_m,
            whole: b < REACH_M_STEPS * step,
            bends: b >= least_b_m && no_line,
            no_line,
            density,
            own_counts: false,
        }
    }

    /// Cells on either side that are asked where the own one is empty: beyond [`REACH`] only in a
    /// gap twice `least_b_m` wide, to its nearer side.
    fn reach_over(&self, least_b_m: f64) -> usize {
        let step = self.lattice.s_step_m.min(self.lattice.t_step_m);
        REACH.max(to_index(least_b_m / step) + 1)
    }

    fn fit_in(
        &self,
        place: &Place,
        mut width: Width,
        mut level_m: f64,
        sight: Option<&Sight>,
        room: &mut Room,
    ) -> Option<Fitted> {
        let wide_m = wider_m(width.b_m, self.lattice.t_step_m);
        // Asked once: what a breakline hides is the same for all windows.
        let seen = sight.map(|sight| self.in_sight(place.at, wide_m, sight));
        let among = (sight, seen.as_deref());
        let mut told = self.told(place, width, level_m, (among, None), room)?;
        let stepped = told.stepped;
        let mut ground = match sight {
            None if width.bends && width.whole && !told.elsewhere => Ground::Plain,
            _ => Ground::Apart,
        };
        // What lies over a step, or was left on the road, stays without weight, however rough that is.
        let mut tukey_level_m = level_m;
        for _ in 0..NARROWINGS {
            let rougher = self.rougher(&told, width);
            if rougher > 1.0 {
                ground = ground.max(Ground::Rougher);
            }
            let narrower = Width {
                own_counts: told.elsewhere,
                ..self.width(
                    width.density,
                    rougher * level_m,
                    width.least_b_m,
                    width.no_line,
                )
            };
            if rougher <= 1.0 || narrower.b_m >= NARROWER * width.b_m {
                break;
            }
            if !told.stepped && !told.unfit {
                tukey_level_m *= rougher;
            }
            // Beside a step the plane has the slope of the near side, on a flank that of the far ground.
            let near_side = !told.elsewhere || told.stepped;
            let sloped = (among, near_side.then_some(told.flat.plane));
            // A window with nothing in it, as beside an edge, is no better than the wide one.
            let Some(next) = self.told(place, narrower, tukey_level_m, sloped, room) else {
                break;
            };
            (told, width, level_m) = (next, narrower, rougher * level_m);
        }
        told.stepped |= stepped;
        if told.stepped || told.elsewhere {
            ground = Ground::Apart;
        }
        Some(self.fitted(told, width, level_m, ground))
    }

    /// How many times the spectrum that the window was made for the ground in it has, at least. Heights
    /// in coarse steps (of any setup in this run or its halo) tell none: what cells have in common
    /// there, bends and steps alike, is rounding.
    fn rougher(&self, told: &Told, width: Width) -> f64 {
        if self.rounding.step_m > 0.0 {
            1.0
        } else if told.elsewhere || (width.bends && told.stepped) {
            STEPPED_ROUGHER
        } else {
            let unfit = if told.unfit { STEPPED_ROUGHER } else { 1.0 };
            told.bent.rougher().max(unfit)
        }
    }

    /// The plane in a window, and how much the ground bends there; `sloped` as a plane that is known
    /// already, else as the plain plane of a wider window.
    fn told(
        &self,
        place: &Place,
        width: Width,
        level_m: f64,
        ((sight, seen), sloped): (Among, Option<FittedPlane>),
        room: &mut Room,
    ) -> Option<Told> {
        let b = width.b_m;
        let wide_m = wider_m(b, self.lattice.t_step_m);
        let Room { near, wide } = room;
        self.gather(place.at, wide_m, seen, &mut wide.around);
        wide.around.weigh(wide_m);
        let slope = sloped.map_or_else(|| wide.slope(), |p| (p.slope_u, p.slope_v));
        let start = self.start(place, sight, slope)?;
        self.gather(place.at, b, seen, &mut near.around);
        near.weigh(b, level_m);
        let (flat, [stepped, unfit]) = self.rounds(near, start, b, level_m)?;
        let elsewhere = near.loses_middle(&flat.plane, self.lattice.t_step_m, width.own_counts);
        let bent = if width.bends && !stepped && !elsewhere {
            wide.bent(&flat, wide_m, level_m)
        } else {
            Bent::default()
        };
        Some(Told {
            flat,
            bent,
            stepped,
            unfit,
            elsewhere,
        })
    }

    /// A height, what is given back taken off.
    fn fitted(&self, told: Told, width: Width, level_m: f64, ground: Ground) -> Fitted {
        let Told { flat, bent, .. } = told;
        let (b, step) = (width.b_m, self.lattice.t_step_m);
        let z0 = flat.plane.z0 - bent.height_m;
        let spread_m = spread_of(b, step);
        Fitted {
            plane: FittedPlane { z0, ..flat.plane },
            sigma_m: self.sigma_m(&flat, b, level_m, bent.share),
            resolved_m: resolved_m(level_m, width.density, spread_m, step, bent.share),
            stepped: told.stepped,
            ground,
        }
    }

    /// Tukey's rounds from a start; and whether the window lost much to a step, and is no plane.
    fn rounds(
        &self,
        near: &Near,
        start: FittedPlane,
        b: f64,
        level_m: f64,
    ) -> Option<(Flat, [bool; 2])> {
        let step = self.lattice.t_step_m;
        let mut plane = start;
        let mut found = None;
        for round in 0..=ROUNDS {
            let widen = if round == 0 { 2.0 } else { 1.0 };
            let told = near.gather(&plane, widen);
            let ridge = told.sums.w * (SLOPE_RIDGE_STEPS * step).powi(2);
            let before = plane.z0;
            plane = told.sums.solve(plane.slope_u, plane.slope_v, ridge)?;
            let flat = self.flat(plane, &told, b);
            let stepped = told.lost > 0.25 * told.weight;
            found = Some((flat, [stepped, told.is_unfit()]));
            let settled = SETTLED_SHARE * self.sigma_m(&flat, b, level_m, 0.0);
            if round > 0 && (plane.z0 - before).abs() < settled {
                break;
            }
        }
        found
    }

    /// What is known of a plane by what it was told from.
    fn flat(&self, plane: FittedPlane, told: &Gathered, b: f64) -> Flat {
        let kept = (told.weight - told.lost).max(f64::MIN_POSITIVE);
        Flat {
            plane,
            leak_m2: told.sums.leak_m2() + self.box_m2(),
            // u·(h − u) has the mean h²/6 over a cell or half of it: twice that of u² about its middle.
            sag_m2: 2.0 * self.box_m2(),
            noise_m2: told.squared / (kept * kept),
            spread_m: (b * b + self.lattice.t_step_m.powi(2) / 12.0).sqrt(),
        }
    }

    /// Mean of u² + v² about a cell's middle, m².
    fn box_m2(&self) -> f64 {
        (self.lattice.s_step_m.powi(2) + self.lattice.t_step_m.powi(2)) / 12.0
    }

    /// What is in sight within the cut of a window.
    fn in_sight(&self, [s, t]: [f64; 2], b: f64, sight: &Sight) -> Vec<Seen> {
        let mut seen = Vec::with_capacity(64);
        for row in self.rows_in(s, b) {
            let columns = self.columns_in(t, b);
            for k in row * self.columns + columns.start..row * self.columns + columns.end {
                self.each_of(k, Some(sight), |found| seen.push(found));
            }
        }
        seen
    }

    /// Σ1/σ² per m² around a cell: over 3 × 3 cells, 7 × 7 where those are empty, then all within
    /// `reach`; of those in sight alone.
    #[expect(clippy::cast_precision_loss, reason = "a small count of cells")]
    fn density(&self, anchor: usize, sight: Option<&Sight>, reach: usize) -> f64 {
        for reach in [1, 3, reach] {
            let (mut sum, mut cells) = (0.0, 0usize);
            self.around(anchor, reach, |k| {
                let hidden =
                    |sight: &Sight| !sight.sees(self.node(k / self.columns, k % self.columns));
                if sight.is_some_and(hidden) {
                    return;
                }
                sum += self.cells.w[k];
                cells += 1;
            });
            if sum > 0.0 {
                return sum / (cells as f64 * self.lattice.s_step_m * self.lattice.t_step_m);
            }
        }
        0.0
    }

    pub(super) fn around(&self, anchor: usize, reach: usize, mut each: impl FnMut(usize)) {
        let (row, column) = (anchor / self.columns, anchor % self.columns);
        for r in row.saturating_sub(reach)..(row + reach + 1).min(self.rows) {
            for c in column.saturating_sub(reach)..(column + reach + 1).min(self.columns) {
                each(r * self.columns + c);
            }
        }
    }

    /// Where the M-estimate starts: the anchor's own cell (the median of its neighbours where it
    /// is empty), with the slope of the plain window.
    fn start(
        &self,
        place: &Place,
        sight: Option<&Sight>,
        slope: (f64, f64),
    ) -> Option<FittedPlane> {
        let [s, t] = place.at;
        let (slope_u, slope_v) = slope;
        let z0 = match self.own(place.anchor, sight) {
            Some(own) => own.z - slope_u * (own.s - s) - slope_v * (own.t - t),
            None => self.middle_near(place, sight)?,
        };
        Some(FittedPlane {
            z0,
            slope_u,
            slope_v,
        })
    }

    /// Median height of the nine nearest observations about an empty cell.
    fn middle_near(&self, place: &Place, sight: Option<&Sight>) -> Option<f64> {
        let [s, t] = place.at;
        let mut near: Vec<(f64, f64)> = Vec::with_capacity(49);
        self.around(place.anchor, place.reach, |k| {
            self.each_of(k, sight, |seen| {
                let d2 = (seen.s - s).powi(2) + (seen.t - t).powi(2);
                near.push((d2, seen.z));
            });
        });
        near.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        near.truncate(9);
        near.sort_unstable_by(|a, b| a.1.total_cmp(&b.1));
        near.get(near.len() / 2).map(|n| n.1)
    }

    /// What a cell says of its node, or else what it says of the place that has `sight`.
    fn own(&self, cell: usize, sight: Option<&Sight>) -> Option<Seen> {
        let mut own = None;
        self.each_of(cell, sight, |seen| {
            own = own.or(Some(seen));
        });
        own
    }

    /// Call `each` for what a cell says, as far as it is in sight.
    pub(super) fn each_of(&self, cell: usize, sight: Option<&Sight>, mut each: impl FnMut(Seen)) {
        let visible = |seen: &Seen| sight.is_none_or(|sight| sight.sees([seen.s, seen.t]));
        if self.cells.w[cell] > 0.0 {
            Some(self.cells.at(cell)).filter(visible).map(&mut each);
        }
        if sight.is_some() {
            self.beyond.in_cell(cell).filter(visible).for_each(each);
        }
    }

    /// How far a window reaches.
    fn reach_m(&self, b: f64) -> f64 {
        (CUT * b).max(1.01 * self.lattice.s_step_m.max(self.lattice.t_step_m))
    }

    fn rows_in(&self, s: f64, b: f64) -> std::ops::Range<usize> {
        range_of(s, self.reach_m(b), self.lattice.s_step_m, self.rows)
    }

    fn columns_in(&self, t: f64, b: f64) -> std::ops::Range<usize> {
        range_of(t, self.reach_m(b), self.lattice.t_step_m, self.columns)
    }

    /// Put what lies within the cut of a window about a place into `out`, not weighed; of `among`
    /// alone where that is given.
    fn gather(&self, at: [f64; 2], b: f64, among: Option<&[Seen]>, out: &mut Around) {
        out.clear();
        let [s, t] = at;
        if let Some(among) = among {
            let reach = self.reach_m(b);
            let within = |seen: &&Seen| (seen.s - s).abs().max((seen.t - t).abs()) <= reach;
            among
                .iter()
                .filter(within)
                .for_each(|seen| out.push(*seen, at));
            return;
        }
        let columns = self.columns_in(t, b);
        for row in self.rows_in(s, b) {
            let first = row * self.columns;
            out.extend(&self.cells, first + columns.start..first + columns.end, at);
        }
    }

    /// σ of the faces about a height to which `bent` (0 to 1) of what the plane and the chords take
    /// off was given back: the chords' part makes up for the chords, and lets its noise through.
    fn sigma_m(&self, flat: &Flat, b: f64, level_m: f64, bent: f64) -> f64 {
        let of = |whole: f64, share: f64| 1.0 + share * (whole - 1.0);
        let noise = of(NOISE_SHARE, bent * flat.further()) * flat.noise_m2;
        let left_out = of(LEFT_OUT_SHARE, bent) * LEFT_OUT * level_m * flat.spread_m;
        let (u, v) = (flat.plane.slope_u, flat.plane.slope_v);
        let rounding = self.rounding.of_a_mean_m2(b * b * (u * u + v * v));
        (noise + left_out + self.common_m2 + rounding).sqrt()
    }
}

/// The rounding of the run whose heights come in the largest steps.
fn coarsest(runs: &[(&CellSums, std::ops::Range<usize>)]) -> Rounding {
    let all = runs.iter().map(|(sums, _)| sums.rounding);
    all.max_by(|a, b| a.step_m.total_cmp(&b.step_m))
        .unwrap_or_default()
}

/// The numbers of `n` nodes `step` apart within `reach` of `x`.
fn range_of(x: f64, reach: f64, step: f64, n: usize) -> std::ops::Range<usize> {
    let low = usize::try_from(ceil_i32((x - reach) / step)).unwrap_or(0);
    let high = usize::try_from(floor_i32((x + reach) / step) + 1).unwrap_or(0);
    let high = high.min(n);
    low..high.max(low)
}

/// The width of Gaussian weights on cells `step` apart that makes, with the box of the cells
/// themselves, a window of width `best`.
///
/// The box brings step²/12. Weights sampled at whole steps spread less than their Gaussian when
/// it is narrow: Σd²g/Σg = v needs b² = 0.095·step² + 0.73·v below v = 0.35·step² (fitted to the
/// sum itself; within 4 %).
fn window_over_cells(best: f64, step: f64) -> f64 {
    let square = step * step;
    let spread = (best * best - square / 12.0).max(0.0);
    spread.max(0.095 * square + 0.73 * spread).sqrt()
}

/// Widest window, in steps: its cut then stays within the reach. Wider only to bridge a gap.
pub(super) const REACH_M_STEPS: f64 = 3.0;
/// Slopes are held to the start's as by observations this many steps away: a window of one cell
/// has no slope of its own.
const SLOPE_RIDGE_STEPS: f64 = 0.3;
