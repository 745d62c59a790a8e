//! The figures of rescans over many draws of errors, and their time: long, so asked for by name.
//! `cargo test -p surface-tests --test rescans seeds -- --ignored --nocapture --test-threads 1`

use std::path::Path;
use std::time::Instant;

use crate::epochs::{
    RIDGE, after, before, course, first_build, read_ribbon, rescanned, scan, scan_params,
};
use crate::truth::extent;
use surface_core::build::{FitParams, fit};
use surface_core::progress::Silent;
use surface_core::rescan::Kind;
use surface_tests::proving::CourseSpec;
use surface_tests::proving::demo::write_by_setup;
use surface_tests::proving::paving::Feature;

const SEEDS: std::ops::Range<u64> = 101..109;

/// A filled pothole, a milled patch: shapes that no constant was chosen on.
const HOLE: Feature = Feature::Pothole {
    at: [100.0, 1.0],
    radius_m: 0.2,
    depth_m: 0.030,
};
const PATCH: Feature = Feature::Panel {
    low: [60.0, -2.0],
    high: [62.0, 0.0],
    height_m: -0.004,
};

#[test]
#[ignore = "minutes"]
fn unchanged_roads_over_many_seeds() {
    let (mut shares, mut called) = (Vec::new(), Vec::new());
    for seed in SEEDS {
        let dir = tempfile::tempdir().unwrap();
        let same = scan(&dir.path().join("same"), &before(), seed);
        let report = rescanned(first_build(), &same, &dir.path().join("a"));
        let beyond: Vec<f64> = report
            .detection
            .scales
            .iter()
            .map(|s| 100.0 * s.beyond_share)
            .collect();
        println!(
            "seed {seed}: beyond the level of 95 % {beyond:.2?} %, called changed {:.4} %, published {:.2} %",
            100.0 * report.detection.changed_share,
            100.0 * report.detection.published_share
        );
        shares.extend(beyond);
        called.push(report.detection.changed_share);
    }
    let mean = called.iter().sum::<f64>() / called.len() as f64;
    println!(
        "shares {:.2} to {:.2} %; called changed {:.4} % in the mean",
        shares.iter().copied().fold(f64::INFINITY, f64::min),
        shares.iter().copied().fold(0.0, f64::max),
        100.0 * mean
    );
    assert!(shares.iter().all(|s| (4.0..6.0).contains(s)), "{shares:?}");
    assert!(mean <= 1e-3, "{called:?}");
}

/// Areas and volumes over the truth's less one, by seed, of the change of one of `kinds`.
type Off = Vec<[f64; 2]>;

/// Rescan `build` of `old` after it became `new`, over all seeds; how far the works `what` are off.
fn works_over_seeds(
    build: &Path,
    [old, new]: [&CourseSpec; 2],
    what: &[(&str, &[Kind])],
) -> Vec<Off> {
    let ([before, after], ribbon) = ([old, new].map(course), read_ribbon(build));
    let mut off: Vec<Off> = vec![Vec::new(); what.len()];
    for seed in SEEDS {
        let dir = tempfile::tempdir().unwrap();
        let files = scan(&dir.path().join("new"), new, seed);
        let report = rescanned(build, &files, &dir.path().join("b"));
        assert_eq!(report.rebuilt.vertices.outside, 0);
        println!("seed {seed}: {} changes", report.changes.len());
        for c in &report.changes {
            let [s_m, t_m] = c.at_m;
            println!(
                "  {:?} at s {s_m:.1}, t {t_m:+.2}: {:.3} m², {:+.5} m³",
                c.kind, c.area_m2, c.volume_m3
            );
        }
        for ((name, kinds), off) in what.iter().zip(&mut off) {
            // Of the kind, and where the ground did change.
            let mut alike = report.changes.iter().filter(|c| kinds.contains(&c.kind));
            let found = alike.find_map(|c| {
                let truth = extent(&before, &after, c, &ribbon);
                (truth.area_m2 > 0.0).then_some((c, truth))
            });
            let Some((change, truth)) = found else {
                println!("  {name}: not found");
                continue;
            };
            let own = [
                change.area_m2 / truth.area_m2 - 1.0,
                change.volume_m3 / truth.volume_m3 - 1.0,
            ];
            println!(
                "  {name}: area {:.3} of {:.3} m² ({:+.1} %), volume {:.5} of {:.5} m³ ({:+.1} %)",
                change.area_m2,
                truth.area_m2,
                100.0 * own[0],
                change.volume_m3,
                truth.volume_m3,
                100.0 * own[1]
            );
            off.push(own);
        }
    }
    for ((name, _), off) in what.iter().zip(&off) {
        for (which, word) in ["area", "volume"].iter().enumerate() {
            let of: Vec<f64> = off.iter().map(|o| 100.0 * o[which]).collect();
            println!(
                "{name}, {word}: mean {:+.1} %, {:+.1} to {:+.1} %, of {} found",
                of.iter().sum::<f64>() / of.len() as f64,
                of.iter().copied().fold(f64::INFINITY, f64::min),
                of.iter().copied().fold(f64::NEG_INFINITY, f64::max),
                of.len()
            );
        }
    }
    off
}

