//! A new scan tied to the ground that stayed: planted errors come back, changed ground does not
//! mislead, and other ground is refused.

use surface_core::numeric::to_f32;
use surface_core::rescan::{Tie, TieError, tie};
use surface_core::setups::{Places, SURVEYED, Sight};
use surface_tests::proving::rng::Rng;

const SETUPS: usize = 4;
/// Spread of a sight's mean about the truth, metres.
const NOISE_M: f64 = 2.5e-4;

fn stand(setup: usize) -> [f64; 3] {
    [20.0 + 25.0 * setup as f64, 3.0, 1.8]
}

/// How far setup `k` is too high at (x, y), metres: up to 0.8 mm and 20 µrad.
fn error_m(k: usize, x: f64, y: f64) -> f64 {
    let offset = [0.8e-3, -0.5e-3, 0.2e-3, -0.7e-3][k];
    let tilt = [
        [20e-6, -5e-6],
        [-15e-6, 10e-6],
        [8e-6, 20e-6],
        [-20e-6, -12e-6],
    ][k];
    let [cx, cy, _] = stand(k);
    offset + tilt[0] * (x - cx) + tilt[1] * (y - cy)
}

/// The same with a slow error of 40 µrad: two and three cycles a turn.
fn slow_error_m(k: usize, x: f64, y: f64) -> f64 {
    let [cx, cy, _] = stand(k);
    let (d, turn) = ((x - cx).hypot(y - cy), (y - cy).atan2(x - cx));
    let phase = 1.3 * k as f64;
    let slow = (2.0 * turn + phase).cos() + (3.0 * turn + 2.0 * phase).cos();
    error_m(k, x, y) + 40e-6 * d * slow
}

/// A strip of 120 × 10 m; `change` is what the road rose by, `old` how the old surface errs.
fn places(change: impl Fn(f64) -> f64, old: impl Fn(f64, f64) -> f64) -> Places {
    places_of(error_m, change, old)
}

fn places_of(
    error_m: impl Fn(usize, f64, f64) -> f64,
    change: impl Fn(f64) -> f64,
    old: impl Fn(f64, f64) -> f64,
) -> Places {
    let mut rng = Rng::stream(&[5, 6]);
    let mut out = Places::default();
    for i in 0..240u32 {
        for j in 0..20u32 {
            let (x, y) = (0.5 * f64::from(i), 0.5 * f64::from(j) - 5.0);
            let sight = |setup: u16, n: f32, mean: f64| Sight {
                setup,
                n,
                mean_m: to_f32(mean),
                variance_m2: to_f32(f64::from(n) * NOISE_M * NOISE_M),
                ..Sight::default()
            };
            let mut sights = Vec::new();
            for k in 0..SETUPS {
                let [cx, cy, _] = stand(k);
                if (x - cx).hypot(y - cy) < 40.0 {
                    let mean = change(x) + error_m(k, x, y) + NOISE_M * rng.normal();
                    sights.push(sight(u16::try_from(k).unwrap(), 20.0, mean));
                }
            }
            sights.push(sight(SURVEYED, 1.0, old(x, y) + NOISE_M * rng.normal()));
            out.push([x, y, 0.0], &sights);
        }
    }
    out
}

fn tied(places: &Places) -> Result<Tie, TieError> {
    let about: Vec<Option<[f64; 3]>> = (0..SETUPS).map(|k| Some(stand(k))).collect();
    tie(places, SETUPS, &about)
}

/// Root mean square error of the corrections where the setups saw the strip, metres.
fn rms_m(tie: &Tie, truth: impl Fn(usize, f64, f64) -> f64) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for (k, correction) in tie.levelled.corrections.iter().enumerate() {
        let [cx, cy, _] = stand(k);
        for i in 0..1200u32 {
            let (x, y) = (0.1 * f64::from(i), f64::from(i % 10) - 5.0);
            if (x - cx).hypot(y - cy) < 30.0 {
                sum += (correction.at([x, y]) - truth(k, x, y)).powi(2);
                n += 1.0;
            }
        }
    }
    (sum / f64::max(n, 1.0)).sqrt()
}

