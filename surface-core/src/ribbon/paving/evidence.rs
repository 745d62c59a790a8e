//! What road and verge look like in this scan, and how strongly a cell speaks for either.

use super::profile::{Cell, LEVELS, NONE};

/// Greatest weight of a cell's unevenness (log-likelihood ratio).
const ROUGH_BOUND: f64 = 2.5;
/// Greatest weight of its brightness and of its step: paint, other asphalt and kerbs must not
/// outweigh evenness (`paint_kerb_and_dark_lots_stay_inside`).
const MINOR_BOUND: f64 = 0.5;
/// Evenness tells road from verge if their levels part by at least this share (Kolmogorov and
/// Smirnov). Below the noise of an aerial scan all ground is equally uneven (0.1 on the measured
/// ring road, where brightness parts by 0.6); a tripod's scans part by 0.8 and more.
const EVENNESS_TELLS: f64 = 0.5;
/// Share that every level has in either class, however seldom it was seen.
const FLOOR: f64 = 2e-3;
/// Fewest cells of either class to learn from.
const MIN_CELLS: f64 = 50.0;
/// Weights with which neighbouring levels share their counts.
const KERNEL: [f64; 5] = [1.0, 2.0, 3.0, 2.0, 1.0];

/// Which class a cell was learned as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Class {
    Road,
    Verge,
}

/// Counts of each level in both classes; whole numbers, so that order does not matter.
#[derive(Debug, Clone)]
pub(super) struct Sample {
    counts: [[[u64; LEVELS]; 2]; 3],
}

impl Sample {
    pub(super) fn new() -> Self {
        Self {
            counts: [[[0; LEVELS]; 2]; 3],
        }
    }

    pub(super) fn add(&mut self, cell: Cell, class: Class) {
        for (feature, level) in [cell.rough, cell.bright, cell.step].into_iter().enumerate() {
            if level != NONE {
                self.counts[feature][class as usize][usize::from(level)] += 1;
            }
        }
    }

    /// Weights of every level, road positive.
    pub(super) fn learn(&self) -> Evidence {
        let ratio = |feature: usize| log_ratio(&self.counts[feature]);
        let mut rough = ratio(0);
        let mut step = ratio(2);
        let bright = ratio(1);
        falling(&mut rough, &self.counts[0]);
        falling(&mut step, &self.counts[2]);
        let by_brightness = self.brightness_leads();
        let bright_bound = if by_brightness {
            ROUGH_BOUND
        } else {
            MINOR_BOUND
        };
        Evidence {
            rough: rough.map(|v| v.clamp(-ROUGH_BOUND, ROUGH_BOUND)),
            bright: bright.map(|v| v.clamp(-bright_bound, bright_bound)),
            step: step.map(|v| v.clamp(-MINOR_BOUND, MINOR_BOUND)),
            by_brightness,
        }
    }

    /// Whether evenness does not tell road from verge here, and brightness does so better.
    fn brightness_leads(&self) -> bool {
        let [even, bright] = [0, 1].map(|feature| parting(&self.counts[feature]));
        even < EVENNESS_TELLS && bright > even
    }
}

/// Log-likelihood ratios road : verge of each level of each feature.
#[derive(Debug, Clone)]
pub(super) struct Evidence {
    rough: [f64; LEVELS],
    bright: [f64; LEVELS],
    step: [f64; LEVELS],
    by_brightness: bool,
}

impl Evidence {
    /// Whether road and verge are told apart by brightness, for want of a difference in evenness.
    pub(super) fn is_by_brightness(&self) -> bool {
        self.by_brightness
    }

    fn weight(&self, cell: Cell) -> f64 {
        let of = |table: &[f64; LEVELS], level: u8| {
            table.get(usize::from(level)).copied().unwrap_or(0.0)
        };
        of(&self.rough, cell.rough) + of(&self.bright, cell.bright) + of(&self.step, cell.step)
    }

    /// For each candidate edge (after 0, 1, 2… cells) the evidence for road inside it; beyond a
    /// fall of `stop` the road has ended for good, whatever lies further out.
    pub(super) fn score(&self, cells: &[Cell], stop: f64) -> Vec<f32> {
        let (mut sum, mut best) = (0.0_f64, 0.0_f64);
        let mut ended = false;
        let mut out = vec![0.0];
        for &cell in cells {
            sum = if ended { sum } else { sum + self.weight(cell) };
            best = best.max(sum);
            ended |= sum < best - stop;
            let value = if ended { best - stop } else { sum };
            out.push(crate::numeric::to_f32(value));
        }
        out
    }
}

/// Largest difference between the two classes' shares of levels up to some level, 0 to 1.
fn parting(counts: &[[u64; LEVELS]; 2]) -> f64 {
    let totals = counts.map(|c| c.iter().sum::<u64>() as f64);
    if totals.iter().any(|n| *n < MIN_CELLS) {
        return 0.0;
    }
    let (mut below, mut most) = ([0u64; 2], 0.0_f64);
    for (road, verge) in counts[0].iter().zip(&counts[1]) {
        below = [below[0] + road, below[1] + verge];
        most = most.max((below[0] as f64 / totals[0] - below[1] as f64 / totals[1]).abs());
    }
    most
}