#[test]
#[ignore = "minutes"]
fn works_over_many_seeds() {
    let off = works_over_seeds(
        first_build(),
        [&before(), &after()],
        &[
            ("panel", &[Kind::Raised]),
            ("bump", &[Kind::NewBump]),
            ("ridge, planed", &[Kind::BumpGone, Kind::Lowered]),
        ],
    );
    assert!(off.iter().all(|o| o.len() == SEEDS.count()), "{off:?}");
}

#[test]
#[ignore = "minutes"]
fn other_works_over_many_seeds() {
    let dir = tempfile::tempdir().unwrap();
    let (old, new) = (
        CourseSpec::oval().with_works(&[HOLE]),
        CourseSpec::oval().with_works(&[PATCH]),
    );
    let files = scan(&dir.path().join("scan"), &old, 7);
    let build = dir.path().join("build");
    fit(&files, &build, &FitParams::default(), &mut Silent).unwrap();
    let off = works_over_seeds(
        &build,
        [&old, &new],
        &[
            ("pothole, filled", &[Kind::Raised, Kind::NewBump]),
            ("patch, milled", &[Kind::Lowered, Kind::BumpGone]),
        ],
    );
    assert!(off.iter().all(|o| o.len() == SEEDS.count()), "{off:?}");
}

#[test]
#[ignore = "minutes"]
fn a_chain_of_ten_rescans_ends_where_one_build_ends() {
    let panel = |k: u32| Feature::Panel {
        low: [10.0 + 20.0 * f64::from(k), -2.0],
        high: [16.0 + 20.0 * f64::from(k), 1.5],
        height_m: if k.is_multiple_of(2) { 0.007 } else { -0.006 },
    };
    let dir = tempfile::tempdir().unwrap();
    let works: Vec<Feature> = (0..10).map(panel).collect();
    let lots = crate::chain::run(dir.path(), &RIDGE, &works, 200);
    crate::chain::ends_within_sigma(&lots);
}

#[test]
#[ignore = "minutes"]
fn a_seventh_of_a_course_takes_less_than_the_whole() {
    let dir = tempfile::tempdir().unwrap();
    let (old, new) = (dir.path().join("old"), dir.path().join("new"));
    let panel = Feature::Panel {
        low: [300.0, -2.0],
        high: [310.0, 1.5],
        height_m: 0.008,
    };
    let files = write_by_setup(&old, &CourseSpec::demo(), &scan_params(7)).unwrap();
    let works = CourseSpec::demo().with_works(&[panel]);
    let again = write_by_setup(&new, &works, &scan_params(8)).unwrap();
    let build = dir.path().join("build");
    let time = |run: &mut dyn FnMut()| {
        let begin = Instant::now();
        run();
        begin.elapsed().as_secs_f64()
    };
    let whole = time(&mut || {
        fit(&files, &build, &FitParams::default(), &mut Silent).unwrap();
    });
    // Setup 12 of 24 stands 10 m from the panel and sees a seventh of the course.
    let mut text = String::new();
    let part = time(&mut || {
        text = rescanned(&build, &again[11..12], &dir.path().join("next")).to_text();
    });
    println!(
        "{text}whole {whole:.1} s, rescan {part:.1} s: {:.2}",
        part / whole
    );
    // Measured 0.39 on a busy machine: the aim of 0.2 is not met. Meshing all sections twice, to
    // hold old and new against each other, does not shrink with the scan.
    assert!(part < 0.6 * whole);
}

/// Three metres of a kerb are laid 6 mm higher, among ribs that no two scans sample alike.
#[test]
#[ignore = "minutes"]
fn a_raised_kerb_is_found_over_many_seeds() {
    let raised = Feature::Panel {
        low: [85.0, 4.7],
        high: [88.0, 5.5],
        height_m: 0.006,
    };
    let new = CourseSpec::oval().with_works(&[RIDGE, raised]);
    let kinds: &[Kind] = &[Kind::KerbChanged, Kind::Raised, Kind::NewBump];
    let what = [("kerb, raised", kinds)];
    let off = works_over_seeds(first_build(), [&before(), &new], &what);
    assert!(off.iter().all(|o| o.len() == SEEDS.count()), "{off:?}");
}