/// Greatest error of the corrections within 30 m of the setups, metres.
fn worst_m(tie: &Tie, shift_m: f64) -> f64 {
    let mut worst = 0.0f64;
    for (k, correction) in tie.levelled.corrections.iter().enumerate() {
        let [cx, cy, _] = stand(k);
        for [dx, dy] in [[0.0, 0.0], [30.0, 0.0], [-30.0, 4.0], [0.0, -8.0]] {
            let (x, y) = (cx + dx, cy + dy);
            worst = worst.max((correction.at([x, y]) - error_m(k, x, y) - shift_m).abs());
        }
    }
    worst
}

#[test]
fn planted_errors_come_back_whatever_changed() {
    let same = tied(&places(|_| 0.0, |_, _| 0.0)).unwrap();
    // Thousands of places of 0.35 mm tell offset and tilts to a hundredth of a millimetre.
    assert!(worst_m(&same, 0.0) < 0.05e-3, "{}", worst_m(&same, 0.0));
    assert!(
        same.places[1] > 99 * same.places[0] / 100,
        "{:?}",
        same.places
    );
    // 60 % of the strip was laid anew, at heights that differ from place to place.
    let laid = |x: f64| {
        if x > 48.0 {
            6e-3 + 2e-3 * (0.3 * x).sin()
        } else {
            0.0
        }
    };
    let most = tied(&places(laid, |_, _| 0.0)).unwrap();
    println!(
        "worst {:.3} mm with 60 % changed",
        1e3 * worst_m(&most, 0.0)
    );
    assert!(worst_m(&most, 0.0) < 0.15e-3);
    assert!(most.places[1] < most.places[0] / 2, "{:?}", most.places);
    assert!(most.setups.iter().all(|s| s.tied), "{:?}", most.setups);
    // All of it 15 mm higher: another datum, not a change.
    let datum = tied(&places(|_| 0.015, |_, _| 0.0)).unwrap();
    assert!(worst_m(&datum, 0.015) < 0.05e-3);
    assert!((datum.shift_m - 0.015).abs() < 1e-3);
}

#[test]
fn slow_errors_come_off_onto_what_stayed_where_positions_are_known() {
    let laid = |x: f64| if x > 80.0 { 7e-3 } else { 0.0 };
    let seen = places_of(slow_error_m, laid, |_, _| 0.0);
    let told = tied(&seen).unwrap();
    let blind = tie(&seen, SETUPS, &[None; SETUPS]).unwrap();
    assert!(told.levelled.report.slow.unwrap().corrected);
    assert_eq!(blind.levelled.report.slow, None);
    let left = [&told, &blind].map(|tie| rms_m(tie, slow_error_m));
    println!(
        "left: {left:?} m; misfits {:?} {:?}",
        told.misfit_m, blind.misfit_m
    );
    assert!(left[0] < 0.08e-3 && left[0] < 0.3 * left[1], "{left:?}");
    assert!(told.misfit_m[1] < 0.8 * blind.misfit_m[1]);
    let plain = tied(&places(laid, |_, _| 0.0)).unwrap();
    assert!(!plain.levelled.report.slow.unwrap().corrected);
}

#[test]
fn other_ground_and_too_little_of_it_are_refused() {
    let other = |x: f64, y: f64| 0.5 * (0.7 * x).sin() * (1.3 * y).cos();
    let refused = tied(&places(|_| 0.0, other)).unwrap_err();
    assert!(matches!(refused, TieError::OtherGround { .. }), "{refused}");
    let none = Places::default();
    assert!(matches!(
        tied(&none),
        Err(TieError::TooFew { places: 0, .. })
    ));
}
