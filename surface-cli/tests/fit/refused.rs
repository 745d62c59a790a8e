//! `surface fit` on what is no course: a clear error, exit 2, and nothing left behind.

use std::path::Path;
use std::process::{Command, Output};

use e57::{E57Writer, Record};

use crate::course::put_road;

fn fit(dir: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_surface"));
    let command = command.arg("fit").args(arguments).args(["--out", "out"]);
    command.current_dir(dir).output().unwrap()
}

/// Runs with these arguments; the error must name `place` and end with a hint.
fn refused(dir: &Path, arguments: &[&str], place: &str) {
    let run = fit(dir, arguments);
    let said = String::from_utf8(run.stderr).unwrap();
    assert_eq!(run.status.code(), Some(2), "{arguments:?}: {said}");
    assert!(
        said.starts_with("error: ") && said.contains(place),
        "{arguments:?}: {said}"
    );
    assert!(
        said.contains("\nhint: ") && !said.contains("panicked"),
        "{arguments:?}: {said}"
    );
    assert!(run.stdout.is_empty(), "{arguments:?}");
    assert!(
        !dir.join("out").exists(),
        "{arguments:?} left something behind"
    );
}

fn put(dir: &Path, name: &str, rows: impl Iterator<Item = String>) {
    std::fs::write(dir.join(name), rows.collect::<String>()).unwrap();
}

#[test]
fn files_that_hold_no_course_are_refused_by_name_and_leave_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    put(dir, "empty.laz", std::iter::empty());
    put(dir, "one.xyz", std::iter::once("1 2 3\n".into()));
    put(dir, "same.xyz", (0..5000).map(|_| "5 5 1\n".into()));
    put(
        dir,
        "line.xyz",
        (0..5000).map(|k| format!("{}.{:02} 0 1\n", k / 100, k % 100)),
    );
    put(
        dir,
        "far.xyz",
        ["0 0 0\n", "1000 0 0\n"].into_iter().map(String::from),
    );
    put(
        dir,
        "nan.xyz",
        ["nan nan nan\n", "inf 1 2\n"].into_iter().map(String::from),
    );
    refused(dir, &["empty.laz"], "empty.laz");
    refused(dir, &["one.xyz"], "one.xyz: too few points");
    refused(dir, &["same.xyz"], "same.xyz: the points cover no ground");
    refused(dir, &["line.xyz"], "line.xyz: the points cover no ground");
    refused(dir, &["far.xyz"], "far.xyz: too few points");
    let both = "one.xyz and one more file: too few points";
    refused(dir, &["one.xyz", "far.xyz"], both);
    let all = "nan.xyz: no point in 1 file(s) (2 with coordinates that are no numbers";
    refused(dir, &["nan.xyz"], all);
    refused(dir, &["."], "is a folder");
    refused(dir, &["nothere.laz"], "nothere.laz");
}

#[test]
fn files_without_a_point_are_refused_by_name_in_every_format() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    for name in ["header.las", "header.laz"] {
        let builder = las::Builder::from((1, 4));
        let header = builder.into_header().unwrap();
        let mut writer = las::Writer::from_path(dir.join(name), header).unwrap();
        writer.close().unwrap();
    }
    let ply = "ply\nformat ascii 1.0\nelement vertex 0\nproperty float x\nproperty float y\n\
        property float z\nend_header\n";
    std::fs::write(dir.join("none.ply"), ply).unwrap();
    let mut e57 = E57Writer::from_file(dir.join("none.e57"), "file").unwrap();
    let cartesian = vec![
        Record::CARTESIAN_X_F64,
        Record::CARTESIAN_Y_F64,
        Record::CARTESIAN_Z_F64,
    ];
    let mut scan = e57.add_pointcloud("scan", cartesian).unwrap();
    scan.finalize().unwrap();
    e57.finalize().unwrap();
    for name in ["header.las", "header.laz", "none.ply", "none.e57"] {
        refused(dir, &[name], &format!("{name}: no point"));
    }
}

#[test]
fn grass_alone_is_no_road() {
    let dir = tempfile::tempdir().unwrap();
    // A fixed scatter of 60 × 60 m, 30 mm rough.
    let scatter =
        |k: u32, m: u32| f64::from(k.wrapping_mul(2_654_435_761).rotate_left(m) % 60_000) / 1e3;
    let row = |k: u32| {
        format!(
            "{} {} {:.4} 900\n",
            scatter(k, 0),
            scatter(k, 13),
            scatter(k, 7) / 600.0
        )
    };
    put(dir.path(), "grass.xyz", (1..200_000).map(row));
    refused(dir.path(), &["grass.xyz"], "grass.xyz: no road found");
}

