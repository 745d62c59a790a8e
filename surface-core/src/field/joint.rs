//! Heights of plain ground are found jointly: the surface that is most likely, given all its cells and the
//! road's spectrum.
//!
//! A window sees a place by itself. What is most likely of all heights together errs less: the least of
//!
//! Σ w·(mean of the surface over a cell − mean of the cell)² + Σ a·|∇z − its trend|² + Σ b·|∇∇z|²,
//!
//! the last two over a lattice's slopes and bends (twice the mixed one, a plate's). Their density
//! a·(2πk)² + b·(2πk)⁴ is made that of the road, k³/A, in value and slope at the wave k_c = (A·W)^⅓ at which
//! road and noise are as strong as each other, W being what is known around: no smoothing is set by hand.
//!
//! The trend is what windows say of the slope around, over 0.8/k_c both ways; where not all of that is plain
//! ground, as beside creases, edges and the ends of a run, bends alone hold the heights. A road lies at a slope
//! that no spectrum tells of, and where points thin out a weight of slopes that changes would move a plane of
//! 5 % by hundredths of a millimetre. And the most likely surface is lower than the road: the Wiener filter
//! passes 0.97 of waves 3.2 times as long as 1/k_c. By the transfer functions heights with that trend err by
//! 0.4 % more than the bound and pass 0.990 of such waves, as windows do, which err by 1.1 % more; with a trend
//! over 1.1/k_c they would err by 0.2 % more and pass 0.986, with slopes held to none 0.2 % more and 0.948.
//!
//! One spectrum does not fit kerbs, ribs and bumps. The heights of windows stay where these say that the ground
//! is not as the course's; beside breaklines, steps, edges and wide holes; and in runs whose heights come in
//! coarse steps, which hide where that is so. They stay in the rows at either end of a run: what a section says
//! at its border depends on what lies near that alone, and sections agree to the bit, whoever makes them. And
//! they stay where points are so thin that windows are as wide as they may be: heights found jointly would have
//! far less noise there than their σ says, and than the rows at the ends.
//!
//! Windows are the robust start: cells that lie far off their surface do not count. The moves from it are solved
//! for by conjugate gradients until none is off by more than a micrometre or so. σ stays that of the windows,
//! which heights found jointly undercut by 1 to 2 %; slopes stay those of their planes.

use std::f64::consts::TAU;

use super::around::STRUCTURE;
use super::kernel::{BEST_WIDTH, REACH_M_STEPS, Window};
use super::lattice::{FieldRows, Lattice};
use super::told::Ground;
use crate::numeric::{LatticeSystem, Term, biweight_of_square, to_index};

/// A height is found jointly where all ground within so many steps is plain: what is observed of it, and
/// what is expected of its slopes and bends, then meets plain ground alone.
const ALL_PLAIN: usize = 2;
/// Of the heights within as many steps so many may bend by chance.
const BY_CHANCE: usize = 2;
/// Second differences beyond so many of their standard deviations are those of steps.
const MOST_BENT_SDS: f64 = 4.0;
/// How much is known around a place is a mean within so far, metres.
const KNOWN_WITHIN_M: f64 = 0.5;
/// The trend of slopes is their mean within so far to either side, over 1/k_c.
const TREND_WITHIN: f64 = 0.4;
/// A cell counts whole within the first of these standard deviations of the windows' surface, not at all
/// beyond the second: what windows left out is far beyond, and of noise alone one part in seven hundred is lost.
const WHOLE_SDS: f64 = 2.0;
const NONE_SDS: f64 = 6.0;
/// No height is further off than this when they are settled, about, metres.
const OFF_M: f64 = 1e-6;
/// A window of three steps, the widest, is as wide as road and noise ask for at this k_c·h.
const LEAST_K_H: f64 = BEST_WIDTH / REACH_M_STEPS;

/// Move the heights of plain ground to where all of them together are most likely; `ground` is that of
/// each height of `rows`, the first of which is row `offset` of the window.
pub(super) fn find_jointly(
    window: &Window,
    offset: usize,
    level_m: f64,
    ground: &[Ground],
    rows: &mut FieldRows,
) {
    // Coarse steps hide which ground is not plain.
    if level_m <= 0.0 || window.rounding.step_m > 0.0 {
        return;
    }
    let sheet = Sheet::new(window, offset, level_m, ground, rows);
    let free = sheet.inner();
    if !free.contains(&true) {
        return;
    }
    // What cannot be settled stays as windows have it.
    let (system, least_k_h) = sheet.system();
    let Some(moves) = system.descend(&free, settled_m(least_k_h)) else {
        return;
    };
    for (z_m, move_m) in rows.z_m.iter_mut().zip(&moves.values) {
        *z_m += move_m;
    }
}

