//! Both edges along the whole line.

use super::dents::dents;
use rayon::prelude::*;

use super::evidence::{Class, Evidence, Sample};
use super::params::{PavingError, PavingParams};
use super::profile::{Cell, CellSize, ProfileShape, Row, rows};
use super::refine::{Coarse, Lens, Station, refined_edge};
use super::smooth::smoothed;
use super::stretch::{ROUGHLY_M, Stretch, Wanted, points_beside};
use super::trace::best_path;
use crate::cloud::{TILE_M, TileError, TileStore};
use crate::numeric::{floor_i32, quantile, to_index};
use crate::progress::{Counted, Progress};
use crate::ribbon::{Edges, Gap, ReferenceLine, Side};

/// Step between stations, metres: half the distance over which edges of real roads are straight.
const STATION_STEP_M: f64 = 0.5;
/// Stations of a stretch: 32 m, so that the points of a scan of a thousand a square metre take
/// some ten megabytes, and twice as much while they are sorted.
const STRETCH_STATIONS: usize = 64;
/// Stretches worked on at once; their points are all that is in memory.
const STRETCHES_AT_ONCE: usize = 4;
/// Densest use of points: eight a cell of the profiles (0.05 m wide, 0.1 m while only the line is
/// centred), and a point each 4 mm of t for the change point. More would cost time and move no
/// edge by a millimetre.
const ROUGH_DENSITY_PER_M2: f64 = 80.0;
const PROFILE_DENSITY_PER_M2: f64 = 300.0;
const REFINE_DENSITY_PER_M2: f64 = 1000.0;
/// Without a guess: the road reaches at least this far from the line, metres…
const SURE_ROAD_M: f64 = 1.5;
/// …and this outermost part of what was scanned beside it is verge, metres.
const SURE_VERGE_M: f64 = 3.0;
/// With a guess: verge begins and ends this far beyond it, metres.
const VERGE_BEYOND_M: [f64; 2] = [0.3, 2.0];
/// Cross-lines are not followed beyond this share of the way to the centre of curvature.
const FOLD_SHARE: f64 = 0.95;
/// A fall of evidence by this much per 0.05 m cell over a quarter of a metre ends the road…
const STOP_PER_CELL: f64 = 2.0;
const STOP_WIDTH_M: f64 = 0.25;
/// …but at least this much, when cells are wide.
const STOP_LEAST: f64 = 3.0;
/// Share of the stop's fall that must show within [`SEEN_WITHIN_M`] for an edge to count as seen.
const SEEN_SHARE: f64 = 0.3;
const SEEN_WITHIN_M: f64 = 0.5;
/// Shorter stretches without evidence are bridged without a word, metres.
const MIN_GAP_M: f64 = 1.0;
/// Edges nearer to each other than this bound no road, metres: less than the narrowest car.
const LEAST_WIDTH_M: f64 = 1.5;

/// Find both edges of the paving along `line` in the world tile store.
///
/// `guess` (from a paved mask, or an earlier round) says where to learn road and verge and how far
/// to look; without it the road is taken to reach 1.5 m either way. Evenness from point to point
/// decides; brightness and steps only help, so that paint, kerbs and other asphalt stay inside.
/// Where an edge does not show it is interpolated and a [`Gap`] with the reason is given.
///
/// The result does not depend on the number of threads. Memory: a few stretches of 32 m of points,
/// and 6 bytes per 0.5 m of line and cell across.
///
/// # Errors
/// [`PavingError`].
pub fn find_edges(
    line: &ReferenceLine,
    tiles: &TileStore,
    guess: Option<&Edges>,
    params: &PavingParams,
    progress: &mut dyn Progress,
) -> Result<(Edges, Vec<Gap>), PavingError> {
    seek(line, tiles, guess, params, Effort::Fine, progress)
}

/// How much is wanted of the edges.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::ribbon) enum Effort {
    /// Decimetres: enough to centre the line, from a quarter of the points.
    Rough,
    /// All that the points tell.
    Fine,
}

impl Effort {
    fn profile_density_per_m2(self) -> f64 {
        match self {
            Self::Rough => ROUGH_DENSITY_PER_M2,
            Self::Fine => PROFILE_DENSITY_PER_M2,
        }
    }
}

