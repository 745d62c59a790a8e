//! Which cells changed, at several scales, with the false discovery rate held.

use rayon::prelude::*;

use super::fdr;
use super::learn::{Chance, Judged};
use super::level::NORMAL_95;
use super::pair::Pair;
use super::regions::{Region, Regions};
use super::scales::means;
use crate::numeric::{to_f32, to_index, two_sided_p};

/// Widths of the squares over which differences are meant, metres; 0 is the node itself.
const WIDTHS_M: [f64; 4] = [0.0, 0.3, 1.0, 3.0];
/// The scale along which changes are followed to their border.
const FOLLOW: usize = 1;
/// A coarse mean counts where the finer one is at least this share of it: beside a change the
/// coarse squares reach into it, the finer ones do not.
const BORNE_OUT: f64 = 0.5;
/// Share of a node's relief by which two scans of it are expected to differ.
const RELIEF_SHARE: f64 = 0.5;
/// Least standard deviation that is expected, metres: what storing does.
const LEAST_SD_M: f64 = 2e-5;
/// Rounds of learning and leaving out what changed.
const ROUNDS: usize = 3;
/// Squares that come nearer than this to a change are not learnt from, metres.
const KEEP_OFF_M: f64 = 0.3;
/// Every change holds a cell that is beyond chance even among all cells of all scales: that any
/// is not has this probability.
const ANY_FALSE: f64 = 0.01;
/// Cells within so many nodes of the road's edge, and cells whose relief is beyond these, are
/// judged among their like; the first lean on the edge and begin no change.
const EDGE_NODES: [usize; 2] = [2, 5];
const RELIEF_M: [f32; 2] = [4e-4, 1.5e-3];
/// Where more than this share of the cells in a square of so many metres has no new points, as at the
/// far end of a scan, whose rings lie further apart than cells, heights between rings are carried
/// over: such cells are judged among their like, and begin no change.
const THIN_SHARE: f32 = 0.5;
const THIN_OVER_M: f64 = 1.0;
/// Squares of this width are bare or not, metres: narrower cells of a dense scan are often empty too.
const BARE_M: f64 = 0.1;
/// A square is bare where no more than rounding is missing of all.
const ALL: f32 = 0.999;
/// Strata of cells whose points are not thin.
const DENSE: std::ops::Range<u8> = 0..9;
/// Those of them that lean on the edge.
const BY_EDGE: std::ops::Range<u8> = 0..3;
/// Clean ground: the stratum that may begin a change before others are learnt.
const CLEAN: u8 = 6;
/// Small places this near to a change five times their size are its rim, nodes.
const RIM_NODES: usize = 5;
/// Single nodes are looked at when they differ by more than this, metres.
const SPIKE_M: f64 = 2e-3;
/// Fewest nodes of a change.
const LEAST_NODES: usize = 6;
/// So many cells of a change must have points at least.
const LEAST_CELLS: usize = 3;
/// They must show this share of it: chosen so that all works of the draws in `tests/rescans` stay, and
/// that the places on ribs go that the bench `rescan` listed of a scan that the old surface has.
const SEEN_SHARE: f64 = 0.4;
/// A cell counts as no further off than so many times the change: at a steep face those of two scans
/// differ by centimetres.
const FARTHEST: f64 = 2.0;

/// What steers the search.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DetectParams {
    /// Of the cells called changed, at most this share is chance.
    pub false_share: f64,
    /// Changes whose mean is smaller are not listed, metres.
    pub least_m: f64,
}

impl Default for DetectParams {
    fn default() -> Self {
        Self {
            false_share: 0.01,
            least_m: 5e-4,
        }
    }
}

/// What one scale found.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ScaleReport {
    /// Width of the squares, metres.
    pub width_m: f64,
    /// Median level of detection at 95 %, metres.
    pub lod95_m: f64,
    /// Share of the cells away from changes whose difference is beyond their level of 95 %.
    pub beyond_share: f64,
}

