//! The new scan's setups put onto the ground that stayed.
//!
//! At small places of smooth road the old surface is one more sight, a fixed one. First the setups
//! are levelled among each other, which all saw the same new ground: a setup that saw changed
//! ground alone must not take it for an error of its own. Then they are held to the old surface
//! together, from the most frequent difference on (so that even a majority of changed ground does
//! not mislead them as long as what changed did not change alike), by Tukey's weights; places that
//! do not fit are changed ground and lose the old surface. What is left goes into the levelling that
//! setups of one scan get ([`level`]), with the old surface as datum.

use crate::numeric::{TUKEY_C, biweight, factor_dense, mad_sigma, median, quantile, solve_dense};
use crate::setups::{LevelError, Levelled, Place, Places, SURVEYED, Sight, level};

/// Places that tie a setup, at least.
const FEWEST_PLACES: usize = 30;
/// Share of the places that the old surface and the scan have in common that must agree.
const LEAST_SHARE: f64 = 0.15;
/// Places that differ by this much from the most frequent difference may still be the same ground
/// seen by a tilted setup, metres.
const NEAR_M: f64 = 0.006;
/// The same for setups that were levelled among each other: together they are hardly tilted, and a
/// plane through half of changed ground must not swing round to the other half.
const NEAR_TOGETHER_M: f64 = 0.0025;
/// Width of the window that finds the most frequent difference, metres.
const WINDOW_M: f64 = 0.002;
/// Where most places that agree scatter by more than this, the scan is of other ground, metres.
const MOST_SCATTER_M: f64 = 0.003;
/// Rounds of Tukey's weights; ten settle them.
const ROUNDS: usize = 10;
/// Differences beyond this many standard deviations are changed ground.
const CHANGED_SDS: f64 = 4.0;
/// Two scans of one place agree to this at best, metres.
const FLOOR_M: f64 = 1e-4;
/// Tilts are solved for as the height that they make at this distance, metres.
const ARM_M: f64 = 10.0;
/// Expected spread of that height, metres: holds the tilts of a setup that saw a narrow strip.
const TILT_M: f64 = 2e-3;

/// Why a scan cannot be tied to the old surface.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum TieError {
    /// Too few places of smooth road in common.
    #[error(
        "only {places} places of smooth road are common to the scan and the old surface, {needed} are needed"
    )]
    TooFew {
        /// Places in common.
        places: usize,
        /// Places needed.
        needed: usize,
    },
    /// The old surface and the scan do not show the same ground.
    #[error(
        "the scan and the old surface agree at {agree} of {places} places only, to {scatter_mm:.1} mm; heights differ by {shift_m:.3} m most often"
    )]
    OtherGround {
        /// Places that agree.
        agree: usize,
        /// Places in common.
        places: usize,
        /// How far those that agree scatter, millimetres.
        scatter_mm: f64,
        /// The most frequent difference, metres.
        shift_m: f64,
    },
    /// The system has no solution.
    #[error(transparent)]
    Level(#[from] LevelError),
}

/// How one setup of the new scan was tied.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SetupTie {
    /// Places that it shares with the old surface.
    pub places: usize,
    /// Those of them that stayed.
    pub stable: usize,
    /// Robust spread of its differences there after levelling, metres.
    pub misfit_m: f64,
    /// Whether it is tied: by itself, or through others.
    pub tied: bool,
}

/// The setups of a new scan, levelled.
#[derive(Debug, Clone, PartialEq)]
pub struct Tie {
    /// Corrections and how they went, by setup.
    pub levelled: Levelled,
    /// By setup.
    pub setups: Vec<SetupTie>,
    /// Places in common with the old surface, and those that stayed.
    pub places: [usize; 2],
    /// The most frequent difference before levelling, new less old, metres.
    pub shift_m: f64,
    /// Robust spread of differences at places that stayed, before and after, metres.
    pub misfit_m: [f64; 2],
}

