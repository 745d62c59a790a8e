//! How far do two scans of the same road differ by chance? Learnt from the cells that stayed.
//!
//! The σ of the two fits tell which cells are better known than others, not by how much two
//! heights differ: neighbours share points, both fits leave out the same fine waves, setups are
//! levelled to a tenth of a millimetre, kerbs are sampled at other places. So cells are put into
//! strata (by the edge, on rough ground, where points are thin) and classes of like expectation; each
//! class's factor and each stratum's tails, as far as one cell in 2000, are learnt.

use crate::numeric::{quantile, to_index};

/// Strata that cells may be in.
pub(super) const STRATA: usize = 18;
/// Most classes of a stratum, each with the same number of cells.
const CLASSES: usize = 12;
/// Fewest cells of a class: its 99.5 % quantile lies between its fifth and sixth largest.
const LEAST_IN_CLASS: usize = 1000;
/// Fewest cells that tell anything of a stratum; in others no cell is ever beyond chance.
const LEAST_IN_STRATUM: usize = 200;
/// Fewest cells of a stratum whose farthest tails are learnt: then two in each direction are beyond.
const LEAST_FOR_FAR: usize = 8000;
/// The 25, 90, 99.5 and 99.95 % quantiles of |u| of a normal value.
const U_25: f64 = 0.318_64;
const U_90: f64 = 1.644_85;
const U_995: f64 = 2.807_03;
const U_9995: f64 = 3.480_76;
/// Tails are at most so many times as long as a normal value's: what is longer is change.
const LONGEST_TAIL: f64 = 4.0;

/// What differences are by chance, by stratum and class of expectation.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Chance {
    strata: Vec<Option<Stratum>>,
}

#[derive(Debug, Clone, PartialEq)]
struct Stratum {
    /// Upper ends of the classes' expectations, metres.
    ends_m: Vec<f32>,
    /// Standard deviation over expectation.
    factors: Vec<f64>,
    /// How much longer the tails are than a normal value's from 90 % to 99.5 %, and beyond: 1 when
    /// they are the same. On ribs of kerbs, which no two scans sample alike, the second is longer.
    tails: [f64; 2],
}

/// A cell as it is judged: its difference, what is expected of it, its stratum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Judged {
    pub d_m: f32,
    pub expected_m: f32,
    pub stratum: u8,
}

impl Chance {
    /// Learn from cells that stayed.
    ///
    /// With `cautious` the quarter of each class that differs least counts alone, so that most of
    /// it may have changed; else 90 % of it, which is nearer to what is asked about (95 %).
    pub fn learn(cells: impl Iterator<Item = Judged>, cautious: bool) -> Self {
        let mut own: Vec<Vec<(f32, f32)>> = vec![Vec::new(); STRATA];
        for cell in cells.filter(|c| c.d_m.is_finite() && c.expected_m > 0.0) {
            own[usize::from(cell.stratum) % STRATA].push((cell.expected_m, cell.d_m));
        }
        let learn = |cells: &Vec<(f32, f32)>| Stratum::learn(cells, cautious);
        Self {
            strata: own.iter().map(learn).collect(),
        }
    }

    fn of(&self, cell: Judged) -> Option<&Stratum> {
        self.strata[usize::from(cell.stratum) % STRATA].as_ref()
    }

    /// The difference as a normal value: over its standard deviation, far ones drawn in by as much
    /// as the stable cells' tails are too long; 0 where nothing is known of its stratum.
    pub fn score(&self, cell: Judged) -> f64 {
        let Some(stratum) = self.of(cell) else {
            return 0.0;
        };
        let u = f64::from(cell.d_m) / stratum.sd_m(cell.expected_m);
        stratum.score(u.abs()).copysign(u)
    }

    /// Differences beyond this have a score of more than `u` (over 1.645), metres.
    pub fn level_m(&self, cell: Judged, u: f64) -> f64 {
        let level = |s: &Stratum| s.sd_m(cell.expected_m) * s.beyond(u);
        self.of(cell).map_or(f64::INFINITY, level)
    }
}

impl Stratum {
    fn learn(cells: &[(f32, f32)], cautious: bool) -> Option<Self> {
        if cells.len() < LEAST_IN_STRATUM {
            return None;
        }
        let classes = (cells.len() / LEAST_IN_CLASS).clamp(1, CLASSES);
        let ends_m = ends(cells, classes);
        let mut ratios: Vec<Vec<f64>> = vec![Vec::new(); ends_m.len()];
        for &(expected, d) in cells {
            ratios[class(&ends_m, expected)].push(f64::from(d.abs() / expected));
        }
        let (share, normal) = if cautious { (0.25, U_25) } else { (0.9, U_90) };
        let factor = |r: &mut Vec<f64>| quantile(r, share).unwrap_or(1.0) / normal;
        let factors: Vec<f64> = ratios.iter_mut().map(|r| factor(r).max(1e-9)).collect();
        let mut out = Self {
            ends_m,
            factors,
            tails: [1.0; 2],
        };
        if !cautious {
            let u = cells
                .iter()
                .map(|&(expected, d)| f64::from(d) / out.sd_m(expected));
            out.tails = tails(&u.collect::<Vec<f64>>())?;
        }
        Some(out)
    }

