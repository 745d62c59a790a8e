//! What a window's plane takes off waves is given back, as far as the road makes it likely.
//!
//! A plane through a Gaussian window of width b passes exp(−x) of a wave, x = 2π²b²k²: of those of
//! 1 to 3 m, which a car feels most, it takes 2 to 14 %. Where the road bends by q = ∇²z/4 the plane
//! lies q·2b² above it, as u² + v² has the mean 2b² in the window. That is taken off, q from a window
//! f = 1.9 times as wide, which passes exp(−f²x) of it: a height then passes
//!
//! H = exp(−x) + x·exp(−f²x) = 1 − (f² − ½)·x² + …
//!
//! By these transfer functions a height errs by 26.62·A·b + 1.199/(4π·W·b²) in the mean square, the
//! plane's by 28.98·A·b + 1/(4π·W·b²): at the plane's best width 0.6 % more in the root. A narrower
//! window for the bend gives back more of short waves and tells it with more noise: f = √3 errs by
//! 1.1 % more than the plane, 2.2 by 0.2 %. (A bowl fitted in one window at its own best width passes
//! (1 + x)·exp(−x), errs by 1.0 % more, and gives short waves less.)
//!
//! The surface is straight between heights: over cells h wide the chords of a crest lie q·h²/3 below
//! it in the mean, h²/12·∇²z, some 3 % of a wave of ten steps. Heights are put that much further out,
//! so that faces have the road's mean height and not their chords' sag (the straight pieces of least
//! squares, to their first term; the twist z_uv cancels over diagonals that alternate). H and the
//! errors above are those without this part: of what the faces hold.
//!
//! What is told of a bend is road and noise. A road bends in all directions: how much of ∇²z is given
//! back is told by all three second derivatives, by the mean of their squares over their noise. None
//! is given back below 1.3, all from 2.5 on, and in part between. Where each has three times the
//! variance of its noise, 0.92 of the road's ∇²z goes through (Σ share·x·r over Σ r²), and where all is
//! noise 0.35 of it (Σ share·x² over Σ x²; by drawing them). By the square of ∇²z alone, from 2 on and
//! whole from 5, that would be 0.84 and 0.34.
//!
//! A fit that bends overshoots beside a step that no breakline marks. But the road itself says how
//! much there can be to give back: Σx²·exp(−2f²x) over its spectrum is 0.638·A·b, and over the flat
//! spectrum of the noise 1/94 of the plane's. With windows cut as they are, over cells, both are
//! larger, 1.1 to 2 and 1.3 to 3.5 times. No more than [`MOST_SDS`] standard deviations of that, some
//! 0.7 σ, are given back for the plane, and for the chords in proportion, whatever is seen; and nothing
//! where the wide window is one-sided, as at edges and rails: it tells slopes from bends badly there,
//! and how high the plane lies.
//!
//! Kerbs, humps and edges of holes bend more than any road of the spectrum: a ramp of 45 mm over 0.7 m
//! by a hundred times as much, and a window as wide as the road asks for lies 2 to 3 mm under its crest.
//! There the window is made narrower instead. Bends more evident than [`NO_CHANCE`] say how many
//! times the course's spectrum the ground has, and a window of that spectrum is fitted; so is one a third
//! as wide where much of the window is lost to steps that no breakline marks, or what is left of the cells
//! says that the ground in it is no plane, as among ribs (`field/kernel.rs`, `field/rounds.rs`). Their σ is
//! that of the rougher spectrum; a window that is as narrow as cells let it be keeps the σ of the spectrum it
//! was made for, which on ribs is too small.

use super::around::{Around, OF_SLOPE};
use crate::numeric::{BowlSums, FittedPlane, PlaneSums, TUKEY_C, biweight_of_square};

