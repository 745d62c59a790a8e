//! `surface fit` when things go wrong on the way: full disks, stops, damaged files. Each ends with
//! exit code 2, an error that names the file and what helps, and nothing left behind.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use crate::course::{
    self, command, ended, killed_at, killed_when, names, on_a_full_disk, refused_in as refused,
    same, scan, surface, taken_over,
};

fn fit(dir: &Path, arguments: &[&str]) -> Output {
    let mut command = surface();
    command.arg("fit").args(arguments);
    if !arguments.contains(&course::SPACING[0]) {
        command.args(course::SPACING);
    }
    command.current_dir(dir).output().unwrap()
}

#[test]
fn a_disk_too_small_for_scratch_files_is_told_and_leaves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let arguments = format!("fit {} --out out", scan().display());
    let run = on_a_full_disk(dir.path(), 50_000, &arguments);
    refused(
        &run,
        dir.path(),
        &[],
        &["scratch file", "out/work.part", "--scratch"],
    );
}

#[test]
fn a_disk_too_small_for_the_mesh_keeps_the_build_before_and_room_again_ends_with_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    fs::create_dir(&out).unwrap();
    fs::write(out.join("report.json"), "the build before").unwrap();
    fs::write(out.join("manifest.json"), "{\"products\": {}}").unwrap();
    // The points by section are there and may be longer than the mesh; the rest is shorter.
    assert!(killed_at(&out, "work.part/lines.done"));
    let mesh = course::undisturbed().join("surface.ply");
    let room = mesh.metadata().unwrap().len() / 10 * 9;
    let [option, spacing] = course::SPACING;
    let arguments = format!("fit {} --out out {option} {spacing}", scan().display());
    let run = on_a_full_disk(dir.path(), room, &arguments);
    let there = ["field.part", "manifest.json", "report.json", "work.part"];
    refused(&run, &out, &there, &["surface.ply", "space left"]);
    let before = fs::read_to_string(out.join("report.json")).unwrap();
    assert_eq!(before, "the build before");
    ended(&course::fit(&out, &[]));
    assert_eq!(taken_over(&out).len(), 4, "{:?}", taken_over(&out));
    same(&out);
}

#[test]
fn a_place_that_cannot_be_written_is_named() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("file"), "x").unwrap();
    let cloud = scan();
    let cloud = cloud.to_str().unwrap();
    let run = fit(dir.path(), &[cloud, "--out", "file"]);
    refused(&run, dir.path(), &["file"], &["file"]);
    assert_eq!(fs::read(dir.path().join("file")).unwrap(), b"x");
    let run = fit(dir.path(), &[cloud, "--out", "file/out"]);
    refused(&run, dir.path(), &["file"], &["file/out"]);
    let run = fit(dir.path(), &[cloud, "--out", "/proc/out"]);
    refused(&run, dir.path(), &["file"], &["/proc/out"]);
    let run = fit(dir.path(), &[cloud, "--out", "out", "--scratch", "no/such"]);
    refused(&run, dir.path(), &["file"], &["no/such"]);
}

#[test]
fn nothing_that_is_read_or_that_no_build_has_left_is_written_over() {
    let dir = tempfile::tempdir().unwrap();
    let field = dir.path().join("field");
    fs::create_dir(&field).unwrap();
    fs::copy(scan(), field.join("a.laz")).unwrap();
    let before = fs::read(field.join("a.laz")).unwrap();
    let run = fit(dir.path(), &["field/a.laz", "--out", "."]);
    refused(&run, dir.path(), &["field"], &["field/a.laz", "replaced"]);
    let cloud = scan();
    let run = fit(dir.path(), &[cloud.to_str().unwrap(), "--out", "."]);
    refused(&run, dir.path(), &["field"], &["./field", "no build"]);
    let mut ribbon = surface();
    ribbon.args(["ribbon", "field/a.laz", "--out", "field/a.laz"]);
    let run = ribbon.current_dir(dir.path()).output().unwrap();
    refused(&run, dir.path(), &["field"], &["field/a.laz", "replaced"]);
    assert_eq!(fs::read(field.join("a.laz")).unwrap(), before);
    let also = ["field/a.laz", "--also", "laz", "--out", "out"];
    let run = fit(dir.path(), &also);
    refused(&run, dir.path(), &["field"], &["--deviation-points all"]);
}