/// Plain ground with the heights that windows gave it.
struct Sheet<'a> {
    window: &'a Window<'a>,
    offset: usize,
    rows: usize,
    columns: usize,
    level_m: f64,
    plain: Vec<bool>,
    z_m: &'a [f64],
}

impl<'a> Sheet<'a> {
    fn new(
        window: &'a Window<'a>,
        offset: usize,
        level_m: f64,
        ground: &[Ground],
        rows: &'a FieldRows,
    ) -> Self {
        let mut out = Self {
            window,
            offset,
            rows: rows.rows,
            columns: window.columns,
            level_m,
            plain: plain(ground, rows.rows, window.columns),
            z_m: &rows.z_m,
        };
        out.leave_steps(&rows.sigma_m);
        out
    }

    /// Leave out what bends from one height to the next as no road of the spectrum does: a step that no
    /// window lost much to. D(d) = 8π²A·d makes 2·D(h) the variance of a second difference.
    fn leave_steps(&mut self, sigma_m: &[f32]) {
        let lattice = self.window.lattice;
        let steps = [([1, 0], lattice.s_step_m), ([0, 1], lattice.t_step_m)];
        let mut bent = Vec::new();
        for (k, ([ahead, beside], step_m)) in
            (0..self.plain.len()).flat_map(|k| steps.map(|step| (k, step)))
        {
            let at = |n: usize| [k / self.columns + n * ahead, k % self.columns + n * beside];
            let terms = [(at(0), 1.0), (at(1), -2.0), (at(2), 1.0)];
            if self.all_plain(&terms) {
                // What heights of a setup have in common bends nothing.
                let own_m2 = f64::from(sigma_m[k]).powi(2) - self.window.common_m2;
                let road_m2 = STRUCTURE * self.level_m * step_m;
                let variance_m2 = 2.0 * (road_m2 + own_m2.max(0.0));
                if self.now(&terms).abs() > MOST_BENT_SDS * variance_m2.sqrt() {
                    bent.extend(terms.map(|([row, column], _)| row * self.columns + column));
                }
            }
        }
        bent.into_iter().for_each(|k| self.plain[k] = false);
    }

    /// Heights around which all within [`ALL_PLAIN`] steps are plain.
    fn inner(&self) -> Vec<bool> {
        let around = |k| square(k, self.rows, self.columns, ALL_PLAIN);
        let all = |k| around(k).is_some_and(|mut near| near.all(|n| self.plain[n]));
        (0..self.plain.len())
            .map(|k| self.plain[k] && all(k))
            .collect()
    }

    /// All that is known of the heights, and the least k_c·h.
    fn system(&self) -> (LatticeSystem, f64) {
        let mut system = LatticeSystem::new(self.rows, self.columns);
        for row in 1..self.rows.saturating_sub(1) {
            for column in 1..self.columns.saturating_sub(1) {
                self.look([row, column], &mut system);
            }
        }
        let least_k_h = self.presume(&mut system);
        (system, least_k_h)
    }

