//! The mean of a cell that a few strays cannot move, and how far to trust it.

use crate::numeric::{MAD_TO_SIGMA, TUKEY_C};

/// A cell with fewer points gets no verdict: a scale from three distances says nothing
/// (the median absolute deviation of three has a relative spread near 1). Chosen by
/// `four_points_are_judged_and_three_are_not`.
pub const MIN_POINTS: usize = 4;

/// Part of a cell's standard error that more points do not shrink, metres: what setups still
/// disagree by after levelling (0.2 mm) and the slow drift of one setup within a cell (0.2 mm),
/// added in squares. Without it a cell of 10 000 points would claim 0.02 mm.
pub const SE_FLOOR_M: f64 = 0.000_3;

/// Smallest scale, micrometres: the points' own quantum (20 µm) must not make a cell of equal
/// readings reject everything beside them.
const SCALE_FLOOR: f64 = 50.0;
/// The spread usual in a cell's section counts like this many points of the cell itself. Alone, the
/// median absolute deviation of 5 points is near 0 often enough to throw good points away and to
/// call pure noise a spot (6 in 2928 cells). Chosen by `noise_alone_makes_no_spot` and
/// `the_interval_of_a_clean_cell_holds_the_truth_19_times_in_20`.
const PRIOR_POINTS: f64 = 10.0;
/// Rounds of reweighting; from the median the biweight settles in 3 to 6.
const ROUNDS: usize = 20;
/// Reweighting stops when the mean moves by less than this share of its standard error.
const SETTLED: f64 = 1e-3;
/// Distances are counted in micrometres, so that sorting makes sums independent of point order.
pub(super) const UNIT_M: f64 = 1e-6;
/// Two-sided 95 % point of the normal distribution.
const Z95: f64 = 1.959_963_984_540_054;

/// What one cell's distances say, metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RobustMean {
    /// Tukey M-estimate of the mean, started at the median.
    pub mean_m: f64,
    /// Robust standard deviation of a single point.
    pub spread_m: f64,
    /// Standard error of the mean, with [`SE_FLOOR_M`] added in squares.
    pub se_m: f64,
    /// Points that carry the mean: (Σw)² / Σw² (Kish).
    pub n_eff: f64,
    /// Share of points with weight 0.
    pub outlier_share: f64,
}

impl RobustMean {
    /// Robust mean of `sorted` distances in micrometres, ascending; `None` below [`MIN_POINTS`].
    ///
    /// Start: median. Scale: the cell's own ([`own_scale`]) mixed with the section's usual one,
    /// held fixed. Weights: Tukey's biweight at 4.685 scales, which gives far points weight 0.
    /// Spread and standard error come from the estimator's own influence function, √(Σψ²)/Σψ′
    /// (Huber 1981), so that they hold for skew cells too, mixed with the usual scale again.
    #[must_use]
    pub(super) fn of_sorted(sorted: &[i32], usual_scale: f64) -> Option<Self> {
        let own = own_scale(sorted)?;
        let scale = mix(own, points_of(sorted.len()), usual_scale);
        let cut = TUKEY_C * scale;
        let mut mean = median_of(sorted);
        let mut sums = Sums::at(sorted, mean, cut);
        for _ in 0..ROUNDS {
            let step = sums.step();
            mean += step;
            sums = Sums::at(sorted, mean, cut);
            if step.abs() <= SETTLED * scale / sums.n_eff().sqrt() {
                break;
            }
        }
        Some(sums.report(mean, scale, usual_scale, sorted.len()))
    }

    /// Half width of the mean's 95 % interval, metres: Student's t for the points that carry it
    /// and those that the section's usual spread counts for.
    #[must_use]
    pub fn u95_m(&self) -> f64 {
        student95(self.n_eff - 1.0 + PRIOR_POINTS) * self.se_m
    }
}

/// 1.4826 · median absolute deviation · small-sample factor, at least 0.05 mm, in micrometres;
/// `None` below [`MIN_POINTS`].
pub(super) fn own_scale(sorted: &[i32]) -> Option<f64> {
    (sorted.len() >= MIN_POINTS).then(|| {
        let mad = median_distance(sorted, median_of(sorted));
        (mad * MAD_TO_SIGMA * small_sample(sorted.len())).max(SCALE_FLOOR)
    })
}

/// Root mean square of a scale known from `n` points and the usual one.
fn mix(own: f64, n: f64, usual: f64) -> f64 {
    ((n * own * own + PRIOR_POINTS * usual * usual) / (n + PRIOR_POINTS)).sqrt()
}

#[expect(
    clippy::cast_precision_loss,
    reason = "points in a cell are far below 2^53"
)]
fn points_of(n: usize) -> f64 {
    n as f64
}