/// Width of the window that tells the bend, over the plane's: f of the module's text.
pub(super) const WIDER: f64 = 1.9;
/// Mean square of the road that a bent window leaves out over that of a plane: 26.62 / 28.98.
pub(super) const LEFT_OUT_SHARE: f64 = 0.9186;
/// Noise of a bent window over the plane's, by the transfer functions; where windows are narrower than
/// a cell 1.17 was seen.
pub(super) const NOISE_SHARE: f64 = 1.199;
/// Mean square over A·b of what the road makes a plane take off, and that of noise over the plane's.
const OF_ROAD: f64 = 0.90;
const OF_NOISE: f64 = 1.0 / 50.0;
/// So many standard deviations of what a plane takes off are given back at most. A road of the
/// spectrum has one height in 16 000 beyond it.
const MOST_SDS: f64 = 4.0;
/// A window whose middle is off by the first share of its width tells all of a bend, by the second
/// nothing: a half is off by 0.4 to 0.7, a whole one by what cells' places scatter.
const ONE_SIDED: [f64; 2] = [0.2, 0.4];
/// From the first of these evidences on some of a bend is given back, from the second on all of it.
const EVIDENT: [f64; 2] = [1.3, 2.5];
/// Evidence that is no chance: on a road of the course's spectrum the three second derivatives have 5.1,
/// 3.1 and 3.1 times the variance of their noise, and one place of a thousand is beyond 22.
const NO_CHANCE: f64 = 22.0;
/// Ground is rougher than the course by its evidence over this, twice what the course's own has in the
/// mean: a window that is too narrow holds more noise, one that is too wide a wrong shape.
const USUAL_EVIDENCE: f64 = 8.0;

/// Width of the window that tells the bend where the plane's is `b_m` wide, both taken with the box
/// of a cell: else it were hardly wider where windows are narrower than cells.
pub(super) fn wider_m(b_m: f64, step_m: f64) -> f64 {
    let wider2 = WIDER * WIDER;
    (wider2 * b_m * b_m + (wider2 - 1.0) * step_m * step_m / 12.0).sqrt()
}

/// What a window holds that is [`WIDER`] than the plane's.
#[derive(Debug, Default)]
pub(super) struct WideWindow {
    pub around: Around,
    scatter_m2: Vec<f64>,
}

/// What a plane is too high by, and how far that is told (0 to 1).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Bent {
    pub height_m: f64,
    pub share: f64,
    /// Mean of the three squared second derivatives over their noise; 0 where none is told.
    pub evidence: f64,
}

impl Bent {
    /// How many times the course's spectrum the ground here has, as far as its bends leave no doubt.
    /// One-sided windows tell it, too: a narrower one extrapolates no further.
    pub fn rougher(&self) -> f64 {
        if self.evidence > NO_CHANCE {
            self.evidence / USUAL_EVIDENCE
        } else {
            1.0
        }
    }
}

/// What is known of the plane that is given back to.
#[derive(Debug, Clone, Copy)]
pub(super) struct Flat {
    pub plane: FittedPlane,
    /// How far a plane lies above u² + v² at (0, 0), m².
    pub leak_m2: f64,
    /// How far chords between heights lie above u² + v² in the mean, m².
    pub sag_m2: f64,
    /// Variance that noise makes, m².
    pub noise_m2: f64,
    /// Width of the window with the box of its cells, metres.
    pub spread_m: f64,
}

impl Flat {
    /// What is given back of a bend, for plane and chords, over what the plane takes off: up to 1.9 in
    /// the narrowest window, 3 in one of a single cell.
    pub fn further(&self) -> f64 {
        1.0 + self.sag_m2 / self.leak_m2
    }
}

impl WideWindow {
    /// Slopes of the plain plane: of all, whether it agrees or not.
    pub fn slope(&self) -> (f64, f64) {
        let all = &self.around;
        PlaneSums::of_columns([&all.w, &all.u, &all.v, &all.z])
            .solve(0.0, 0.0, 0.0)
            .map_or((0.0, 0.0), |p| (p.slope_u, p.slope_v))
    }

