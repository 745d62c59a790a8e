//! The proving ground's scan obeys the facts of the trade (common practice, no source).
//!
//! Setups some 25 to 40 m apart, tied by sphere targets of 152.4 mm of which about eight are in view
//! of a setup; 100 to 250 million points a circuit; neighbouring asphalt lots differ in height by
//! millimetres and visibly in reflectance.

use surface_core::numeric::to_index;
use surface_tests::proving::Course;
use surface_tests::proving::paving::Lot;
use surface_tests::proving::rng::Rng;
use surface_tests::proving::scanner::scan_setup;
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

/// A circuit, metres.
const CIRCUIT_M: f64 = 4000.0;
/// Distance that points of a dense scan are thinned to where a file is handed over, metres.
const HANDED_OVER_M: f64 = 0.03;

#[test]
fn a_circuit_has_100_to_250_million_points() {
    let course = demo();
    let params = ScanParams::dense().thinned(HANDED_OVER_M);
    let setups = place_setups(&course, &params);
    let some: Vec<usize> = setups
        .iter()
        .take(1)
        .map(|setup| scan_setup(&course, &params, setup, &[]).len())
        .collect();
    let each = some.iter().sum::<usize>() as f64 / some.len() as f64;
    let all = each * CIRCUIT_M / params.setup_spacing_m;
    println!("{some:?} points, {:.0} million a circuit", all / 1e6);
    assert!((100e6..=250e6).contains(&all), "{all}");
}

/// Radius of a sphere target, metres.
const SPHERE_M: f64 = 0.1524 / 2.0;
/// Spheres in view of a setup, and how far off, metres: half way to the next setup.
const IN_VIEW: u32 = 8;
const AWAY_M: f64 = 15.0;

/// How far off the height of a sphere's centre is found: of points on the side that faces the scanner,
/// the mean of what each makes of it, the radius known, weighed by how steeply it stands.
fn sphere_error_m(params: &ScanParams, rng: &mut Rng) -> f64 {
    let steps = [params.azimuth_step_rad, params.elevation_step_rad].map(|step| step * AWAY_M);
    let [across, up] = steps.map(|step| to_index(SPHERE_M / step));
    let (mut sum, mut weights) = (0.0, 0.0);
    let signed = |k: usize, n: usize, step: f64| (k as f64 - n as f64) * step;
    for i in 0..=2 * across {
        for j in 0..=2 * up {
            let (x, z) = (signed(i, across, steps[0]), signed(j, up, steps[1]));
            let off = x.hypot(z) / SPHERE_M;
            if off > 0.9 {
                continue;
            }
            // Out of the surface, towards the scanner.
            let [steep, facing] = [z / SPHERE_M, (1.0 - off * off).sqrt()];
            let range = params.noise.range_sigma_m(0.8, facing, AWAY_M) * rng.normal();
            let angle = params.noise.angle_rad * AWAY_M * rng.normal();
            let out = range * facing + angle * steep;
            sum += steep * out;
            weights += steep * steep;
        }
    }
    sum / weights
}

#[test]
fn eight_spheres_tie_a_setup_better_than_its_errors_are() {
    // Targets are scanned as finely as the instrument can.
    let params = ScanParams::dense();
    let mut rng = Rng::stream(&[152]);
    let draws = 200;
    let (mut offset_m2, mut tilt2) = (0.0, 0.0);
    for _ in 0..draws {
        let (mut offset, mut tilt) = (0.0, 0.0);
        for k in 0..IN_VIEW {
            let azimuth = std::f64::consts::TAU * f64::from(k) / f64::from(IN_VIEW);
            let error = sphere_error_m(&params, &mut rng);
            offset += error / f64::from(IN_VIEW);
            // Least squares of a plane through places evenly round a circle.
            tilt += 2.0 * error * azimuth.cos() / (AWAY_M * f64::from(IN_VIEW));
        }
        offset_m2 += offset * offset / f64::from(draws);
        tilt2 += tilt * tilt / f64::from(draws);
    }
    let (offset_m, tilt) = (offset_m2.sqrt(), tilt2.sqrt());
    println!("{:.3} mm, {:.1} µrad", 1e3 * offset_m, 1e6 * tilt);
    // Evenly drawn errors of up to a have a spread of a/√3; chance is a part of them, not all: targets
    // are moved and tripods sink.
    let spread = |most: f64| most / 3f64.sqrt();
    let parts = [
        offset_m / spread(params.setup_height_error_m),
        tilt / spread(params.setup_tilt_error_rad),
    ];
    assert!(
        parts.iter().all(|part| (0.1..1.0).contains(part)),
        "{parts:?}"
    );
}
