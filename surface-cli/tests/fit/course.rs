//! A small course's scan, the build of one undisturbed run, and what tests do with them.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

use surface_tests::proving::{CourseSpec, ScanParams, demo};

/// Spacing of all builds, unless a test gives another: four points a cell of this thin scan, and a
/// quarter of the time that the default takes.
pub const SPACING: [&str; 2] = ["--spacing", "0.2"];

/// Products by their path in the folder.
pub type Products = BTreeMap<String, Vec<u8>>;

/// The oval of 250 m at a quarter of the demo's density.
fn folder() -> &'static Path {
    static SCAN: OnceLock<tempfile::TempDir> = OnceLock::new();
    let dir = SCAN.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let params = ScanParams {
            azimuth_step_rad: 4e-3,
            elevation_step_rad: 1e-3,
            ..ScanParams::demo().thinned(0.15)
        };
        demo::write_course(dir.path(), &CourseSpec::oval(), &params).unwrap();
        dir
    });
    dir.path()
}

pub fn scan() -> PathBuf {
    folder().join("course.laz")
}

/// Places of the setups, beside the scan.
pub fn setups() -> PathBuf {
    folder().join("setups.csv")
}

/// How many points the scan has.
pub fn scan_points() -> u64 {
    let reader = las::Reader::from_path(scan()).unwrap();
    reader.header().number_of_points()
}

/// The folder of one undisturbed run, with two threads.
pub fn undisturbed() -> PathBuf {
    known();
    folder().join("undisturbed")
}

fn known() -> &'static Products {
    static KNOWN: OnceLock<Products> = OnceLock::new();
    KNOWN.get_or_init(|| {
        let out = folder().join("undisturbed");
        ended(&fit(&out, &["--threads", "2", "--memory", "2"]));
        products(&out)
    })
}

pub fn surface() -> Command {
    Command::new(env!("CARGO_BIN_EXE_surface"))
}

pub fn command(scan: &Path, out: &Path, arguments: &[&str]) -> Command {
    let mut command = surface();
    command.arg("fit").arg(scan).arg("--out").arg(out);
    if !arguments.contains(&SPACING[0]) {
        command.args(SPACING);
    }
    command.args(arguments);
    command
}

pub fn fit(out: &Path, arguments: &[&str]) -> Output {
    command(&scan(), out, arguments).output().unwrap()
}

/// The run came to its end, whatever the verdict.
pub fn ended(run: &Output) {
    let said = String::from_utf8_lossy(&run.stderr);
    assert!(matches!(run.status.code(), Some(0 | 1)), "{said}");
}

/// Exit code 2, an error with all of `parts`, and a hint.
pub fn refused(run: &Output, parts: &[&str]) {
    let said = String::from_utf8_lossy(&run.stderr);
    assert_eq!(run.status.code(), Some(2), "{said}");
    assert!(said.starts_with("error: "), "{said}");
    for part in parts.iter().chain(&["\nhint: "]) {
        assert!(said.contains(part), "{part} in {said}");
    }
    assert!(!said.contains("panicked"), "{said}");
    assert!(run.stdout.is_empty());
}

/// [`refused`], and nothing left in `dir` but `there`.
pub fn refused_in(run: &Output, dir: &Path, there: &[&str], parts: &[&str]) {
    refused(run, parts);
    assert_eq!(names(dir), there);
}

/// Names of what is in a folder, in order.
pub fn names(dir: &Path) -> Vec<String> {
    let entries = fs::read_dir(dir).unwrap();
    let mut names: Vec<String> = entries
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// Every file of a folder by its path, with times and memory left out of the report.
pub fn products(out: &Path) -> Products {
    let mut found = BTreeMap::new();
    collect(out, out, &mut found);
    found
}

fn collect(root: &Path, folder: &Path, found: &mut Products) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.strip_prefix(root).unwrap().display().to_string();
        if path.is_dir() {
            collect(root, &path, found);
        } else if name == "report.json" {
            let mut report = report(root);
            report.as_object_mut().unwrap().remove("run");
            found.insert(name, report.to_string().into_bytes());
        } else {
            found.insert(name, fs::read(&path).unwrap());
        }
    }
}

pub fn report(out: &Path) -> serde_json::Value {
    serde_json::from_slice(&fs::read(out.join("report.json")).unwrap()).unwrap()
}

/// Stages that the build took over from a run before it.
pub fn taken_over(out: &Path) -> Vec<String> {
    let stages = &report(out)["run"]["taken_over"];
    let stages = stages.as_array().unwrap().iter();
    stages.map(|s| s.as_str().unwrap().to_owned()).collect()
}

/// The folder holds what an undisturbed run leaves, byte for byte.
pub fn same(out: &Path) {
    alike(&products(out), known());
}

pub fn alike(found: &Products, expected: &Products) {
    let names = |p: &Products| p.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(found), names(expected));
    for (name, bytes) in found {
        assert!(bytes == &expected[name], "{name} is another");
    }
}

pub fn copy(from: &Path, to: &Path) {
    let done = Command::new("cp").arg("-r").arg(from).arg(to).status();
    assert!(done.unwrap().success());
}

/// Run and kill (no clean end, as by `kill -9`) as soon as `file` is in the folder; whether that
/// came in time.
pub fn killed_at(out: &Path, file: &str) -> bool {
    killed_when(command(&scan(), out, &[]), || out.join(file).exists())
}

/// Run and kill as soon as `now` says so; whether that came in time.
pub fn killed_when(mut command: Command, now: impl Fn() -> bool) -> bool {
    command.stdout(Stdio::null()).stderr(Stdio::null());
    let mut child = command.spawn().unwrap();
    while !now() {
        if child.try_wait().unwrap().is_some() {
            return false;
        }
        std::thread::sleep(Duration::from_micros(200));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    true
}

/// `road.xyz`, a straight road of 30 × 7 m between rough verges, a point each 0.1 m, built in half a
/// second; and `line.csv` along it.
pub fn put_road(dir: &Path) {
    let at = |k: u32| f64::from(k) / 10.0 - 0.05;
    let row = |(i, j): (u32, u32)| {
        let (x, y) = (at(i), at(j));
        let off = (y - 6.0).abs();
        let chance = f64::from(i.wrapping_mul(2_654_435_761).wrapping_add(j * 40_503) % 1000);
        let (z, intensity) = if off > 3.5 {
            (1e-4 * chance, 900)
        } else {
            (0.02 * off, 100)
        };
        format!("{x:.2} {y:.2} {z:.4} {intensity}\n")
    };
    let rows = (1..=300).flat_map(|i| (1..=120).map(move |j| (i, j)));
    fs::write(dir.join("road.xyz"), rows.map(row).collect::<String>()).unwrap();
    fs::write(dir.join("line.csv"), "0,6\n10,6\n20,6\n30,6\n").unwrap();
}

/// `surface` with these arguments where no file may grow over `bytes`: what a disk does that is full.
pub fn on_a_full_disk(dir: &Path, bytes: u64, arguments: &str) -> Output {
    let script = format!(
        "trap '' XFSZ; ulimit -f {}; exec {} {arguments}",
        bytes / 512,
        env!("CARGO_BIN_EXE_surface")
    );
    let mut command = Command::new("sh");
    command.args(["-c", &script]).current_dir(dir);
    command.output().unwrap()
}