    /// The normal value that is as seldom as `u`, a size over its standard deviation.
    fn score(&self, u: f64) -> f64 {
        if u <= U_90 {
            return u;
        }
        let [near, far] = self.tails;
        let score = U_90 + (u - U_90) / near;
        if score <= U_995 {
            return score;
        }
        U_995 + (u - self.beyond(U_995)) / far
    }

    /// The size over its standard deviation that is as seldom as the normal value `u` (over 1.645).
    fn beyond(&self, u: f64) -> f64 {
        let [near, far] = self.tails;
        U_90 + (u.min(U_995) - U_90) * near + (u - U_995).max(0.0) * far
    }

    /// Standard deviation of a difference, metres.
    fn sd_m(&self, expected_m: f32) -> f64 {
        f64::from(expected_m) * self.factors[class(&self.ends_m, expected_m)]
    }
}

/// How much longer the tails of differences over their standard deviations are than a normal value's,
/// from 90 to 99.5 % and beyond. Beyond, the shorter of both directions counts: chance strays both
/// ways, and a change that was not found yet, which must not hide itself, only one.
fn tails(u: &[f64]) -> Option<[f64; 2]> {
    let mut sizes: Vec<f64> = u.iter().map(|u| u.abs()).collect();
    let near = (quantile(&mut sizes, 0.995)? - U_90) / (U_995 - U_90);
    let near = near.clamp(1.0, LONGEST_TAIL);
    if u.len() < LEAST_FOR_FAR {
        return Some([near, near]);
    }
    let knee = U_90 + (U_995 - U_90) * near;
    let far = |sign: f64| {
        let mut own: Vec<f64> = u.iter().map(|u| sign * u).filter(|u| *u > 0.0).collect();
        let farthest = quantile(&mut own, 0.9995).unwrap_or(0.0);
        (farthest - knee) / (U_9995 - U_995)
    };
    let far = far(1.0).min(far(-1.0));
    Some([near, far.clamp(near, LONGEST_TAIL)])
}

/// Upper ends of classes with the same number of cells.
fn ends(cells: &[(f32, f32)], classes: usize) -> Vec<f32> {
    let mut sorted: Vec<f32> = cells.iter().map(|c| c.0).collect();
    sorted.sort_unstable_by(f32::total_cmp);
    let last = sorted.len() - 1;
    let end = |k: usize| sorted[to_index(last as f64 * k as f64 / classes as f64)];
    let mut out: Vec<f32> = (1..classes).map(end).collect();
    out.push(f32::INFINITY);
    out
}

fn class(ends_m: &[f32], expected_m: f32) -> usize {
    ends_m
        .partition_point(|&end| end < expected_m)
        .min(ends_m.len() - 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::two_sided_p;

    /// A stratum of an even sample of normal values, of which those over `from[k]` in direction k lie
    /// `times` as far out.
    fn learnt(from: [f64; 2], times: f64) -> Stratum {
        let size = |p: f64| {
            let (mut low, mut high) = (0.0, 10.0);
            for _ in 0..50 {
                let middle = 0.5 * (low + high);
                let further = two_sided_p(middle) > p;
                (low, high) = if further {
                    (middle, high)
                } else {
                    (low, middle)
                };
            }
            low
        };
        let n = 20_000;
        let cell = |(k, from, sign): (i32, f64, f64)| {
            let u = size((f64::from(k) + 0.5) / f64::from(n));
            let u = u + (times - 1.0) * (u - from).max(0.0);
            (1e-3, crate::numeric::to_f32(1e-3 * sign * u))
        };
        let both = (0..n).flat_map(|k| [(k, from[0], 1.0), (k, from[1], -1.0)]);
        Stratum::learn(&both.map(cell).collect::<Vec<_>>(), false).unwrap()
    }

    #[test]
    fn normal_differences_are_their_own_scores() {
        let stratum = learnt([10.0; 2], 1.0);
        for u in [1.0, 1.9, 2.9, 4.0, 6.0] {
            assert!(
                (stratum.score(u) - u).abs() < 0.02 * u,
                "{u}: {}",
                stratum.score(u)
            );
        }
    }

    #[test]
    fn what_one_cell_in_two_thousand_shows_by_chance_is_no_more_than_that() {
        // Beyond 2.9 sizes grow three times as fast: 99.5 % does not tell of it.
        let stratum = learnt([2.9; 2], 3.0);
        let [near, far] = stratum.tails;
        assert!((near - 1.0).abs() < 0.02 && far > 2.5, "{near} {far}");
        let seldom = 2.9 + 3.0 * (U_9995 - 2.9);
        assert!((stratum.score(seldom) - U_9995).abs() < 0.05);
        for u in [1.7, 2.5, 3.0, 5.0] {
            assert!((stratum.beyond(stratum.score(u)) - u).abs() < 1e-9, "{u}");
        }
    }

    #[test]
    fn what_rose_alone_does_not_hide_itself() {
        let stratum = learnt([2.9, 10.0], 3.0);
        let [near, far] = stratum.tails;
        assert!(
            (near - 1.0).abs() < 0.02 && (far - 1.0).abs() < 0.05,
            "{near} {far}"
        );
    }
}