/// Tie `setups` setups to the old surface, which is the sight [`SURVEYED`] of places that both saw.
///
/// # Errors
/// [`TieError`] with the reason.
pub fn tie(places: &Places, setups: usize, about_m: &[Option<[f64; 3]>]) -> Result<Tie, TieError> {
    let among = level(&without_old(places), setups, about_m)?;
    let sights = Differences::of(places, &among, about_m);
    let common = sights.by_place.iter().filter(|p| !p.is_empty()).count();
    if common < FEWEST_PLACES {
        let (places, needed) = (common, FEWEST_PLACES);
        return Err(TieError::TooFew { places, needed });
    }
    let shift_m = most_frequent(&sights.all);
    let groups = 0..sights.about_m.len();
    let fits: Vec<Option<[f64; 3]>> = groups.map(|g| sights.fit(g, shift_m)).collect();
    let scale = sights.scale_m(&fits);
    let stable = sights.stable(&fits, scale);
    let agree = stable.iter().filter(|s| **s).count();
    let other = (agree as f64) < LEAST_SHARE * common as f64 || agree < FEWEST_PLACES;
    if other || scale > MOST_SCATTER_M {
        return Err(TieError::OtherGround {
            agree,
            places: common,
            scatter_mm: 1e3 * scale,
            shift_m,
        });
    }
    let kept = with_stable(places, &stable, shift_m);
    let mut levelled = level(&kept, setups, about_m)?;
    for (k, correction) in levelled.corrections.iter_mut().enumerate() {
        if levelled.report.shared[k] > 0 {
            correction.offset_m += shift_m;
        }
    }
    let setups = setup_ties(places, &stable, &levelled);
    let own = |k: usize, at: [f64; 2]| among.corrections[k].at(at);
    let before = sights.all_stable(&stable, &|k, at| shift_m - own(k, at));
    let after = sights.all_stable(&stable, &|k, at| {
        levelled.corrections[k].at(at) - own(k, at)
    });
    Ok(Tie {
        setups,
        places: [common, agree],
        shift_m,
        misfit_m: [before, after],
        levelled,
    })
}

/// Places as the new scan alone saw them.
fn without_old(places: &Places) -> Places {
    let mut out = Places::default();
    for place in places.iter() {
        let new = place.sights.iter().filter(|s| s.setup != SURVEYED);
        let new: Vec<Sight> = new.copied().collect();
        if !new.is_empty() {
            out.push(place.xyz_m, &new);
        }
    }
    out
}

/// One setup's difference to the old surface at a place, once the setups agree among each other.
#[derive(Debug, Clone, Copy)]
struct Difference {
    setup: usize,
    d_m: f64,
    variance_m2: f64,
    at_m: [f64; 2],
}

struct Differences {
    by_place: Vec<Vec<Difference>>,
    all: Vec<f64>,
    /// By setup: the group that it was levelled with, or one of its own.
    group: Vec<usize>,
    /// By group: what its tilts are about.
    about_m: Vec<[f64; 2]>,
}

fn old_of<'a>(place: &Place<'a>) -> Option<&'a Sight> {
    place.sights.iter().find(|s| s.setup == SURVEYED)
}

impl Differences {
    fn of(places: &Places, among: &Levelled, about_m: &[Option<[f64; 3]>]) -> Self {
        let setups = among.corrections.len();
        let one = |place: Place| {
            let Some(old) = old_of(&place) else {
                return Vec::new();
            };
            let at_m = [place.xyz_m[0], place.xyz_m[1]];
            let new = place
                .sights
                .iter()
                .filter(|s| usize::from(s.setup) < setups);
            let difference = |s: &Sight| Difference {
                setup: usize::from(s.setup),
                d_m: f64::from(s.mean_m)
                    - among.corrections[usize::from(s.setup)].at(at_m)
                    - f64::from(old.mean_m),
                variance_m2: f64::from(s.variance_m2) / f64::from(s.n.max(1.0))
                    + f64::from(old.variance_m2)
                    + FLOOR_M * FLOOR_M,
                at_m,
            };
            new.map(difference).collect::<Vec<_>>()
        };
        let by_place: Vec<Vec<Difference>> = places.iter().map(one).collect();
        let group = groups(among);
        let about_m = middles(&by_place, &group, about_m);
        Self {
            all: by_place.iter().flatten().map(|d| d.d_m).collect(),
            by_place,
            group,
            about_m,
        }
    }

    fn shape(&self, d: &Difference) -> [f64; 3] {
        let [x, y] = self.about_m[self.group[d.setup]];
        [1.0, (d.at_m[0] - x) / ARM_M, (d.at_m[1] - y) / ARM_M]
    }