    /// What to take off the height of a plane; the window here is `wide_m` wide.
    pub fn bent(&mut self, flat: &Flat, wide_m: f64, level_m: f64) -> Bent {
        self.take_off(&flat.plane, level_m);
        let all = &self.around;
        let sums = BowlSums::of_columns([&all.w, &all.u, &all.v, &all.z]);
        let Some(bend) = sums.solve() else {
            return Bent::default();
        };
        let seen = bend.per_m * flat.leak_m2;
        let evidence = bend.evidence([&all.w, &all.u, &all.v, &all.variance]);
        let whole = 1.0 - ramp(sums.off_m() / wide_m, ONE_SIDED);
        let share = whole * ramp(evidence, EVIDENT);
        let variance = OF_ROAD * level_m * flat.spread_m + OF_NOISE * flat.noise_m2;
        let most = MOST_SDS * variance.sqrt();
        Bent {
            height_m: share * flat.further() * seen.clamp(-most, most),
            share,
            evidence,
        }
    }

    /// Take a plane off the heights, and weigh what it leaves with Tukey's weights.
    fn take_off(&mut self, plane: &FittedPlane, level_m: f64) {
        self.around.scatter_m2(level_m, &mut self.scatter_m2);
        let n = self.scatter_m2.len();
        let all = &mut self.around;
        let (u, v, d2) = (&all.u[..n], &all.v[..n], &all.d2[..n]);
        let (w, z, scatter_m2) = (&mut all.w[..n], &mut all.z[..n], &self.scatter_m2[..n]);
        for k in 0..n {
            z[k] -= plane.at(u[k], v[k]);
            let reach2 = TUKEY_C * TUKEY_C * (scatter_m2[k] + OF_SLOPE * d2[k]);
            w[k] *= biweight_of_square(z[k] * z[k] / reach2);
        }
    }
}