    /// What the cell of a height says.
    #[expect(
        clippy::cast_precision_loss,
        reason = "rows and columns are far below 2^53"
    )]
    fn look(&self, [row, column]: [usize; 2], system: &mut LatticeSystem) {
        let lattice = self.window.lattice;
        let seen = self
            .window
            .cells
            .at((row + self.offset) * self.columns + column);
        let along = over_cell(seen.s / lattice.s_step_m - (row + self.offset) as f64);
        let across = over_cell(seen.t / lattice.t_step_m - column as f64);
        let term = |m: usize| {
            let at = [row + m / 3 - 1, column + m % 3 - 1];
            (at, along[m / 3] * across[m % 3])
        };
        let terms: [Term; 9] = std::array::from_fn(term);
        if seen.w <= 0.0 || !self.all_plain(&terms) {
            return;
        }
        let off_m = seen.z - self.now(&terms);
        let scatter_m2 = seen.w.recip() + STRUCTURE * self.level_m * lattice.t_step_m;
        let beyond = (off_m.abs() / scatter_m2.sqrt() - WHOLE_SDS) / (NONE_SDS - WHOLE_SDS);
        let agrees = biweight_of_square(beyond.max(0.0).powi(2));
        system.observe(&terms, seen.w * agrees, off_m);
    }

    /// That slopes are as their trend, and that nothing bends; the least k_c·h.
    fn presume(&self, system: &mut LatticeSystem) -> f64 {
        let [hs, ht] = [self.window.lattice.s_step_m, self.window.lattice.t_step_m];
        let known = self.known();
        let trends = [[1, 0], [0, 1]].map(|next| self.trend(next));
        let mut least_k_h = f64::MAX;
        for k in (0..self.plain.len()).filter(|k| self.plain[*k]) {
            let (row, column) = (k / self.columns, k % self.columns);
            let known = known.mean(row, column, KNOWN_WITHIN_M).0.max(0.0) / (hs * ht);
            // Where a window as wide as the road asks for reaches too far there is no plain ground.
            let k_c_per_m = (self.level_m * known).cbrt().max(LEAST_K_H / hs.max(ht));
            least_k_h = least_k_h.min(k_c_per_m * hs.min(ht));
            let [slope, bend] = weights(self.level_m, k_c_per_m);
            let mut hold = |terms: &[Term], weight: f64, sum_m: f64| {
                if self.all_plain(terms) {
                    system.observe(terms, weight, sum_m - self.now(terms));
                }
            };
            let at = |ahead, beside| [row + ahead, column + beside];
            let own = at(0, 0);
            for (trend, next, after, [h, beside]) in [
                (&trends[0], at(1, 0), at(2, 0), [hs, ht]),
                (&trends[1], at(0, 1), at(0, 2), [ht, hs]),
            ] {
                // Beside a crease, or an edge, half a square would tell the slope of somewhere else.
                let (trend_m, whole) = trend.mean(row, column, TREND_WITHIN / k_c_per_m);
                if whole {
                    hold(&[(own, -1.0), (next, 1.0)], slope * beside / h, trend_m);
                }
                let bent = [(own, 1.0), (next, -2.0), (after, 1.0)];
                hold(&bent, bend * beside / h.powi(3), 0.0);
            }
            let twist = [
                (own, 1.0),
                (at(0, 1), -1.0),
                (at(1, 0), -1.0),
                (at(1, 1), 1.0),
            ];
            hold(&twist, 2.0 * bend / (hs * ht), 0.0);
        }
        least_k_h
    }

    /// Σ1/σ² of cells.
    fn known(&self) -> Squares {
        let first = self.offset * self.columns;
        let w = &self.window.cells.w[first..first + self.plain.len()];
        Squares::of(self.window.lattice, w.iter().map(|w| Some(*w)))
    }

    /// Steps of the heights from one to the next, so many rows and columns on, metres.
    fn trend(&self, [ahead, beside]: [usize; 2]) -> Squares {
        let step = |k: usize| {
            let own = [k / self.columns, k % self.columns];
            let terms = [(own, -1.0), ([own[0] + ahead, own[1] + beside], 1.0)];
            self.all_plain(&terms).then(|| self.now(&terms))
        };
        Squares::of(self.window.lattice, (0..self.plain.len()).map(step))
    }

    fn all_plain(&self, terms: &[Term]) -> bool {
        terms.iter().all(|([row, column], _)| {
            *row < self.rows && *column < self.columns && self.plain[row * self.columns + column]
        })
    }

    /// What the windows' heights say of an observation.
    fn now(&self, terms: &[Term]) -> f64 {
        let height = |[row, column]: [usize; 2]| self.z_m[row * self.columns + column];
        terms.iter().map(|(at, a)| a * height(*at)).sum()
    }
}

/// Heights on plain ground, those with it that bend among it by chance: a window in a thousand says of plain
/// ground that it is rougher.
fn plain(ground: &[Ground], rows: usize, columns: usize) -> Vec<bool> {
    let by_chance = |k: usize| {
        let others = |near: &mut dyn Iterator<Item = usize>| {
            near.filter(|n| ground[*n] != Ground::Plain).count() <= BY_CHANCE
        };
        square(k, rows, columns, ALL_PLAIN).is_some_and(|mut near| others(&mut near))
    };
    let plain = |(k, ground): (usize, &Ground)| match ground {
        Ground::Plain => true,
        Ground::Rougher => by_chance(k),
        Ground::Apart => false,
    };
    ground.iter().enumerate().map(plain).collect()
}