/// Two-sided 95 % point of Student's t by the Cornish–Fisher series in 1/ν
/// (Abramowitz and Stegun 26.7.5); within 1 % from ν = 2 on, exact for many.
pub(super) fn student95(nu: f64) -> f64 {
    let nu = nu.max(1.0);
    let z2 = Z95 * Z95;
    let g1 = Z95 * (z2 + 1.0) / 4.0;
    let g2 = Z95 * (5.0 * z2 * z2 + 16.0 * z2 + 3.0) / 96.0;
    let g3 = Z95 * (3.0 * z2 * z2 * z2 + 19.0 * z2 * z2 + 17.0 * z2 - 15.0) / 384.0;
    let g4 = Z95
        * (79.0 * z2.powi(4) + 776.0 * z2.powi(3) + 1482.0 * z2 * z2 - 1920.0 * z2 - 945.0)
        / 92_160.0;
    Z95 + g1 / nu + g2 / nu.powi(2) + g3 / nu.powi(3) + g4 / nu.powi(4)
}

/// Sums of the biweight at one trial mean, in micrometres.
struct Sums {
    w: f64,
    ww: f64,
    wr: f64,
    wwrr: f64,
    slope: f64,
    kept: u32,
}

impl Sums {
    fn at(sorted: &[i32], mean: f64, cut: f64) -> Self {
        let from = sorted.partition_point(|&d| f64::from(d) <= mean - cut);
        let to = sorted.partition_point(|&d| f64::from(d) < mean + cut);
        let mut sums = Self {
            w: 0.0,
            ww: 0.0,
            wr: 0.0,
            wwrr: 0.0,
            slope: 0.0,
            kept: 0,
        };
        let inv = 1.0 / cut;
        for &d in &sorted[from..to] {
            let r = f64::from(d) - mean;
            let u2 = (r * inv) * (r * inv);
            let root = 1.0 - u2;
            let w = root * root;
            sums.w += w;
            sums.ww += w * w;
            sums.wr += w * r;
            sums.wwrr += w * w * r * r;
            sums.slope += root * (1.0 - 5.0 * u2);
            sums.kept += 1;
        }
        sums
    }

    /// Weighted mean minus trial mean; 0 where nothing carries weight.
    fn step(&self) -> f64 {
        if self.w > 0.0 { self.wr / self.w } else { 0.0 }
    }

    fn n_eff(&self) -> f64 {
        if self.ww > 0.0 {
            self.w * self.w / self.ww
        } else {
            1.0
        }
    }

    /// Standard deviation of a point by the influence function; where ψ falls more than it rises
    /// (two heaps of points), the scale decides.
    fn spread(&self, scale: f64) -> f64 {
        let kept = f64::from(self.kept);
        if self.slope > 0.25 * self.w && self.kept > 1 {
            let small = kept / (kept - 1.0);
            ((self.wwrr * small * self.n_eff()).sqrt() / self.slope).max(SCALE_FLOOR)
        } else {
            scale
        }
    }

    fn report(&self, mean: f64, scale: f64, usual: f64, n: usize) -> RobustMean {
        let n_eff = self.n_eff();
        let spread_m = UNIT_M * mix(self.spread(scale), n_eff, usual);
        RobustMean {
            mean_m: mean * UNIT_M,
            spread_m,
            se_m: (spread_m / n_eff.sqrt()).hypot(SE_FLOOR_M),
            n_eff,
            outlier_share: 1.0 - f64::from(self.kept) / points_of(n),
        }
    }
}

fn median_of(sorted: &[i32]) -> f64 {
    let (n, half) = (sorted.len(), sorted.len() / 2);
    let upper = f64::from(sorted[half]);
    if n % 2 == 1 {
        upper
    } else {
        0.5 * (f64::from(sorted[half - 1]) + upper)
    }
}

/// Median of |d − centre| by walking outwards from the centre on both sides: no second sort.
fn median_distance(sorted: &[i32], centre: f64) -> f64 {
    let n = sorted.len();
    let mut above = sorted.partition_point(|&d| f64::from(d) < centre);
    let mut below = above;
    let (mut last, mut before) = (0.0, 0.0);
    for _ in 0..=n / 2 {
        before = last;
        let up = sorted
            .get(above)
            .map_or(f64::INFINITY, |&d| f64::from(d) - centre);
        let down = below
            .checked_sub(1)
            .map_or(f64::INFINITY, |k| centre - f64::from(sorted[k]));
        if up <= down {
            last = up;
            above += 1;
        } else {
            last = down;
            below -= 1;
        }
    }
    if n % 2 == 1 {
        last
    } else {
        0.5 * (before + last)
    }
}

