//! How sharp can a seam of a few millimetres be in the surface when it is known where it runs?
//!
//! Run: `cargo bench -p surface-benches --bench seams [-- SEED]` (two minutes). The invented
//! course is scanned once and fitted twice inside the same ribbon: as it comes, and with the
//! truth's own joints and patch sides given as breaklines. The peer is the fit without them. A
//! third fit has the joints 10 mm beside their place: what a finder may get wrong.

use std::path::{Path, PathBuf};

use surface_core::build::{FitParams, SetupPlace, fit};
use surface_core::progress::Silent;
use surface_core::report::Report;
use surface_core::ribbon::{Ribbon, RibbonPoint};
use surface_core::zones::{Breakline, Breaklines};
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::proving::score::{Score, score};
use surface_tests::proving::step_lines::step_lines;
use surface_tests::proving::{Course, CourseSpec, ScanParams, Setup, Zone, demo};

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

fn main() -> Outcome<()> {
    let seed = std::env::args().skip(1).find_map(|a| a.parse().ok());
    let dir = tempfile::tempdir()?;
    let scan = ScanParams {
        seed: seed.unwrap_or(7),
        ..ScanParams::demo()
    };
    let made = demo::write_course(dir.path(), &CourseSpec::demo(), &scan)?;
    let (truth, course) = demo::read_truth(&made.truth)?;
    let mut params = FitParams {
        setups: truth.setups.iter().map(|s| place(s, &truth)).collect(),
        ..FitParams::default()
    };
    let build = dir.path().join("build");
    let plain = run(&made.cloud, &build, &params, (&truth, &course))?;
    print("no breaklines", &plain);
    let text = std::fs::read_to_string(build.join("ribbon.geojson"))?;
    let ribbon = Ribbon::from_geojson(&text)?;
    for (name, beside_m) in [("the truth's joints", 0.0), ("joints 10 mm beside", 0.01)] {
        params.ribbon = Some(ribbon.clone());
        params.breaklines = Some(breaklines(&ribbon, &truth, &course, beside_m));
        let found = run(&made.cloud, &build, &params, (&truth, &course))?;
        print(name, &found);
        let p95 = |s: &Score| s.zones.get(&Zone::NearSeam).map_or(f64::NAN, |z| z.p95_m);
        println!(
            "  near seams {:.2} of the error without",
            p95(&found.1) / p95(&plain.1)
        );
    }
    Ok(())
}

fn place(setup: &Setup, truth: &demo::Truth) -> SetupPlace {
    SetupPlace {
        name: Some(setup.id.to_string()),
        position_m: [0, 1, 2].map(|k| setup.position_m[k] + truth.origin_m[k]),
    }
}

/// The truth's steps in (s, t) of the ribbon, moved to the left by `beside_m`.
fn breaklines(ribbon: &Ribbon, truth: &demo::Truth, course: &Course, beside_m: f64) -> Breaklines {
    let shift = [0, 1].map(|k| truth.origin_m[k] - ribbon.frame.origin_m[k]);
    let length = ribbon.line.length_m();
    let mut out = Vec::new();
    for line in step_lines(course) {
        let mut points: Vec<RibbonPoint> = Vec::new();
        for p in line {
            let feet = ribbon.line.feet([p[0] + shift[0], p[1] + shift[1]], 12.0);
            let Some(mut at) = feet
                .into_iter()
                .min_by(|a, b| a.t.abs().total_cmp(&b.t.abs()))
            else {
                continue;
            };
            if let Some(before) = points.last() {
                at.s += ((before.s - at.s) / length).round() * length;
            }
            at.t += beside_m;
            points.push(at);
        }
        out.push(Breakline {
            points,
            step_m: 0.005,
            sd_m: 1e-4,
        });
    }
    Breaklines::new(out)
}

fn run(
    cloud: &Path,
    build: &Path,
    params: &FitParams,
    (truth, course): (&demo::Truth, &Course),
) -> Outcome<(Report, Score)> {
    let report = fit(&[PathBuf::from(cloud)], build, params, &mut Silent)?;
    let mesh = read_ply(&build.join("surface.ply"))?;
    let heights = MeshHeights::new(&mesh, truth.origin_m);
    let surface = |x: f64, y: f64| heights.height_m(x, y);
    let found = score(course, [0.0, truth.length_m], &surface, None);
    Ok((report, found))
}

fn print(name: &str, (report, score): &(Report, Score)) {
    println!(
        "{name}: valid {}, {:.0} m of {:.0} m railed in {} pieces, {} vertices, {} nodes left out; fit {:.2} s",
        report.mesh.is_valid(),
        report.seams.railed_m,
        report.seams.given_m,
        report.seams.pieces,
        report.seams.vertices,
        report.seams.nodes_left_out,
        report
            .run
            .stages
            .iter()
            .filter(|s| s.stage == "fit")
            .map(|s| s.seconds)
            .sum::<f64>(),
    );
    for zone in [
        Zone::NearSeam,
        Zone::Asphalt,
        Zone::Patch,
        Zone::Kerb,
        Zone::Bump,
        Zone::NearEdge,
    ] {
        if let (Some(all), Some(short)) = (score.zones.get(&zone), score.short_waves.get(&zone)) {
            println!(
                "  {zone:?}: {} places, rmse {:.3} mm, 95 % {:.3} mm; waves under 4 m {:.3} mm, 95 % {:.3} mm",
                all.count,
                1e3 * all.rmse_m,
                1e3 * all.p95_m,
                1e3 * short.rmse_m,
                1e3 * short.p95_m
            );
        }
    }
    println!("  coverage {:.4}", score.coverage);
}