/// The places within so many steps of one both ways, where all of them are on the lattice.
fn square(
    k: usize,
    rows: usize,
    columns: usize,
    reach: usize,
) -> Option<impl Iterator<Item = usize>> {
    let (row, column) = (k / columns, k % columns);
    let inside = |x: usize, n: usize| x >= reach && x + reach < n;
    let wide = 2 * reach + 1;
    (inside(row, rows) && inside(column, columns)).then(|| {
        let first = k - reach * columns - reach;
        (0..wide * wide).map(move |m| first + m / wide * columns + m % wide)
    })
}

/// Sums of what there is above and left of each place of a lattice, and how many: for means over squares.
struct Squares {
    rows: usize,
    columns: usize,
    steps_m: [f64; 2],
    sums: Vec<[f64; 2]>,
}

impl Squares {
    fn of(lattice: &Lattice, values: impl ExactSizeIterator<Item = Option<f64>>) -> Self {
        let (rows, columns) = (values.len() / lattice.columns, lattice.columns);
        let wide = columns + 1;
        let mut sums = vec![[0.0; 2]; (rows + 1) * wide];
        let mut in_row = [0.0; 2];
        for (k, value) in values.enumerate() {
            if k % columns == 0 {
                in_row = [0.0; 2];
            }
            let [sum, n] = value.map_or([0.0; 2], |v| [v, 1.0]);
            in_row = [in_row[0] + sum, in_row[1] + n];
            let above = sums[k / columns * wide + k % columns + 1];
            sums[(k / columns + 1) * wide + k % columns + 1] =
                [above[0] + in_row[0], above[1] + in_row[1]];
        }
        Self {
            rows,
            columns,
            steps_m: [lattice.s_step_m, lattice.t_step_m],
            sums,
        }
    }

    /// Mean within so far of a place along and across, in whole steps, 0 of nothing; and whether all of it
    /// is there.
    fn mean(&self, row: usize, column: usize, within_m: f64) -> (f64, bool) {
        let reach = self.steps_m.map(|h| to_index(within_m / h + 1e-9));
        let part = |x: usize, reach: usize, n: usize| {
            let end = x.saturating_add(reach).saturating_add(1);
            [x.saturating_sub(reach), end.min(n)]
        };
        let [top, bottom] = part(row, reach[0], self.rows);
        let [left, right] = part(column, reach[1], self.columns);
        let at = |r: usize, c: usize| self.sums[r * (self.columns + 1) + c];
        let corners = [
            at(bottom, right),
            at(top, right),
            at(bottom, left),
            at(top, left),
        ];
        let [all, above, before, both] = corners;
        let [sum, n] = [0, 1].map(|m| all[m] - above[m] - before[m] + both[m]);
        let whole: f64 = reach.iter().map(|r| 2.0 * (*r as f64) + 1.0).product();
        (sum / n.max(1.0), n >= whole)
    }
}

/// Means over a cell of the three straight pieces about it, where the middle of its points is `off` steps
/// from its own: of points that are spread over a cell's width about their middle, to the second order.
fn over_cell(off: f64) -> [f64; 3] {
    let off = off.clamp(-0.5, 0.5);
    [
        0.5 * (0.5 - off).powi(2),
        0.75 - off * off,
        0.5 * (0.5 + off).powi(2),
    ]
}

/// How little heights may move by themselves at the end, metres: long waves, which cells alone hold, are then
/// off by that over the share of the cells in the diagonal, 20·b/h² of which the bends have.
fn settled_m(least_k_h: f64) -> f64 {
    let bends = 10.0 / TAU.powi(4);
    let cells = least_k_h.powi(4);
    OFF_M * cells / (cells + bends)
}

/// Weights a and b of squared slopes and squared bends where road and noise are as strong at `k_c`.
fn weights(level_m: f64, k_c_per_m: f64) -> [f64; 2] {
    [
        k_c_per_m / (2.0 * level_m) / TAU.powi(2),
        1.0 / (2.0 * level_m * k_c_per_m) / TAU.powi(4),
    ]
}

