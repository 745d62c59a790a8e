//! What the setups are worth at each block of a run: the correction of each, and the variance that
//! its noise model expects.

use super::block_grid::BlockGrid;
use super::lattice::Lattice;
use crate::cloud::PackedPoint;
use crate::setups::SetupModels;

/// The setups of a cloud, and the way from (s, t) to where they stand.
#[derive(Clone, Copy)]
pub struct Trust<'a> {
    /// What is known of each setup.
    pub setups: &'a SetupModels,
    /// Local x, y of a place (s, t) of the ribbon.
    pub place: &'a (dyn Fn(f64, f64) -> [f64; 2] + Sync),
}

impl std::fmt::Debug for Trust<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Trust")
            .field("setups", self.setups)
            .finish_non_exhaustive()
    }
}

/// The setups met in one run of rows, numbered as they appear, and their corrections by block.
#[derive(Debug)]
pub(super) struct RunSetups {
    /// Setup number → dense number; `u16::MAX` where the run has none of its points, or where they
    /// are left out.
    dense: Vec<u16>,
    /// Dense number → setup number.
    pub numbers: Vec<u16>,
    /// Local x, y of every block's middle.
    pub middles: Vec<[f64; 2]>,
    /// What is taken off heights, by block and dense number, metres.
    shift_m: Vec<f64>,
    /// Variance of that in the middle of the run, by dense number, m².
    common_m2: Vec<f64>,
    /// Step that heights come in by dense number, metres; 0 where that is of no interest.
    pub steps_m: Vec<f64>,
}

impl RunSetups {
    pub fn new(
        points: &[PackedPoint],
        lattice: &Lattice,
        first_row: usize,
        rows: usize,
        trust: Trust,
    ) -> Self {
        let (dense, numbers) = dense_setups(points, trust.setups);
        let grid = BlockGrid::new(lattice, rows);
        let (s0, t0) = (lattice.row_s_m(first_row), lattice.column_t_m(0));
        let middles: Vec<[f64; 2]> = (0..grid.len())
            .map(|index| {
                let [s, t] = grid.centre(index);
                (trust.place)(s0 + s, t0 + t)
            })
            .collect();
        let shift = |middle: &[f64; 2]| {
            let middle = *middle;
            numbers
                .iter()
                .map(move |&k| trust.setups.correction_m(k, middle))
        };
        let shift_m = middles.iter().flat_map(shift).collect();
        let middle = middles.get(middles.len() / 2).copied().unwrap_or_default();
        let common = |&k: &u16| trust.setups.correction_variance_m2(k, middle);
        let common_m2 = numbers.iter().map(common).collect();
        let steps_m = numbers.iter().map(|&k| trust.setups.z_step_m(k)).collect();
        Self {
            dense,
            numbers,
            middles,
            shift_m,
            common_m2,
            steps_m,
        }
    }

    /// Number of setups in the run, at least 1.
    pub fn len(&self) -> usize {
        self.numbers.len().max(1)
    }

    /// The largest step that heights of the run come in, metres.
    pub fn step_m(&self) -> f64 {
        self.steps_m.iter().copied().fold(0.0, f64::max)
    }

    /// The setup's number within the run; `None` where its points are left out.
    #[inline]
    pub fn dense(&self, setup: u16) -> Option<u16> {
        self.dense
            .get(usize::from(setup))
            .copied()
            .filter(|&d| d != u16::MAX)
    }

    /// Variance that the points of the run (by dense number) have in common, m²: their setups'
    /// corrections are not known better.
    pub fn common_m2(&self, setups: &[u16]) -> f64 {
        let mut counts = vec![0.0; self.len()];
        setups.iter().for_each(|&k| counts[usize::from(k)] += 1.0);
        let total: f64 = counts.iter().sum();
        let weighed = counts.iter().zip(&self.common_m2).map(|(n, v)| n * v);
        weighed.sum::<f64>() / total.max(1.0)
    }

    /// What is taken off the heights of a dense setup in a block, metres.
    #[inline]
    pub fn shift_m(&self, block: usize, dense: u16) -> f64 {
        self.shift_m[block * self.numbers.len() + usize::from(dense)]
    }
}

/// Setup numbers in order of first appearance.
fn dense_setups(points: &[PackedPoint], setups: &SetupModels) -> (Vec<u16>, Vec<u16>) {
    let largest = points
        .iter()
        .map(|p| usize::from(p.setup))
        .max()
        .unwrap_or(0);
    let mut dense = vec![u16::MAX; largest + 1];
    let mut numbers = Vec::new();
    for setup in points.iter().map(|p| p.setup) {
        let slot = &mut dense[usize::from(setup)];
        if *slot == u16::MAX && !setups.left_out(setup) {
            *slot = u16::try_from(numbers.len()).unwrap_or(u16::MAX);
            numbers.push(setup);
        }
    }
    (dense, numbers)
}
