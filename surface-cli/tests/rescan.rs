//! `surface rescan` as a user runs it: exit codes, expected areas, dry runs, the chain of states,
//! and scans and folders that it must refuse.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

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

#[test]
fn exit_codes_expectations_history_and_refusals() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    let text = |name: &str| at(name).display().to_string();
    let first = scan(&at("first"), &smooth(), 7);
    let files: Vec<&Path> = first.iter().map(PathBuf::as_path).collect();
    let fitted = surface(
        &["fit", "--tolerance", "50", "--out", &text("build")],
        &files,
    );
    assert!(at("build/manifest.json").exists(), "{}", said(&fitted));

    // Two setups see the panel.
    let works = smooth().with_works(&[PANEL]);
    let second = scan(&at("second"), &works, 8);
    let course = Course::build(&works).unwrap();
    std::fs::write(at("panel.geojson"), expected(&course, true)).unwrap();
    std::fs::write(at("nothing.geojson"), expected(&course, false)).unwrap();
    let near: Vec<&Path> = second[1..4].iter().map(PathBuf::as_path).collect();
    let build = at("build");
    let rescan = |more: &[&str], scans: &[&Path]| {
        let args: Vec<&str> = ["rescan"].iter().chain(more).copied().collect();
        let files: Vec<&Path> = [build.as_path()].iter().chain(scans).copied().collect();
        surface(&args, &files)
    };

    let dry = rescan(&["--dry-run"], &near);
    assert_eq!(dry.status.code(), Some(0), "{}", said(&dry));
    assert!(
        said(&dry).contains("1 CHANGE") && said(&dry).contains("dry run"),
        "{}",
        said(&dry)
    );
    let left: Vec<_> = std::fs::read_dir(&build)
        .unwrap()
        .map(|e| e.unwrap().file_name())
        .collect();
    assert!(
        left.iter().all(|n| !n.to_string_lossy().contains("part")),
        "{left:?}"
    );

    let expect = |file: &str, out: &str| {
        rescan(
            &[
                "--tolerance",
                "50",
                "--expect",
                &text(file),
                "--out",
                &text(out),
            ],
            &near,
        )
    };
    let (good, bad) = (
        expect("panel.geojson", "new"),
        expect("nothing.geojson", "bad"),
    );
    assert_eq!(good.status.code(), Some(0), "{}", said(&good));
    assert_eq!(bad.status.code(), Some(1), "{}", said(&bad));
    assert!(said(&bad).contains("NOT EXPECTED"), "{}", said(&bad));
    let json = std::fs::read_to_string(at("new/report.json")).unwrap();
    assert!(json.contains("\"kind\": \"raised\"") && json.contains("\"expected\": true"));

    let states = surface(&["inspect"], &[&at("new")]);
    assert!(said(&states).contains("states (2)"), "{}", said(&states));
    assert!(
        said(&states).contains("rescanned, 1 change"),
        "{}",
        said(&states)
    );
    let compared = surface(
        &["rescan", "--compare", "--format", "json"],
        &[&build, &at("new")],
    );
    assert_eq!(compared.status.code(), Some(0), "{}", said(&compared));
    assert!(
        said(&compared).contains("\"relation\": \"descends\""),
        "{}",
        said(&compared)
    );

    // Refusals: each names what is wrong, leaves nothing and hints at a remedy.
    let refused = |run: Output, word: &str| {
        let text = said(&run);
        assert_eq!(run.status.code(), Some(2), "{text}");
        assert!(
            text.contains(word) && text.contains("hint:"),
            "{word}: {text}"
        );
    };
    in_feet(&second[2], &at("feet.las"));
    refused(
        rescan(&["--out", &text("o")], &[&at("feet.las")]),
        "--units ft",
    );
    let same = rescan(&["--out", &text("build")], &near);
    refused(same, "old build");
    // Its legs cross the build's road at other heights.
    let other = scan(&at("other"), &CourseSpec::near_legs().with_seed(5), 3);
    let other: Vec<&Path> = other.iter().map(PathBuf::as_path).collect();
    refused(rescan(&["--out", &text("o")], &other), "tied");
    refused(
        rescan(&["--dry-run", "--expect", &text("feet.las")], &near),
        "",
    );

    copy_tree(&build, &at("older"));
    let manifest = std::fs::read_to_string(at("older/manifest.json")).unwrap();
    let older = manifest.replacen("\"format_version\": 1", "\"format_version\": 0", 1);
    std::fs::write(at("older/manifest.json"), older).unwrap();
    let on = |folder: &str| {
        let files: Vec<PathBuf> = [at(folder)]
            .into_iter()
            .chain(near.iter().map(|p| p.to_path_buf()))
            .collect();
        let files: Vec<&Path> = files.iter().map(PathBuf::as_path).collect();
        surface(&["rescan", "--out", &text("o")], &files)
    };
    refused(on("older"), "format version is 0");
    std::fs::write(at("older/manifest.json"), &manifest).unwrap();
    let chunk = at("older/field/z/3.0");
    let bytes = std::fs::read(&chunk).unwrap();
    std::fs::write(&chunk, &bytes[..bytes.len() / 2]).unwrap();
    refused(on("older"), "field/z/3.0");
    std::fs::remove_file(&chunk).unwrap();
    refused(on("older"), "field/z/3.0");
    refused(on("first"), "manifest.json");
    assert!(!at("o").exists());
}
