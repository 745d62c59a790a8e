//! Seams that are found by their brightness, and brightness that is no seam, in scans of a stretch.

use surface_core::build::breaklines;
use surface_core::progress::Silent;
use surface_core::ribbon::Ribbon;
use surface_core::zones::Breaklines;
use surface_tests::proving::paving::Feature;
use surface_tests::proving::returns::Returns;
use surface_tests::proving::stretch::write_stretch;
use surface_tests::proving::{Course, CourseSpec, ORIGIN_M, ScanParams, Setup};

use crate::stretch_params;

/// The stretch that is scanned and the panel on it, (s, t), metres: its sides run along the road.
const STRETCH_S_M: [f64; 2] = [12.0, 48.0];
const PANEL: [[f64; 2]; 2] = [[16.0, -1.3], [44.0, 1.1]];
/// Places within this of a side of the panel lie on it, metres.
const ON_M: f64 = 0.05;

/// An oval of even asphalt with edge lines of paint and, unless its height is 0, a darker panel.
fn course(panel_m: f64, seed: u64) -> Course {
    let [low, high] = PANEL;
    let panel = Feature::Panel {
        low,
        high,
        height_m: panel_m,
    };
    let works = if panel_m > 0.0 { &[panel][..] } else { &[] };
    let spec = CourseSpec::oval().smooth().with_seed(seed);
    Course::build(&spec.with_works(works)).unwrap()
}

/// What is made of a scan: which setup keeps which places (x, y), and how bright it sees them.
#[derive(Clone, Copy)]
struct View {
    sees: fn(u16, [f64; 2]) -> bool,
    bright: fn(u16, u16) -> u16,
}

/// As scanned.
const OWN: View = View {
    sees: |_, _| true,
    bright: |_, intensity| intensity,
};
/// All is as bright.
const GREY: View = View {
    bright: |_, _| 10_000,
    ..OWN
};
/// Each setup has a gain of its own, and every other one sees no further than a line across.
const GAINS: View = View {
    sees: |setup, [x, _]| setup % 2 == 0 || x < 31.3,
    bright: |setup, intensity| {
        let percent = [100, 45, 180, 70][usize::from(setup) % 4];
        u16::try_from((u32::from(intensity) * percent / 100).min(65_535)).unwrap_or(u16::MAX)
    },
};

fn found(course: &Course, params: &ScanParams, view: View) -> (Ribbon, Breaklines) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("stretch.laz");
    let mut change = |setup: &Setup, returns: &mut Returns| {
        returns.keep(|_, at| (view.sees)(setup.id, at));
        for intensity in &mut returns.intensity {
            *intensity = (view.bright)(setup.id, *intensity);
        }
    };
    let setups = write_stretch(&path, (course, params), STRETCH_S_M, &mut change).unwrap();
    let params = stretch_params(course, STRETCH_S_M, &setups);
    breaklines(&[path], dir.path(), &params, &mut Silent).unwrap()
}

/// Length of lines on the sides of the panel along the road, and elsewhere, metres.
fn on_and_off(course: &Course, (ribbon, lines): &(Ribbon, Breaklines)) -> [f64; 2] {
    let shift = [0, 1].map(|k| ribbon.frame.origin_m[k] - ORIGIN_M[k]);
    let on = |p: &surface_core::ribbon::RibbonPoint| {
        let [x, y] = ribbon.line.to_local(*p);
        let foot = course.locate(x + shift[0], y + shift[1]);
        let sides = PANEL.map(|side| side[1]);
        foot.is_some_and(|f| sides.iter().any(|t| (f.t_m - t).abs() < ON_M))
    };
    let mut out = [0.0; 2];
    for line in lines {
        let near = line.points.iter().filter(|p| on(p)).count();
        let share = near as f64 / line.points.len() as f64;
        out[0] += share * line.length_m();
        out[1] += (1.0 - share) * line.length_m();
    }
    out
}

/// Length of lines on the sides of a panel this high and elsewhere, metres, as each view has it.
fn lengths<const N: usize>(panel_m: f64, seed: u64, views: [View; N]) -> [[f64; 2]; N] {
    let course = course(panel_m, seed);
    let params = ScanParams {
        seed,
        ..ScanParams::demo().clear()
    };
    views.map(|view| on_and_off(&course, &found(&course, &params, view)))
}

#[test]
fn a_seam_of_a_millimetre_and_a_half_is_found_by_its_brightness() {
    let [grey, own] = lengths(0.0016, 1, [GREY, OWN]);
    // Of 56 m along and 5 m across the road.
    assert!(grey[0] < 28.0, "{grey:?}");
    assert!(own[0] > 50.0 && own[1] < 6.0, "{own:?}");
}

#[test]
fn paint_and_setups_of_other_gain_and_reach_make_no_breakline() {
    let [gains] = lengths(0.0, 1, [GAINS]);
    assert!(gains[0] + gains[1] < 1e-9, "{gains:?}");
}

/// `cargo test -p surface-tests --test surfaces brightness -- --ignored --nocapture`
#[test]
#[ignore = "three minutes; the same over more seeds and steps"]
fn faint_seams_are_found_by_their_brightness_over_seeds_and_nothing_else_is() {
    for seed in 2..7 {
        for step_mm in [0.0, 1.2, 1.6, 2.0] {
            let [grey, own, gains] = lengths(1e-3 * step_mm, seed, [GREY, OWN, GAINS]);
            println!("{seed}, {step_mm} mm: {grey:.1?} {own:.1?} {gains:.1?}");
            assert!(grey[1].max(own[1]).max(gains[1]) < 6.0);
            assert!(step_mm > 0.0 || own[1] + gains[1] < 1e-9);
            assert!(step_mm < 1.5 || own[0] > 48.0, "{own:?}");
            assert!(own[0] + 3.0 > grey[0]);
        }
    }
}
