//! The demonstration: an invented course's scan, as a surveyor would deliver it, and its truth.

use super::course::{Course, ORIGIN_M};
use super::information::Information;
use super::laz::{CloudWriter, WriteError};
use super::path::PathError;
use super::scanner::scan;
use super::setups::{ScanParams, Setup};
use super::spec::CourseSpec;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

/// Version of `truth.json`.
const FORMAT_VERSION: u32 = 1;

/// Everything needed to build the truth of a scan again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Version of this file.
    pub format_version: u32,
    /// Origin of the course in the coordinates of the scan, metres.
    pub origin_m: [f64; 3],
    /// Length of the course's reference line, metres.
    pub length_m: f64,
    /// The course.
    pub course: CourseSpec,
    /// How it was scanned.
    pub scan: ScanParams,
    /// Where the scanner stood, and what each setup got wrong.
    pub setups: Vec<Setup>,
}

/// What was written.
#[derive(Debug, Clone)]
pub struct Summary {
    /// The scan.
    pub cloud: PathBuf,
    /// Positions of the scanner.
    pub setups: PathBuf,
    /// Description of the truth.
    pub truth: PathBuf,
    /// Points in the scan.
    pub points: u64,
    /// Setups in the scan.
    pub setup_count: usize,
    /// Length of the course, metres.
    pub length_m: f64,
    /// What the points tell about the road.
    pub information: Information,
}

/// A demonstration that could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The course cannot be built.
    #[error("the course cannot be built")]
    Course(#[from] PathError),
    /// The scan cannot be written.
    #[error("the scan cannot be written")]
    Cloud(#[from] WriteError),
    /// A file cannot be read or written.
    #[error("cannot use {}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// The description of the truth is not one.
    #[error("{} does not describe a truth", path.display())]
    Truth {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: serde_json::Error,
    },
}

impl DemoError {
    /// What the user can do about it, as one sentence.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Cloud(WriteError::Stopped) => "nothing was kept; run the same command again",
            Self::Cloud(_) | Self::File { .. } => {
                "check that the folder can be written and has space left, or give another with --out"
            }
            Self::Course(_) => "give corners further apart, or smaller radii",
            Self::Truth { .. } => "write the demonstration again with `surface demo`",
        }
    }
}

/// Writes the demonstration into a folder: `course.laz`, `setups.csv` and `truth.json`.
/// `stopped` is asked after each setup whether to go on.
///
/// # Errors
/// When a file cannot be written, or it was stopped.
pub fn write(dir: &Path, stopped: &dyn Fn() -> bool) -> Result<Summary, DemoError> {
    write_unless(dir, (&CourseSpec::demo(), &ScanParams::demo()), stopped)
}

/// Writes the scan of any course in the same way. Holds a few setups in memory at a time.
///
/// # Errors
/// When the course cannot be built or a file cannot be written.
pub fn write_course(
    dir: &Path,
    spec: &CourseSpec,
    params: &ScanParams,
) -> Result<Summary, DemoError> {
    write_unless(dir, (spec, params), &|| false)
}

/// A file that is removed unless it gets its name.
struct Part(PathBuf);

impl Drop for Part {
    fn drop(&mut self) {
        // What cannot be removed must not hide why it is not whole.
        let _ = fs::remove_file(&self.0);
    }
}

fn write_unless(
    dir: &Path,
    (spec, params): (&CourseSpec, &ScanParams),
    stopped: &dyn Fn() -> bool,
) -> Result<Summary, DemoError> {
    fs::create_dir_all(dir).map_err(|source| DemoError::File {
        path: dir.to_owned(),
        source,
    })?;
    let course = Course::build(spec)?;
    let (part, cloud) = (Part(dir.join("course.part.laz")), dir.join("course.laz"));
    let mut writer = CloudWriter::create(&part.0)?;
    let mut information = Information::default();
    let setups = scan(&course, params, &mut |setup, returns| {
        if stopped() {
            return Err(WriteError::Stopped);
        }
        information.merge(&returns.information);
        writer.write(setup, &returns)
    })?;
    let points = writer.finish()?;
    let (setups_csv, truth) = (dir.join("setups.csv"), dir.join("truth.json"));
    put(&setups_csv, &setups_table(&setups))?;
    write_truth(&truth, &course, params, &setups)?;
    fs::rename(&part.0, &cloud).map_err(|source| DemoError::File {
        path: cloud.clone(),
        source,
    })?;
    Ok(Summary {
        cloud,
        setups: setups_csv,
        truth,
        points,
        setup_count: setups.len(),
        length_m: course.length_m(),
        information,
    })
}

