//! Robust planes over blocks of cells, and how much each setup scatters there.

use super::block_grid::BlockGrid;
use super::cells::{STANDING_M, Sorted};
use super::cuts::{Cuts, Sight};
use super::fading::{Fading, Powers};
use super::rounding::Rounding;
use super::trust::RunSetups;
use crate::numeric::{FittedPlane, median, robust_plane, to_index};
use crate::setups::SetupModels;

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
/// A setup's scatter over the whole run counts like this many points of the block.
const PRIOR_DOF: f64 = 8.0;
/// What a noise model expects of a setup counts like this many points of the block.
const MODEL_DOF: f64 = 40.0;

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
#[derive(Debug, Clone, Copy)]
pub(super) struct Block {
    pub plane: FittedPlane,
    pub centre: [f64; 2],
    pub scale_m: f64,
    index: usize,
}

/// All blocks of a run of rows.
#[derive(Debug)]
pub(super) struct BlockPlanes {
    grid: BlockGrid,
    blocks: Vec<Option<Block>>,
    /// 1/σ² by block and setup of the run.
    weights: Vec<f64>,
    /// How points of other intensity than the block's differ, by block and setup of the run; empty
    /// where they do not.
    fading: Fading,
    /// The most that a point of each setup weighs, 1/m².
    most: Vec<f64>,
    setups: usize,
    /// Variance of a point of each setup over the whole run, m²; none where too few points tell it.
    usual_m2: Vec<Option<f64>>,
    /// What rounding does to the heights of the run.
    pub rounding: Rounding,
}

impl BlockPlanes {
    /// The plane under a cell, `None` where the block saw no road.
    pub fn of_cell(&self, cell: usize) -> Option<&Block> {
        self.blocks[self.grid.of_cell(cell)].as_ref()
    }

    /// 1/σ_z² of a point of `setup` and this intensity in `block`.
    #[inline]
    pub fn weight(&self, block: &Block, setup: u16, intensity: u16) -> f64 {
        let setup = usize::from(setup);
        let k = block.index * self.setups + setup;
        (self.weights[k] * self.fading.of_point(k, intensity)).min(self.most[setup])
    }

    /// Variance of a point of the noisiest setup over the whole run, m².
    pub fn usual_variance_m2(&self) -> f64 {
        let told = self.usual_m2.iter().copied().flatten();
        told.reduce(f64::max).unwrap_or(CALM_M * CALM_M)
    }

    /// Variance of a point of `setup` over the whole run, m²; the noisiest one's where too few points
    /// tell its own.
    pub fn usual_variance_of_m2(&self, setup: u16) -> f64 {
        let own = self.usual_m2.get(usize::from(setup)).copied().flatten();
        own.unwrap_or_else(|| self.usual_variance_m2())
    }

    /// How far the points of a cell's block scatter about its plane, at most as far as calm ground
    /// does, metres.
    pub fn scale_m(&self, cell: usize) -> f64 {
        self.of_cell(cell).map_or(0.0, |b| b.scale_m.min(CALM_M))
    }

    /// What is usual of each setup of the run, by their numbers.
    pub fn usual_noise(&self, numbers: &[u16]) -> UsualNoise {
        let told = numbers.iter().zip(&self.usual_m2);
        UsualNoise(
            told.filter_map(|(k, usual)| Some((*k, (*usual)?)))
                .collect(),
        )
    }

    /// The middle slopes along s and t of the blocks around a cell's.
    pub fn slopes_near(&self, cell: usize) -> [f64; 2] {
        let near = self.grid.around(self.grid.of_cell(cell), SLOPE_BLOCKS);
        let near = near.filter_map(|k| self.blocks[k]);
        let (mut u, mut v): (Vec<f64>, Vec<f64>) =
            near.map(|b| (b.plane.slope_u, b.plane.slope_v)).unzip();
        [median(&mut u).unwrap_or(0.0), median(&mut v).unwrap_or(0.0)]
    }

    /// The least standard deviation that any setup has in the cell's block.
    pub fn typical_sd(&self, cell: usize) -> f64 {
        let k = self.grid.of_cell(cell) * self.setups;
        let best = self.weights[k..k + self.setups]
            .iter()
            .copied()
            .fold(0.0, f64::max);
        if best > 0.0 {
            best.sqrt().recip()
        } else {
            SCALE_FLOOR_M
        }
    }
}

/// How much the points of each setup scatter over a run of rows.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct UsualNoise(Vec<(u16, f64)>);

impl UsualNoise {
    /// Of these setups and variances.
    #[cfg(test)]
    pub fn of(told: &[(u16, f64)]) -> Self {
        Self(told.to_vec())
    }

