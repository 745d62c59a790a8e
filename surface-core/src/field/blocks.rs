//! Robust planes over blocks of cells.

use super::block_grid::BlockGrid;
use super::cells::{STANDING_M, Sorted};
use super::cuts::{Cuts, Sight};
use crate::numeric::{FittedPlane, robust_plane};

/// Points of a block that its plane is searched with; more add nothing to a start value.
pub(super) const SAMPLE: usize = 96;
/// Residuals up to this need no high-breakdown search, metres: nothing that stands on a road is
/// lower, and Tukey's weights see to it.
pub(super) const CALM_M: f64 = 0.008;
/// No plane is trusted to a smaller scale, metres.
pub(super) const SCALE_FLOOR_M: f64 = 3e-4;
/// Ground on either side of a block that is asked what it is doing, metres, and blocks of it at
/// least: a car is 1.8 m wide and must be the minority.
const GROUND_M: f64 = 2.0;
const GROUND_BLOCKS: usize = 5;

/// What counts as exact and as calm in a run: more where heights come in coarse steps.
#[derive(Debug, Clone, Copy)]
pub(super) struct Limits {
    floor_m: f64,
    calm_m: f64,
}

impl Limits {
    pub fn of(sorted: &Sorted) -> Self {
        let step_m = sorted.setups.step_m();
        Self {
            floor_m: SCALE_FLOOR_M.max(step_m),
            calm_m: CALM_M + step_m,
        }
    }
}

/// A block's plane about its own centre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Block {
    pub plane: FittedPlane,
    pub centre: [f64; 2],
    pub scale_m: f64,
    pub index: usize,
}

/// Where a block's middle sees fewer points than this, all count: better a plane across the step
/// than none.
const FEWEST_SEEN: usize = 12;

/// The planes of blocks that were asked again, as they were at first; in order.
#[derive(Debug, Clone)]
pub(super) struct Doubted(Vec<(usize, Option<Block>)>);

impl Doubted {
    pub fn len(&self) -> usize {
        self.0.len()
    }
}

/// Fit every block of the run.
pub(super) fn fit_blocks(sorted: &Sorted) -> (Vec<Option<Block>>, Doubted) {
    let (grid, limits) = (sorted.grid, Limits::of(sorted));
    let mut sample = Vec::with_capacity(SAMPLE + 1);
    let first: Vec<Option<Block>> = (0..grid.len())
        .map(|k| {
            gather(sorted, k, (None, None), &mut sample);
            fit(&sample, k, grid, limits)
        })
        .collect();
    let mut planes = first.clone();
    let doubtful = doubtful_blocks(&first, grid, limits);
    for &k in &doubtful {
        planes[k] = again(sorted, &first, k, None, &mut sample);
    }
    let doubted = doubtful.into_iter().map(|k| (k, first[k])).collect();
    (planes, Doubted(doubted))
}

/// The planes that [`fit_blocks`] found where breaklines cross blocks: each is that of what its middle
/// sees, and what they make of the blocks around. No other block is fitted again.
pub(super) fn part_blocks(
    sorted: &Sorted,
    (plain, doubted): (&[Option<Block>], &Doubted),
    sights: &Sights,
) -> Vec<Option<Block>> {
    let (grid, limits) = (sorted.grid, Limits::of(sorted));
    let mut sample = Vec::with_capacity(SAMPLE + 1);
    let mut first = plain.to_vec();
    for (k, block) in &doubted.0 {
        first[*k] = *block;
    }
    let mut near = vec![false; grid.len()];
    for (k, sight) in &sights.0 {
        gather(sorted, *k, (None, Some(sight)), &mut sample);
        first[*k] = fit(&sample, *k, grid, limits);
        let around = grid.around(*k, grid.reach(GROUND_M, GROUND_BLOCKS));
        around.for_each(|block| near[block] = true);
    }
    let mut planes = first.clone();
    for k in doubtful_blocks(&first, grid, limits) {
        let known = doubted.0.binary_search_by_key(&k, |(block, _)| *block);
        planes[k] = if known.is_ok() && !near[k] {
            plain[k]
        } else {
            again(sorted, &first, k, sights.of(k), &mut sample)
        };
    }
    planes
}