    fn left_m(&self, d: &Difference, fit: &[f64; 3]) -> f64 {
        let shape = self.shape(d);
        d.d_m - (0..3).map(|k| shape[k] * fit[k]).sum::<f64>()
    }

    /// Offset and tilts of a group by Tukey's weights from `start_m` on; `None` with too few places.
    fn fit(&self, group: usize, start_m: f64) -> Option<[f64; 3]> {
        let all = self.by_place.iter().flatten().copied();
        let own: Vec<Difference> = all.filter(|d| self.group[d.setup] == group).collect();
        let mut fit = [start_m, 0.0, 0.0];
        let widest = if group == 0 { NEAR_TOGETHER_M } else { NEAR_M };
        let mut reach = widest;
        for _ in 0..ROUNDS {
            let near = own.iter().map(|d| (d, self.left_m(d, &fit)));
            let near: Vec<(&Difference, f64)> = near.filter(|(_, r)| r.abs() < reach).collect();
            if near.len() < FEWEST_PLACES {
                return None;
            }
            fit = self.step(&near, fit, start_m, reach)?;
            let mut left: Vec<f64> = near.iter().map(|(d, _)| self.left_m(d, &fit)).collect();
            let spread = mad_sigma(&mut left, 0.0)?.max(FLOOR_M);
            reach = (TUKEY_C * spread).clamp(5.0 * FLOOR_M, widest);
        }
        Some(fit)
    }

    fn step(
        &self,
        near: &[(&Difference, f64)],
        fit: [f64; 3],
        start_m: f64,
        reach_m: f64,
    ) -> Option<[f64; 3]> {
        let (mut a, mut b) = ([0.0; 9], vec![0.0; 3]);
        for (d, r) in near {
            let (shape, w) = (self.shape(d), biweight(r / reach_m) / d.variance_m2);
            for i in 0..3 {
                b[i] += w * shape[i] * r;
                (0..3).for_each(|j| a[3 * i + j] += w * shape[i] * shape[j]);
            }
        }
        for i in 0..3 {
            let pull = if i == 0 { NEAR_M } else { TILT_M }.powi(-2);
            let towards = if i == 0 { start_m } else { 0.0 };
            a[4 * i] += pull;
            b[i] -= pull * (fit[i] - towards);
        }
        factor_dense(&mut a, 3, 0).ok()?;
        solve_dense(&a, 3, &mut b);
        Some([fit[0] + b[0], fit[1] + b[1], fit[2] + b[2]])
    }

    /// Robust spread of what is left near zero.
    fn scale_m(&self, fits: &[Option<[f64; 3]>]) -> f64 {
        let mut left = Vec::new();
        for d in self.by_place.iter().flatten() {
            if let Some(fit) = &fits[self.group[d.setup]] {
                let r = self.left_m(d, fit).abs();
                left.extend((r < NEAR_M).then_some(r));
            }
        }
        // The lower half of the sizes: what changed by a little is in the upper.
        let quarter = quantile(&mut left, 0.4).unwrap_or(0.0);
        (quarter / 0.524_4).max(FLOOR_M)
    }

    /// Which places stayed: most setups that can tell say so.
    fn stable(&self, fits: &[Option<[f64; 3]>], scale_m: f64) -> Vec<bool> {
        let one = |place: &Vec<Difference>| {
            let left = place.iter().filter_map(|d| {
                let fit = fits[self.group[d.setup]].as_ref()?;
                let sd = scale_m.max(d.variance_m2.sqrt());
                Some(self.left_m(d, fit).abs() / sd)
            });
            let mut left: Vec<f64> = left.collect();
            median(&mut left).is_some_and(|u| u < CHANGED_SDS)
        };
        self.by_place.iter().map(one).collect()
    }

    /// Robust spread of the differences at stable places less `correction`.
    fn all_stable(&self, stable: &[bool], correction: &dyn Fn(usize, [f64; 2]) -> f64) -> f64 {
        let kept = self.by_place.iter().zip(stable).filter(|(_, s)| **s);
        let mut left: Vec<f64> = kept
            .flat_map(|(place, _)| place.iter().map(|d| d.d_m - correction(d.setup, d.at_m)))
            .collect();
        mad_sigma(&mut left, 0.0).unwrap_or(0.0)
    }
}

