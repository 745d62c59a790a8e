//! How near to the statistical limit is the surface, with ideal and with real setups, and does
//! what stands on the road cost anything?
//!
//! Run: `cargo bench -p surface-benches --bench noise_limit [-- SEEDS [SPACING]]` (default 1 seed,
//! each of which takes about a minute, and 0.1 m). Every scan of the invented course is drawn from
//! its own seed and fitted inside the ribbon found in the first one, so that heights alone are
//! compared. The peer is the Wiener bound: no linear smoother of the same points does better.

use std::path::{Path, PathBuf};

use surface_core::build::{FitParams, SetupPlace, fit};
use surface_core::numeric::to_index;
use surface_core::progress::Silent;
use surface_core::report::Report;
use surface_core::ribbon::Ribbon;
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::proving::score::{Honesty, Score, honesty, score};
use surface_tests::proving::{CourseSpec, ScanParams, Zone, demo};

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// One way of scanning that is held against the bound.
struct Case {
    name: &'static str,
    scan: fn(u64) -> ScanParams,
    setups_known: bool,
}

const CASES: [Case; 4] = [
    Case {
        name: "point noise only",
        scan: |seed| ScanParams {
            seed,
            ..ScanParams::demo().clear()
        },
        setups_known: true,
    },
    Case {
        name: "setups off by 0.8 mm, 20 µrad",
        scan: |seed| ScanParams {
            seed,
            setup_height_error_m: 0.8e-3,
            setup_tilt_error_rad: 20e-6,
            ..ScanParams::demo().clear()
        },
        setups_known: true,
    },
    Case {
        name: "every fourth setup off by 6 mm, clutter, 0.5 % strays",
        scan: |seed| ScanParams {
            seed,
            fourth_off_m: 6e-3,
            stray_share: 0.005,
            ..ScanParams::demo()
        },
        setups_known: true,
    },
    Case {
        name: "all errors and clutter",
        scan: |seed| ScanParams {
            seed,
            ..ScanParams::demo()
        },
        setups_known: true,
    },
];

fn main() -> Outcome<()> {
    let mut numbers = std::env::args()
        .skip(1)
        .filter_map(|a| a.parse::<f64>().ok());
    let seeds = to_index(numbers.next().unwrap_or(1.0)) as u64;
    let spacing_m = numbers.next().unwrap_or(0.1);
    let dir = tempfile::tempdir()?;
    let mut ribbon = None;
    for case in &CASES {
        for seed in 0..seeds {
            let at = dir.path().join("scan");
            let (report, score, honest) = run(case, (7 + seed, spacing_m), &at, &mut ribbon)?;
            print(case.name, seed, &report, &score);
            println!(
                "    errors over σ: variance {:.3}, {:.2} % within 95 % intervals; level {:.3e}",
                honest.variance,
                100.0 * honest.within_95,
                report.field.level_m
            );
            std::fs::remove_dir_all(&at)?;
        }
    }
    Ok(())
}

fn run(
    case: &Case,
    (seed, spacing_m): (u64, f64),
    dir: &Path,
    ribbon: &mut Option<Ribbon>,
) -> Outcome<(Report, Score, Honesty)> {
    let made = demo::write_course(dir, &CourseSpec::demo(), &(case.scan)(seed))?;
    let build = dir.join("build");
    let (truth, course) = demo::read_truth(&made.truth)?;
    let params = FitParams {
        spacing_m,
        ribbon: ribbon.clone(),
        setups: if case.setups_known {
            places(&truth)
        } else {
            Vec::new()
        },
        ..FitParams::default()
    };
    let report = fit(&[PathBuf::from(&made.cloud)], &build, &params, &mut Silent)?;
    if ribbon.is_none() {
        *ribbon = Some(Ribbon::from_geojson(&std::fs::read_to_string(
            build.join("ribbon.geojson"),
        )?)?);
    }
    let mesh = read_ply(&build.join("surface.ply"))?;
    let heights = MeshHeights::new(&mesh, truth.origin_m);
    let surface = |x: f64, y: f64| heights.height_m(x, y);
    let found = score(
        &course,
        [0.0, truth.length_m],
        &surface,
        Some(&made.information),
    );
    let shift = [0, 1, 2].map(|k| mesh.origin_m[k] - truth.origin_m[k]);
    Ok((report, found, honesty(&course, &mesh, shift)))
}

fn places(truth: &demo::Truth) -> Vec<SetupPlace> {
    let place = |setup: &surface_tests::proving::Setup| SetupPlace {
        name: Some(setup.id.to_string()),
        position_m: [0, 1, 2].map(|k| setup.position_m[k] + truth.origin_m[k]),
    };
    truth.setups.iter().map(place).collect()
}

fn print(name: &str, seed: u64, report: &Report, score: &Score) {
    let [all, short] = score.over_bound().unwrap_or([f64::NAN; 2]);
    let mm = |zone: Zone| {
        let [a, b] = [&score.zones, &score.short_waves].map(|z| z.get(&zone));
        let of = |s: Option<&surface_tests::proving::score::HeightScore>| {
            s.map_or([f64::NAN; 2], |s| [1e3 * s.rmse_m, 1e3 * s.p95_m])
        };
        let ([r, p], [sr, _]) = (of(a), of(b));
        format!("{r:.3} (95 % {p:.3}; short {sr:.3})")
    };
    println!(
        "{name}, seed {seed}: over the bound {short:.3} (all waves {all:.3}); mm: asphalt {}, seams {}, kerbs {}, bumps {}; fit {:.2} s",
        mm(Zone::Asphalt),
        mm(Zone::NearSeam),
        mm(Zone::Kerb),
        mm(Zone::Bump),
        report
            .run
            .stages
            .iter()
            .filter(|s| s.stage == "fit")
            .map(|s| s.seconds)
            .sum::<f64>(),
    );
}