/// Factor that makes the median absolute deviation unbiased in small samples
/// (C. Croux, P. J. Rousseeuw, Time-efficient algorithms for two highly robust estimators of
/// scale, Computational Statistics 1, 1992).
fn small_sample(n: usize) -> f64 {
    const FACTOR: [f64; 10] = [
        1.0, 1.0, 1.196, 1.495, 1.363, 1.206, 1.200, 1.140, 1.129, 1.107,
    ];
    let many = points_of(n) / (points_of(n) - 0.8);
    FACTOR.get(n).copied().unwrap_or(many)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deviation::cells::tests::Noise;
    use crate::numeric::round_i32;

    fn of(values_um: &[i32]) -> Option<RobustMean> {
        let mut sorted = values_um.to_vec();
        sorted.sort_unstable();
        RobustMean::of_sorted(&sorted, own_scale(&sorted)?)
    }

    /// The same estimator by the slowest road: a full sort for every median, weights in a vector,
    /// 200 rounds.
    fn oracle(values_um: &[i32]) -> f64 {
        fn median(v: &mut [f64]) -> f64 {
            v.sort_by(f64::total_cmp);
            0.5 * (v[(v.len() - 1) / 2] + v[v.len() / 2])
        }
        let mut d: Vec<f64> = values_um.iter().map(|&v| f64::from(v)).collect();
        let mut mean = median(&mut d);
        let mut away: Vec<f64> = d.iter().map(|v| (v - mean).abs()).collect();
        let cut = 4.685 * (1.4826 * median(&mut away) * small_sample(d.len())).max(50.0);
        for _ in 0..200 {
            let w = |v: f64| (1.0 - ((v - mean) / cut).powi(2)).max(0.0).powi(2);
            mean = d.iter().map(|&v| w(v) * v).sum::<f64>() / d.iter().map(|&v| w(v)).sum::<f64>();
        }
        mean
    }

    #[test]
    fn equal_readings_have_their_value_as_mean_and_only_the_floor_as_error() {
        let r = of(&[3000; 10]).unwrap();
        assert!((r.mean_m - 0.003).abs() < 1e-12);
        assert!(
            r.se_m >= SE_FLOOR_M && r.se_m < 1.01 * SE_FLOOR_M,
            "{}",
            r.se_m
        );
        assert!(r.outlier_share.abs() < 1e-12 && (r.n_eff - 10.0).abs() < 1e-9);
    }

    #[test]
    fn four_points_are_judged_and_three_are_not() {
        assert!(of(&[1, 2, 3]).is_none());
        assert!(of(&[1, 2, 3, 4]).is_some());
    }

    #[test]
    fn the_mean_agrees_with_the_slow_oracle() {
        let mut noise = Noise::new(7);
        for n in [4, 5, 9, 10, 31, 200] {
            for _ in 0..50 {
                let mut d: Vec<i32> = (0..n).map(|_| round_i32(noise.gauss() * 2000.0)).collect();
                d[0] = 500_000;
                let r = of(&d).unwrap();
                // Stops at a thousandth of the standard error (2 mm/√n); a wrong cut or a mean
                // that still holds the stray is off by tenths of a millimetre.
                let error_m = (r.mean_m - oracle(&d) * UNIT_M).abs();
                assert!(error_m < 0.002 * r.se_m, "n {n}: {error_m}");
            }
        }
    }

    #[test]
    fn a_fifth_of_strays_moves_the_mean_by_less_than_a_tenth_of_a_millimetre() {
        let mut noise = Noise::new(1);
        let mut d: Vec<i32> = (0..400)
            .map(|_| round_i32(noise.gauss() * 1000.0))
            .collect();
        let clean = of(&d).unwrap();
        d.extend((0..100).map(|k| 50_000 + 9000 * k));
        let dirty = of(&d).unwrap();
        assert!((dirty.mean_m - clean.mean_m).abs() < 1e-4);
        assert!((dirty.outlier_share - 0.2).abs() < 0.01);
    }

    #[test]
    fn the_interval_of_a_clean_cell_holds_the_truth_19_times_in_20() {
        // The floor is taken off to test the rest: 4000 draws give a standard deviation of 0.35 %
        // at 95 %; 4 of those, and 1 % for the biweight's own approximation at small n.
        for (n, sd_um) in [(5, 5000.0), (12, 5000.0), (60, 5000.0), (300, 5000.0)] {
            let mut noise = Noise::new(n);
            let held = (0..4000).filter(|_| {
                let d: Vec<i32> = (0..n).map(|_| round_i32(noise.gauss() * sd_um)).collect();
                let mut d = d;
                d.sort_unstable();
                let r = RobustMean::of_sorted(&d, sd_um).unwrap();
                let se = (r.se_m * r.se_m - SE_FLOOR_M * SE_FLOOR_M).sqrt();
                r.mean_m.abs() <= student95(r.n_eff - 1.0 + PRIOR_POINTS) * se
            });
            let share = held.count() as f64 / 4000.0;
            assert!((share - 0.95).abs() < 0.024, "n {n}: {share}");
        }
    }

    #[test]
    fn student_points_agree_with_the_printed_table() {
        // Abramowitz and Stegun, Handbook of Mathematical Functions, table 26.10, A = 0.95.
        for (nu, t) in [
            (2.0, 4.303),
            (3.0, 3.182),
            (5.0, 2.571),
            (10.0, 2.228),
            (30.0, 2.042),
        ] {
            assert!(
                (student95(nu) / t - 1.0).abs() < 0.02,
                "{nu}: {}",
                student95(nu)
            );
        }
        assert!((student95(1e9) - 1.96).abs() < 1e-3);
    }
}
