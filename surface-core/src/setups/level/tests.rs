//! Planted errors of setups, and setups that cannot be levelled.

use super::solver::count;
use super::{Levelled, level};
use crate::numeric::PlaneSums;
use crate::setups::{Correction, Places, SLOW_TERMS, Sight};

const SETUPS: usize = 12;
/// Spread of a sight's mean about the truth, metres.
const NOISE_M: f64 = 2e-4;

fn stand(setup: usize) -> [f64; 3] {
    let turn = std::f64::consts::TAU * count(setup) / count(SETUPS);
    [60.0 * turn.cos(), 60.0 * turn.sin(), 2.0]
}

/// Even noise of unit spread from a counter.
fn noise(k: usize) -> f64 {
    let mut z = (k as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x1234_5678_9abc_def1;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z ^= z >> 27;
    12f64.sqrt() * ((z >> 11) as f64 / (1u64 << 53) as f64 - 0.5)
}

fn sight(setup: usize, mean_m: f64) -> Sight {
    Sight {
        setup: u16::try_from(setup).unwrap(),
        n: 16.0,
        mean_m: crate::numeric::to_f32(mean_m),
        variance_m2: crate::numeric::to_f32(16.0 * NOISE_M * NOISE_M),
        ..Sight::default()
    }
}

/// A round course; every place is seen by the setups within 45 m, each off as `error` says.
fn places(error: impl Fn(usize, [f64; 2]) -> f64) -> Places {
    let mut out = Places::default();
    for k in 0..4000usize {
        let turn = std::f64::consts::TAU * count(k) / 4000.0;
        let r = 55.0 + 10.0 * (noise(7 * k) / 3.5 + 0.5);
        let [x, y] = [r * turn.cos(), r * turn.sin()];
        let sights: Vec<Sight> = (0..SETUPS)
            .filter(|&s| (x - stand(s)[0]).hypot(y - stand(s)[1]) < 45.0)
            .map(|s| sight(s, error(s, [x, y]) + NOISE_M * noise(SETUPS * k + s)))
            .collect();
        out.push([x, y, 0.0], &sights);
    }
    out
}

fn levelled(places: &Places) -> Levelled {
    let about: Vec<_> = (0..SETUPS).map(|s| Some(stand(s))).collect();
    level(places, SETUPS, &about).unwrap()
}

/// Planted offsets of up to 0.8 mm with mean zero and tilts of up to 20 µrad.
fn planted(s: usize) -> Correction {
    let offset = |s: usize| 0.8e-3 * noise(1000 + s) / 1.8;
    let mean = (0..SETUPS).map(offset).sum::<f64>() / count(SETUPS);
    Correction {
        offset_m: offset(s) - mean,
        tilt_rad: [2000, 3000].map(|k| 20e-6 * noise(k + s) / 1.8),
        about_m: [stand(s)[0], stand(s)[1]],
        ..Correction::default()
    }
}

#[test]
fn planted_errors_are_found_to_a_fraction_of_a_millimetre() {
    let found = levelled(&places(|s, at| planted(s).at(at)));
    // A plane common to all setups cannot be known: it is taken off before they are compared.
    let mut common = PlaneSums::default();
    let mut rest = Vec::new();
    for s in 0..SETUPS {
        for d in [[0.0, 0.0], [20.0, 0.0], [0.0, 20.0]] {
            let at = [stand(s)[0] + d[0], stand(s)[1] + d[1]];
            let error = found.corrections[s].at(at) - planted(s).at(at);
            common.add(1.0, at[0], at[1], error);
            rest.push((at, error));
        }
    }
    let plane = common.solve(0.0, 0.0, 0.0).unwrap();
    for (at, error) in rest {
        // Hundreds of places with sights of 0.2 mm tie neighbours to 0.02 mm, and the ring sags
        // by a few of these between; unlevelled, the difference is up to 0.8 mm.
        let left = error - plane.at(at[0], at[1]);
        assert!(left.abs() < 1.2e-4, "{at:?}: {left}");
    }
    let mean = found.corrections.iter().map(|c| c.offset_m).sum::<f64>() / count(SETUPS);
    assert!(mean.abs() < 1e-12, "{mean}");
    assert!(found.report.misfit_m < 0.6 * found.report.misfit_before_m);
    assert!(found.report.tied.iter().all(|t| *t));
}

#[test]
fn a_setup_six_millimetres_off_is_named_and_does_not_move_the_others() {
    let off = |s: usize, at: [f64; 2]| planted(s).at(at) + if s == 4 { 6e-3 } else { 0.0 };
    let found = levelled(&places(off));
    let names: Vec<usize> = (0..SETUPS).filter(|&s| found.report.off[s]).collect();
    assert_eq!(names, [4]);
    let shift = found.corrections[4].offset_m - planted(4).offset_m;
    assert!((shift - 6e-3).abs() < 2e-4, "{shift}");
    let other = found.corrections[9].offset_m - planted(9).offset_m;
    assert!(other.abs() < 2e-4, "{other}");
}

#[test]
fn a_setup_that_contradicts_the_others_is_left_out_and_one_alone_is_kept_as_it_is() {
    let mut seen = places(|s, at| {
        let torn = if s == 7 {
            5e-3 * (3.0 * at[0]).sin()
        } else {
            0.0
        };
        planted(s).at(at) + torn
    });
    for k in 0..50usize {
        seen.push([500.0 + count(k), 0.0, 0.0], &[sight(SETUPS, 0.003)]);
    }
    let about: Vec<_> = (0..SETUPS).map(|s| Some(stand(s))).chain([None]).collect();
    let found = level(&seen, SETUPS + 1, &about).unwrap();
    let out: Vec<usize> = (0..=SETUPS).filter(|&s| found.report.left_out[s]).collect();
    assert_eq!(out, [7]);
    assert!(!found.report.tied[SETUPS]);
    assert!(found.corrections[SETUPS].offset_m.abs() < 1e-15);
}

#[test]
fn ground_that_only_a_setup_saw_that_was_left_out_is_not_lost() {
    let mut seen = places(|s, at| match s {
        7 => planted(s).at(at) + 5e-3 * (3.0 * at[0]).sin(),
        _ => planted(s).at(at),
    });
    for k in 0..20usize {
        let at = [500.0 + count(k), 0.0, 0.0];
        seen.push(at, &[sight(7, 0.0), sight(SETUPS, 0.003)]);
    }
    let about: Vec<_> = (0..SETUPS).map(|s| Some(stand(s))).chain([None]).collect();
    let report = level(&seen, SETUPS + 1, &about).unwrap().report;
    assert!(report.left_out[7] && !report.tied[SETUPS]);
    assert!(!report.left_out[SETUPS] && !report.spare[SETUPS]);
}

#[test]
fn a_setup_that_cannot_be_tied_is_left_out_where_the_others_saw_its_ground() {
    let seen_by_last = |seen: &mut Places, common: usize, alone: usize| {
        for k in 0..common {
            let at = [55.0, count(k) * 0.3, 0.0];
            let own = [
                sight(0, NOISE_M * noise(k)),
                sight(1, NOISE_M * noise(k + 999)),
                sight(SETUPS, 0.003),
            ];
            seen.push(at, &own);
        }
        for k in 0..alone {
            seen.push([500.0, count(k), 0.0], &[sight(SETUPS, 0.003)]);
        }
    };
    let about: Vec<_> = (0..SETUPS).map(|s| Some(stand(s))).chain([None]).collect();
    for (common, alone, out) in [(20, 1, true), (20, 10, false), (60, 1, false)] {
        let mut seen = places(|_, _| 0.0);
        seen_by_last(&mut seen, common, alone);
        let found = level(&seen, SETUPS + 1, &about).unwrap();
        let report = &found.report;
        assert_eq!(report.left_out[SETUPS], out, "{common}, {alone}");
        assert_eq!(report.spare[SETUPS], out);
        assert_eq!(report.tied[SETUPS], common == 60);
        assert!(report.left_out[..SETUPS].iter().all(|l| !l));
    }
}

#[test]
fn checkpoints_hold_the_height_of_all() {
    let mut seen = places(|s, at| planted(s).at(at) + 0.015);
    for k in 0..30usize {
        let s = k % SETUPS;
        let [x, y, _] = stand(s);
        let at = [x + 3.0, y - 2.0];
        let own = sight(s, planted(s).at(at) + 0.015);
        let mark = Sight {
            setup: u16::MAX,
            n: 1.0,
            mean_m: 0.0,
            variance_m2: 4e-6,
            ..Sight::default()
        };
        seen.push([at[0], at[1], 0.0], &[own, mark]);
    }
    let found = levelled(&seen);
    let mean = found.corrections.iter().map(|c| c.offset_m).sum::<f64>() / count(SETUPS);
    // 30 checkpoints of 2 mm tell the height to 0.37 mm; free of noise here, far better.
    assert!((mean - 0.015).abs() < 2e-4, "{mean}");
}

#[test]
fn places_that_one_setup_saw_alone_tell_nothing_of_the_misfit() {
    let torn = |s: usize, at: [f64; 2]| {
        let wave = if s == 7 { (3.0 * at[0]).sin() } else { 0.0 };
        planted(s).at(at) + 5e-3 * wave
    };
    let mut seen = places(torn);
    let shared = levelled(&seen);
    for k in 0..6000usize {
        let s = if k < 3000 { 7 } else { k % SETUPS };
        let [x, y, _] = stand(s);
        seen.push([x + 0.003 * count(k), y, 0.0], &[sight(s, 0.001)]);
    }
    let both = levelled(&seen);
    assert_eq!(both.report.left_out, shared.report.left_out);
    assert!(both.report.left_out[7]);
    let off = both.report.misfit_m - shared.report.misfit_m;
    assert!(off.abs() < 1e-9, "{off}");
    for (a, b) in both.corrections.iter().zip(&shared.corrections) {
        assert!((a.offset_m - b.offset_m).abs() < 1e-9);
    }
}

#[test]
fn how_well_checkpoints_hold_the_whole_is_no_spread_of_setups() {
    let mut seen = places(|s, at| planted(s).at(at));
    let [x, y, _] = stand(3);
    let mark = Sight {
        setup: u16::MAX,
        n: 1.0,
        mean_m: 0.0,
        variance_m2: 4e-4,
        ..Sight::default()
    };
    seen.push([x, y, 0.0], &[sight(3, planted(3).at([x, y])), mark]);
    let found = levelled(&seen);
    // Offsets of 0.46 mm were planted; one checkpoint of 20 mm holds their mean.
    let sd_m = found.report.offset_sd_m;
    assert!((2e-4..8e-4).contains(&sd_m), "{sd_m}");
    assert!(found.report.sd_m.iter().all(|sd| *sd > 0.01));
}

#[test]
fn more_setups_than_can_be_levelled_are_refused_with_their_number() {
    let error = level(&Places::default(), 5000, &[]).unwrap_err();
    assert!(error.to_string().starts_with("5000 setups"), "{error}");
}

#[test]
fn one_setup_or_none_needs_no_levelling() {
    assert_eq!(level(&Places::default(), 0, &[]).unwrap().corrections, []);
    let mut alone = Places::default();
    alone.push([1.0, 2.0, 3.0], &[sight(0, 0.004)]);
    let found = level(&alone, 1, &[None]).unwrap();
    assert!(found.corrections[0].offset_m.abs() < 1e-15);
}

/// Terms of slow errors of 40 µrad over all azimuths, by setup.
fn slow(s: usize) -> [f64; SLOW_TERMS] {
    let mut terms = [0.0; SLOW_TERMS];
    for (k, term) in terms.iter_mut().enumerate().skip(1) {
        *term = 28e-6 * noise(4000 + 17 * s + k);
    }
    terms
}

fn with_slow(s: usize) -> Correction {
    Correction {
        slow_rad: slow(s),
        ..planted(s)
    }
}

/// Whether no slow error is corrected.
fn is_steady(found: &Levelled) -> bool {
    let slow = |c: &Correction| c.slow_rms_rad() > 0.0;
    !found.corrections.iter().any(slow)
}

/// Root mean square of what is left of planted errors on the road within 30 m of each setup, less a
/// plane common to all, metres.
fn left_m(found: &Levelled, truth: impl Fn(usize) -> Correction) -> f64 {
    let mut common = PlaneSums::default();
    let mut rest = Vec::new();
    for k in 0..2000usize {
        let turn = std::f64::consts::TAU * count(k) / 2000.0;
        let r = 56.0 + count(k % 9);
        let at = [r * turn.cos(), r * turn.sin()];
        for s in 0..SETUPS {
            if (at[0] - stand(s)[0]).hypot(at[1] - stand(s)[1]) < 30.0 {
                let error = found.corrections[s].at(at) - truth(s).at(at);
                common.add(1.0, at[0], at[1], error);
                rest.push((at, error));
            }
        }
    }
    let plane = common.solve(0.0, 0.0, 0.0).unwrap();
    let squares = rest
        .iter()
        .map(|(at, e)| (e - plane.at(at[0], at[1])).powi(2));
    (squares.sum::<f64>() / count(rest.len())).sqrt()
}

#[test]
fn planted_slow_errors_are_found_where_positions_are_known() {
    let seen = places(|s, at| with_slow(s).at(at));
    let found = levelled(&seen);
    let told = found.report.slow.unwrap();
    assert!(told.corrected, "{told:?}");
    // 48 terms tell their spread to a tenth.
    assert!((30e-6..50e-6).contains(&told.sd_rad), "{told:?}");
    let blind = level(&seen, SETUPS, &[None; SETUPS]).unwrap();
    assert_eq!(blind.report.slow, None);
    assert!(is_steady(&blind));
    let left = [&found, &blind].map(|l| left_m(l, with_slow));
    println!("left of slow errors: {left:?} m, {told:?}");
    // 40 µrad at 17 m are 0.68 mm, of which offsets and tilts take a part; hundreds of places with
    // sights of 0.2 mm tell a setup's eight unknowns to 0.05 mm.
    assert!(left[0] < 0.12e-3 && left[0] < 0.3 * left[1], "{left:?}");
    assert!(found.report.misfit_m < 0.8 * blind.report.misfit_m);
}

#[test]
fn where_no_slow_error_shows_none_is_corrected() {
    for seed in 0..8 {
        let own = |s: usize, [x, y]: [f64; 2]| {
            let k = crate::numeric::to_index(1e4 * (x + 100.0) + 1e6 * (y + 100.0));
            planted(s).at([x, y]) + NOISE_M * noise(31 * k + 7 * s + 1_000_003 * seed)
        };
        let found = levelled(&places(own));
        let told = found.report.slow.unwrap();
        println!("{told:?}");
        assert!(
            !told.corrected && told.drop < 1.5 * told.unknowns,
            "{told:?}"
        );
        assert!(told.sd_rad < 5e-6, "{told:?}");
        assert!(is_steady(&found));
    }
}

#[test]
fn fixed_heights_tell_the_slow_error_of_one_setup() {
    let alone = |s: usize, at: [f64; 2]| with_slow(s).at(at);
    let mut seen = Places::default();
    for k in 0..2000usize {
        let (turn, d) = (0.37 * count(k), 2.0 + 0.014 * count(k));
        let at = [d * turn.cos() + stand(0)[0], d * turn.sin() + stand(0)[1]];
        let own = sight(0, alone(0, at) + NOISE_M * noise(k));
        let fixed = Sight {
            setup: u16::MAX,
            n: 1.0,
            mean_m: crate::numeric::to_f32(NOISE_M * noise(9000 + k)),
            variance_m2: crate::numeric::to_f32(NOISE_M * NOISE_M),
            ..Sight::default()
        };
        seen.push([at[0], at[1], 0.0], &[own, fixed]);
    }
    let found = level(&seen, 1, &[Some(stand(0))]).unwrap();
    assert!(found.report.slow.unwrap().corrected);
    for (got, planted) in found.corrections[0].slow_rad.iter().zip(slow(0)) {
        // 2000 places of 0.28 mm at 17 m tell a term to 0.5 µrad.
        assert!((got - planted).abs() < 3e-6, "{got} {planted}");
    }
}