    /// Variance of the height of a point of `setup`, m²; that of calm ground where too few points tell it.
    #[must_use]
    #[inline]
    pub fn of_m2(&self, setup: u16) -> f64 {
        let own = self.0.iter().find(|(k, _)| *k == setup);
        own.map_or(CALM_M * CALM_M, |(_, variance_m2)| *variance_m2)
    }
}

/// Blocks on either side whose slopes are the middle slopes around a cell.
const SLOPE_BLOCKS: usize = 2;
/// Where a block's middle sees fewer points than this, all count: better a plane across the step
/// than none.
const FEWEST_SEEN: usize = 12;

/// Fit every block of the run. A block that a breakline crosses is the plane of what its middle
/// sees.
pub(super) fn fit_blocks(sorted: &Sorted, models: &SetupModels, cuts: &Cuts) -> BlockPlanes {
    let grid = sorted.grid;
    let sight_of = |index: usize| cuts.around(grid.centre(index), grid.sight_m());
    let mut sample = Vec::with_capacity(SAMPLE + 1);
    let mut blocks: Vec<Option<Block>> = Vec::with_capacity(grid.len());
    let limits = Limits::of(sorted);
    for index in 0..grid.len() {
        let sight = sight_of(index);
        gather(sorted, index, (None, sight.as_ref()), &mut sample);
        blocks.push(fit(&sample, index, grid, limits));
    }
    let doubtful = doubtful_blocks(&blocks, grid, limits);
    let mended: Vec<_> = doubtful
        .iter()
        .map(|&k| {
            let ground = ground_near(&blocks, k, grid, limits);
            let sight = sight_of(k);
            gather(sorted, k, (Some(&ground), sight.as_ref()), &mut sample);
            fit(&sample, k, grid, limits)
        })
        .collect();
    for (k, block) in doubtful.into_iter().zip(mended) {
        blocks[k] = block;
    }
    let powers = Powers::of(&sorted.setups.numbers, models);
    let scatter = scatter_by_setup(sorted, &blocks, &powers, &sight_of);
    weigh(sorted, blocks, &scatter, powers, models)
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
        let seen = points.filter(|&k| sight.sees([sorted.s[k], sorted.t[k]]));
        seen.take(FEWEST_SEEN).count() == FEWEST_SEEN
    });
    let near = |p: &[f64; 3]| ground.is_none_or(|g| (p[2] - g.at(p[0], p[1])).abs() < STANDING_M);
    let seen = |k: &usize| sight.is_none_or(|sight| sight.sees([sorted.s[*k], sorted.t[*k]]));
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

/// Each setup's variance in each block, drawn towards what its noise model expects there, or where
/// it has none, towards its variance over the whole run.
fn weigh(
    sorted: &Sorted,
    blocks: Vec<Option<Block>>,
    squares: &[Scatter],
    powers: Powers,
    models: &SetupModels,
) -> BlockPlanes {
    let setups = sorted.setups.len();
    let usual_m2 = usual_variances(squares, setups);
    let usual: Vec<f64> = usual_m2
        .iter()
        .map(|u| u.unwrap_or(CALM_M * CALM_M))
        .collect();
    let most: Vec<f64> = (0..setups)
        .map(|setup| least_variance_m2(&sorted.setups, setup).recip())
        .collect();
    let weight = |(k, own): (usize, &Scatter)| {
        let (dof, within) = ((own.n - 1.0).max(0.0), own.within());
        let expected = number_and_place(sorted, &blocks, k)
            .and_then(|(number, place)| models.variance_m2(number, place, own.faded()));
        let (prior, prior_dof) = match expected {
            Some(variance) => (variance, MODEL_DOF),
            None => (usual[k % setups], PRIOR_DOF),
        };
        let variance = (prior_dof * prior + within) / (prior_dof + dof);
        variance.recip().min(most[k % setups])
    };
    let share = |(k, own): (usize, &Scatter)| {
        let (number, place) = number_and_place(sorted, &blocks, k)?;
        Some([models.range_share(number, place, own.faded())?, own.faded()])
    };
    BlockPlanes {
        grid: sorted.grid,
        weights: squares.iter().enumerate().map(weight).collect(),
        fading: Fading::of(powers, squares.iter().enumerate().map(share)),
        blocks,
        most,
        setups,
        usual_m2,
        rounding: rounding(sorted, &usual),
    }
}

/// The setup's own number and the local place of `k`, a block and setup of the run; `None` where the
/// block saw no road.
fn number_and_place(
    sorted: &Sorted,
    blocks: &[Option<Block>],
    k: usize,
) -> Option<(u16, [f64; 3])> {
    let setups = sorted.setups.len();
    let [x, y] = sorted.setups.middles[k / setups];
    let z = blocks[k / setups].map(|b| b.plane.z0)?;
    let number = *sorted.setups.numbers.get(k % setups)?;
    Some((number, [x, y, z]))
}

