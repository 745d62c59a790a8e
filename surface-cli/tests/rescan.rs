//! `surface rescan` as a user runs it: exit codes, expected areas, dry runs, the chain of states,
//! and scans and folders that it must refuse.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use surface_core::report::FORMAT_VERSION;
use surface_tests::disk::small_disk;
use surface_tests::proving::demo::write_by_setup;
use surface_tests::proving::paving::Feature;
use surface_tests::proving::{Course, CourseSpec, ORIGIN_M, ScanParams};

const PANEL: Feature = Feature::Panel {
    low: [56.0, -3.1],
    high: [70.0, 0.9],
    height_m: 0.009,
};

fn surface(args: &[&str], files: &[&Path]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_surface"));
    command.args(&args[..1]).args(files).args(&args[1..]);
    command.output().unwrap()
}

fn said(run: &Output) -> String {
    String::from_utf8_lossy(&run.stdout).into_owned() + &String::from_utf8_lossy(&run.stderr)
}

/// A thin scan without clutter: exit codes are asked here, not heights.
fn scan(dir: &Path, spec: &CourseSpec, seed: u64) -> Vec<PathBuf> {
    let params = ScanParams {
        clutter: false,
        stray_share: 0.0,
        seed,
        ..ScanParams::demo().thinned(0.12)
    };
    write_by_setup(dir, spec, &params).unwrap()
}

fn smooth() -> CourseSpec {
    CourseSpec::oval().smooth()
}

/// Polygons that hold the panel with room around it, or none.
fn expected(course: &Course, any: bool) -> String {
    let corner = |s: f64, t: f64| {
        let [x, y] = course.line().at(s, t);
        format!("[{},{}]", x + ORIGIN_M[0], y + ORIGIN_M[1])
    };
    let ends: Vec<String> = (0..=10)
        .map(|k| corner(54.0 + 1.8 * f64::from(k), -4.5))
        .collect();
    let back: Vec<String> = (0..=10)
        .map(|k| corner(72.0 - 1.8 * f64::from(k), 2.5))
        .collect();
    let ring = [ends, back, vec![corner(54.0, -4.5)]].concat().join(",");
    let polygon = format!("{{\"type\":\"Polygon\",\"coordinates\":[[{ring}]]}}");
    let features = if any {
        format!("{{\"type\":\"Feature\",\"geometry\":{polygon}}}")
    } else {
        String::new()
    };
    format!("{{\"type\":\"FeatureCollection\",\"features\":[{features}]}}")
}

fn copy_tree(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        let target = to.join(path.file_name().unwrap());
        if path.is_dir() {
            copy_tree(&path, &target);
        } else {
            std::fs::copy(&path, &target).unwrap();
        }
    }
}

/// The same points in feet.
fn in_feet(from: &Path, to: &Path) {
    let mut reader = las::Reader::from_path(from).unwrap();
    let mut builder = las::Builder::from((1, 2));
    builder.point_format = las::point::Format::new(0).unwrap();
    let axis = |offset: f64| las::Transform {
        scale: 3e-4,
        offset,
    };
    builder.transforms = las::Vector {
        x: axis(1_670_000.0),
        y: axis(17_720_000.0),
        z: axis(0.0),
    };
    let mut writer = las::Writer::from_path(to, builder.into_header().unwrap()).unwrap();
    for point in reader.read_all().unwrap().points() {
        let p = point.unwrap();
        let feet = |v: f64| v / 0.3048;
        writer
            .write_point(las::Point {
                x: feet(p.x),
                y: feet(p.y),
                z: feet(p.z),
                point_source_id: p.point_source_id,
                ..las::Point::default()
            })
            .unwrap();
    }
}

/// A build of the smooth oval, and the scan of three setups after a panel was laid; two see it.
struct Case {
    dir: tempfile::TempDir,
    near: Vec<PathBuf>,
}