#[test]
fn a_line_beside_the_scan_is_refused_with_both_files_and_both_places() {
    let dir = tempfile::tempdir().unwrap();
    put_road(dir.path());
    let there = "5000,700\n5010,700\n5020,700\n5030,700\n";
    std::fs::write(dir.path().join("there.csv"), there).unwrap();
    for place in [
        "there.csv: 100 % of this line",
        "road.xyz within",
        "x 50",
        "around x 1",
    ] {
        let line = ["road.xyz", "--line", "there.csv"];
        helped(
            dir.path(),
            &[&["fit"], &line[..]].concat(),
            place,
            "coordinate system",
        );
    }
}

#[test]
fn a_spacing_that_is_too_wide_for_the_road_is_refused_with_the_road_s_width() {
    let dir = tempfile::tempdir().unwrap();
    put_road(dir.path());
    let line = ["fit", "road.xyz", "--line", "line.csv", "--spacing", "4"];
    helped(
        dir.path(),
        &line,
        "--spacing is 4: the road is 7.0",
        "--spacing 2.33 or less",
    );
}

/// A file that this user may not read; as root the tool is run as somebody else.
#[test]
fn a_file_without_permission_is_refused_by_name() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("a.xyz");
    std::fs::write(&file, "1 2 3\n").unwrap();
    let mode = |path: &Path, bits| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(bits)).unwrap();
    };
    mode(&file, 0o000);
    let tool = env!("CARGO_BIN_EXE_surface");
    let mut command = Command::new(tool);
    if std::fs::read(&file).is_ok() {
        // Root reads all. The tool may lie where nobody else looks, so it is taken along.
        let here = dir.path().join("surface");
        std::fs::copy(tool, &here).unwrap();
        mode(&here, 0o755);
        mode(dir.path(), 0o777);
        command = Command::new("setpriv");
        let nobody = ["--reuid=65534", "--regid=65534", "--clear-groups"];
        command.args(nobody).arg(here);
    }
    let run = command.args(["fit", "a.xyz", "--out", "out"]);
    let Ok(run) = run.current_dir(dir.path()).output() else {
        surface_tests::python::skip("permissions do not bind root, and there is no setpriv");
        return;
    };
    let said = String::from_utf8_lossy(&run.stderr);
    assert_eq!(run.status.code(), Some(2), "{said}");
    assert!(said.contains("a.xyz: no permission to read"), "{said}");
    assert!(
        said.contains("\nhint: change the file's permissions"),
        "{said}"
    );
    assert!(!dir.path().join("out").exists());
}

#[test]
fn senseless_options_are_refused_by_name() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    put(dir, "c.xyz", (0..9).map(|k| format!("{k} 0 0\n")));
    put(dir, "c.toml", std::iter::once("spacng = 1\n".into()));
    for (option, value) in [
        ("--spacing", "0"),
        ("--spacing", "-0.1"),
        ("--tolerance", "-5"),
        ("--bridge", "99"),
        ("--memory", "0"),
    ] {
        refused(dir, &["c.xyz", &format!("{option}={value}")], option);
    }
    refused(dir, &["c.xyz", "--config", "c.toml"], "spacng");
    refused(dir, &["c.xyz", "--setups", "c.toml"], "c.toml");
}

/// Runs `surface` with these arguments; the error must name `place`, and the hint say `remedy`.
fn helped(dir: &Path, arguments: &[&str], place: &str, remedy: &str) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_surface"));
    let run = command.args(arguments).args(["--out", "out"]);
    let run = run.current_dir(dir).output().unwrap();
    let said = String::from_utf8(run.stderr).unwrap();
    assert_eq!(run.status.code(), Some(2), "{arguments:?}: {said}");
    let (error, hint) = said.split_once("\nhint: ").unwrap();
    assert!(error.contains(place), "{arguments:?}: {said}");
    assert!(hint.contains(remedy), "{arguments:?}: {said}");
    assert!(!dir.join("out").exists(), "{arguments:?}");
}