/// [`find_edges`] with as much effort as wanted.
pub(in crate::ribbon) fn seek(
    line: &ReferenceLine,
    tiles: &TileStore,
    guess: Option<&Edges>,
    params: &PavingParams,
    effort: Effort,
    progress: &mut dyn Progress,
) -> Result<(Edges, Vec<Gap>), PavingError> {
    let search = Search::new(line, tiles, guess, params, effort)?;
    progress.stage("edges", search.work(), Counted::Stations);
    let profiles = search.profiles(progress)?;
    let evidence = search.learn(&profiles);
    let mut tracks = [Side::Left, Side::Right].map(|side| search.track(side, &profiles, &evidence));
    drop(profiles);
    if effort == Effort::Fine {
        let lens = Lens::for_cells(search.shape.size, evidence.is_by_brightness());
        search.refine(&mut tracks, &lens, progress)?;
    }
    search.forget_crossed(&mut tracks);
    let mut gaps = Vec::new();
    for track in &mut tracks {
        let marked = dents(&track.out_m, search.step, line.is_closed());
        for (unseen, _) in track
            .unseen
            .iter_mut()
            .zip(marked)
            .filter(|(_, dent)| *dent)
        {
            *unseen = Some("something stands on the road beside the edge");
        }
    }
    for (track, side) in tracks.iter_mut().zip([Side::Left, Side::Right]) {
        gaps.extend(search.bridge(track, side)?);
    }
    let [left, right] = tracks;
    let right = right.out_m.iter().map(|t| -t).collect();
    let edges = Edges::new(search.step, left.out_m, right, line.is_closed())?;
    Ok((edges, gaps))
}

/// One edge while it is being found: distance outwards from the line at every station, and why it
/// is not seen there.
struct Track {
    out_m: Vec<f64>,
    unseen: Vec<Option<&'static str>>,
}

/// The job: stations, how far to look, what to learn from.
struct Search<'a> {
    line: &'a ReferenceLine,
    tiles: &'a TileStore,
    guess: Option<&'a Edges>,
    effort: Effort,
    stations: usize,
    step: f64,
    shape: ProfileShape,
    /// How far to look left and right at each station, metres.
    limits: Vec<[f64; 2]>,
}

impl<'a> Search<'a> {
    fn new(
        line: &'a ReferenceLine,
        tiles: &'a TileStore,
        guess: Option<&'a Edges>,
        params: &PavingParams,
        effort: Effort,
    ) -> Result<Self, PavingError> {
        let pieces = to_index((line.length_m() / STATION_STEP_M).round()).max(4);
        let step = line.length_m() / pieces as f64;
        let stations = if line.is_closed() { pieces } else { pieces + 1 };
        let limit = |k: usize| limits_at(line, guess, params, k as f64 * step);
        let limits: Vec<[f64; 2]> = (0..stations).map(limit).collect();
        let half_width_m = limits.iter().flatten().copied().fold(0.0, f64::max);
        let density = density_along(line, tiles).min(effort.profile_density_per_m2());
        if density <= 0.0 {
            return Err(PavingError::NoPoints { half_width_m });
        }
        let size = CellSize::for_density(density);
        let cells = to_index((half_width_m / size.width_m).ceil()).max(1);
        Ok(Self {
            line,
            tiles,
            guess,
            effort,
            stations,
            step,
            shape: ProfileShape { size, cells },
            limits,
        })
    }

    /// Stations gone through in all.
    fn work(&self) -> u64 {
        let passes = if self.effort == Effort::Fine { 2 } else { 1 };
        passes * self.stations as u64
    }

    /// t from right to left that is road beyond doubt.
    fn core(&self, station: usize) -> [f64; 2] {
        let s = station as f64 * self.step;
        self.guess.map_or([-SURE_ROAD_M, SURE_ROAD_M], |g| {
            let (l, r) = (g.left_m(s), g.right_m(s));
            [0.75 * r + 0.25 * l, 0.25 * r + 0.75 * l]
        })
    }

    /// The stretches of the line in batches.
    fn batches(&self) -> Vec<Vec<Stretch>> {
        let stretch = |first: usize| Stretch {
            first,
            stations: STRETCH_STATIONS.min(self.stations - first),
            step_m: self.step,
        };
        let all: Vec<Stretch> = (0..self.stations)
            .step_by(STRETCH_STATIONS)
            .map(stretch)
            .collect();
        all.chunks(STRETCHES_AT_ONCE)
            .map(<[Stretch]>::to_vec)
            .collect()
    }

    fn reach_over(&self, stretch: &Stretch) -> f64 {
        let limits = &self.limits[stretch.first..stretch.first + stretch.stations];
        limits.iter().flatten().copied().fold(0.0, f64::max)
    }

