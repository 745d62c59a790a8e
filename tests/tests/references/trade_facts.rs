//! The proving ground's scan obeys the facts of the trade (common practice, no source).
//!
//! Setups some 25 to 40 m apart; neighbouring asphalt lots differ in height by millimetres and
//! visibly in reflectance. The 100 to 250 million points of a circuit are more than a test can
//! make, and sphere targets of 152.4 mm, about eight in view of a setup, are no part of the
//! proving ground: nothing here reads targets.

use surface_tests::proving::Course;
use surface_tests::proving::paving::Lot;
use surface_tests::proving::setups::{ScanParams, place_setups};
use surface_tests::proving::spec::CourseSpec;

/// Least difference of reflectance that the eye sees between two greys side by side, as a share.
/// From memory: a few percent; a tenth is beyond doubt.
const VISIBLE: f64 = 0.10;

fn demo() -> Course {
    Course::build(&CourseSpec::demo()).unwrap()
}

#[test]
fn setups_stand_25_to_40_metres_apart() {
    let setups = place_setups(&demo(), &ScanParams::demo());
    assert!(setups.len() >= 20, "{}", setups.len());
    for k in 0..setups.len() {
        let (a, b) = (
            setups[k].position_m,
            setups[(k + 1) % setups.len()].position_m,
        );
        let apart = (a[0] - b[0]).hypot(a[1] - b[1]);
        // Round a hairpin they are nearer across than along.
        assert!(apart < 40.0, "{k}: {apart}");
    }
    let along = demo().length_m() / setups.len() as f64;
    assert!((25.0..=40.0).contains(&along), "{along}");
}

#[test]
fn neighbouring_lots_differ_by_millimetres_and_visibly_in_reflectance() {
    let course = demo();
    let lots = course.paving().lots();
    let differ = |a: &Lot, side: usize, b: &Lot, other: usize| {
        let step = (a.offset_m[side] - b.offset_m[other]).abs();
        let share = a.reflectance[side] / b.reflectance[other];
        (step, share.max(share.recip()) - 1.0)
    };
    for (k, lot) in lots.iter().enumerate() {
        let (step, seen) = differ(lot, 0, lot, 1);
        assert!((1e-3..10e-3).contains(&step), "{k}: {step}");
        assert!(seen >= 0.05, "{k}: {seen}");
        for side in [0, 1] {
            let (step, _) = differ(lot, side, &lots[(k + 1) % lots.len()], side);
            assert!((1e-3..10e-3).contains(&step), "{k}: {step}");
        }
    }
    let mut seen: Vec<f64> = lots.iter().map(|lot| differ(lot, 0, lot, 1).1).collect();
    seen.sort_unstable_by(f64::total_cmp);
    assert!(seen[seen.len() / 2] > VISIBLE, "{seen:?}");
}
