//! The points beside a stretch of the line, in (s, t).

use std::collections::BTreeSet;

use crate::cloud::{PackedPoint, TILE_M, TileError, TileStore};
use crate::geom::vector::{dot, sub};
use crate::numeric::{floor_i32, round_i32, to_index};
use crate::ribbon::ReferenceLine;
use crate::ribbon::arc::ArcAt;

/// Guesses for the feet are taken this far apart, metres: near enough for Newton in a hairpin of
/// 4 m radius, far enough to cost less than Newton itself.
const GUESS_STEP_M: f64 = 2.0;
/// Patches along one side of a tile: 1 m wide, so that Newton needs one step from a foot of a
/// patch's middle to that of a point of it.
const PATCHES: usize = 16;
/// From the middle of a patch to its corner, metres.
const PATCH_HALF_DIAGONAL_M: f64 = 0.71;
/// Places told before Newton are off by up to this, metres: half the square of the way from the
/// start over the radius, 3 m from the centre of a hairpin.
pub(super) const ROUGHLY_M: f64 = 0.3;
/// Cross-lines nearer together than this share of the line's step (near the centre of a bend)
/// foretell no place.
const LEAST_STRETCH: f64 = 0.2;
/// Nearer to the line than half of the bend's radius, and this near to a patch's foot along the
/// line's tangent, metres, places on the arc through the foot are the line's own to millimetres.
const ARC_SHARE: f64 = 0.5;
const ARC_M: f64 = 1.0;
/// Length of the slices that points are sorted in, metres: some tens of points each.
const SLICE_M: f64 = 0.01;
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
pub(super) struct Wanted<'a> {
    /// Points with |t| up to this, metres.
    pub reach_t_m: f64,
    /// Points this far before the first and after the last station, metres.
    pub margin_s_m: f64,
    /// Tiles with more points per m² are thinned to this, evenly in the order of the points.
    pub density_per_m2: f64,
    /// Whether points near (s, t) are wanted; asked with places that are off by up to
    /// [`ROUGHLY_M`], so that the foot of most points need not be found.
    pub near: &'a (dyn Fn(f64, f64) -> bool + Sync),
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
        let share = (wanted.density_per_m2 / per_m2).min(1.0);
        let mut patches: Vec<Option<Vec<ArcAt>>> = vec![None; PATCHES * PATCHES];
        for point in thinned(&packed, share) {
            let [x, y, _] = point.metres();
            let place = patch_of(key, [x, y]);
            let starts = patches[place[1] * PATCHES + place[0]]
                .get_or_insert_with(|| guesses.starts(middle_of_patch(key, place), wanted));
            for start in starts.iter() {
                out.extend(guesses.beside(point, start, wanted));
            }
        }
    }
    Ok(ascending(&out, guesses.half_m))
}

/// The points in ascending s (within ± `half_m`), those of the same s in the order given: into
/// slices of a centimetre first, because sorting all at once would take longer than finding feet.
fn ascending(points: &[SidePoint], half_m: f64) -> Vec<SidePoint> {
    let slices = to_index(2.0 * half_m / SLICE_M) + 2;
    let slice = |p: &SidePoint| to_index((p.s + half_m) / SLICE_M).min(slices - 1);
    let mut ends = vec![0; slices + 1];
    points.iter().for_each(|p| ends[slice(p) + 1] += 1);
    for k in 0..slices {
        ends[k + 1] += ends[k];
    }
    let mut next = ends.clone();
    let nowhere = SidePoint {
        s: 0.0,
        t: 0.0,
        z: 0.0,
        intensity: 0.0,
    };
    let mut out = vec![nowhere; points.len()];
    for p in points {
        let at = &mut next[slice(p)];
        out[*at] = *p;
        *at += 1;
    }
    for pair in ends.windows(2) {
        out[pair[0]..pair[1]].sort_by(|a, b| a.s.total_cmp(&b.s));
    }
    out
}

/// Evenly a share of the points, in their order: where the whole part of k·share grows.
fn thinned(points: &[PackedPoint], share: f64) -> impl Iterator<Item = &PackedPoint> {
    let taken = move |k: usize| to_index(k as f64 * share);
    let numbered = points.iter().enumerate();
    numbered.filter_map(move |(k, p)| (taken(k + 1) > taken(k)).then_some(p))
}

/// The patch of a tile that a point of it lies in, counted from its corner.
fn patch_of(tile: (i32, i32), p: [f64; 2]) -> [usize; 2] {
    let at = |v: f64, key: i32| {
        let within = v - f64::from(key) * TILE_M;
        to_index(within * PATCHES as f64 / TILE_M).min(PATCHES - 1)
    };
    [at(p[0], tile.0), at(p[1], tile.1)]
}