    /// Run `work` over all stretches, some at a time, keeping their order.
    fn over_stretches<T: Send>(
        &self,
        progress: &mut dyn Progress,
        work: impl Fn(&Stretch) -> Result<T, TileError> + Sync,
    ) -> Result<Vec<T>, PavingError> {
        let mut out = Vec::new();
        for batch in self.batches() {
            let results: Result<Vec<T>, TileError> = batch.par_iter().map(&work).collect();
            out.extend(results?);
            progress.advance(batch.iter().map(|s| s.stations as u64).sum())?;
        }
        Ok(out)
    }

    fn profiles(&self, progress: &mut dyn Progress) -> Result<Vec<Row>, PavingError> {
        let work = |stretch: &Stretch| {
            let wanted = Wanted {
                reach_t_m: self.reach_over(stretch),
                margin_s_m: self.shape.size.half_length_m,
                density_per_m2: self.effort.profile_density_per_m2(),
                near: &|_, _| true,
            };
            let points = points_beside(self.line, self.tiles, stretch, &wanted)?;
            let mut rows = rows(&points, stretch, &self.shape, &|k| {
                self.core(stretch.first + k)
            });
            for (k, row) in rows.iter_mut().enumerate() {
                self.cut_at_limits(row, stretch.first + k);
            }
            Ok(rows)
        };
        let rows = self.over_stretches(progress, work)?;
        Ok(rows.into_iter().flatten().collect())
    }

    fn cut_at_limits(&self, row: &mut Row, station: usize) {
        for (cells, limit) in row.iter_mut().zip(self.limits[station]) {
            let keep = to_index(limit / self.shape.size.width_m);
            cells.iter_mut().skip(keep).for_each(|c| *c = Cell::EMPTY);
        }
    }

    fn learn(&self, profiles: &[Row]) -> Evidence {
        let mut sample = Sample::new();
        for (station, row) in profiles.iter().enumerate() {
            let core = self.core(station);
            for (side, cells) in row.iter().enumerate() {
                let road = if side == 0 {
                    [core[0], core[1]]
                } else {
                    [-core[1], -core[0]]
                };
                let verge = self.verge(station, side, cells);
                for (j, &cell) in cells.iter().enumerate() {
                    let out = (j as f64 + 0.5) * self.shape.size.width_m;
                    if (road[0]..=road[1]).contains(&out) {
                        sample.add(cell, Class::Road);
                    } else if (verge[0]..=verge[1]).contains(&out) {
                        sample.add(cell, Class::Verge);
                    }
                }
            }
        }
        sample.learn()
    }

    /// Distances from the line that are verge: just beyond the guess, or the outermost of what was
    /// scanned.
    fn verge(&self, station: usize, side: usize, cells: &[Cell]) -> [f64; 2] {
        let s = station as f64 * self.step;
        if let Some(guess) = self.guess {
            let edge = if side == 0 {
                guess.left_m(s)
            } else {
                -guess.right_m(s)
            };
            return VERGE_BEYOND_M.map(|beyond| edge + beyond);
        }
        let filled = cells
            .iter()
            .rposition(|c| !c.is_empty())
            .map_or(0, |j| j + 1);
        let end = filled as f64 * self.shape.size.width_m;
        [(end - SURE_VERGE_M).max(SURE_ROAD_M + SURE_VERGE_M), end]
    }

    /// Fall of evidence after which the road has ended.
    fn stop(&self) -> f64 {
        (STOP_PER_CELL * STOP_WIDTH_M / self.shape.size.width_m).max(STOP_LEAST)
    }

    /// The coarse edge of one side.
    fn track(&self, side: Side, profiles: &[Row], evidence: &Evidence) -> Track {
        let (stop, index) = (self.stop(), side as usize);
        let width = self.shape.size.width_m;
        let scores: Vec<Vec<f32>> = profiles
            .iter()
            .zip(&self.limits)
            .map(|(row, limits)| {
                let mut score = evidence.score(&row[index], stop);
                let last = to_index(limits[index] / width);
                let worst =
                    score.iter().copied().fold(0.0, f32::max) - crate::numeric::to_f32(stop);
                score.iter_mut().skip(last + 1).for_each(|v| *v = worst);
                score
            })
            .collect();
        let path = best_path(&scores, width, self.line.is_closed());
        let unseen = (0..self.stations)
            .map(|k| {
                self.doubt(
                    &scores[k],
                    &profiles[k][index],
                    path[k],
                    self.limits[k][index],
                )
            })
            .collect();
        let coarse: Vec<Option<f64>> = path.iter().map(|&j| Some(j as f64 * width)).collect();
        let smooth = smoothed(&coarse, self.step, self.shape.size, self.line.is_closed());
        let out_m = smooth.iter().zip(coarse);
        Track {
            out_m: out_m.map(|(s, c)| s.or(c).unwrap_or(0.0)).collect(),
            unseen,
        }
    }