fn log_ratio(counts: &[[u64; LEVELS]; 2]) -> [f64; LEVELS] {
    let shares = [smooth_shares(&counts[0]), smooth_shares(&counts[1])];
    match shares {
        [Some(road), Some(verge)] => std::array::from_fn(|k| (road[k] / verge[k]).ln()),
        _ => [0.0; LEVELS],
    }
}

/// Smoothed shares with a floor; `None` with too few cells.
fn smooth_shares(counts: &[u64; LEVELS]) -> Option<[f64; LEVELS]> {
    let n: u64 = counts.iter().sum();
    let n = n as f64;
    let at = |k: usize, shift: usize| {
        let j = (k + shift).checked_sub(KERNEL.len() / 2)?;
        counts.get(j).map(|c| KERNEL[shift] * *c as f64)
    };
    let total: f64 = KERNEL.iter().sum();
    let share = |k: usize| {
        let sum: f64 = (0..KERNEL.len()).filter_map(|shift| at(k, shift)).sum();
        sum / (total * n) + FLOOR
    };
    (n >= MIN_CELLS).then(|| std::array::from_fn(share))
}

/// Make the weights fall with the level (pool adjacent violators, weighted by the counts):
/// ground that is more even than the road's middle must not count as verge.
fn falling(weights: &mut [f64; LEVELS], counts: &[[u64; LEVELS]; 2]) {
    let mut blocks: Vec<(f64, f64, usize)> = Vec::new();
    for (k, w) in weights.iter().enumerate() {
        let n = (counts[0][k] + counts[1][k]) as f64 + 1e-3;
        blocks.push((*w, n, 1));
        while let [.., a, b] = blocks.as_slice() {
            if a.0 >= b.0 {
                break;
            }
            let n = a.1 + b.1;
            let merged = ((a.0 * a.1 + b.0 * b.1) / n, n, a.2 + b.2);
            blocks.truncate(blocks.len() - 2);
            blocks.push(merged);
        }
    }
    let flat = blocks
        .iter()
        .flat_map(|&(v, _, n)| std::iter::repeat_n(v, n));
    weights.iter_mut().zip(flat).for_each(|(w, v)| *w = v);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cell(rough: u8) -> Cell {
        Cell {
            rough,
            bright: NONE,
            step: NONE,
        }
    }

    fn learned() -> Evidence {
        let mut sample = Sample::new();
        for k in 0..1000u16 {
            let wobble = u8::try_from(k % 5).unwrap();
            sample.add(cell(9 + wobble), Class::Road);
            sample.add(cell(20 + wobble), Class::Verge);
        }
        sample.learn()
    }

    #[test]
    fn even_cells_speak_for_road_and_rough_ones_against() {
        let evidence = learned();
        assert!(evidence.weight(cell(11)) > 2.0 && evidence.weight(cell(22)) < -2.0);
        assert!(
            evidence.weight(cell(2)) > 0.0,
            "more even than the road itself"
        );
        assert!(evidence.weight(cell(40)) < 0.0, "rougher than the verge");
        assert!(evidence.weight(Cell::EMPTY).abs() < 1e-12);
    }

    #[test]
    fn the_road_ends_for_good_at_the_first_lasting_fall() {
        let evidence = learned();
        let levels = [
            11, 11, 22, 11, 11, 22, 22, 22, 22, 22, 11, 11, 11, 11, 11, 11, 11, 11,
        ];
        let cells: Vec<Cell> = levels.into_iter().map(cell).collect();
        let score = evidence.score(&cells, 8.0);
        let best = (0..score.len()).max_by(|&a, &b| score[a].total_cmp(&score[b]).then(b.cmp(&a)));
        assert_eq!(best, Some(5), "{score:?}");
    }

    #[test]
    fn brightness_decides_only_where_all_ground_is_equally_uneven() {
        let sample = |verge_rough: u8| {
            let mut sample = Sample::new();
            for k in 0..1000u16 {
                let wobble = u8::try_from(k % 9).unwrap();
                let of = |rough, bright| Cell {
                    rough: rough + wobble,
                    bright: bright + wobble / 3,
                    step: NONE,
                };
                sample.add(of(20, 30), Class::Road);
                sample.add(of(verge_rough, 40), Class::Verge);
            }
            sample.learn()
        };
        let grass = Cell {
            rough: NONE,
            bright: 41,
            step: NONE,
        };
        let (aerial, tripod) = (sample(21), sample(40));
        assert!(aerial.is_by_brightness() && aerial.weight(grass) < -2.0);
        assert!(!tripod.is_by_brightness() && tripod.weight(grass) >= -MINOR_BOUND);
    }
}