#[test]
fn a_demo_that_cannot_be_written_is_told_and_leaves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let run = on_a_full_disk(dir.path(), 50_000, "demo --out out");
    refused(
        &run,
        &dir.path().join("out"),
        &[],
        &[
            "course.part.laz",
            "hint: check that the folder can be written and has space left",
        ],
    );
    fs::write(dir.path().join("file"), "x").unwrap();
    let run = on_a_full_disk(dir.path(), 50_000, "demo --out file");
    refused(&run, dir.path(), &["file", "out"], &["cannot use file"]);
}

#[test]
fn a_line_that_misses_the_cloud_is_an_error_with_both_places() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("line.csv"), "x,y\n0,0\n100,0\n100,100\n").unwrap();
    let cloud = scan();
    let run = fit(
        dir.path(),
        &[
            cloud.to_str().unwrap(),
            "--line",
            "line.csv",
            "--out",
            "out",
        ],
    );
    // The line is 5 427 km from the origin of the course.
    let parts = [
        "line.csv: 100 % of this line",
        "course.laz",
        "at x 0, y 0 it is 542",
        "the scan is around x 512058, y 5403003",
    ];
    refused(&run, dir.path(), &["line.csv"], &parts);
}

#[test]
fn a_finished_ribbon_that_misses_the_cloud_is_named_with_both_places() {
    let dir = tempfile::tempdir().unwrap();
    let known = fs::read(course::undisturbed().join("ribbon.geojson")).unwrap();
    let cloud = scan();
    // A course near by, and one so far away that all points count as strays.
    for (away_m, place) in [(4_500.0, "covers x 516"), (94_500.0, "covers x 606")] {
        let mut ribbon: serde_json::Value = serde_json::from_slice(&known).unwrap();
        let shift = |x: &mut serde_json::Value| *x = (x.as_f64().unwrap() + away_m).into();
        shift(&mut ribbon["origin"][0]);
        for feature in ribbon["features"].as_array_mut().unwrap() {
            let line = feature["geometry"]["coordinates"].as_array_mut().unwrap();
            line.iter_mut().for_each(|position| shift(&mut position[0]));
        }
        fs::write(dir.path().join("other.geojson"), ribbon.to_string()).unwrap();
        let arguments = ["--line", "other.geojson", "--out", "out"];
        let scan = [cloud.to_str().unwrap()];
        let run = fit(dir.path(), &[&scan[..], &arguments].concat());
        let parts = [
            "other.geojson: none of the",
            place,
            "the scan is around x 512",
            "ribbon of this course",
        ];
        refused(&run, dir.path(), &["other.geojson"], &parts);
    }
}

#[test]
fn feet_and_an_unknown_unit_are_not_mixed() {
    let dir = tempfile::tempdir().unwrap();
    let mut builder = las::Builder::from((1, 4));
    builder.point_format = las::point::Format::new(6).unwrap();
    let mut header = builder.into_header().unwrap();
    let feet = b"PROJCS[\"grid in feet\",UNIT[\"US survey foot\",0.304800609601219]]";
    header.set_wkt_crs(feet.to_vec()).unwrap();
    let mut writer = las::Writer::from_path(dir.path().join("feet.las"), header).unwrap();
    let point = las::Point {
        gps_time: Some(0.0),
        ..las::Point::default()
    };
    writer.write_point(point).unwrap();
    writer.close().unwrap();
    fs::write(dir.path().join("unknown.xyz"), "1 2 3\n").unwrap();
    let run = fit(dir.path(), &["feet.las", "unknown.xyz", "--out", "out"]);
    let parts = ["feet.las", "unknown.xyz", "--units"];
    refused(&run, dir.path(), &["feet.las", "unknown.xyz"], &parts);
}

#[test]
fn files_of_every_format_that_end_too_early_are_named() {
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures");
    let formats = [
        "ascii.ply",
        "big.ply",
        "little.ply",
        "format1.las",
        "format10.las",
        "format3.laz",
        "format7.laz",
        "setups.e57",
    ];
    for name in formats {
        let dir = tempfile::tempdir().unwrap();
        let whole = fs::read(fixtures.join(name)).unwrap();
        for share in [0.1, 0.5, 0.9] {
            let len = surface_core::numeric::to_index(share * whole.len() as f64);
            fs::write(dir.path().join(name), &whole[..len]).unwrap();
            let run = fit(dir.path(), &[name, "--out", "out"]);
            refused(&run, dir.path(), &[name], &[name]);
        }
    }
}

