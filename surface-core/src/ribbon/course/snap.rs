//! A rough line moved sideways onto the middle of the paved strip.

use super::mask::PavedMask;
use super::polyline::{resample, smooth, smooth_values, tangents};
use super::split::quantile;

/// How a line is moved.
#[derive(Debug, Clone, Copy)]
pub(super) struct SnapParams {
    /// Farthest sideways, metres.
    pub range_m: f64,
    /// Spacing of the stations, metres.
    pub step_m: f64,
    /// Standard deviation of the smoothing of the sideways offsets, metres along the line.
    pub smooth_m: f64,
}

/// Spacing of the offsets tried, metres.
const OFFSET_M: f64 = 0.5;
/// Cost of a station off the paving, where the middle of the road costs −1.
const OFF_PAVING: f64 = 0.5;
/// Cost of a station on hidden ground: halfway between a road and none.
const HIDDEN: f64 = -0.25;
/// Cost of the full sideways range: enough to decide between two equal roads, too little to leave
/// the middle of one.
const FAR_COST: f64 = 0.1;
/// Cost of an offset that changes by its own step along (45°)…
const BEND_COST: f64 = 1.0;
/// …and where only brightness tells road from verge: such a mask holds driveways and shadows, and
/// the rough line is the better guide. Chosen on the measured ring road, where 1 goes 5 m astray
/// under trees.
const BEND_COST_DOUBTFUL: f64 = 4.0;

/// Move the line's stations along their normals to where paving reaches farthest to both sides,
/// by dynamic programming over offsets that change little from station to station. Returns the
/// moved line and the share of it on paved ground (0 to 1).
///
/// How far paving reaches counts only up to what is usual along the line, so that a wide run-off
/// area does not draw the line to its middle.
pub(super) fn snap(
    line: &[[f64; 2]],
    closed: bool,
    mask: &PavedMask,
    params: SnapParams,
) -> (Vec<[f64; 2]>, f64) {
    let stations = resample(line, closed, params.step_m);
    let along = tangents(&smooth(&stations, closed, 2.0), closed);
    let half = crate::numeric::to_index((params.range_m / OFFSET_M).round());
    let offsets: Vec<f64> = (0..=2 * half)
        .map(|k| (k as f64 - half as f64) * OFFSET_M)
        .collect();
    let at = |k: usize, t: f64| {
        [
            stations[k][0] - t * along[k][1],
            stations[k][1] + t * along[k][0],
        ]
    };
    let reach: Vec<Vec<f64>> = (0..stations.len())
        .map(|k| offsets.iter().map(|&t| mask.reach_m(at(k, t))).collect())
        .collect();
    let hidden: Vec<Vec<bool>> = (0..stations.len())
        .map(|k| offsets.iter().map(|&t| mask.is_hidden(at(k, t))).collect())
        .collect();
    let costs = costs(&reach, &hidden, &offsets, params.range_m);
    let bend = if mask.is_by_brightness() {
        BEND_COST_DOUBTFUL
    } else {
        BEND_COST
    };
    let chosen = best_chain(&costs, closed, bend * (OFFSET_M / params.step_m).powi(2));
    let picked: Vec<f64> = chosen.into_iter().map(|c| offsets[c]).collect();
    let even = smooth_values(&picked, closed, params.smooth_m / params.step_m);
    let moved: Vec<[f64; 2]> = even
        .into_iter()
        .enumerate()
        .map(|(k, t)| at(k, t))
        .collect();
    let on = moved.iter().filter(|p| mask.is_paved(**p)).count();
    let share = on as f64 / moved.len() as f64;
    (moved, share)
}

/// Median over the stations on paving of the farthest reach there, metres.
fn usual_reach(reach: &[Vec<f64>]) -> f64 {
    let mut best: Vec<f64> = reach
        .iter()
        .map(|r| r.iter().copied().fold(0.0, f64::max))
        .filter(|r| *r > 0.0)
        .collect();
    quantile(&mut best, 0.5).unwrap_or(1.0).max(1.0)
}