/// What changed, and how that was judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Detection {
    /// The places that changed.
    pub regions: Regions,
    /// By node: differences beyond this are significant at 95 %, metres; NaN without heights.
    pub lod95_m: Vec<f32>,
    /// The scales, finest first.
    pub scales: Vec<ScaleReport>,
    /// Nodes with both heights.
    pub compared: usize,
    /// The largest p-value that counts as changed; 0 when none does.
    pub p_limit: f64,
    /// Share of cells away from changes that 1.96 √(σ² + σ²), the published form without a
    /// registration error, calls changed.
    pub published_share: f64,
}

/// One scale's means and expectations.
struct Scale {
    width_m: f64,
    d: Vec<f32>,
    c: Vec<f32>,
    chance: Chance,
}

impl Scale {
    fn cell(&self, node: usize, strata: &[u8]) -> Judged {
        Judged {
            d_m: self.d[node],
            expected_m: self.c[node],
            stratum: strata[node],
        }
    }
}

/// The cells of a pair at all scales.
struct Search<'a> {
    pair: &'a Pair,
    scales: Vec<Scale>,
    strata: Vec<u8>,
    params: DetectParams,
    /// Whether there are cells of new points.
    has_cells: bool,
    /// Smaller scores are never discoveries.
    least_score: f64,
}

/// p-values up to which a cell is changed, and up to which it begins a change.
#[derive(Debug, Clone, Copy)]
struct Limits {
    changed: f64,
    begins: f64,
}

/// Find what changed in `pair`.
///
/// Rounds of: learn from the stable cells by how much heights differ by chance; test every cell at
/// every scale (two-sided, normal after the learnt tails); hold the false discovery rate over all
/// tests by Benjamini–Hochberg, and have every change hold a cell beyond Bonferroni's limit;
/// follow changes to where the difference sinks below the level of 95 %; take what was found out of
/// the stable cells.
#[must_use]
pub fn detect(pair: &Pair, params: DetectParams) -> Detection {
    let mut search = Search::new(pair, params);
    let mut regions = Regions {
        list: Vec::new(),
        label: vec![0; pair.grid.nodes()],
    };
    let mut p_limit = 0.0;
    for round in 0..ROUNDS {
        search.learn(&regions, round == 0);
        let limits = search.limits();
        p_limit = limits.map_or(0.0, |l| l.changed);
        regions = limits.map_or_else(|| regions.clone(), |l| search.follow(l, round == 0));
        if limits.is_none() {
            regions = regions.filtered(|_| false);
        }
    }
    search.finish(regions, p_limit)
}

impl<'a> Search<'a> {
    fn new(pair: &'a Pair, params: DetectParams) -> Self {
        let relief = pair.relief_m();
        Self {
            pair,
            scales: scales(pair, &relief),
            strata: strata(pair, &relief),
            params,
            has_cells: pair.has_cells(),
            least_score: least_score(params.false_share),
        }
    }

    fn learn(&mut self, regions: &Regions, cautious: bool) {
        let (pair, strata) = (self.pair, &self.strata);
        self.scales.par_iter_mut().for_each(|scale| {
            let stable = stable(pair, regions, scale.width_m);
            let cells = (0..stable.len()).filter(|&k| stable[k]);
            let chance = Chance::learn(cells.map(|k| scale.cell(k, strata)), cautious);
            scale.chance = chance;
        });
    }

    /// `None` when no cell of any scale is beyond chance.
    fn limits(&self) -> Option<Limits> {
        let found: Vec<(Vec<f64>, usize)> =
            self.scales.par_iter().map(|s| self.small_p(s)).collect();
        let tests: usize = found.iter().map(|(_, tests)| tests).sum();
        let small = found.into_iter().flat_map(|(small, _)| small).collect();
        let changed = fdr::limit_among(small, tests, self.params.false_share)?;
        Some(Limits {
            changed,
            begins: changed.min(ANY_FALSE / tests as f64),
        })
    }

    /// The p-values of a scale that may be discoveries, and how many cells it has.
    fn small_p(&self, scale: &Scale) -> (Vec<f64>, usize) {
        let (mut small, mut tests) = (Vec::new(), 0);
        let known = (0..scale.d.len()).filter(|&k| scale.d[k].is_finite());
        for score in known.map(|k| scale.chance.score(scale.cell(k, &self.strata))) {
            tests += 1;
            // p-values take long, and all but a few are beyond any limit.
            let p = Some(score)
                .filter(|u| u.abs() >= self.least_score)
                .map(two_sided_p);
            small.extend(p.filter(|p| *p <= self.params.false_share));
        }
        (small, tests)
    }