/// A run that was asked to stop.
struct Stopped {
    run: Output,
    /// Processor time up to the signal, and between it and the end, seconds.
    before_s: f64,
    after_s: f64,
}

fn processor_s(child: &Child) -> Option<f64> {
    let stat = fs::read_to_string(format!("/proc/{}/stat", child.id())).ok()?;
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    // Fields 14 and 15, in hundredths of a second.
    Some((fields[11].parse::<f64>().ok()? + fields[12].parse::<f64>().ok()?) / 100.0)
}

/// Whether the run has come to the stage that begins with this file.
fn has_begun(out: &Path, file: &str) -> bool {
    let scratch = || fs::read_dir(out).into_iter().flatten().flatten();
    out.join(file).exists() || scratch().any(|e| e.path().join(file).exists())
}

fn stopped_at(dir: &Path, signal: &str, file: &str) -> Option<Stopped> {
    let mut command = command(&scan(), Path::new("out"), &["--threads", "2"]);
    command.current_dir(dir);
    let mut child = command
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let out = dir.join("out");
    while !has_begun(&out, file) {
        if child.try_wait().unwrap().is_some() {
            return None;
        }
        std::thread::sleep(Duration::from_micros(200));
    }
    let signal = Command::new("kill")
        .args([signal, &child.id().to_string()])
        .status();
    assert!(signal.unwrap().success());
    let start = processor_s(&child).unwrap_or(0.0);
    let mut end = start;
    while child.try_wait().unwrap().is_none() {
        end = processor_s(&child).unwrap_or(end);
        std::thread::sleep(Duration::from_millis(2));
    }
    Some(Stopped {
        run: child.wait_with_output().unwrap(),
        before_s: start,
        after_s: end - start,
    })
}

#[test]
fn a_stop_in_any_stage_ends_the_run_soon_and_leaves_whole_stages_alone() {
    // The first thing that each stage makes: read, sort, fit, mesh; and what is left of those
    // before it.
    let whole = ["field.part", "work.part"];
    let mut stops = Vec::new();
    for (signal, file, left) in [
        ("-INT", "cloud", None),
        ("-TERM", "road", Some(&["work.part"][..])),
        ("-INT", "field.part", Some(&whole[..])),
        ("-TERM", "surface.ply.part.part", Some(&whole)),
    ] {
        let dir = tempfile::tempdir().unwrap();
        let stopped = stopped_at(dir.path(), signal, file).unwrap_or_else(|| panic!("no {file}"));
        let said = ["stopped on request", "again"];
        match left {
            // The points may be read when the stop is heard: then they stay.
            None => {
                course::refused(&stopped.run, &said);
                let out = dir.path().join("out");
                assert!(!out.exists() || names(&out) == ["work.part"]);
            }
            Some(left) => refused(&stopped.run, &dir.path().join("out"), left, &said),
        }
        println!(
            "{file}: {:.2} s of processor time before, {:.2} s after",
            stopped.before_s, stopped.after_s
        );
        stops.push((file, stopped.before_s, stopped.after_s));
    }
    // Held against the work up to the mesh on this very machine, however busy it is: a section a core
    // is an eighth of it at most on this short course; a stop that nobody heeds leaves a third and more.
    let whole_s = stops.iter().fold(0.0, |most: f64, stop| most.max(stop.1));
    for (file, _, after_s) in stops {
        assert!(after_s < whole_s / 4.0, "{file}: {after_s} of {whole_s} s");
    }
}

#[test]
fn a_stop_leaves_the_build_before_it_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let out: PathBuf = dir.path().join("out");
    fs::create_dir(&out).unwrap();
    fs::write(out.join("manifest.json"), "{\"products\": {}}").unwrap();
    let stopped = stopped_at(dir.path(), "-INT", "field.part").unwrap();
    let there = ["field.part", "manifest.json", "work.part"];
    refused(&stopped.run, &out, &there, &["stopped on request"]);
}

