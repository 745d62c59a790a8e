//! `surface rescan` as a user runs it: exit codes, expected areas, dry runs, the chain of states,
//! and scans and folders that it must refuse.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use surface_core::report::{FORMAT_VERSION, MOST_OUTSIDE_M2, RescanReport};
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

/// The names and bytes of all files of a tree, and its folders.
fn listing(dir: &Path) -> BTreeMap<PathBuf, Option<Vec<u8>>> {
    let mut out = BTreeMap::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            out.extend(listing(&path));
            out.insert(path, None);
        } else {
            let bytes = std::fs::read(&path).unwrap();
            out.insert(path, Some(bytes));
        }
    }
    out
}

/// What a run with `--format json` says on standard output: a report and nothing else.
fn told(run: &Output) -> RescanReport {
    serde_json::from_slice(&run.stdout).unwrap_or_else(|e| panic!("{e}: {}", said(run)))
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

/// What is doubted of a scan that was read before.
const AGAIN: &str = "was read for the old state already";
/// No area in which change is expected.
const NOWHERE: &str = r#"{"type":"FeatureCollection","features":[]}"#;

/// The area from `low` to `high` (s, t) of a course, as a polygon.
fn area(course: &Course, low: [f64; 2], high: [f64; 2]) -> String {
    let corner = |k: i32, t: f64| {
        let [x, y] = course
            .line()
            .at(low[0] + 0.05 * f64::from(k) * (high[0] - low[0]), t);
        format!("[{},{}]", x + ORIGIN_M[0], y + ORIGIN_M[1])
    };
    let right = (0..=20).map(|k| corner(k, low[1]));
    let left = (0..=20).rev().map(|k| corner(k, high[1]));
    let ring: Vec<String> = right.chain(left).chain([corner(0, low[1])]).collect();
    let ring = ring.join(",");
    format!("{{\"type\":\"Polygon\",\"coordinates\":[[{ring}]]}}")
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
        let Feature::Panel { low, high, .. } = PANEL else {
            unreachable!("it is a panel")
        };
        let put = |name: &str, text: &str| std::fs::write(case.at(name), text).unwrap();
        put("panel.geojson", &area(&course, low, high));
        // All but 0.7 m at its end, of which 0.3 m are taken for smear.
        let short = [high[0] - 0.7, high[1]];
        put("short.geojson", &area(&course, low, short));
        put("nothing.geojson", NOWHERE);
        std::fs::create_dir(case.at("passing")).unwrap();
        let build = case.text("build");
        // Wider than the default: what is asked here does not depend on it, and a build takes a third.
        let options = ["fit", "--tolerance", "50", "--spacing", "0.2", "--out"];
        let fitted = surface(&[&options[..], &[&build]].concat(), &files);
        // Smooth asphalt with nothing on it is within 50 mm everywhere.
        assert_eq!(fitted.status.code(), Some(0), "{}", said(&fitted));
        assert!(case.at("build/manifest.json").exists());
        case.build_on_another_lattice(&build);
        case
    }

    /// `other-build`: the same ribbon, but nodes further apart.
    fn build_on_another_lattice(&self, build: &str) {
        let (ribbon, out) = (format!("{build}/ribbon.geojson"), self.text("other-build"));
        let given = ["--line", &ribbon, "--spacing", "0.5", "--tolerance", "50"];
        let fit = [&["fit"], &given[..], &["--out", &out]].concat();
        let fitted = surface(&fit, &[&self.near[1]]);
        let whole = self.at("other-build/manifest.json").exists();
        assert!(whole, "{}", said(&fitted));
    }

    fn at(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn text(&self, name: &str) -> String {
        self.at(name).display().to_string()
    }

    /// `surface rescan` of a folder and scans, with the system's folder for passing files in sight.
    fn on(&self, folder: &str, more: &[&str], scans: &[PathBuf]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_surface"));
        command.arg("rescan").arg(self.at(folder)).args(scans);
        command.args(more).env("TMPDIR", self.at("passing"));
        command.output().unwrap()
    }

    fn rescan(&self, more: &[&str]) -> Output {
        self.on("build", more, &self.near)
    }

    /// The run names what is wrong, hints at a remedy and leaves nothing.
    fn refused(&self, run: &Output, words: &[&str]) {
        let text = said(run);
        assert_eq!(run.status.code(), Some(2), "{text}");
        for word in words.iter().chain(&["error: ", "\nhint: "]) {
            assert!(text.contains(word), "{word}: {text}");
        }
        assert!(
            run.stdout.is_empty() && !text.contains("panicked"),
            "{text}"
        );
        assert!(!self.at("o").exists(), "{text}");
    }
}

#[test]
fn exit_codes_expectations_history_and_refusals() {
    let case = Case::new();
    dry_runs_tell_and_write_nothing(&case);
    expected_changes_and_tolerance_decide_the_exit_code(&case);
    states_are_told_and_compared(&case);
    the_same_scan_again_is_a_doubt(&case);
    let build = listing(&case.at("build"));
    scans_that_do_not_belong_are_refused(&case);
    scans_that_are_not_whole_are_refused(&case);
    a_disk_too_small_for_the_new_state_is_told_at_once(&case);
    folders_that_are_not_whole_are_refused(&case);
    assert!(build == listing(&case.at("build")), "the build is touched");
}

fn dry_runs_tell_and_write_nothing(case: &Case) {
    let before = listing(case.dir.path());
    let run = |file: &str, more: &[&str]| {
        let file = case.text(file);
        case.rescan(&[&["--dry-run", "--expect", &file], more].concat())
    };
    // The area is the panel itself: what smears the change around it does not count.
    let good = run(
        "panel.geojson",
        &["--format", "json", "--out", &case.text("o")],
    );
    assert_eq!(good.status.code(), Some(0), "{}", said(&good));
    let report = told(&good);
    assert!(report.dry_run && report.changes.len() == 1, "{report:?}");
    assert!(report.rebuilt.seconds_left.unwrap() > 0.0, "{report:?}");
    println!(
        "outside of the panel's own area: {} m²",
        report.outside_m2()
    );
    assert!(report.outside_m2() <= MOST_OUTSIDE_M2, "{report:?}");
    // Under 5 % of the change, and yet a stretch of it that nobody expects.
    let short = run("short.geojson", &["--format", "json"]);
    assert_eq!(short.status.code(), Some(1), "{}", said(&short));
    let outside_m2 = told(&short).outside_m2();
    // 0.4 m of the panel, and its smear.
    assert!((1.5..0.05 * 56.0).contains(&outside_m2), "{outside_m2}");
    let text = told(&short).to_text();
    for word in ["1 CHANGE, 1 NOT EXPECTED (", "dry run", " s to go"] {
        assert!(text.contains(word), "{word}: {text}");
    }
    assert!(!text.contains(AGAIN), "{text}");
    assert!(before == listing(case.dir.path()), "a dry run wrote");
}

fn expected_changes_and_tolerance_decide_the_exit_code(case: &Case) {
    let run = |tolerance: &str, file: &str, out: &str| {
        let (file, out) = (case.text(file), case.text(out));
        let more = ["--expect", &file, "--out", &out, "--format", "json"];
        case.rescan(&[&["--tolerance", tolerance], &more[..]].concat())
    };
    let good = run("60", "panel.geojson", "new");
    assert_eq!(good.status.code(), Some(0), "{}", said(&good));
    let report = told(&good);
    assert_eq!(report.changes[0].expected, Some(true));
    assert_eq!(report.spots, Some(0));
    let json = std::fs::read_to_string(case.at("new/report.json")).unwrap();
    assert!(json.contains("\"tolerance_mm\": 60"), "{json}");
    assert!(json.contains("\"kind\": \"raised\"") && json.contains("\"expected\": true"));
    // The change is expected, but the points lie further off the surface than is accepted.
    let tight = run("0.1", "panel.geojson", "tight");
    assert_eq!(tight.status.code(), Some(1), "{}", said(&tight));
    let report = told(&tight);
    assert!(report.spots.unwrap() > 0 && report.unexpected() == 0);
    assert!(
        report
            .to_text()
            .contains("beyond tolerance where it was rebuilt")
    );
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
    let compare = |a: &str, b: &str| surface(&["rescan", "--compare"], &[&case.at(a), &case.at(b)]);
    let same = said(&compare("build", "build"));
    let nothing = " sections and 0 of ";
    assert!(
        same.starts_with("NO CHANGE\nstates      same; 0 of ") && same.contains(nothing),
        "{same}"
    );
    // Made of one build by scans of the same points: the same heights, other reports.
    let siblings = said(&compare("new", "tight"));
    assert!(siblings.contains("siblings; 0 of "), "{siblings}");
    case.refused(
        &compare("build", "other-build"),
        &["other-build", "lattice", "rescan"],
    );
}

fn the_same_scan_again_is_a_doubt(case: &Case) {
    let twice = said(&case.on("new", &["--dry-run"], &case.near));
    assert_eq!(twice.matches(AGAIN).count(), case.near.len(), "{twice}");
}

fn scans_that_do_not_belong_are_refused(case: &Case) {
    let o = case.text("o");
    in_feet(&case.near[1], &case.at("feet.las"));
    let feet = |more: &[&str]| case.on("build", more, &[case.at("feet.las")]);
    case.refused(&feet(&["--out", &o]), &["feet.las", "--units ft"]);
    let nowhere = case.text("nothing.geojson");
    let known = feet(&["--dry-run", "--units", "ft", "--expect", &nowhere]);
    assert_eq!(known.status.code(), Some(1), "{}", said(&known));
    let found = said(&known).starts_with("1 CHANGE, 1 NOT EXPECTED (");
    assert!(found, "{}", said(&known));
    case.refused(
        &case.rescan(&["--out", &case.text("build")]),
        &["old build"],
    );
    std::fs::write(case.at("far.txt"), far()).unwrap();
    let elsewhere = case.on("build", &["--out", &o], &[case.at("far.txt")]);
    let place = "the scan is around x 522010, y 5403010";
    case.refused(&elsewhere, &["far.txt", "none of the 400 points", place]);
    // Its legs cross the build's road at other heights.
    let other = scan(&case.at("other"), &CourseSpec::near_legs().with_seed(5), 3);
    case.refused(&case.on("build", &["--out", &o], &other), &["tied"]);
    let areas = case.text("feet.las");
    case.refused(
        &case.rescan(&["--dry-run", "--expect", &areas]),
        &["feet.las"],
    );
}

/// Even ground ten kilometres east of the build.
fn far() -> String {
    let at = |k: i32| [f64::from(k % 20), f64::from(k / 20)];
    let line = |k: i32| {
        let [x, y] = [0, 1].map(|axis| at(k)[axis] + ORIGIN_M[axis]);
        format!("{} {y} {}\n", x + 10_000.0, ORIGIN_M[2])
    };
    (0..400).map(line).collect()
}

fn scans_that_are_not_whole_are_refused(case: &Case) {
    let o = case.text("o");
    let whole = std::fs::read(&case.near[0]).unwrap();
    let refused = |name: &str, bytes: &[u8], words: &[&str]| {
        std::fs::write(case.at(name), bytes).unwrap();
        let scans = [case.near[1].clone(), case.at(name)];
        let run = case.on("build", &["--out", &o], &scans);
        case.refused(&run, &[&[name], words].concat());
    };
    refused("empty.laz", &[], &["empty", "again"]);
    refused("cut.laz", &whole[..whole.len() / 2], &["cut off", "again"]);
    let none = las::Builder::from((1, 2)).into_header().unwrap();
    let mut writer = las::Writer::from_path(case.at("none.las"), none).unwrap();
    writer.close().unwrap();
    let run = case.on("build", &["--out", &o], &[case.at("none.las")]);
    case.refused(&run, &["none.las", "no point"]);
    // A folder in which someone else keeps a file under a product's name.
    std::fs::create_dir(case.at("theirs")).unwrap();
    std::fs::write(case.at("theirs/surface.ply"), "theirs").unwrap();
    let before = listing(&case.at("theirs"));
    let theirs = case.rescan(&["--out", &case.text("theirs")]);
    case.refused(&theirs, &["theirs/surface.ply", "another place with --out"]);
    assert!(before == listing(&case.at("theirs")));
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
    case.refused(&run, &["new points take up to"]);
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
    case.refused(&on("older"), &[&is_older]);
    std::fs::write(&path, &manifest).unwrap();
    let chunk = case.at("older/field/z/3.0");
    let bytes = std::fs::read(&chunk).unwrap();
    std::fs::write(&chunk, &bytes[..bytes.len() / 2]).unwrap();
    case.refused(&on("older"), &["field/z/3.0"]);
    std::fs::remove_file(&chunk).unwrap();
    case.refused(&on("older"), &["field/z/3.0"]);
    std::fs::write(&chunk, &bytes).unwrap();
    let lines = case.at("older/breaklines.geojson");
    let text = std::fs::read(&lines).unwrap();
    std::fs::write(&lines, &text[..text.len() - 3]).unwrap();
    let damaged = ["older/breaklines.geojson", "the manifest lists", "put back"];
    case.refused(&on("older"), &damaged);
    case.refused(&on("first"), &["manifest.json"]);
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
        case.refused(&on("edited"), &[name]);
        std::fs::write(&path, before).unwrap();
    }
}