    /// Why the edge after `j` cells is not to be believed, if so.
    fn doubt(&self, score: &[f32], cells: &[Cell], j: usize, limit: f64) -> Option<&'static str> {
        let width = self.shape.size.width_m;
        let look = to_index((SEEN_WITHIN_M / width).ceil());
        let last = to_index(limit / width).min(cells.len());
        let around = &cells[j.saturating_sub(look)..(j + look).min(cells.len())];
        let filled = around.iter().filter(|c| !c.is_empty()).count();
        let beyond = score[(j + look).min(score.len() - 1)];
        if j + 1 >= last {
            Some("the paving reaches to the end of the search")
        } else if filled * 2 < around.len() {
            Some("no points near the edge")
        } else if f64::from(score[j] - beyond) < SEEN_SHARE * self.stop() {
            Some("no contrast between road and verge")
        } else {
            None
        }
    }

    /// Move the seen edges to where the raw points change, and smooth them along the line.
    fn refine(
        &self,
        tracks: &mut [Track; 2],
        lens: &Lens,
        progress: &mut dyn Progress,
    ) -> Result<(), PavingError> {
        let coarse = &*tracks;
        let work = |stretch: &Stretch| self.refine_stretch(stretch, coarse, lens);
        let refined = self.over_stretches(progress, work)?;
        let refined: Vec<[Option<f64>; 2]> = refined.into_iter().flatten().collect();
        for (side, track) in tracks.iter_mut().enumerate() {
            let raw: Vec<Option<f64>> = refined.iter().map(|r| r[side]).collect();
            let smooth = smoothed(&raw, self.step, self.shape.size, self.line.is_closed());
            for (k, v) in smooth.into_iter().enumerate() {
                match v {
                    Some(v) if track.unseen[k].is_none() => track.out_m[k] = v,
                    Some(_) => {}
                    None => {
                        track.unseen[k].get_or_insert("no contrast between road and verge");
                    }
                }
            }
        }
        Ok(())
    }

    /// Edges that leave no road between them are none: trees over a thin scan, or a line that ran
    /// off the road there.
    fn forget_crossed(&self, tracks: &mut [Track; 2]) {
        for k in 0..self.stations {
            if tracks[0].out_m[k] + tracks[1].out_m[k] < LEAST_WIDTH_M {
                for track in tracks.iter_mut() {
                    track.unseen[k].get_or_insert("no road between the edges");
                }
            }
        }
    }

    fn refine_stretch(
        &self,
        stretch: &Stretch,
        coarse: &[Track; 2],
        lens: &Lens,
    ) -> Result<Vec<[Option<f64>; 2]>, TileError> {
        let outs = |track: &Track| {
            let out = &track.out_m[stretch.first..stretch.first + stretch.stations];
            out.iter().copied().fold(0.0, f64::max)
        };
        // Few points are told from road by a trend along it, which wants the middle too.
        let near = |s: f64, t: f64| {
            let track = &coarse[usize::from(t < 0.0)];
            let k = to_index(((s - stretch.station(0)) / self.step).round());
            let out = track.out_m[stretch.first + k.min(stretch.stations - 1)];
            !lens.dense || (t.abs() - out).abs() <= lens.window_m + ROUGHLY_M
        };
        let wanted = Wanted {
            reach_t_m: outs(&coarse[0]).max(outs(&coarse[1])) + lens.window_m,
            margin_s_m: self.shape.size.half_length_m,
            density_per_m2: REFINE_DENSITY_PER_M2,
            near: &near,
        };
        let points = points_beside(self.line, self.tiles, stretch, &wanted)?;
        let edge = |k: usize, side: usize| {
            let station = stretch.first + k;
            let track = &coarse[side];
            let at = Station {
                s: stretch.station(k),
                core: self.core(station),
                sign: if side == 0 { 1.0 } else { -1.0 },
            };
            let found = refined_edge(&points, &at, self.coarse_at(track, station), lens);
            found.filter(|_| track.unseen[station].is_none())
        };
        Ok((0..stretch.stations)
            .map(|k| [edge(k, 0), edge(k, 1)])
            .collect())
    }

    /// Where the coarse edge runs by a station.
    fn coarse_at(&self, track: &Track, k: usize) -> Coarse {
        let n = self.stations;
        let (before, after, way) = if self.line.is_closed() {
            ((k + n - 1) % n, (k + 1) % n, 2)
        } else {
            let (before, after) = (k.saturating_sub(1), (k + 1).min(n - 1));
            (before, after, after - before)
        };
        Coarse {
            out_m: track.out_m[k],
            slope: (track.out_m[after] - track.out_m[before]) / (way as f64 * self.step),
        }
    }

    /// Interpolate where the edge is not seen and say so.
    fn bridge(&self, track: &mut Track, side: Side) -> Result<Vec<Gap>, PavingError> {
        let n = self.stations;
        let seen: Vec<usize> = (0..n).filter(|&k| track.unseen[k].is_none()).collect();
        let Some(&first) = seen.first() else {
            return Err(self.no_edge(track, side));
        };
        let mut gaps = Vec::new();
        for (i, &a) in seen.iter().enumerate() {
            let b = seen.get(i + 1).copied().unwrap_or(first + n);
            if b > a + 1 && (self.line.is_closed() || b < n) {
                self.bridge_between(track, a, b);
                gaps.extend(self.gap(track, side, a + 1, b - 1));
            }
        }
        if !self.line.is_closed() {
            let last = seen[seen.len() - 1];
            for k in (0..first).chain(last + 1..n) {
                track.out_m[k] = track.out_m[if k < first { first } else { last }];
            }
            let ends = [(0, first), (last + 1, n)];
            let ends = ends.into_iter().filter(|(a, b)| a < b);
            gaps.extend(ends.filter_map(|(a, b)| self.gap(track, side, a, b - 1)));
        }
        gaps.sort_by(|a, b| a.from_s_m.total_cmp(&b.from_s_m));
        Ok(gaps)
    }

    fn bridge_between(&self, track: &mut Track, a: usize, b: usize) {
        let n = self.stations;
        let (from, to) = (track.out_m[a], track.out_m[b % n]);
        for k in a + 1..b {
            let share = (k - a) as f64 / (b - a) as f64;
            track.out_m[k % n] = from + share * (to - from);
        }
    }

    /// The gap over stations a..=b (b may run past the closure), if long enough to tell.
    fn gap(&self, track: &Track, side: Side, a: usize, b: usize) -> Option<Gap> {
        let length = (b + 1 - a) as f64 * self.step;
        let end = self.line.length_m();
        let s = |k: f64| {
            let s = k * self.step;
            if s > end { s - end } else { s }
        };
        (length >= MIN_GAP_M).then(|| Gap {
            from_s_m: s((a as f64 - 0.5).max(0.0)),
            to_s_m: s(b as f64 + 0.5).min(end),
            side,
            reason: commonest((a..=b).filter_map(|k| track.unseen[k % self.stations])).to_owned(),
        })
    }

    fn no_edge(&self, track: &Track, side: Side) -> PavingError {
        let limits = self.limits.iter().map(|l| l[side as usize]);
        PavingError::NoEdge {
            side,
            half_width_m: limits.fold(0.0, f64::max),
            reason: commonest(track.unseen.iter().filter_map(|r| *r)),
        }
    }
}

