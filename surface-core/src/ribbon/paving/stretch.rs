//! The points beside a stretch of the line, in (s, t).

use std::collections::BTreeSet;

use crate::cloud::{PackedPoint, TileError, TileStore};
use crate::geom::vector::{dot, sub};
use crate::numeric::{floor_i32, round_i32, to_index};
use crate::ribbon::ReferenceLine;

/// Side of a tile of the world store, metres.
const TILE_M: f64 = 16.0;
/// Guesses for the feet are taken this far apart, metres: near enough for Newton in a hairpin of
/// 4 m radius, far enough to cost less than Newton itself.
const GUESS_STEP_M: f64 = 2.0;
/// Feet nearer together than this are one foot, metres.
const SAME_FOOT_M: f64 = 0.5;

/// A point beside the line. `s` is relative to the stretch's middle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SidePoint {
    pub s: f64,
    pub t: f64,
    pub z: f64,
    pub intensity: f64,
}

/// Stations `first .. first + stations` of the line, each `step_m` from the last.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stretch {
    pub first: usize,
    pub stations: usize,
    pub step_m: f64,
}

impl Stretch {
    /// s of the middle of the stretch, metres.
    pub(super) fn middle_s(&self) -> f64 {
        (self.first as f64 + 0.5 * (self.stations as f64 - 1.0)) * self.step_m
    }

    /// s of the k-th station relative to the middle.
    pub(super) fn station(&self, k: usize) -> f64 {
        (k as f64 - 0.5 * (self.stations as f64 - 1.0)) * self.step_m
    }

    /// Distance from the middle to the last station.
    pub(super) fn half_m(&self) -> f64 {
        0.5 * (self.stations as f64 - 1.0) * self.step_m
    }
}

/// What of the cloud is wanted.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted {
    /// Points with |t| up to this, metres.
    pub reach_t_m: f64,
    /// Points this far before the first and after the last station, metres.
    pub margin_s_m: f64,
    /// Tiles with more points per m² are thinned to this by taking every n-th.
    pub density_per_m2: f64,
}

/// The points beside a stretch in ascending s, each once for every foot it has there.
///
/// # Errors
/// [`TileError`] when the store cannot be read.
pub(super) fn points_beside(
    line: &ReferenceLine,
    tiles: &TileStore,
    stretch: &Stretch,
    wanted: &Wanted,
) -> Result<Vec<SidePoint>, TileError> {
    let guesses = Guesses::along(line, stretch, wanted);
    let mut out = Vec::new();
    let mut packed = Vec::new();
    for key in guesses.tiles(wanted.reach_t_m) {
        packed.clear();
        tiles.read(key, &mut packed)?;
        let per_m2 = packed.len() as f64 / (TILE_M * TILE_M);
        let every = to_index((per_m2 / wanted.density_per_m2).ceil()).max(1);
        for point in packed.iter().step_by(every) {
            guesses.project(point, wanted, &mut out);
        }
    }
    out.sort_by(|a, b| a.s.total_cmp(&b.s));
    Ok(out)
}

/// Places along the stretch from which Newton starts.
struct Guesses<'a> {
    line: &'a ReferenceLine,
    middle_s: f64,
    /// Farthest s from the middle that is wanted.
    half_m: f64,
    /// s relative to the middle, and the point there.
    places: Vec<(f64, [f64; 2])>,
}

impl<'a> Guesses<'a> {
    fn along(line: &'a ReferenceLine, stretch: &Stretch, wanted: &Wanted) -> Self {
        let (middle_s, half_m) = (stretch.middle_s(), stretch.half_m() + wanted.margin_s_m);
        let n = round_i32((half_m / GUESS_STEP_M).ceil());
        let inside = |s: &f64| {
            line.is_closed()
                || (-GUESS_STEP_M..=line.length_m() + GUESS_STEP_M).contains(&(middle_s + s))
        };
        let places = (-n..=n)
            .map(|k| f64::from(k) * GUESS_STEP_M)
            .filter(inside)
            .map(|s| (s, line.point(middle_s + s)))
            .collect();
        Self {
            line,
            middle_s,
            half_m,
            places,
        }
    }

    /// Tiles that can hold points within `reach`, in order.
    fn tiles(&self, reach: f64) -> BTreeSet<(i32, i32)> {
        let mut out = BTreeSet::new();
        let r = reach + GUESS_STEP_M;
        for (_, p) in &self.places {
            let cell = |v: f64| floor_i32(v / TILE_M);
            for i in cell(p[0] - r)..=cell(p[0] + r) {
                for j in cell(p[1] - r)..=cell(p[1] + r) {
                    out.insert((i, j));
                }
            }
        }
        out
    }

    /// Push the point once for each of its feet in the stretch.
    fn project(&self, point: &PackedPoint, wanted: &Wanted, out: &mut Vec<SidePoint>) {
        let [x, y, z] = point.metres();
        let reach = wanted.reach_t_m + GUESS_STEP_M;
        let d2 = |k: usize| {
            let e = sub(self.places[k].1, [x, y]);
            dot(e, e)
        };
        let n = self.places.len();
        let mut last_s = f64::NEG_INFINITY;
        let (mut before, mut here) = (f64::INFINITY, if n > 0 { d2(0) } else { return });
        for k in 0..n {
            let after = if k + 1 < n { d2(k + 1) } else { f64::INFINITY };
            if here <= before && here <= after && here <= reach * reach {
                let guess = self.middle_s + self.places[k].0;
                let foot = self.foot([x, y], guess, wanted.reach_t_m);
                if let Some((s, t)) = foot.filter(|f| f.0 - last_s > SAME_FOOT_M) {
                    last_s = s;
                    let intensity = f64::from(point.intensity);
                    out.push(SidePoint { s, t, z, intensity });
                }
            }
            (before, here) = (here, after);
        }
    }

    fn foot(&self, p: [f64; 2], guess: f64, reach: f64) -> Option<(f64, f64)> {
        let foot = self.line.foot_near(p, guess)?;
        let mut s = foot.s - self.middle_s;
        if self.line.is_closed() {
            let length = self.line.length_m();
            s -= length * (s / length).round();
        }
        (s.abs() <= self.half_m && foot.t.abs() <= reach).then_some((s, foot.t))
    }
}
