//! The scans that benches measure on: made by the proving ground once, kept in
//! `target/bench-data`.

use std::error::Error;
use std::fs;
use std::path::PathBuf;

use surface_tests::proving::{CourseSpec, ScanParams, demo};
use surface_tests::python::target_dir;

/// Points on a metre of course that the dense scan leaves, millions: measured on 300 m.
const DENSE_M_POINTS_PER_M: f64 = 0.085;

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