    /// From discoveries to places: those of the fine scales first; coarse squares count where they
    /// do not reach into one of these.
    fn follow(&self, limits: Limits, clean_alone: bool) -> Regions {
        let fine = self.places(limits, clean_alone, &[]);
        let coarse = &self.scales[FOLLOW + 1..];
        let clear: Vec<Vec<bool>> = coarse
            .iter()
            .map(|s| stable(self.pair, &fine, s.width_m))
            .collect();
        let all = self.places(limits, clean_alone, &clear);
        let least_m = self.params.least_m;
        let listed =
            |region: &Region| self.mean_m(region).abs() >= least_m && self.is_seen_in_cells(region);
        let all = all.filtered(listed);
        all.without_rims(&self.pair.grid, RIM_NODES)
    }

    fn places(&self, limits: Limits, clean_alone: bool, clear: &[Vec<bool>]) -> Regions {
        let judge = |k: usize| self.judge(k, limits, clear);
        let nodes = (0..self.strata.len()).into_par_iter();
        let judged: Vec<(i8, f64)> = nodes.clone().map(judge).collect();
        let begins = |k: usize| {
            let own = self.strata[k];
            let may = DENSE.contains(&own) && !BY_EDGE.contains(&own);
            may && (!clean_alone || own == CLEAN) && judged[k].1 <= limits.begins
        };
        let seed: Vec<bool> = nodes.clone().map(begins).collect();
        let sign: Vec<i8> = nodes.map(|k| self.sign(k, &judged, limits)).collect();
        Regions::join(&self.pair.grid, &sign, &seed, LEAST_NODES)
    }

    /// Whether a node fell (−1) or rose (1), as far as it differs at all, and its least p-value.
    fn judge(&self, k: usize, limits: Limits, clear: &[Vec<bool>]) -> (i8, f64) {
        let scale = &self.scales[FOLLOW];
        let fine = scale.d[k];
        if !fine.is_finite() {
            return (0, 1.0);
        }
        let sign = |d: f32| if d > 0.0 { 1i8 } else { -1 };
        let alone = self.alone_p(k);
        if alone <= limits.changed {
            return (sign(self.scales[0].d[k]), alone);
        }
        let p = self.least_p(k, fine, clear);
        let score = scale.chance.score(scale.cell(k, &self.strata));
        let differs = p <= limits.changed || score.abs() > NORMAL_95;
        (if differs { sign(fine) } else { 0 }, p)
    }

    /// The p-value of a node's own difference where the ground is smooth in one of both states; 1
    /// elsewhere. A filled pothole is a few nodes of large σ, which hardly count in any mean with the
    /// well known ones around them; on ribs, where single nodes differ by chance, means must agree.
    fn alone_p(&self, node: usize) -> f64 {
        let nodes = &self.scales[0];
        if self.strata[node] != CLEAN || !nodes.d[node].is_finite() {
            return 1.0;
        }
        match nodes.chance.score(nodes.cell(node, &self.strata)).abs() {
            score if score < self.least_score => 1.0,
            score => two_sided_p(score),
        }
    }

    /// The sign of a node; that of a neighbour which is beyond chance where it differs by at least
    /// half as much and nothing is known of it.
    fn sign(&self, k: usize, judged: &[(i8, f64)], limits: Limits) -> i8 {
        let d = &self.scales[0].d;
        let leads = |&n: &usize| {
            let like = d[n] * d[k] > 0.0 && 2.0 * d[k].abs() >= d[n].abs();
            like && judged[n].1 <= limits.changed && self.alone_p(n) <= limits.changed
        };
        let lead = || self.pair.grid.around(k).find(leads);
        match judged[k].0 {
            0 if d[k].abs() > to_f32(SPIKE_M) => lead().map_or(0, |n| judged[n].0),
            own => own,
        }
    }

