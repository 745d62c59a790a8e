//! Setups that are off, held against the truth: found, corrected, named, and tied to checkpoints.

use std::path::{Path, PathBuf};

use surface_core::build::{Checkpoint, FitParams, SetupPlace, fit};
use surface_core::progress::Silent;
use surface_core::report::{Report, SetupState};
use surface_core::ribbon::Ribbon;
use surface_core::setups::NoiseModel;
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::proving::score::{Score, score};
use surface_tests::proving::{Course, CourseSpec, Noise, ScanParams, Zone, demo};

struct Made {
    summary: demo::Summary,
    truth: demo::Truth,
    course: Course,
}

fn made(dir: &Path, params: &ScanParams) -> Made {
    let summary = demo::write_course(dir, &CourseSpec::oval(), params).unwrap();
    let (truth, course) = demo::read_truth(&summary.truth).unwrap();
    Made {
        summary,
        truth,
        course,
    }
}

fn scanners(truth: &demo::Truth) -> Vec<SetupPlace> {
    let place = |setup: &surface_tests::proving::Setup| SetupPlace {
        name: Some(setup.id.to_string()),
        position_m: [0, 1, 2].map(|k| setup.position_m[k] + truth.origin_m[k]),
    };
    truth.setups.iter().map(place).collect()
}

fn built(made: &Made, out: &Path, checkpoints: Vec<Checkpoint>) -> (Report, Score) {
    let params = FitParams {
        setups: scanners(&made.truth),
        checkpoints,
        ..FitParams::default()
    };
    built_with(made, out, &params)
}

fn built_with(made: &Made, out: &Path, params: &FitParams) -> (Report, Score) {
    let paths = [PathBuf::from(&made.summary.cloud)];
    let report = fit(&paths, out, params, &mut Silent).unwrap();
    let mesh = read_ply(&out.join("surface.ply")).unwrap();
    let heights = MeshHeights::new(&mesh, made.truth.origin_m);
    let surface = |x: f64, y: f64| heights.height_m(x, y);
    let along = [0.0, made.truth.length_m];
    (report, score(&made.course, along, &surface, None))
}

/// Surveyed points every 8 m, free of error.
fn surveyed(made: &Made) -> Vec<Checkpoint> {
    (0..32u32)
        .map(|k| {
            let t = 2.5 * (f64::from(k) * 1.3).sin();
            let s = f64::from(k) * made.truth.length_m / 32.0;
            let [x, y] = made.course.line().at(s, t);
            let local = [x, y, made.course.height_at_m(s, t)];
            Checkpoint {
                name: Some(format!("P{k}")),
                xyz_m: [0, 1, 2].map(|i| local[i] + made.truth.origin_m[i]),
            }
        })
        .collect()
}

#[test]
fn every_fourth_setup_off_by_six_millimetres_is_named_and_costs_a_fifth_at_most() {
    let dir = tempfile::tempdir().unwrap();
    let clean = made(&dir.path().join("clean"), &ScanParams::demo().clear());
    let (_, free) = built(&clean, &dir.path().join("free"), Vec::new());
    let params = ScanParams {
        fourth_off_m: 6e-3,
        stray_share: 0.005,
        ..ScanParams::demo()
    };
    let bad = made(&dir.path().join("bad"), &params);
    let (report, found) = built(&bad, &dir.path().join("levelled"), surveyed(&bad));

    let named: Vec<usize> = (0..report.levelling.setups.len())
        .filter(|&k| report.levelling.setups[k].state == SetupState::WasOff)
        .collect();
    let truly: Vec<usize> = (0..bad.truth.setups.len()).filter(|k| k % 4 == 1).collect();
    assert_eq!(named, truly, "{:?}", report.levelling.setups);
    for (setup, truth) in report.levelling.setups.iter().zip(&bad.truth.setups) {
        // A short ring of nine setups ties each to the others to 0.1 mm; checkpoints hold all.
        let error = setup.offset_mm - 1e3 * truth.height_error_m;
        assert!(error.abs() < 0.5, "{setup:?} {truth:?}");
    }
    let short = [&free, &found].map(|s| s.short_waves[&Zone::Asphalt].rmse_m);
    println!("waves under 4 m, clean and with all that can be wrong: {short:?}");
    assert!(short[1] < 1.2 * short[0], "{short:?}");

    let checkpoints = report.checkpoints.as_ref().unwrap();
    println!("{checkpoints:?}");
    assert!(checkpoints.on_surface >= 30, "{checkpoints:?}");
    let mean = found.zones[&Zone::Asphalt].mean_m;
    assert!(mean.abs() < 0.3e-3, "mean error {mean}");
    assert!(checkpoints.rmse_mm < 1.0 && checkpoints.mean_mm.abs() < 0.3);
}