fn costs(reach: &[Vec<f64>], hidden: &[Vec<bool>], offsets: &[f64], range_m: f64) -> Vec<Vec<f64>> {
    let usual = usual_reach(reach);
    let one = |r: f64, hidden: bool, t: f64| {
        let road = match (r > 0.0, hidden) {
            (true, _) => -(r / usual).min(1.0),
            (false, true) => HIDDEN,
            (false, false) => OFF_PAVING,
        };
        road + FAR_COST * (t / range_m).abs()
    };
    let row = |(reach, hidden): (&Vec<f64>, &Vec<bool>)| {
        let cells = reach.iter().zip(hidden).zip(offsets);
        cells.map(|((&r, &h), &t)| one(r, h, t)).collect()
    };
    reach.iter().zip(hidden).map(row).collect()
}

/// The chain of choices, one a station, of least cost; a change by d places costs `bend`·d². A
/// closed line is walked twice and its middle lap taken, so that it has no seam.
fn best_chain(costs: &[Vec<f64>], closed: bool, bend: f64) -> Vec<usize> {
    let n = costs.len();
    let laps = if closed { 2 } else { 1 };
    let walked: Vec<&Vec<f64>> = (0..n * laps).map(|k| &costs[k % n]).collect();
    let chain = viterbi(&walked, bend);
    if !closed {
        return chain;
    }
    (0..n)
        .map(|k| if k < n / 2 { chain[k + n] } else { chain[k] })
        .collect()
}

fn viterbi(costs: &[&Vec<f64>], bend: f64) -> Vec<usize> {
    let width = costs.first().map_or(0, |c| c.len());
    // Offsets change by at most so many places from station to station.
    let jump = 4;
    let mut total: Vec<f64> = costs.first().map_or_else(Vec::new, |c| (*c).clone());
    let mut came: Vec<Vec<usize>> = Vec::with_capacity(costs.len());
    for cost in costs.iter().skip(1) {
        let best = |k: usize| {
            (k.saturating_sub(jump)..(k + jump + 1).min(width))
                .map(|from| (total[from] + bend * (k as f64 - from as f64).powi(2), from))
                .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)))
                .unwrap_or((f64::INFINITY, k))
        };
        let row: Vec<(f64, usize)> = (0..width).map(best).collect();
        total = row.iter().zip(cost.iter()).map(|(r, c)| r.0 + c).collect();
        came.push(row.into_iter().map(|r| r.1).collect());
    }
    let mut at = (0..width)
        .min_by(|&a, &b| total[a].total_cmp(&total[b]))
        .unwrap_or(0);
    let mut chain = vec![at];
    for back in came.iter().rev() {
        at = back[at];
        chain.push(at);
    }
    chain.reverse();
    chain
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cheapest_chain_is_that_of_a_search_over_all_chains() {
        let costs: Vec<Vec<f64>> = (0..6u32)
            .map(|k| {
                (0..3u32)
                    .map(|c| f64::from((k * 7 + c * 5 + k * c) % 11))
                    .collect()
            })
            .collect();
        let value = |chain: &[usize]| -> f64 {
            let own: f64 = chain.iter().zip(&costs).map(|(&c, row)| row[c]).sum();
            own + chain
                .windows(2)
                .map(|w| 1.3 * (w[0] as f64 - w[1] as f64).powi(2))
                .sum::<f64>()
        };
        let all = (0..3usize.pow(6))
            .map(|code| (0..6).map(|k| code / 3usize.pow(k) % 3).collect::<Vec<_>>());
        let least = all.map(|c| value(&c)).fold(f64::INFINITY, f64::min);
        let refs: Vec<&Vec<f64>> = costs.iter().collect();
        assert!((value(&viterbi(&refs, 1.3)) - least).abs() < 1e-12);
    }
}