/// What [`part_blocks`] must find, with every block made anew.
#[cfg(test)]
pub(super) fn blocks_anew(sorted: &Sorted, sights: &Sights) -> Vec<Option<Block>> {
    let (grid, limits, mut sample) = (sorted.grid, Limits::of(sorted), Vec::new());
    let mut first = Vec::new();
    for k in 0..grid.len() {
        gather(sorted, k, (None, sights.of(k)), &mut sample);
        first.push(fit(&sample, k, grid, limits));
    }
    let mut planes = first.clone();
    for k in doubtful_blocks(&first, grid, limits) {
        planes[k] = again(sorted, &first, k, sights.of(k), &mut sample);
    }
    planes
}

/// What breaklines leave in sight of the middles of the blocks that they cross, in order.
pub(super) struct Sights(pub Vec<(usize, Sight)>);

impl Sights {
    pub fn new(grid: BlockGrid, cuts: &Cuts) -> Self {
        let sight = |k: usize| Some((k, cuts.around(grid.centre(k), grid.sight_m())?));
        Self((0..grid.len()).filter_map(sight).collect())
    }

    /// Of a block; `None` where no line crosses it.
    pub fn of(&self, block: usize) -> Option<&Sight> {
        let at = self.0.binary_search_by_key(&block, |(k, _)| *k).ok()?;
        Some(&self.0[at].1)
    }
}

/// A block that may be standing on the road, fitted to what lies near the ground around it.
fn again(
    sorted: &Sorted,
    first: &[Option<Block>],
    k: usize,
    sight: Option<&Sight>,
    sample: &mut Vec<[f64; 3]>,
) -> Option<Block> {
    let (grid, limits) = (sorted.grid, Limits::of(sorted));
    let ground = ground_near(first, k, grid, limits);
    gather(sorted, k, (Some(&ground), sight), sample);
    fit(sample, k, grid, limits)
}

/// Ranges of sorted points that make up a block: one a row of cells.
pub(super) fn ranges(
    sorted: &Sorted,
    index: usize,
) -> impl Iterator<Item = std::ops::Range<usize>> {
    let (side, wide) = (sorted.grid.side, sorted.grid.wide());
    let (row, column) = ((index / wide) * side, (index % wide) * side);
    let last = (column + side).min(sorted.columns);
    (row..(row + side).min(sorted.rows)).map(move |r| {
        sorted.start[r * sorted.columns + column]..sorted.start[r * sorted.columns + last]
    })
}

/// An even sample of the block's points about its centre, those near `ground` and in sight only
/// when given.
fn gather(
    sorted: &Sorted,
    index: usize,
    (ground, sight): (Option<&FittedPlane>, Option<&Sight>),
    out: &mut Vec<[f64; 3]>,
) {
    out.clear();
    let [cs, ct] = sorted.grid.centre(index);
    let point = |k: usize| [sorted.s[k] - cs, sorted.t[k] - ct, sorted.z[k]];
    let sight = sight.filter(|sight| {
        let points = ranges(sorted, index).flatten();
        let seen = points.filter(|&k| sight.tells([sorted.s[k], sorted.t[k]]));
        seen.take(FEWEST_SEEN).count() == FEWEST_SEEN
    });
    let near = |p: &[f64; 3]| ground.is_none_or(|g| (p[2] - g.at(p[0], p[1])).abs() < STANDING_M);
    let seen = |k: &usize| sight.is_none_or(|sight| sight.tells([sorted.s[*k], sorted.t[*k]]));
    if ground.is_some() || sight.is_some() {
        let points = ranges(sorted, index).flatten().filter(seen);
        out.extend(points.map(point).filter(near));
        thin_out(out, SAMPLE);
    } else {
        let total: usize = ranges(sorted, index).map(|r| r.len()).sum();
        let stride = total.div_ceil(SAMPLE).max(1);
        out.extend(ranges(sorted, index).flatten().step_by(stride).map(point));
    }
}

/// Keep an even sample of at most `most`.
pub(super) fn thin_out(points: &mut Vec<[f64; 3]>, most: usize) {
    let stride = points.len().div_ceil(most).max(1);
    let mut k = 0;
    points.retain(|_| {
        k += 1;
        (k - 1) % stride == 0
    });
}

/// The plane of a block of smooth road, with no thought of its surroundings; `None` where the block
/// holds a step, something that stands on the road, or too little.
pub(super) fn smooth_plane(
    sorted: &Sorted,
    index: usize,
    sample: &mut Vec<[f64; 3]>,
) -> Option<FittedPlane> {
    gather(sorted, index, (None, None), sample);
    let limits = Limits::of(sorted);
    robust_plane(sample, limits.floor_m, limits.calm_m)
        .filter(|(_, scale_m)| *scale_m < limits.calm_m)
        .map(|(plane, _)| plane)
}

