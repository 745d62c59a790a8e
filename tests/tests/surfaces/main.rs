//! The main job from scans to a build folder, held against known truth and measured ground.

mod autzen;
mod breaklines_demo;
mod brightness;
mod demo;
mod faces;
mod formats;
mod grooves;
mod kerbs;
mod levelling;
mod plane_laz;
mod report_page;
mod resolved;
mod roughness;
mod seams;

use surface_core::build::{FitParams, SetupPlace};
use surface_tests::proving::{Course, ORIGIN_M, Setup};

/// Parameters for a scanned stretch of a course: where the setups stood, and a rough line along it.
fn stretch_params(course: &Course, [from, to]: [f64; 2], setups: &[Setup]) -> FitParams {
    let place = |setup: &Setup| SetupPlace {
        name: Some(setup.id.to_string()),
        position_m: [0, 1, 2].map(|k| setup.position_m[k] + ORIGIN_M[k]),
    };
    let on_line = |k: u8| {
        let s = from + (to - from) * f64::from(k) / 20.0;
        let at = course.line().at(s, 0.0);
        [at[0] + ORIGIN_M[0], at[1] + ORIGIN_M[1]]
    };
    FitParams {
        setups: setups.iter().map(place).collect(),
        line: Some((0..=20).map(on_line).collect()),
        closed: Some(false),
        ..FitParams::default()
    }
}