fn commonest(reasons: impl Iterator<Item = &'static str>) -> &'static str {
    let mut counts = std::collections::BTreeMap::new();
    for reason in reasons {
        *counts.entry(reason).or_insert(0usize) += 1;
    }
    counts
        .into_iter()
        .max_by_key(|(_, n)| *n)
        .map_or("not seen", |(r, _)| r)
}

/// How far to look to the left and the right of the line at s.
fn limits_at(
    line: &ReferenceLine,
    guess: Option<&Edges>,
    params: &PavingParams,
    s: f64,
) -> [f64; 2] {
    let curvature = line.curvature_per_m(s);
    let fold = FOLD_SHARE / curvature.abs().max(1e-9);
    let one = |edge: Option<f64>, inner: bool| {
        let far = edge.map_or(f64::INFINITY, |e| e + params.beyond_guess_m);
        let far = far.min(params.search_half_width_m).max(SURE_ROAD_M);
        if inner { far.min(fold) } else { far }
    };
    [
        one(guess.map(|g| g.left_m(s)), curvature > 0.0),
        one(guess.map(|g| -g.right_m(s)), curvature < 0.0),
    ]
}

/// Lower quartile of the density of the tiles under the line, points per m².
fn density_along(line: &ReferenceLine, tiles: &TileStore) -> f64 {
    let steps = to_index(line.length_m() / TILE_M) + 1;
    let tile = |k: usize| {
        let p = line.point(k as f64 * TILE_M);
        let key = (floor_i32(p[0] / TILE_M), floor_i32(p[1] / TILE_M));
        tiles.count(key) as f64 / (TILE_M * TILE_M)
    };
    let mut densities: Vec<f64> = (0..steps).map(tile).filter(|d| *d > 0.0).collect();
    quantile(&mut densities, 0.25).unwrap_or(0.0)
}