fn fit(sample: &[[f64; 3]], index: usize, grid: BlockGrid, limits: Limits) -> Option<Block> {
    let centre = grid.centre(index);
    let (plane, scale_m) = match robust_plane(sample, limits.floor_m, limits.calm_m) {
        Some(found) => found,
        // One to three points: level at their middle; what they are worth shows in their weights.
        None if !sample.is_empty() => {
            let mut z: Vec<f64> = sample.iter().map(|p| p[2]).collect();
            z.sort_unstable_by(f64::total_cmp);
            (
                FittedPlane {
                    z0: z[(z.len() - 1) / 2],
                    slope_u: 0.0,
                    slope_v: 0.0,
                },
                limits.calm_m,
            )
        }
        None => return None,
    };
    Some(Block {
        plane,
        centre,
        scale_m,
        index,
    })
}

/// Ground around a doubtful block that is asked again with it, metres, and blocks of it at least:
/// the middle of a car's roof agrees with the roof around it, and only the rim of the roof shows
/// that it is none of the road.
const DOUBT_M: f64 = 1.2;
const DOUBT_BLOCKS: usize = 3;

/// The blocks that may be standing on the road, in order.
fn doubtful_blocks(blocks: &[Option<Block>], grid: BlockGrid, limits: Limits) -> Vec<usize> {
    let mut doubtful = vec![false; blocks.len()];
    let reach = grid.reach(DOUBT_M, DOUBT_BLOCKS);
    for k in (0..blocks.len()).filter(|&k| is_doubtful(blocks, k, grid.wide(), limits)) {
        grid.around(k, reach).for_each(|near| doubtful[near] = true);
    }
    (0..blocks.len())
        .filter(|&k| doubtful[k] && blocks[k].is_some())
        .collect()
}

/// A block that disagrees with a neighbour, or scatters, may be standing on the road.
fn is_doubtful(blocks: &[Option<Block>], k: usize, wide: usize, limits: Limits) -> bool {
    let Some(block) = &blocks[k] else {
        return false;
    };
    if block.scale_m > limits.calm_m {
        return true;
    }
    let disagrees = |other: Option<&Option<Block>>| {
        other.and_then(Option::as_ref).is_some_and(|o| {
            let middle = [0, 1].map(|d| 0.5 * (block.centre[d] + o.centre[d]));
            (block.at(middle[0], middle[1]) - o.at(middle[0], middle[1])).abs()
                > 2.0 * limits.calm_m
        })
    };
    let column = k % wide;
    (column > 0 && disagrees(blocks.get(k.wrapping_sub(1))))
        || (column + 1 < wide && disagrees(blocks.get(k + 1)))
        || (k >= wide && disagrees(blocks.get(k - wide)))
        || disagrees(blocks.get(k + wide))
}

/// The ground around block `k`: a robust plane through the neighbouring blocks' centres.
fn ground_near(blocks: &[Option<Block>], k: usize, grid: BlockGrid, limits: Limits) -> FittedPlane {
    let here = grid.centre(k);
    let near = grid.around(k, grid.reach(GROUND_M, GROUND_BLOCKS));
    let found = near.filter_map(|near| blocks[near].as_ref());
    let mut centres: Vec<[f64; 3]> = found
        .map(|b| [b.centre[0] - here[0], b.centre[1] - here[1], b.plane.z0])
        .collect();
    lower_half(&mut centres, limits);
    let level = FittedPlane {
        z0: blocks[k].map_or(0.0, |b| b.plane.z0),
        slope_u: 0.0,
        slope_v: 0.0,
    };
    robust_plane(&centres, limits.floor_m, limits.calm_m).map_or(level, |(plane, _)| plane)
}

/// Leave out centres more than a kerb above the lower quartile's trend: one-sided, since what
/// stands on the road is above it. The trend is the robust plane of all, moved to the quartile.
fn lower_half(centres: &mut Vec<[f64; 3]>, limits: Limits) {
    let Some((plane, _)) = robust_plane(centres, limits.floor_m, limits.calm_m) else {
        return;
    };
    let mut above: Vec<f64> = centres
        .iter()
        .map(|p| p[2] - plane.at(p[0], p[1]))
        .collect();
    let quarter = above.len() / 4;
    let (_, &mut low, _) = above.select_nth_unstable_by(quarter, f64::total_cmp);
    centres.retain(|p| p[2] - plane.at(p[0], p[1]) < low + STANDING_M);
}