#[cfg(test)]
mod tests {
    use super::super::bend::WIDER;
    use super::*;

    #[test]
    fn slopes_and_bends_are_weighed_as_the_road_where_it_is_as_strong_as_noise() {
        let (level_m, k_c) = (1e-8, 1.7);
        let [a, b] = weights(level_m, k_c);
        let expected = |k: f64| a * (TAU * k).powi(2) + b * (TAU * k).powi(4);
        let road = k_c.powi(3) / level_m;
        assert!((expected(k_c) / road - 1.0).abs() < 1e-12);
        // d ln(k³)/d ln k is 3.
        let slope = (expected(k_c * 1.001) / expected(k_c / 1.001)).ln() / (2.0 * 1.001f64.ln());
        assert!((slope - 3.0).abs() < 1e-4, "{slope}");
    }

    /// What passes of a wave k (over k_c) that runs at an angle to the rows, by the trend's width over 1/k_c.
    fn passes(k: f64, angle: f64, trend: f64) -> f64 {
        let x = 2.0 * (std::f64::consts::PI * BEST_WIDTH * k).powi(2);
        let windows = (-x).exp() + x * (-WIDER * WIDER * x).exp();
        let over_box = |k: f64| {
            let y = std::f64::consts::PI * trend * k;
            if y.abs() < 1e-6 { 1.0 } else { y.sin() / y }
        };
        let of_trend = over_box(k * angle.cos()) * over_box(k * angle.sin()) * windows;
        (1.0 + 0.5 * k * k * of_trend) / (1.0 + 0.5 * k * k + 0.5 * k.powi(4))
    }

    /// Mean square error over all waves of a filter, road 1/k³ and noise 1.
    fn error(filter: impl Fn(f64) -> f64) -> f64 {
        let step = 2e-3;
        let at = |i: u32| {
            let k = (f64::from(i) + 0.5) * step;
            let h = filter(k);
            k * ((1.0 - h).powi(2) / k.powi(3) + h * h)
        };
        (0..15_000).map(at).sum::<f64>() * step
    }

    #[test]
    fn heights_err_by_half_a_percent_over_the_bound_and_keep_long_waves() {
        let bound = error(|k| 1.0 / (1.0 + k.powi(3)));
        let angles = |n: u32| (0..n).map(move |i| (f64::from(i) + 0.5) / f64::from(n) * TAU / 4.0);
        for (trend, over, long) in [
            (2.0 * TREND_WITHIN, 1.0043, 0.990),
            (1.1, 1.002, 0.986),
            (1e9, 1.0016, 0.948),
        ] {
            let errors = angles(12).map(|angle| error(|k| passes(k, angle, trend)));
            let ratio = (errors.sum::<f64>() / 12.0 / bound).sqrt();
            let kept = angles(12).map(|a| passes(0.315, a, trend)).sum::<f64>() / 12.0;
            assert!((ratio - over).abs() < 5e-4, "{trend}: {ratio}");
            assert!((kept - long).abs() < 1.5e-3, "{trend}: {kept}");
        }
    }

    #[test]
    fn means_over_squares_are_those_of_what_lies_in_them() {
        let lattice = Lattice::new([0.1, 0.2], 9, -3..4, false).unwrap();
        let value = |k: usize| (k % 4 != 1).then_some((k * k % 17) as f64);
        let squares = Squares::of(&lattice, (0..63).map(value));
        for k in 0..63 {
            let (row, column) = (k / 7, k % 7);
            let near = |n: &usize| (n / 7).abs_diff(row) <= 4 && (n % 7).abs_diff(column) <= 2;
            let all: Vec<f64> = (0..63).filter(near).filter_map(value).collect();
            let mean = all.iter().sum::<f64>() / all.len() as f64;
            let (found, whole) = squares.mean(row, column, 0.4);
            assert!((found - mean).abs() < 1e-12 && !whole, "{k}");
        }
        let all = Squares::of(&lattice, (0..63u8).map(|k| Some(f64::from(k))));
        let whole = [(4, 3), (3, 3), (4, 1)].map(|(r, c)| all.mean(r, c, 0.4).1);
        assert_eq!(whole, [true, false, false]);
        let none = Squares::of(&lattice, (0..63).map(|_| None));
        assert!(none.mean(4, 3, 0.4).0.abs() < 1e-12);
    }
}