/// Damaged files, as they are cut off or meant for something else.
fn put_damaged(dir: &Path) {
    let ribbon = "{\"format_version\": VERSION, \"origin\": [0, 0, 0], \"features\": [], \
        \"said\": [\"knot_step_m\", \"left_edge\"]}";
    let whole = "{\"type\": \"LineString\", \"coordinates\": [[0, 0], [1, 0]]}";
    let (cut, _) = whole.split_at(whole.len() - 6);
    let point = "{\"type\": \"Point\", \"coordinates\": [0, 0]}";
    for (name, text) in [
        ("c.xyz", "0 0 0\n1 0 0\n2 0 0\n"),
        ("row.csv", "x,y,z\n0,0,0\n1,0,0\n2,one,0\n"),
        ("few.csv", "0,0\n1,0\n"),
        ("header.csv", "name,x,y,z\n"),
        ("cut.json", cut),
        ("point.json", point),
        ("bare.geojson", &ribbon.replace("VERSION", "1")),
        ("later.geojson", &ribbon.replace("VERSION", "9")),
    ] {
        std::fs::write(dir.join(name), text).unwrap();
    }
    std::fs::write(dir.join("bytes.csv"), [0xff, 0xfe, 0]).unwrap();
}

/// File of `--line`, what the error names, what the hint says.
const LINES: [[&str; 3]; 8] = [
    ["row.csv", "line 4", "correct that row of the line"],
    ["few.csv", "few.csv", "three points or more"],
    ["cut.json", "cut.json", "or give it as CSV"],
    ["point.json", "point.json", "one LineString"],
    [
        "bare.geojson",
        "bare.geojson",
        "make it again with `surface ribbon",
    ],
    ["later.geojson", "later.geojson", "of this version"],
    ["bytes.csv", "bytes.csv", "a text file in UTF-8"],
    ["none.csv", "none.csv", "check the path"],
];

#[test]
fn a_damaged_line_gets_the_remedy_for_what_is_wrong_with_it() {
    let dir = tempfile::tempdir().unwrap();
    put_damaged(dir.path());
    for [file, place, remedy] in LINES {
        helped(dir.path(), &["fit", "c.xyz", "--line", file], place, remedy);
    }
}

#[test]
fn damaged_positions_checkpoints_and_areas_get_their_own_remedies() {
    let dir = tempfile::tempdir().unwrap();
    put_damaged(dir.path());
    for (option, what) in [
        ("--setups", "no scanner position"),
        ("--checkpoints", "no checkpoint"),
    ] {
        let row = ["fit", "c.xyz", option, "row.csv"];
        helped(dir.path(), &row, "line 4", "one point a row");
        let header = ["fit", "c.xyz", option, "header.csv"];
        helped(dir.path(), &header, what, "rows of [name,]x,y,z");
    }
    for (file, remedy) in [
        ("cut.json", "as GeoJSON again"),
        ("point.json", "as a polygon"),
    ] {
        let arguments = ["rescan", "build", "c.xyz", "--expect", file];
        helped(dir.path(), &arguments, file, remedy);
    }
}

#[test]
fn a_config_file_that_is_wrong_gets_the_remedy_for_what_is_wrong_with_it() {
    let dir = tempfile::tempdir().unwrap();
    let dir = dir.path();
    put(dir, "c.xyz", std::iter::once("0 0 0\n".into()));
    for (text, place, remedy) in [
        (
            "spacing 0.1\n",
            "c.toml",
            "correct that line of the config file",
        ),
        (
            "units = \"miles\"\n",
            "\"miles\"",
            "one of the values of --units",
        ),
        (
            "also = [\"dwg\"]\n",
            "\"dwg\"",
            "one of the values of --also",
        ),
        (
            "[noise]\nrange-mm = -3.0\n",
            "c.toml: [noise] range-mm is -3",
            "give a finite value of zero or more",
        ),
    ] {
        put(dir, "c.toml", std::iter::once(text.into()));
        helped(dir, &["fit", "c.xyz", "--config", "c.toml"], place, remedy);
    }
}

#[test]
fn a_limit_that_is_none_is_to_be_put_in_quotes() {
    let dir = tempfile::tempdir().unwrap();
    let arguments = ["roughness", "build", "--require", "beauty"];
    helped(dir.path(), &arguments, "beauty", "in quotes");
}
