//! Seams, patch edges and what else jumps in height, found in an invented course's scan.

use std::path::Path;

use surface_core::build::{FitParams, SetupPlace, breaklines};
use surface_core::progress::Silent;
use surface_core::ribbon::Ribbon;
use surface_core::zones::Breaklines;
use surface_tests::proving::steps::{StepScore, score_steps};
use surface_tests::proving::{CourseSpec, ScanParams, demo};

fn found(scan: &Path, params: &FitParams, threads: usize) -> (Ribbon, Breaklines) {
    let scratch = tempfile::tempdir().unwrap();
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .unwrap();
    let paths = [scan.to_owned()];
    pool.install(|| breaklines(&paths, scratch.path(), params, &mut Silent))
        .unwrap()
}

fn places(truth: &demo::Truth) -> Vec<SetupPlace> {
    let place = |setup: &surface_tests::proving::Setup| SetupPlace {
        name: Some(setup.id.to_string()),
        position_m: [0, 1, 2].map(|k| setup.position_m[k] + truth.origin_m[k]),
    };
    truth.setups.iter().map(place).collect()
}

/// Vertices of the lines in the truth's metres.
fn lines_in_plan(ribbon: &Ribbon, lines: &Breaklines, truth: &demo::Truth) -> Vec<Vec<[f64; 2]>> {
    let shift = [0, 1].map(|k| ribbon.frame.origin_m[k] - truth.origin_m[k]);
    let place = |p: &surface_core::ribbon::RibbonPoint| {
        let [x, y] = ribbon.line.to_local(*p);
        [x + shift[0], y + shift[1]]
    };
    let line = |l: &surface_core::zones::Breakline| l.points.iter().map(place).collect();
    lines.iter().map(line).collect()
}

fn run(spec: &CourseSpec, scan: &ScanParams) -> (StepScore, Breaklines, bool) {
    let dir = tempfile::tempdir().unwrap();
    let made = demo::write_course(dir.path(), spec, scan).unwrap();
    let (truth, course) = demo::read_truth(&made.truth).unwrap();
    let params = FitParams {
        setups: places(&truth),
        ..FitParams::default()
    };
    let start = std::time::Instant::now();
    let (ribbon, lines) = found(&made.cloud, &params, 2);
    println!("{} points, {:?}", made.points, start.elapsed());
    let (_, again) = found(&made.cloud, &params, 1);
    let plan = lines_in_plan(&ribbon, &lines, &truth);
    for (line, plan) in lines.iter().zip(&plan) {
        let own = score_steps(&course, std::slice::from_ref(plan));
        let right = own.map_or(0.0, |s| s.correctness);
        let [a, b] = [line.points[0], line.points[line.points.len() - 1]];
        println!(
            "({:.2}, {:.2}) to ({:.2}, {:.2}), {:.1} m: {:.2} ± {:.2} mm, {:.0} % right",
            a.s,
            a.t,
            b.s,
            b.t,
            line.length_m(),
            1e3 * line.step_m,
            1e3 * line.sd_m,
            100.0 * right
        );
    }
    let score = score_steps(&course, &plan).unwrap();
    println!("{score:?}");
    (score, lines.clone(), lines == again)
}

#[test]
fn seams_of_three_millimetres_are_found_where_they_are_and_nothing_else_is() {
    let (score, lines, same) = run(&CourseSpec::oval(), &ScanParams::demo());
    assert!(same, "other lines with another number of threads");
    assert!(score.completeness >= 0.95, "{score:?}");
    assert!(score.correctness >= 0.95, "{score:?}");
    assert!(score.p95_m <= 0.02, "{score:?}");
    for line in &lines {
        assert!(line.step_m > 3.0 * line.sd_m);
        for pair in line.points.windows(2) {
            let apart = (pair[1].s - pair[0].s).hypot(pair[1].t - pair[0].t);
            assert!(
                apart <= surface_core::zones::VERTEX_STEP_M + 1e-9,
                "{apart}"
            );
        }
    }
}

#[test]
#[ignore = "two minutes; the figures of the README"]
fn seams_of_the_demo_are_found() {
    let (score, _, _) = run(&CourseSpec::demo(), &ScanParams::demo());
    assert!(score.completeness >= 0.95, "{score:?}");
    assert!(score.correctness >= 0.95, "{score:?}");
}