    fn mean_m(&self, region: &Region) -> f64 {
        let d = region.nodes.iter().map(|&k| self.pair.difference_m(k));
        let known: Vec<f64> = d.filter(|d| d.is_finite()).collect();
        known.iter().sum::<f64>() / known.len().max(1) as f64
    }

    /// Whether the cells of the new and the old points differ as the fitted heights do. On ribs windows
    /// of two fits smear differently; what no cell shows is no change of the road.
    fn is_seen_in_cells(&self, region: &Region) -> bool {
        if !self.has_cells {
            return true;
        }
        let both = |&k: &usize| {
            let ([over, weight], fitted) = (self.pair.cells[k], self.pair.difference_m(k));
            let far_m = FARTHEST * fitted.abs();
            let over = f64::from(over);
            (weight > 0.0 && fitted.is_finite())
                .then(|| [over.clamp(fitted - far_m, fitted + far_m), fitted])
        };
        let known: Vec<[f64; 2]> = region.nodes.iter().filter_map(both).collect();
        let sum = |which: usize| known.iter().map(|pair| pair[which]).sum::<f64>();
        let (cells, fitted) = (sum(0), sum(1));
        known.len() >= LEAST_CELLS && cells * fitted.signum() >= SEEN_SHARE * fitted.abs()
    }

    /// The least p-value of the scales whose mean the finer one bears out; of coarse ones where
    /// `clear` has them.
    fn least_p(&self, node: usize, fine: f32, clear: &[Vec<bool>]) -> f64 {
        let borne = |s: &Scale| {
            let share = f64::from(fine.abs()) >= BORNE_OUT * f64::from(s.d[node].abs());
            share && (fine > 0.0) == (s.d[node] > 0.0)
        };
        let score = |s: &Scale| s.chance.score(s.cell(node, &self.strata)).abs();
        let (near, far) = self.scales.split_at(FOLLOW + 1);
        let far = far.iter().zip(clear).filter(|(_, clear)| clear[node]);
        let all = near.iter().chain(far.map(|(s, _)| s));
        let most = all.filter(|s| borne(s)).map(score).fold(0.0, f64::max);
        if most < self.least_score {
            1.0
        } else {
            two_sided_p(most)
        }
    }

    fn finish(self, regions: Regions, p_limit: f64) -> Detection {
        let finest = &self.scales[0];
        let level = |k: usize| match finest.d[k].is_finite() {
            true => to_f32(
                finest
                    .chance
                    .level_m(finest.cell(k, &self.strata), NORMAL_95),
            ),
            false => f32::NAN,
        };
        let reports = self
            .scales
            .iter()
            .map(|s| self.report(s, &regions))
            .collect();
        Detection {
            lod95_m: (0..finest.d.len()).map(level).collect(),
            compared: finest.d.iter().filter(|d| d.is_finite()).count(),
            published_share: published_share(self.pair, &stable(self.pair, &regions, 0.0)),
            scales: reports,
            p_limit,
            regions,
        }
    }

    fn report(&self, scale: &Scale, regions: &Regions) -> ScaleReport {
        let mut levels: Vec<f64> = Vec::new();
        let mut beyond = 0usize;
        let stable = stable(self.pair, regions, scale.width_m);
        for k in (0..stable.len()).filter(|&k| stable[k] && scale.d[k].is_finite()) {
            let cell = scale.cell(k, &self.strata);
            levels.push(scale.chance.level_m(cell, NORMAL_95));
            beyond += usize::from(scale.chance.score(cell).abs() > NORMAL_95);
        }
        let all = levels.len().max(1);
        ScaleReport {
            width_m: scale.width_m,
            lod95_m: crate::numeric::median(&mut levels)
                .filter(|l| l.is_finite())
                .unwrap_or(0.0),
            beyond_share: beyond as f64 / all as f64,
        }
    }
}