/// Setups that agree among each other are group 0; each of the others is one of its own.
fn groups(among: &Levelled) -> Vec<usize> {
    let report = &among.report;
    let mut alone = 0;
    let mut group = |k: usize| {
        if report.shared[k] > 0 && report.tied[k] && !report.left_out[k] {
            return 0;
        }
        alone += 1;
        alone
    };
    (0..among.corrections.len()).map(&mut group).collect()
}

/// What each group's tilts are about: the scanner of a setup alone, else the middle of what was seen.
fn middles(
    by_place: &[Vec<Difference>],
    group: &[usize],
    about_m: &[Option<[f64; 3]>],
) -> Vec<[f64; 2]> {
    let middle = |g: usize| {
        let own = by_place.iter().flatten().filter(|d| group[d.setup] == g);
        let (mut sum, mut n) = ([0.0; 2], 0.0);
        own.for_each(|d| {
            sum = [sum[0] + d.at_m[0], sum[1] + d.at_m[1]];
            n += 1.0;
        });
        sum.map(|v| v / f64::max(n, 1.0))
    };
    let known = |g: usize| {
        let alone = group.iter().position(|own| *own == g && g > 0)?;
        about_m.get(alone).copied().flatten().map(|p| [p[0], p[1]])
    };
    let count = group.iter().max().map_or(0, |most| most + 1);
    (0..count)
        .map(|g| known(g).unwrap_or_else(|| middle(g)))
        .collect()
}

/// The middle of the window of [`WINDOW_M`] that holds the most values.
fn most_frequent(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let (mut best, mut count, mut to) = (0.0, 0, 0);
    for from in 0..sorted.len() {
        while to < sorted.len() && sorted[to] - sorted[from] <= WINDOW_M {
            to += 1;
        }
        if to - from > count {
            count = to - from;
            best = sorted[from + (to - from) / 2];
        }
    }
    best
}

/// The places with the old surface where it stayed, moved by the shift.
fn with_stable(places: &Places, stable: &[bool], shift_m: f64) -> Places {
    let mut out = Places::default();
    for (place, stays) in places.iter().zip(stable) {
        let kept = place
            .sights
            .iter()
            .filter(|s| s.setup != SURVEYED || *stays);
        let moved = |s: &Sight| match s.setup {
            SURVEYED => *s,
            _ => Sight {
                mean_m: crate::numeric::to_f32(f64::from(s.mean_m) - shift_m),
                ..*s
            },
        };
        let sights: Vec<Sight> = kept.map(moved).collect();
        if !sights.is_empty() {
            out.push(place.xyz_m, &sights);
        }
    }
    out
}

fn setup_ties(places: &Places, stable: &[bool], levelled: &Levelled) -> Vec<SetupTie> {
    let setups = levelled.corrections.len();
    let mut left: Vec<Vec<f64>> = vec![Vec::new(); setups];
    let mut shared = vec![0usize; setups];
    for (place, stays) in places.iter().zip(stable) {
        let Some(old) = old_of(&place) else { continue };
        let at = [place.xyz_m[0], place.xyz_m[1]];
        for s in place
            .sights
            .iter()
            .filter(|s| usize::from(s.setup) < setups)
        {
            let k = usize::from(s.setup);
            shared[k] += 1;
            let d = f64::from(s.mean_m) - f64::from(old.mean_m);
            left[k].extend(stays.then(|| d - levelled.corrections[k].at(at)));
        }
    }
    let own: Vec<bool> = left.iter().map(|l| l.len() >= FEWEST_PLACES).collect();
    let report = &levelled.report;
    // The group that is tied together is tied to the old surface when one of it is.
    let group = (0..setups).any(|k| own[k] && report.tied[k]);
    let tied = |k: usize| (own[k] || (group && report.tied[k])) && !report.left_out[k];
    let one = |(k, left): (usize, &mut Vec<f64>)| SetupTie {
        places: shared[k],
        stable: left.len(),
        misfit_m: mad_sigma(left, 0.0).unwrap_or(0.0),
        tied: tied(k),
    };
    left.iter_mut().enumerate().map(one).collect()
}
