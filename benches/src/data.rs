//! The scans that benches measure on: made by the proving ground once, kept in
//! `target/bench-data`.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

use surface_tests::proving::paving::Feature;
use surface_tests::proving::{Course, CourseSpec, ORIGIN_M, ScanParams, demo};
use surface_tests::python::target_dir;

/// Points on a metre of course that the dense scan leaves, millions: measured on 300 m.
const DENSE_M_POINTS_PER_M: f64 = 0.085;

/// Length of the long course, metres.
const LONG_M: f64 = 4000.0;

/// One LAZ file and where it came from.
#[derive(Debug, Clone)]
pub struct Scan {
    /// In words.
    pub what: String,
    /// The points.
    pub cloud: PathBuf,
    /// Scanner positions, CSV.
    pub setups: PathBuf,
    /// Points in the file.
    pub points: u64,
}

/// The demonstration's scan: 652 m, 4.0 million points.
///
/// # Errors
/// When the course cannot be built or a file cannot be written.
pub fn demo_scan() -> Result<Scan, Box<dyn Error>> {
    kept(
        "demo",
        "the demo's scan",
        &CourseSpec::demo(),
        &ScanParams::demo(),
    )
}

/// A dense scan (points 20 mm apart at best, all errors and clutter) of a course as long as about
/// `million` points need.
///
/// # Errors
/// When the course cannot be built or a file cannot be written.
pub fn dense_scan(million: f64) -> Result<Scan, Box<dyn Error>> {
    let length_m = (million / DENSE_M_POINTS_PER_M).max(300.0).round();
    kept(
        &format!("dense-{length_m}m"),
        &format!("a dense scan of an invented course of {length_m} m"),
        &CourseSpec::of_length(length_m),
        &ScanParams::dense(),
    )
}

/// A scan of a whole circuit (4 km, some 150 setups, all errors and clutter), as dense as about
/// `million` points allow.
///
/// # Errors
/// When the course cannot be built or a file cannot be written.
pub fn long_scan(million: f64) -> Result<Scan, Box<dyn Error>> {
    let dense = ScanParams::dense();
    // Where the scanner's own pattern is coarser thinning takes nothing: 36 million are left at
    // 82 mm of 340 million at 20 mm.
    let coarser = (DENSE_M_POINTS_PER_M * LONG_M / million).powf(0.63);
    let params = ScanParams {
        min_spacing_m: dense.min_spacing_m * coarser,
        ..dense
    };
    kept(
        &format!("long-{million:.0}"),
        &format!("an invented course of {LONG_M} m"),
        &CourseSpec::of_length(LONG_M),
        &params,
    )
}

/// A second scan of a tenth of the demonstration's course, after a panel of 10 × 3.5 m was laid in
/// its middle 8 mm higher: what lies within 33 m of the panel, as many points to a metre as before.
///
/// # Errors
/// When the course cannot be built or a file cannot be written.
pub fn rescan_of_a_tenth() -> Result<Scan, Box<dyn Error>> {
    let panel = Feature::Panel {
        low: [300.0, -2.0],
        high: [310.0, 1.5],
        height_m: 0.008,
    };
    let spec = CourseSpec::demo().with_works(&[panel]);
    let again = ScanParams {
        seed: 8,
        ..ScanParams::demo()
    };
    let whole = kept("demo-again", "a second scan of the demo", &spec, &again)?;
    let [x, y] = Course::build(&spec)?.line().at(305.0, 0.0);
    let middle = [x + ORIGIN_M[0], y + ORIGIN_M[1]];
    let cloud = whole.cloud.with_file_name("tenth.laz");
    let points = cut_out(&whole.cloud, middle, 33.0, &cloud)?;
    Ok(Scan {
        what: "a tenth of the demo's course".to_owned(),
        cloud,
        points,
        ..whole
    })
}

/// Write the points within `reach_m` of `middle` (x, y) to a file of their own; returns their
/// number.
fn cut_out(from: &Path, middle: [f64; 2], reach_m: f64, to: &Path) -> Result<u64, Box<dyn Error>> {
    let mut reader = las::Reader::from_path(from)?;
    let mut writer = las::Writer::from_path(to, reader.header().clone())?;
    let (all, mut points) = (reader.read_all()?, 0);
    for point in all.points() {
        let point = point?;
        if (point.x - middle[0]).hypot(point.y - middle[1]) < reach_m {
            writer.write_point(point)?;
            points += 1;
        }
    }
    writer.close()?;
    Ok(points)
}

/// A scan of `target/bench-data`, made if it is not there. The folder gets its name when the scan
/// is whole, so that a bench that was stopped leaves nothing that looks like one.
fn kept(
    name: &str,
    what: &str,
    spec: &CourseSpec,
    params: &ScanParams,
) -> Result<Scan, Box<dyn Error>> {
    let all = target_dir().join("bench-data");
    let folder = all.join(name);
    if !folder.join("truth.json").exists() {
        let started = std::time::Instant::now();
        let part = all.join(format!("{name}.part-{}", std::process::id()));
        let made = demo::write_course(&part, spec, params)?;
        fs::rename(&part, &folder)?;
        println!(
            "made {what}: {} points in {:.0} s",
            made.points,
            started.elapsed().as_secs_f64()
        );
    }
    let cloud = folder.join("course.laz");
    let points = las::Reader::from_path(&cloud)?.header().number_of_points();
    Ok(Scan {
        what: what.to_owned(),
        setups: folder.join("setups.csv"),
        cloud,
        points,
    })
}