impl Case {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let first = scan(&dir.path().join("first"), &smooth(), 7);
        let files: Vec<&Path> = first.iter().map(PathBuf::as_path).collect();
        let works = smooth().with_works(&[PANEL]);
        let near = scan(&dir.path().join("second"), &works, 8)[1..4].to_vec();
        let case = Self { dir, near };
        let course = Course::build(&works).unwrap();
        std::fs::write(case.at("panel.geojson"), expected(&course, true)).unwrap();
        std::fs::write(case.at("nothing.geojson"), expected(&course, false)).unwrap();
        let build = case.text("build");
        // Wider than the default: what is asked here does not depend on it, and a build takes a third.
        let options = ["fit", "--tolerance", "50", "--spacing", "0.2", "--out"];
        let fitted = surface(&[&options[..], &[&build]].concat(), &files);
        // Smooth asphalt with nothing on it is within 50 mm everywhere.
        assert_eq!(fitted.status.code(), Some(0), "{}", said(&fitted));
        assert!(case.at("build/manifest.json").exists());
        case
    }

    fn at(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn text(&self, name: &str) -> String {
        self.at(name).display().to_string()
    }

    /// `surface rescan` of a folder and scans.
    fn on(&self, folder: &str, more: &[&str], scans: &[PathBuf]) -> Output {
        let folder = self.at(folder);
        let files: Vec<&Path> = std::iter::once(folder.as_path())
            .chain(scans.iter().map(PathBuf::as_path))
            .collect();
        surface(&[&["rescan"], more].concat(), &files)
    }

    fn rescan(&self, more: &[&str]) -> Output {
        self.on("build", more, &self.near)
    }

    /// The run names what is wrong, hints at a remedy and leaves nothing.
    fn refused(&self, run: &Output, word: &str) {
        let text = said(run);
        assert_eq!(run.status.code(), Some(2), "{text}");
        let told = text.contains(word) && text.contains("hint:");
        assert!(told, "{word}: {text}");
        assert!(!self.at("o").exists(), "{text}");
    }
}

#[test]
fn exit_codes_expectations_history_and_refusals() {
    let case = Case::new();
    a_dry_run_tells_and_writes_nothing(&case);
    expected_changes_decide_the_exit_code(&case);
    states_are_told_and_compared(&case);
    the_same_scan_again_is_a_doubt(&case);
    scans_that_do_not_belong_are_refused(&case);
    a_disk_too_small_for_the_new_state_is_told_at_once(&case);
    folders_that_are_not_whole_are_refused(&case);
}

fn a_dry_run_tells_and_writes_nothing(case: &Case) {
    let dry = case.rescan(&["--dry-run"]);
    assert_eq!(dry.status.code(), Some(0), "{}", said(&dry));
    let told = said(&dry).contains("1 CHANGE") && said(&dry).contains("dry run");
    assert!(told, "{}", said(&dry));
    let left: Vec<_> = std::fs::read_dir(case.at("build"))
        .unwrap()
        .map(|e| e.unwrap().file_name())
        .collect();
    let whole = |n: &std::ffi::OsString| !n.to_string_lossy().contains("part");
    assert!(left.iter().all(whole), "{left:?}");
}

fn expected_changes_decide_the_exit_code(case: &Case) {
    let expect = |file: &str, out: &str| {
        let (file, out) = (case.text(file), case.text(out));
        case.rescan(&["--tolerance", "60", "--expect", &file, "--out", &out])
    };
    let good = expect("panel.geojson", "new");
    let bad = expect("nothing.geojson", "bad");
    assert_eq!(good.status.code(), Some(0), "{}", said(&good));
    assert_eq!(bad.status.code(), Some(1), "{}", said(&bad));
    assert!(said(&bad).contains("NOT EXPECTED"), "{}", said(&bad));
    let json = std::fs::read_to_string(case.at("new/report.json")).unwrap();
    assert!(json.contains("\"tolerance_mm\": 60"), "{json}");
    assert!(json.contains("\"kind\": \"raised\"") && json.contains("\"expected\": true"));
}

