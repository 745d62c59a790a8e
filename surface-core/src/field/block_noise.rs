//! How much each setup scatters about the planes of blocks, and what its points are worth there.

use super::block_grid::BlockGrid;
use super::blocks::{Block, CALM_M, SCALE_FLOOR_M, Sights, ranges};
use super::cells::Sorted;
use super::cuts::Sight;
use super::fading::{Fading, Powers};
use super::rounding::Rounding;
use super::trust::RunSetups;
use crate::numeric::{median, to_index};
use crate::setups::SetupModels;

/// A setup's scatter over the whole run counts like this many points of the block.
const PRIOR_DOF: f64 = 8.0;
/// What a noise model expects of a setup counts like this many points of the block.
const MODEL_DOF: f64 = 40.0;
/// Blocks on either side whose slopes are the middle slopes around a cell.
const SLOPE_BLOCKS: usize = 2;

/// All blocks of a run of rows.
#[derive(Debug, Clone)]
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
    /// With what the points of the run scatter about these planes.
    pub fn of(sorted: &Sorted, blocks: Vec<Option<Block>>, models: &SetupModels) -> Self {
        let powers = Powers::of(&sorted.setups.numbers, models);
        let nothing = vec![Scatter::default(); sorted.setups.len()];
        let scatter = |block: &Option<Block>| match block {
            Some(block) => scatter_in(sorted, block, &powers, None),
            None => nothing.clone(),
        };
        let scatter: Vec<Scatter> = blocks.iter().flat_map(scatter).collect();
        let noise = RunNoise::new(
            sorted,
            models,
            usual_variances(&scatter, sorted.setups.len()),
        );
        let setups = sorted.setups.len();
        let each = || scatter.iter().enumerate();
        let weights =
            each().map(|(k, own)| noise.weight(blocks[k / setups].as_ref(), k % setups, own));
        let shares =
            each().map(|(k, own)| noise.share(blocks[k / setups].as_ref(), k % setups, own));
        Self {
            grid: sorted.grid,
            weights: weights.collect(),
            fading: Fading::of(powers, shares),
            rounding: rounding(sorted, &noise.usual_m2()),
            most: noise.most,
            setups,
            usual_m2: noise.told_m2,
            blocks,
        }
    }

    /// Which blocks say anything else with other planes, and with what breaklines leave in sight.
    pub fn changed_by(&self, blocks: &[Option<Block>], sights: &Sights) -> Vec<bool> {
        (0..blocks.len())
            .map(|k| sights.of(k).is_some() || blocks[k] != self.blocks[k])
            .collect()
    }

    /// The same with other planes, of blocks that breaklines part, and what points are worth in those that
    /// changed. What is usual of a setup stays. A block without a plane keeps what it said: nobody asks.
    pub fn with(
        mut self,
        sorted: &Sorted,
        (blocks, changed): (Vec<Option<Block>>, &[bool]),
        sights: &Sights,
        models: &SetupModels,
    ) -> Self {
        let noise = RunNoise::new(sorted, models, self.usual_m2.clone());
        for (k, block) in blocks.iter().enumerate().filter(|(k, _)| changed[*k]) {
            let Some(block) = block else { continue };
            let scatter = scatter_in(sorted, block, self.fading.powers(), sights.of(k));
            for (setup, own) in scatter.iter().enumerate() {
                let at = k * self.setups + setup;
                self.weights[at] = noise.weight(Some(block), setup, own);
                self.fading.set(at, noise.share(Some(block), setup, own));
            }
        }
        self.blocks = blocks;
        self
    }

    /// Whether this is of a run with as many blocks and setups.
    pub fn fits(&self, sorted: &Sorted) -> bool {
        self.blocks.len() == sorted.grid.len() && self.setups == sorted.setups.len()
    }

    /// The planes of all blocks.
    pub fn planes(&self) -> &[Option<Block>] {
        &self.blocks
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.blocks.len()
    }

    /// Bytes that it takes, about.
    pub fn bytes(&self) -> usize {
        self.blocks.len() * size_of::<Option<Block>>() + 2 * self.weights.len() * size_of::<f64>()
    }

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

    /// The block that a cell lies in.
    pub fn number_of_cell(&self, cell: usize) -> usize {
        self.grid.of_cell(cell)
    }

    /// The middle slopes along s and t of the blocks around one.
    pub fn slopes_near(&self, block: usize) -> [f64; 2] {
        let near = self.grid.around(block, SLOPE_BLOCKS);
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

/// What is known of the noise of a run's setups.
struct RunNoise<'a> {
    sorted: &'a Sorted,
    models: &'a SetupModels,
    /// Variance of a point of each setup over the whole run, m²; none where too few points tell it.
    told_m2: Vec<Option<f64>>,
    /// The most that a point of each setup weighs, 1/m².
    most: Vec<f64>,
}

