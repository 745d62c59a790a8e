//! The levelling of setups against one sparse least squares system of all heights and setups, solved by
//! scipy; its standard deviations against a dense inverse.

use crate::patch::write;
use surface_core::setups::{Places, SURVEYED, Sight, level};
use surface_tests::proving::rng::Rng;
use surface_tests::python;

const SETUPS: u16 = 6;
/// Between two setups along a straight road, metres.
const APART_M: f64 = 25.0;
/// How far a setup sees, metres.
const REACH_M: f64 = 40.0;
const PLACES: u32 = 900;
/// Of that many places one is surveyed.
const SURVEYED_OF: u32 = 15;
/// A setup's mean height of a place, metres.
const MEAN_SD_M: f64 = 2e-4;
const POINTS: f32 = 100.0;
/// Offsets, metres, and tilts: so large beside what places tell that what is expected of them holds
/// nothing.
const ERROR_SD: [f64; 3] = [3e-3, 3e-4, 3e-4];

/// Where setup k stood.
fn stood(k: u16) -> [f64; 3] {
    [
        APART_M * f64::from(k),
        if k.is_multiple_of(2) { 4.0 } else { -4.0 },
        1.8,
    ]
}

fn sight(setup: u16, mean_m: f64) -> Sight {
    let variance_m2 = MEAN_SD_M * MEAN_SD_M * f64::from(POINTS);
    #[expect(clippy::cast_possible_truncation, reason = "as places keep them")]
    Sight {
        setup,
        n: POINTS,
        mean_m: mean_m as f32,
        variance_m2: variance_m2 as f32,
        intensity: 0.0,
    }
}

/// Places of a flat road that setups with errors in height and level saw, and the same in rows for the
/// reference.
fn seen() -> (Places, Vec<f64>) {
    let mut rng = Rng::stream(&[31]);
    let errors: Vec<[f64; 3]> = (0..SETUPS)
        .map(|_| ERROR_SD.map(|sd| sd * rng.normal()))
        .collect();
    let (mut places, mut rows) = (Places::default(), Vec::new());
    for k in 0..PLACES {
        let at = [
            rng.between(-20.0, APART_M * f64::from(SETUPS - 1) + 20.0),
            rng.between(-5.0, 5.0),
        ];
        let mut sights = Vec::new();
        for setup in 0..SETUPS {
            let [x, y, _] = stood(setup);
            let away = [at[0] - x, at[1] - y];
            if away[0].hypot(away[1]) > REACH_M {
                continue;
            }
            let [offset, east, north] = errors[usize::from(setup)];
            let error = offset + east * away[0] + north * away[1];
            let seen = sight(setup, error + MEAN_SD_M * rng.normal());
            rows.extend([
                f64::from(k),
                f64::from(setup),
                away[0],
                away[1],
                f64::from(seen.mean_m),
            ]);
            sights.push(seen);
        }
        if k % SURVEYED_OF == 0 {
            let mark = sight(SURVEYED, MEAN_SD_M * rng.normal());
            rows.extend([f64::from(k), -1.0, 0.0, 0.0, f64::from(mark.mean_m)]);
            sights.push(mark);
        }
        places.push([at[0], at[1], 0.0], &sights);
    }
    (places, rows)
}

/// Tukey's weights keep 95 % of what least squares know of normal errors, so that both differ by
/// √(1/0.95 − 1) = 0.23 of their standard deviation in the mean; four times that never.
const MEAN_APART: f64 = 0.3;
const MOST_APART: f64 = 0.9;

#[test]
fn setups_are_levelled_as_one_sparse_system_levels_them() {
    let Some(python) = python::venv() else { return };
    let (places, rows) = seen();
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("rows");
    write(&file, rows.into_iter());
    let text = python::run(&python, "levelling_reference.py", &[&file]).unwrap();
    let told: serde_json::Value = serde_json::from_str(&text).unwrap();
    let values = |name: &str| -> Vec<f64> {
        let list = told[name].as_array().unwrap().iter();
        list.map(|v| v.as_f64().unwrap()).collect()
    };
    let (solution, deviation) = (values("solution"), values("deviation"));
    let about: Vec<_> = (0..SETUPS).map(|k| Some(stood(k))).collect();
    let found = level(&places, usize::from(SETUPS), &about).unwrap();
    assert!(found.report.tied.iter().all(|t| *t) && !found.report.left_out.contains(&true));
    let mut apart = Vec::new();
    for (k, own) in found.corrections.iter().enumerate() {
        let ours = [own.offset_m, own.tilt_rad[0], own.tilt_rad[1]];
        for u in 0..3 {
            let sd = MEAN_SD_M * deviation[3 * k + u];
            apart.push((ours[u] - solution[3 * k + u]) / sd);
        }
        let sd = MEAN_SD_M * deviation[3 * k];
        println!(
            "setup {k}: {:.4} mm, σ {:.4} for {:.4}",
            1e3 * own.offset_m,
            1e3 * found.report.sd_m[k],
            1e3 * sd
        );
        assert!((found.report.sd_m[k] / sd - 1.0).abs() < 0.15, "setup {k}");
    }
    let mean = (apart.iter().map(|a| a * a).sum::<f64>() / apart.len() as f64).sqrt();
    println!("apart by {mean:.3} σ in the mean");
    assert!(mean < MEAN_APART, "{mean}: {apart:?}");
    assert!(apart.iter().all(|a| a.abs() < MOST_APART), "{apart:?}");
}