/// 0 up to `from`, 1 from `to` on, even between.
fn ramp(x: f64, [from, to]: [f64; 2]) -> f64 {
    ((x - from) / (to - from)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::super::kernel::Seen;
    use super::*;

    /// ∫ f(x) dk over the waves with x = k², to 1e-4 of it.
    fn over_waves(f: impl Fn(f64) -> f64) -> f64 {
        let step = 1e-3;
        let at = |i: i32| f(((f64::from(i) + 0.5) * step).powi(2));
        step * (0..60_000).map(at).sum::<f64>()
    }

    #[test]
    fn road_and_noise_are_left_out_as_the_transfer_functions_say() {
        let given = |x: f64| x * (-WIDER * WIDER * x).exp();
        let plane = |x: f64| (-x).exp();
        // Road: ∫ k·A·k⁻³·…² dk; noise ∫ k·…² dk.
        let road = |f: &dyn Fn(f64) -> f64| over_waves(|x| f(x).powi(2) / x);
        let noise = |f: &dyn Fn(f64) -> f64| over_waves(|x| f(x).powi(2) * x.sqrt());
        let left = road(&|x| 1.0 - plane(x)) + 1.0 / 60.0;
        let left_bent = road(&|x| 1.0 - plane(x) - given(x)) + 1.0 / 60.0;
        assert!((left_bent / left - LEFT_OUT_SHARE).abs() < 1e-3);
        // 28.98·A·b is left out.
        assert!((28.98 * road(&given) / left - 0.638).abs() < 1e-3);
        let more = noise(&|x| plane(x) + given(x)) / noise(&plane);
        assert!((more - NOISE_SHARE).abs() < 1e-3, "{more}");
        assert!((noise(&plane) / noise(&given) - 94.1).abs() < 0.1);
    }

    /// A window over cells of 0.1 m, with those alone that `keep`, the plane's being `b` wide, about
    /// (`at`, 0) on a road bent by `per_m`, every cell of weight `w`; the plane is level.
    fn bent_over(b: f64, at: f64, keep: impl Fn(f64) -> bool, [per_m, w]: [f64; 2]) -> Bent {
        let step = 0.1;
        let wide_m = wider_m(b, step);
        let mut wide = WideWindow::default();
        let cells = (-20..21).flat_map(|i| (-20..21).map(move |j| (i, j)));
        for (i, j) in cells {
            let (s, t) = (step * f64::from(i), step * f64::from(j));
            let (u, round) = (s - at, (s - at).powi(2) + t * t);
            if u.abs().max(t.abs()) <= 2.5 * wide_m && keep(s) {
                let z = per_m * round;
                wide.around.push(Seen { w, s, t, z }, [at, 0.0]);
            }
        }
        wide.around.weigh(wide_m);
        let plane = FittedPlane {
            z0: 0.0,
            slope_u: 0.0,
            slope_v: 0.0,
        };
        let flat = Flat {
            plane,
            leak_m2: 0.02,
            sag_m2: 0.005,
            noise_m2: 1e-9,
            spread_m: 0.1,
        };
        wide.bent(&flat, wide_m, 1e-8)
    }

    /// Of a whole window about a cell.
    fn bent(per_m: f64) -> Bent {
        bent_over(0.1, 0.0, |_| true, [per_m, 1e8])
    }

    #[test]
    fn no_more_is_given_back_than_the_road_makes_likely() {
        let whole = bent(1e-3);
        // 0.02 m² of the plane and a quarter of that for the chords.
        assert!((whole.share - 1.0).abs() < 1e-12 && (whole.height_m - 2.5e-5).abs() < 1e-7);
        // A plane takes off 0.2 mm of such a crest; 4·√(0.9·1e-9 + 1e-9/50) m is 0.121 mm.
        for sign in [-1.0, 1.0] {
            let most = bent(sign * 0.01).height_m * sign;
            assert!((most - 1.25 * 1.2133e-4).abs() < 1e-8, "{most}");
        }
    }

    /// Standard deviation that noise gives what is told of a bend in a whole window, 1/m.
    fn noise_per_m() -> f64 {
        let wide2 = wider_m(0.1, 0.1).powi(2);
        let reach = crate::numeric::floor_i32(2.5 * wide2.sqrt() / 0.1);
        let at = |i: i32, j: i32| 0.01 * f64::from(i * i + j * j);
        let cells = || (-reach..=reach).flat_map(move |i| (-reach..=reach).map(move |j| at(i, j)));
        let g = |round: f64| (-0.5 * round / wide2).exp();
        let mean = cells().map(|r| g(r) * r).sum::<f64>() / cells().map(g).sum::<f64>();
        let of = |power: i32| -> f64 {
            let part = |r: f64| g(r).powi(power) * (r - mean).powi(2);
            cells().map(part).sum()
        };
        (of(2) / 1e8).sqrt() / of(1)
    }

    #[test]
    fn a_bowl_counts_from_two_to_three_standard_deviations_of_its_noise() {
        // A bowl bends in one of three ways: the evidence is a third of its square.
        let shares = [1.9, 2.4, 2.8].map(|sds| bent(sds * noise_per_m()).share);
        assert!(shares[0].abs() < 1e-12 && (shares[2] - 1.0).abs() < 1e-12);
        assert!(
            (shares[1] - (2.4 * 2.4 / 3.0 - 1.3) / 1.2).abs() < 0.02,
            "{shares:?}"
        );
    }

    #[test]
    fn whole_windows_tell_a_bend_and_halves_hardly_whatever_their_width() {
        for b in [0.031, 0.035, 0.06, 0.08, 0.1, 0.15, 0.3] {
            for at in [0.0, 0.05] {
                let whole = bent_over(b, at, |_| true, [1e-3, 1e12]).share;
                assert!((whole - 1.0).abs() < 1e-12, "{b} {at}: {whole}");
                // Cells ahead of the place alone, that below it with them or not.
                for from in [at, at + 0.01] {
                    let half = bent_over(b, at, |s| s >= from - 1e-9, [1e-3, 1e12]).share;
                    assert!(half < 0.15, "{b} {at} {from}: {half}");
                }
            }
        }
    }
}