/// The scan's `setups.csv` with one more row, which has the last one's place and another name.
fn dir_with_a_misspelt_setup() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let known = fs::read_to_string(course::setups()).unwrap();
    let (_, place) = known
        .trim_end()
        .rsplit_once('\n')
        .unwrap()
        .1
        .split_once(',')
        .unwrap();
    fs::write(
        dir.path().join("setups.csv"),
        format!("{known}nobody,{place}\n"),
    )
    .unwrap();
    dir
}

/// `surface` with these arguments in `dir`.
fn run_in(dir: &Path, arguments: &[&str]) -> Output {
    let mut command = surface();
    command.args(arguments).current_dir(dir).output().unwrap()
}

#[test]
fn a_build_is_handed_over_whole_or_not_at_all() {
    let dir = tempfile::tempdir().unwrap();
    let cloud = scan();
    let cloud = cloud.to_str().unwrap();
    let places = dir_with_a_misspelt_setup();
    let places = places.path().join("setups.csv");
    let build = dir.path().join("build");
    killed_while_exporting_it_goes_on(dir.path(), cloud, places.to_str().unwrap());
    a_full_disk_leaves_the_file_before(dir.path());
    senseless_exports_are_refused(dir.path());

    let run = run_in(
        dir.path(),
        &["export", "build", "--to", "csv", "--out", "a.csv"],
    );
    assert_eq!(run.status.code(), Some(0));
    assert!(String::from_utf8_lossy(&run.stdout).starts_with("file        a.csv"));
    let again = fs::read(build.join("surface-stations.csv")).unwrap();
    assert!(fs::read(dir.path().join("a.csv")).unwrap() == again);

    // The next build in the folder takes away what speaks of this one.
    let run = fit(dir.path(), &[cloud, "--out", "build"]);
    assert!(run.status.code() <= Some(1));
    assert!(!build.join("surface.glb").exists() && build.join("surface.ply").exists());
}

/// Killed while it writes the other formats: the build has no names yet, and what is fitted stays.
fn killed_while_exporting_it_goes_on(dir: &Path, cloud: &str, places: &str) {
    let also = ["--also", "gltf,csv", "--out", "build"];
    let setups = ["--setups", places];
    let build = dir.join("build");
    let whole = [&also[..2], &setups].concat();
    let exporting = build.join("work.part/also");
    let killed = killed_when(command(&scan(), &build, &whole), || exporting.exists());
    assert!(killed && !build.join("manifest.json").exists());
    let run = fit(dir, &[&[cloud][..], &also, &setups].concat());
    let said = String::from_utf8_lossy(&run.stderr);
    assert!(run.status.code() <= Some(1), "{said}");
    let told = String::from_utf8_lossy(&run.stdout);
    assert!(told.contains("scanner positions: nobody; they"), "{told}");
    assert!(told.contains("build/surface.glb ("), "{told}");
    assert_eq!(taken_over(&build).len(), 4, "{:?}", taken_over(&build));
    assert!(!build.join("work.part").exists());
    for name in ["manifest.json", "surface.glb", "surface-stations.csv"] {
        assert!(build.join(name).exists(), "{name}");
    }
}

/// A disk too small for the file: the one before is as it was, and no part is left.
fn a_full_disk_leaves_the_file_before(dir: &Path) {
    let obj = dir.join("road.obj");
    fs::write(&obj, "before").unwrap();
    for format in ["obj", "gltf", "opencrg-text", "stl"] {
        let arguments = format!("export build --to {format} --out road.obj");
        let run = on_a_full_disk(dir, 200_000, &arguments);
        let words = ["road.obj", "space left"];
        refused(&run, dir, &["build", "road.obj"], &words);
        assert_eq!(fs::read(&obj).unwrap(), b"before");
    }
}

fn senseless_exports_are_refused(dir: &Path) {
    let run = run_in(
        dir,
        &["export", "nowhere", "--to", "gltf", "--out", "a.glb"],
    );
    refused(
        &run,
        dir,
        &["build", "road.obj"],
        &["nowhere/manifest.json"],
    );
    let run = run_in(
        dir,
        &["export", "build", "--to", "nothing", "--out", "a.glb"],
    );
    let said = String::from_utf8_lossy(&run.stderr);
    assert_eq!(run.status.code(), Some(2));
    assert!(said.contains("possible values: gltf, obj"), "{said}");
}