fn middle_of_patch(tile: (i32, i32), place: [usize; 2]) -> [f64; 2] {
    let at = |key: i32, k: usize| TILE_M * (f64::from(key) + (k as f64 + 0.5) / PATCHES as f64);
    [at(tile.0, place[0]), at(tile.1, place[1])]
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

    /// Feet of a patch's middle, from which those of its points are near: where the distance to
    /// the guesses is least.
    fn starts(&self, p: [f64; 2], wanted: &Wanted) -> Vec<ArcAt> {
        let reach = wanted.reach_t_m + GUESS_STEP_M + PATCH_HALF_DIAGONAL_M;
        let d2 = |k: usize| {
            let e = sub(self.places[k].1, p);
            dot(e, e)
        };
        let n = self.places.len();
        let mut out: Vec<ArcAt> = Vec::new();
        let (mut before, mut here) = (f64::INFINITY, if n > 0 { d2(0) } else { return out });
        for k in 0..n {
            let after = if k + 1 < n { d2(k + 1) } else { f64::INFINITY };
            if here <= before && here <= after && here <= reach * reach {
                let start = self.start(p, self.places[k].0);
                if out.last().is_none_or(|o| start.s - o.s > SAME_FOOT_M) {
                    out.push(start);
                }
            }
            (before, here) = (here, after);
        }
        out
    }

    /// The line at the foot of `p`, its s from the stretch's middle.
    fn start(&self, p: [f64; 2], guess: f64) -> ArcAt {
        let foot = self.line.foot_near(p, self.middle_s + guess);
        // Without a foot (beyond an end, near the centre of a bend) the guess itself will do.
        let s = foot.map_or(guess, |f| self.past_middle(f.s));
        let mut arc = self.line.arc_at(self.middle_s + s);
        arc.s = s;
        arc
    }

    /// s relative to the middle, on a ring the short way round.
    fn past_middle(&self, s: f64) -> f64 {
        let s = s - self.middle_s;
        let length = self.line.length_m();
        match self.line.is_closed() {
            true if s > 0.5 * length => s - length,
            true if s < -0.5 * length => s + length,
            _ => s,
        }
    }

    /// The point at its foot near `start`, if that is wanted.
    fn beside(&self, point: &PackedPoint, start: &ArcAt, wanted: &Wanted) -> Option<SidePoint> {
        let [x, y, z] = point.metres();
        let rough = start.roughly([x, y]);
        let (along, off, share) = rough;
        // Cross-lines draw near to each other towards the centre of the bend.
        let guess = start.s + along / share.max(LEAST_STRETCH);
        let far = guess.abs() > self.half_m + ROUGHLY_M || off.abs() > wanted.reach_t_m + ROUGHLY_M;
        if far || !(wanted.near)(guess, off) {
            return None;
        }
        let (s, t) = if share > ARC_SHARE && along.abs() < ARC_M {
            let place = start.place(rough);
            self.line.within_ends(self.middle_s + place.s)?;
            self.inside(place.s, place.t, wanted.reach_t_m)?
        } else {
            self.foot([x, y], self.middle_s + guess, wanted.reach_t_m)?
        };
        let intensity = f64::from(point.intensity);
        Some(SidePoint { s, t, z, intensity })
    }

    fn foot(&self, p: [f64; 2], guess: f64, reach: f64) -> Option<(f64, f64)> {
        let foot = self.line.foot_near(p, guess)?;
        self.inside(self.past_middle(foot.s), foot.t, reach)
    }

    fn inside(&self, s: f64, t: f64, reach: f64) -> Option<(f64, f64)> {
        (s.abs() <= self.half_m && t.abs() <= reach).then_some((s, t))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_come_in_ascending_s_and_ties_keep_their_order() {
        let at = |k: u32| {
            let k = f64::from(k);
            SidePoint {
                s: (k * 0.618).fract().mul_add(20.0, -10.0),
                t: k,
                z: 0.0,
                intensity: 0.0,
            }
        };
        let mut points: Vec<SidePoint> = (0..5000).map(at).collect();
        points.extend((5000..5010).map(|k| SidePoint { s: 10.0, ..at(k) }));
        let mut expected = points.clone();
        expected.sort_by(|a, b| a.s.total_cmp(&b.s));
        assert_eq!(ascending(&points, 10.0), expected);
    }

    #[test]
    fn a_share_of_points_is_taken_evenly() {
        let point = PackedPoint {
            abc: [0; 3],
            intensity: 0,
            setup: 0,
        };
        let points = vec![point; 1000];
        for (share, count) in [(1.0, 1000), (0.75, 750), (0.1, 100)] {
            assert_eq!(thinned(&points, share).count(), count);
        }
        assert_eq!(thinned(&points[..8], 0.5).count(), 4);
    }
}