/// A score below which every p-value is over `share`.
fn least_score(share: f64) -> f64 {
    let (mut low, mut high) = (0.0, 40.0);
    while high - low > 1e-3 {
        let middle = 0.5 * (low + high);
        if two_sided_p(middle) > share {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// Cells whose squares of `width_m` keep off all changes.
fn stable(pair: &Pair, regions: &Regions, width_m: f64) -> Vec<bool> {
    let step = pair.grid.lattice().t_step_m;
    let off = to_index(((0.5 * width_m + KEEP_OFF_M) / step).ceil());
    let mut out = regions.widened(&pair.grid, off);
    out.iter_mut().for_each(|s| *s = !*s);
    out
}

/// Which cells are judged together: three times by distance from the edge, by relief in each; those
/// whose points are thin apart.
fn strata(pair: &Pair, relief: &[f32]) -> Vec<u8> {
    let grid = &pair.grid;
    let outside = Regions {
        label: (0..grid.nodes())
            .map(|k| u32::from(!pair.difference_m(k).is_finite()))
            .collect(),
        list: Vec::new(),
    };
    let near = EDGE_NODES.map(|n| outside.widened(grid, n));
    let thin = thin(pair);
    let stratum = |k: usize| {
        let edge = match [near[0][k], near[1][k]] {
            [true, _] => 0,
            [_, true] => 1,
            _ => 2,
        };
        let rough = RELIEF_M.iter().filter(|&&r| relief[k] > r).count();
        let own = crate::numeric::to_u8((3 * edge + rough) as f64);
        if thin[k] { DENSE.end + own } else { own }
    };
    (0..grid.nodes()).map(stratum).collect()
}

/// Nodes around which most cells have no new points.
fn thin(pair: &Pair) -> Vec<bool> {
    let bare = |k: usize| match (pair.difference_m(k).is_finite(), pair.bridged[k]) {
        (false, _) => f32::NAN,
        (true, true) => 1.0,
        (true, false) => 0.0,
    };
    let bare: Vec<f32> = (0..pair.grid.nodes()).map(bare).collect();
    let ones = vec![1.0; bare.len()];
    let whole = |share: f32| match share {
        s if s.is_nan() => s,
        s if s > ALL => 1.0,
        _ => 0.0,
    };
    let bare = means(&pair.grid, &bare, &ones, BARE_M);
    let bare: Vec<f32> = bare.into_iter().map(whole).collect();
    let shares = means(&pair.grid, &bare, &ones, THIN_OVER_M);
    shares.iter().map(|share| *share > THIN_SHARE).collect()
}

fn scales(pair: &Pair, relief: &[f32]) -> Vec<Scale> {
    let grid = &pair.grid;
    let nodes = 0..grid.nodes();
    let spikes = spikes(pair);
    let d = |k: usize| {
        if spikes[k] {
            f32::NAN
        } else {
            to_f32(pair.difference_m(k))
        }
    };
    let d: Vec<f32> = nodes.clone().map(d).collect();
    let expected = |k: usize| {
        let [a, b] = pair.sigma_of_change_m(k).map(f64::from);
        let rough = RELIEF_SHARE * f64::from(relief[k]).max(0.0);
        to_f32((a * a + b * b + rough * rough + LEAST_SD_M * LEAST_SD_M).sqrt())
    };
    let c: Vec<f32> = nodes.map(expected).collect();
    let weight = |c: &f32| if c.is_finite() { (c * c).recip() } else { 0.0 };
    let weights: Vec<f32> = c.iter().map(weight).collect();
    let ones: Vec<f32> = weights
        .iter()
        .map(|w| if *w > 0.0 { 1.0 } else { 0.0 })
        .collect();
    let scale = |&width_m: &f64| Scale {
        width_m,
        d: means(grid, &d, &weights, width_m),
        c: means(grid, &c, &ones, width_m),
        chance: Chance::learn(std::iter::empty(), true),
    };
    WIDTHS_M.iter().map(scale).collect()
}

/// Nodes that differ alone: no neighbour differs by half as much in the same direction. Strays that
/// fell into an empty cell leave such; a change is wider.
fn spikes(pair: &Pair) -> Vec<bool> {
    let alone = |k: usize| {
        let d = pair.difference_m(k);
        let follows = |n: usize| {
            let near = pair.difference_m(n);
            near * d > 0.0 && near.abs() >= 0.5 * d.abs()
        };
        d.abs() > SPIKE_M && !pair.grid.around(k).any(follows)
    };
    (0..pair.grid.nodes()).map(alone).collect()
}

fn published_share(pair: &Pair, stable: &[bool]) -> f64 {
    let (mut beyond, mut all) = (0usize, 0usize);
    for k in (0..stable.len()).filter(|&k| stable[k]) {
        let d = pair.difference_m(k);
        if d.is_finite() {
            let [a, b] = pair.sigma_m[k].map(f64::from);
            beyond += usize::from(d.abs() > NORMAL_95 * a.hypot(b));
            all += 1;
        }
    }
    beyond as f64 / all.max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::Lattice;
    use crate::numeric::Draw;
    use crate::rescan::Grid;

    /// Share of the nodes that are thin where three cells in five hold no point of an even scan.
    fn thin_share(step_m: f64) -> f64 {
        let lattice = Lattice::new([step_m; 2], 161, -20..21, false).unwrap();
        let mut pair = Pair::new(Grid::new(lattice, std::slice::from_ref(&(0..161))));
        pair.old_m.fill(0.0);
        pair.new_m.fill(0.0);
        let mut draw = Draw(7);
        pair.bridged.fill_with(|| draw.unit() < 0.6);
        let thin = thin(&pair);
        thin.iter().filter(|thin| **thin).count() as f64 / thin.len() as f64
    }

    /// Flat ground of 16 by 4 m in two heights of 0.06 mm; at seven nodes the old one has a hole of
    /// `depth_m`, which its fit knows to 4 mm.
    fn with_a_hole(depth_m: f64) -> Pair {
        let lattice = Lattice::new([0.1; 2], 161, -20..21, false).unwrap();
        let mut pair = Pair::new(Grid::new(lattice, std::slice::from_ref(&(0..161))));
        let mut draw = Draw(11);
        let mut noise = || 6e-5 * draw.normal();
        pair.old_m.fill_with(&mut noise);
        pair.new_m.fill_with(&mut noise);
        pair.sigma_m.fill([6e-5; 2]);
        pair.inside.fill(true);
        for (row, columns) in [(79, 19..22), (80, 19..22), (81, 20..21)] {
            for k in columns.map(|column| row * 41 + column) {
                pair.old_m[k] -= depth_m;
                pair.sigma_m[k] = [4e-3, 6e-5];
            }
        }
        pair
    }

    #[test]
    fn a_filled_hole_of_a_few_uncertain_nodes_is_a_change() {
        let found = detect(&with_a_hole(0.028), DetectParams::default()).regions;
        assert_eq!(found.list.len(), 1);
        assert!(found.list[0].rose && found.list[0].nodes.len() == 7);
        let none = detect(&with_a_hole(0.0), DetectParams::default()).regions;
        assert_eq!(none.list, []);
    }

    #[test]
    fn what_no_cell_shows_is_no_change() {
        let mut pair = with_a_hole(0.028);
        let found = |pair: &Pair| detect(pair, DetectParams::default()).regions.list.len();
        let hole: Vec<usize> = (0..pair.grid.nodes())
            .filter(|&k| pair.difference_m(k) > 0.01)
            .collect();
        // Cells that show a share of the hole, where the first ones of it have points.
        let shown = |pair: &mut Pair, share: f64, known: usize| {
            pair.cells.fill([0.0, 1e6]);
            for (i, &k) in hole.iter().enumerate() {
                let weight = if i < known { 1e6 } else { 0.0 };
                pair.cells[k] = [to_f32(share * pair.difference_m(k)), weight];
            }
        };
        for (share, known, count) in [
            (0.0, 7, 0),
            (0.3, 7, 0),
            (0.5, 7, 1),
            (1.0, 3, 1),
            (1.0, 2, 0),
        ] {
            shown(&mut pair, share, known);
            assert_eq!(found(&pair), count, "{share} {known}");
        }
        // One cell at a steep face does not outvote the others.
        shown(&mut pair, 1.0, 7);
        pair.cells[hole[0]][0] = -0.5;
        assert_eq!(found(&pair), 1);
    }

    #[test]
    fn a_scan_is_no_thinner_for_narrower_cells() {
        assert_eq!(thin_share(0.02).to_bits(), 0.0f64.to_bits());
        assert!(thin_share(0.1) > 0.9, "{}", thin_share(0.1));
    }
}