fn states_are_told_and_compared(case: &Case) {
    let states = said(&surface(&["inspect"], &[&case.at("new")]));
    assert!(states.contains("states (2)"), "{states}");
    assert!(states.contains("resolved    waves from "), "{states}");
    assert!(states.contains("rescanned, 1 change"), "{states}");
    let compared = surface(
        &["rescan", "--compare", "--format", "json"],
        &[&case.at("build"), &case.at("new")],
    );
    assert_eq!(compared.status.code(), Some(0), "{}", said(&compared));
    let descends = said(&compared).contains("\"relation\": \"descends\"");
    assert!(descends, "{}", said(&compared));
}

fn the_same_scan_again_is_a_doubt(case: &Case) {
    let again = "was read for the old state already";
    let twice = said(&case.on("new", &["--dry-run"], &case.near));
    assert_eq!(twice.matches(again).count(), case.near.len(), "{twice}");
    let once = said(&case.rescan(&["--dry-run"]));
    assert!(!once.contains(again), "{once}");
}

fn scans_that_do_not_belong_are_refused(case: &Case) {
    let o = case.text("o");
    in_feet(&case.near[1], &case.at("feet.las"));
    let feet = case.on("build", &["--out", &o], &[case.at("feet.las")]);
    case.refused(&feet, "--units ft");
    case.refused(&case.rescan(&["--out", &case.text("build")]), "old build");
    // Its legs cross the build's road at other heights.
    let other = scan(&case.at("other"), &CourseSpec::near_legs().with_seed(5), 3);
    case.refused(&case.on("build", &["--out", &o], &other), "tied");
    let areas = case.text("feet.las");
    case.refused(&case.rescan(&["--dry-run", "--expect", &areas]), "feet.las");
}

fn a_disk_too_small_for_the_new_state_is_told_at_once(case: &Case) {
    let small = case.at("small");
    std::fs::create_dir(&small).unwrap();
    // Points twice, two fields and the new products take more; so little that nobody reads them all.
    let Some(mut command) = small_disk(&small, 4 << 20, "") else {
        return;
    };
    command.arg(env!("CARGO_BIN_EXE_surface")).arg("rescan");
    command.arg(case.at("build")).args(&case.near);
    let run = command.arg("--out").arg(small.join("o")).output().unwrap();
    case.refused(&run, "new points take up to");
}

fn folders_that_are_not_whole_are_refused(case: &Case) {
    let o = case.text("o");
    let on = |folder: &str| case.on(folder, &["--out", &o], &case.near);
    copy_tree(&case.at("build"), &case.at("older"));
    let path = case.at("older/manifest.json");
    let manifest = std::fs::read_to_string(&path).unwrap();
    let version = |v: u32| format!("\"format_version\": {v}");
    let older = manifest.replacen(&version(FORMAT_VERSION), &version(FORMAT_VERSION - 1), 1);
    std::fs::write(&path, older).unwrap();
    let is_older = format!("format version is {}", FORMAT_VERSION - 1);
    case.refused(&on("older"), &is_older);
    std::fs::write(&path, &manifest).unwrap();
    let chunk = case.at("older/field/z/3.0");
    let bytes = std::fs::read(&chunk).unwrap();
    std::fs::write(&chunk, &bytes[..bytes.len() / 2]).unwrap();
    case.refused(&on("older"), "field/z/3.0");
    std::fs::remove_file(&chunk).unwrap();
    case.refused(&on("older"), "field/z/3.0");
    case.refused(&on("first"), "manifest.json");
    copy_tree(&case.at("new"), &case.at("edited"));
    for name in ["ids.npy", "report.json"] {
        let path = case.at(&format!("edited/{name}"));
        let before = std::fs::read(&path).unwrap();
        let mut other = before.clone();
        match name {
            "ids.npy" => *other.last_mut().unwrap() ^= 1,
            _ => {
                let text = String::from_utf8(other).unwrap();
                other = text
                    .replacen("\"bridge_m\": 0.5", "\"bridge_m\": 0.6", 1)
                    .into_bytes();
            }
        }
        std::fs::write(&path, other).unwrap();
        case.refused(&on("edited"), name);
        std::fs::write(&path, before).unwrap();
    }
}