/// Small cases are tests of `setups::level` and of the tie of rescans.
/// `cargo test -p surface-tests --test surfaces slow_angular -- --ignored --nocapture`
#[test]
#[ignore = "a minute; three builds"]
fn slow_angular_errors_are_corrected_where_scanners_positions_are_known() {
    let dir = tempfile::tempdir().unwrap();
    let scan = |slow_rad: f64| ScanParams {
        noise: Noise {
            slow_rad,
            ..Noise::TYPICAL
        },
        ..ScanParams::demo()
    };
    let slow = made(&dir.path().join("slow"), &scan(40e-6));
    let (report, found) = built(&slow, &dir.path().join("corrected"), Vec::new());
    let blind = FitParams::default();
    let (not_known, left) = built_with(&slow, &dir.path().join("left"), &blind);
    let steady = made(&dir.path().join("steady"), &scan(0.0));
    let (none, best) = built(&steady, &dir.path().join("none"), Vec::new());

    let told = report.levelling.slow_error.as_ref().unwrap();
    println!("{told:?}; without: {:?}", none.levelling.slow_error);
    assert!(told.corrected, "{told:?}");
    // Nine setups have 36 terms of two and three cycles: their spread is known to an eighth.
    assert!((25.0..55.0).contains(&told.spread_urad), "{told:?}");
    assert_eq!(not_known.levelling.slow_error, None);
    assert!(!none.levelling.slow_error.as_ref().unwrap().corrected);
    // A slow error is smooth along the road: waves under 4 m hardly know of it.
    let scores = [&found, &left, &best];
    let short = scores.map(|s| 1e3 * s.short_waves[&Zone::Asphalt].rmse_m);
    let all = scores.map(|s| 1e3 * s.zones[&Zone::Asphalt].rmse_m);
    println!("mm, corrected, not, and none to correct: {all:?}, under 4 m {short:?}");
    assert!(all[0] < 0.5 * all[1] && all[0] < 1.2 * all[2], "{all:?}");
    assert!(
        short[0] < short[1] && short[0] < 1.05 * short[2],
        "{short:?}"
    );
}

/// The same points with no intensities.
fn without_intensities(from: &Path, to: &Path) {
    let mut reader = las::Reader::from_path(from).unwrap();
    let header = reader.header().clone();
    let mut writer = las::Writer::from_path(to, header).unwrap();
    for point in reader.points() {
        let mut point = point.unwrap();
        point.intensity = 0;
        writer.write_point(point).unwrap();
    }
    writer.close().unwrap();
}

#[test]
fn range_noise_that_grows_as_the_return_fades_is_learnt_and_makes_nothing_worse() {
    let dir = tempfile::tempdir().unwrap();
    let made = made(&dir.path().join("scan"), &ScanParams::demo().clear());
    let (report, found) = built(&made, &dir.path().join("intensities"), Vec::new());
    let noise = report.levelling.noise.clone().unwrap();
    // Variances of ranges grow with the power of −0.3 of reflectance and of the cosine of incidence.
    assert!((0.05..0.25).contains(&noise.fading), "{noise:?}");

    let ribbon = std::fs::read_to_string(dir.path().join("intensities/ribbon.geojson")).unwrap();
    let given = FitParams {
        setups: scanners(&made.truth),
        ribbon: Some(Ribbon::from_geojson(&ribbon).unwrap()),
        ..FitParams::default()
    };
    let mut bare = made;
    let scan = PathBuf::from(&bare.summary.cloud);
    bare.summary.cloud = dir.path().join("bare.laz");
    without_intensities(&scan, &bare.summary.cloud);
    let (steady, left) = built_with(&bare, &dir.path().join("bare"), &given);
    let steady = steady.levelling.noise.clone().unwrap();
    assert!(steady.fading <= 0.0, "{steady:?}");
    bare.summary.cloud = scan.clone();
    let same = FitParams {
        noise: Some(NoiseModel {
            range_m: 1e-3 * steady.range_mm,
            grazing_m: 1e-3 * steady.grazing_mm,
            angle_rad: 1e-6 * steady.angle_urad,
            texture_m: 1e-3 * steady.texture_mm,
            ..NoiseModel::default()
        }),
        ..given
    };
    let (blind, _) = built_with(&bare, &dir.path().join("blind"), &same);
    println!("{noise:?}\n{steady:?}");
    let mut apart = [0.0f64; 2];
    for (own, blind) in report.levelling.rings.iter().zip(&blind.levelling.rings) {
        println!("{own:?} without {:?}", blind.over_model);
        if own.distance_m[1] <= 10.0 {
            for (apart, [dark, bright]) in apart
                .iter_mut()
                .zip([own, blind].map(|r| r.over_model.unwrap()))
            {
                *apart = apart.max((dark / bright - 1.0).abs());
            }
        }
    }
    let scores = [&found, &left].map(|s| {
        [&s.zones, &s.short_waves].map(|zones| {
            [Zone::Asphalt, Zone::Paint, Zone::Kerb, Zone::NearSeam]
                .map(|z| zones.get(&z).map_or(0.0, |s| 1e3 * s.rmse_m))
        })
    });
    println!("scatter apart by {apart:?}; mm with and without, all and short: {scores:?}");
    assert!(apart[0] < 0.5 * apart[1], "{apart:?}");
    assert!(scores[0][1][0] < 1.005 * scores[1][1][0], "{scores:?}");
}