/// No point of a setup is trusted further than this, m²: texture, and the rounding to steps.
pub(super) fn least_variance_m2(setups: &RunSetups, setup: usize) -> f64 {
    let step_m = setups.steps_m.get(setup).copied().unwrap_or(0.0);
    (SCALE_FLOOR_M * SCALE_FLOOR_M).max(step_m * step_m / 12.0)
}

/// The largest step of the run's setups, with the noise of the quietest setup that has it: rounding
/// adds q²/12 to the scatter.
fn rounding(sorted: &Sorted, usual_m2: &[f64]) -> Rounding {
    let step_m = sorted.setups.step_m();
    let coarse = sorted.setups.steps_m.iter().zip(usual_m2);
    let quietest = coarse
        .filter(|(step, _)| **step >= step_m)
        .fold(f64::INFINITY, |least, (_, usual)| least.min(*usual));
    let rounded = Rounding {
        step_m,
        noise_m2: 0.0,
    };
    let noise_m2 = (quietest - rounded.of_a_point_m2()).max(0.0);
    if step_m > 0.0 && noise_m2.is_finite() {
        Rounding { step_m, noise_m2 }
    } else {
        rounded
    }
}

/// Points this many of a block's scales from its plane are no road: Tukey's limit, and a little.
const ROAD_SCALES: f64 = 5.0;

/// Residuals of one setup's points in a block.
#[derive(Debug, Clone, Copy, Default)]
struct Scatter {
    n: f64,
    sum: f64,
    squares: f64,
    /// How often its usual variance range noise has, summed over the points.
    faded: f64,
}

impl Scatter {
    fn add(&mut self, r: f64, faded: f64) {
        self.n += 1.0;
        self.sum += r;
        self.squares += r * r;
        self.faded += faded;
    }

    /// Sum of squares about the mean, m².
    fn within(&self) -> f64 {
        if self.n > 1.0 {
            (self.squares - self.sum * self.sum / self.n).max(0.0)
        } else {
            0.0
        }
    }

    /// How often its usual variance range noise has in the mean: what the points scatter by. 1 of
    /// nothing.
    fn faded(&self) -> f64 {
        if self.n > 0.0 {
            self.faded / self.n
        } else {
            1.0
        }
    }
}

/// The residuals of each setup that can be road, by block and setup: of what a block's middle sees.
fn scatter_by_setup(
    sorted: &Sorted,
    blocks: &[Option<Block>],
    powers: &Powers,
    sight: &dyn Fn(usize) -> Option<Sight>,
) -> Vec<Scatter> {
    let setups = sorted.setups.len();
    let mut squares = vec![Scatter::default(); blocks.len() * setups];
    for block in blocks.iter().flatten() {
        let out = &mut squares[block.index * setups..(block.index + 1) * setups];
        let sight = sight(block.index);
        let seen = |k: &usize| {
            let sight = sight.as_ref();
            sight.is_none_or(|sight| sight.sees([sorted.s[*k], sorted.t[*k]]))
        };
        let reach = ROAD_SCALES * block.scale_m;
        for k in ranges(sorted, block.index).flatten().filter(seen) {
            let r = sorted.z[k] - block.at(sorted.s[k], sorted.t[k]);
            if r.abs() < reach {
                let faded = powers.at(sorted.intensity[k]);
                out[usize::from(sorted.setup[k])].add(r, faded);
            }
        }
    }
    squares
}

/// The median over blocks of each setup's variance; where no block tells it, that of all its blocks
/// together; none where those are too few.
fn usual_variances(squares: &[Scatter], setups: usize) -> Vec<Option<f64>> {
    let of_setup = |k: usize| {
        let own = || squares.iter().skip(k).step_by(setups);
        let mut found: Vec<f64> = own()
            .filter(|s| s.n >= PRIOR_DOF)
            .map(|s| s.within() / (s.n - 1.0))
            .collect();
        found.sort_unstable_by(f64::total_cmp);
        let told = own().filter(|s| s.n > 1.0);
        let pooled = told.fold([0.0; 2], |[sum, dof], s| {
            [sum + s.within(), dof + s.n - 1.0]
        });
        let all = (pooled[1] >= PRIOR_DOF).then(|| pooled[0] / pooled[1]);
        let middle = found.get(to_index(half_count(found.len()))).copied();
        middle.or(all)
    };
    (0..setups).map(of_setup).collect()
}

#[expect(clippy::cast_precision_loss, reason = "a count of blocks")]
fn half_count(n: usize) -> f64 {
    n as f64 / 2.0
}