impl<'a> RunNoise<'a> {
    fn new(sorted: &'a Sorted, models: &'a SetupModels, told_m2: Vec<Option<f64>>) -> Self {
        let most = |setup| least_variance_m2(&sorted.setups, setup).recip();
        Self {
            sorted,
            models,
            told_m2,
            most: (0..sorted.setups.len()).map(most).collect(),
        }
    }

    /// Variance of a point of each setup, that of calm ground where it is not told.
    fn usual_m2(&self) -> Vec<f64> {
        let told = self.told_m2.iter();
        told.map(|told| told.unwrap_or(CALM_M * CALM_M)).collect()
    }

    /// 1/variance of a point of a setup in a block: drawn towards what its noise model expects there, or
    /// where it has none, towards what is usual of it.
    fn weight(&self, block: Option<&Block>, setup: usize, own: &Scatter) -> f64 {
        let (dof, within) = ((own.n - 1.0).max(0.0), own.within());
        let expected = self
            .number_and_place(block, setup)
            .and_then(|(number, place)| self.models.variance_m2(number, place, own.faded()));
        let usual = || self.told_m2[setup].unwrap_or(CALM_M * CALM_M);
        let (prior, prior_dof) = match expected {
            Some(variance) => (variance, MODEL_DOF),
            None => (usual(), PRIOR_DOF),
        };
        let variance = (prior_dof * prior + within) / (prior_dof + dof);
        variance.recip().min(self.most[setup])
    }

    /// Share of range noise in that variance, and how often its usual variance it has there.
    fn share(&self, block: Option<&Block>, setup: usize, own: &Scatter) -> Option<[f64; 2]> {
        let (number, place) = self.number_and_place(block, setup)?;
        let share = self.models.range_share(number, place, own.faded())?;
        Some([share, own.faded()])
    }

    /// The setup's own number and the local place of a block; `None` where that saw no road.
    fn number_and_place(&self, block: Option<&Block>, setup: usize) -> Option<(u16, [f64; 3])> {
        let block = block?;
        let [x, y] = self.sorted.setups.middles[block.index];
        let number = *self.sorted.setups.numbers.get(setup)?;
        Some((number, [x, y, block.plane.z0]))
    }
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

/// The residuals of each setup that can be road in a block: of what its middle sees.
fn scatter_in(
    sorted: &Sorted,
    block: &Block,
    powers: &Powers,
    sight: Option<&Sight>,
) -> Vec<Scatter> {
    let mut out = vec![Scatter::default(); sorted.setups.len()];
    let seen = |k: &usize| sight.is_none_or(|sight| sight.tells([sorted.s[*k], sorted.t[*k]]));
    let reach = ROAD_SCALES * block.scale_m;
    for k in ranges(sorted, block.index).flatten().filter(seen) {
        let r = sorted.z[k] - block.at(sorted.s[k], sorted.t[k]);
        if r.abs() < reach {
            out[usize::from(sorted.setup[k])].add(r, powers.at(sorted.intensity[k]));
        }
    }
    out
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