/// Writes the scan with one file a setup, `setup-001.laz` and so on; returns the files.
///
/// # Errors
/// When the course cannot be built or a file cannot be written.
pub fn write_by_setup(
    dir: &Path,
    spec: &CourseSpec,
    params: &ScanParams,
) -> Result<Vec<PathBuf>, DemoError> {
    fs::create_dir_all(dir).map_err(|source| DemoError::File {
        path: dir.to_owned(),
        source,
    })?;
    let course = Course::build(spec)?;
    let mut files = Vec::new();
    scan(&course, params, &mut |setup, returns| {
        let path = dir.join(format!("setup-{:03}.laz", setup.id));
        let mut writer = CloudWriter::create(&path)?;
        writer.write(setup, &returns)?;
        files.push(path);
        writer.finish().map(|_| ())
    })?;
    Ok(files)
}

/// Reads `truth.json` and builds the course that it describes.
///
/// # Errors
/// When the file cannot be read, is not a description, or describes no course.
pub fn read_truth(path: &Path) -> Result<(Truth, Course), DemoError> {
    let text = fs::read_to_string(path).map_err(|source| DemoError::File {
        path: path.to_owned(),
        source,
    })?;
    let truth: Truth = serde_json::from_str(&text).map_err(|source| DemoError::Truth {
        path: path.to_owned(),
        source,
    })?;
    let course = Course::build(&truth.course)?;
    Ok((truth, course))
}

fn write_truth(
    path: &Path,
    course: &Course,
    params: &ScanParams,
    setups: &[Setup],
) -> Result<(), DemoError> {
    let truth = Truth {
        format_version: FORMAT_VERSION,
        origin_m: ORIGIN_M,
        length_m: course.length_m(),
        course: course.spec().clone(),
        scan: params.clone(),
        setups: setups.to_vec(),
    };
    let text = serde_json::to_string_pretty(&truth).map_err(|source| DemoError::Truth {
        path: path.to_owned(),
        source,
    })?;
    put(path, &(text + "\n"))
}

/// One row a setup: number and position of the instrument in the scan's coordinates.
fn setups_table(setups: &[Setup]) -> String {
    let mut text = String::from("id,x,y,z\n");
    for setup in setups {
        let [x, y, z] = [0, 1, 2].map(|i| setup.position_m[i] + ORIGIN_M[i]);
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{},{x:.4},{y:.4},{z:.4}", setup.id);
    }
    text
}

fn put(path: &Path, text: &str) -> Result<(), DemoError> {
    fs::write(path, text).map_err(|source| DemoError::File {
        path: path.to_owned(),
        source,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sparse() -> ScanParams {
        ScanParams {
            azimuth_step_rad: 8e-3,
            elevation_step_rad: 4e-3,
            ..ScanParams::demo().thinned(0.4)
        }
    }

    #[test]
    fn a_written_scan_and_its_truth_can_be_read_back() {
        let dir = tempfile::tempdir().unwrap();
        let summary = write_course(dir.path(), &CourseSpec::oval(), &sparse()).unwrap();
        let (truth, course) = read_truth(&summary.truth).unwrap();
        assert_eq!((truth.course, truth.scan), (CourseSpec::oval(), sparse()));
        assert_eq!(course.length_m().to_bits(), truth.length_m.to_bits());
        assert_eq!(truth.setups.len(), summary.setup_count);
        let mut reader = las::Reader::from_path(&summary.cloud).unwrap();
        assert_eq!(reader.header().number_of_points(), summary.points);
        let mut near = 0;
        for point in reader.read_all().unwrap().points() {
            let point = point.unwrap();
            let [x, y] = [point.x - ORIGIN_M[0], point.y - ORIGIN_M[1]];
            let error = point.z - ORIGIN_M[2] - course.ground_m(x, y);
            near += u64::from(error.abs() < 0.08);
            assert!((1..=summary.setup_count).contains(&usize::from(point.point_source_id)));
        }
        // The rest are strays (0.3 %), people and a car.
        assert!(
            near as f64 > 0.97 * summary.points as f64,
            "{near} of {}",
            summary.points
        );
    }

    #[test]
    fn a_stopped_scan_leaves_no_file() {
        let dir = tempfile::tempdir().unwrap();
        let setups = std::cell::Cell::new(0);
        let second = || setups.replace(setups.get() + 1) == 1;
        let what = (&CourseSpec::oval(), &sparse());
        let error = write_unless(dir.path(), what, &second).unwrap_err();
        assert!(
            matches!(error, DemoError::Cloud(WriteError::Stopped)),
            "{error}"
        );
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
    }

    #[test]
    fn the_scan_is_the_same_for_any_number_of_threads() {
        let bytes = |threads: usize| {
            let dir = tempfile::tempdir().unwrap();
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            let params = sparse();
            pool.install(|| write_course(dir.path(), &CourseSpec::oval(), &params))
                .unwrap();
            fs::read(dir.path().join("course.laz")).unwrap()
        };
        assert_eq!(bytes(1), bytes(3));
    }
}
