//! `surface fit` in pieces: killed on the way and run again, with other parameters, or in sections
//! by several processes. The products are those of one run that nobody disturbed.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

use surface_tests::proving::{CourseSpec, ScanParams, demo};
use surface_tests::python;

/// An invented course's scan and the build of one undisturbed run.
struct Known {
    dir: tempfile::TempDir,
    products: BTreeMap<String, Vec<u8>>,
}

fn known() -> &'static Known {
    static KNOWN: OnceLock<Known> = OnceLock::new();
    KNOWN.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let params = ScanParams {
            azimuth_step_rad: 4e-3,
            elevation_step_rad: 1e-3,
            ..ScanParams::demo().thinned(0.15)
        };
        demo::write_course(dir.path(), &CourseSpec::oval(), &params).unwrap();
        let out = dir.path().join("undisturbed");
        ended(&fit(&dir.path().join("course.laz"), &out, &[]));
        let products = products(&out);
        Known { dir, products }
    })
}

fn scan() -> PathBuf {
    known().dir.path().join("course.laz")
}

fn command(scan: &Path, out: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_surface"));
    command.arg("fit").arg(scan).arg("--out").arg(out);
    command.args(arguments);
    command
}

fn fit(scan: &Path, out: &Path, arguments: &[&str]) -> Output {
    command(scan, out, arguments).output().unwrap()
}

fn section(out: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_surface"));
    command.arg("fit").arg("--out").arg(out).args(arguments);
    command.output().unwrap()
}

/// The run came to its end, whatever the verdict.
fn ended(run: &Output) {
    let said = String::from_utf8_lossy(&run.stderr);
    assert!(matches!(run.status.code(), Some(0 | 1)), "{said}");
}

fn refused(run: &Output, parts: &[&str]) {
    let said = String::from_utf8_lossy(&run.stderr);
    assert_eq!(run.status.code(), Some(2), "{said}");
    for part in parts.iter().chain(&["\nhint: "]) {
        assert!(said.contains(part), "{part} in {said}");
    }
}

/// Every file of a folder by its path, with times and memory left out of the report.
fn products(out: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    collect(out, out, &mut found);
    found
}

fn collect(root: &Path, folder: &Path, found: &mut BTreeMap<String, Vec<u8>>) {
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

fn report(out: &Path) -> serde_json::Value {
    serde_json::from_slice(&fs::read(out.join("report.json")).unwrap()).unwrap()
}

/// Stages that the build took over from a run before it.
fn taken_over(out: &Path) -> Vec<String> {
    let stages = &report(out)["run"]["taken_over"];
    let stages = stages.as_array().unwrap().iter();
    stages.map(|s| s.as_str().unwrap().to_owned()).collect()
}

fn same(out: &Path) {
    let (found, expected) = (products(out), &known().products);
    let names = |p: &BTreeMap<String, Vec<u8>>| p.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&found), names(expected));
    for (name, bytes) in &found {
        assert!(bytes == &expected[name], "{name} is another");
    }
}

/// Run and kill (no clean end, as by `kill -9`) as soon as `file` is in the folder; whether that
/// came in time.
fn killed_at(out: &Path, file: &str) -> bool {
    let mut child = command(&scan(), out, &[])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    while !out.join(file).exists() {
        if child.try_wait().unwrap().is_some() {
            return false;
        }
        std::thread::sleep(Duration::from_micros(200));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    true
}

#[test]
fn a_run_killed_in_any_stage_goes_on_and_ends_with_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    // Killed again and again, each time a stage further.
    let stages = [
        ("work.part/cloud", &[][..]),
        ("work.part/road", &[]),
        ("work.part/level.done", &["road"]),
        ("work.part/lines.done", &["road", "level"]),
        ("surface.ply.part.part", &["road", "level", "breaklines"]),
    ];
    for (file, _) in stages {
        assert!(killed_at(&out, file), "no {file}");
        assert!(!out.join("manifest.json").exists());
    }
    ended(&fit(&scan(), &out, &["--threads", "1"]));
    let over = taken_over(&out);
    let (_, expected) = stages[stages.len() - 1];
    assert_eq!(over[..3], *expected);
    assert!(over[3].contains("heights"), "{over:?}");
    same(&out);
}

#[test]
fn a_part_that_is_cut_or_of_other_parameters_is_not_taken_over() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    assert!(killed_at(&out, "surface.ply.part.part"));
    // Other checks of the same heights begin with them; another bridge with what is before them.
    let other = dir.path().join("other");
    copy(&out, &other);
    ended(&fit(&scan(), &other, &["--bridge", "0.3"]));
    assert_eq!(taken_over(&other), ["road", "level", "breaklines"]);
    // The points lie in a file that somebody cut.
    let points = fs::File::options()
        .write(true)
        .open(out.join("work.part/road"))
        .unwrap();
    points.set_len(1000).unwrap();
    ended(&fit(&scan(), &out, &[]));
    assert!(!taken_over(&out).contains(&"road".to_owned()));
    same(&out);
}

fn copy(from: &Path, to: &Path) {
    let done = Command::new("cp").arg("-r").arg(from).arg(to).status();
    assert!(done.unwrap().success());
}

#[test]
fn sections_fitted_by_processes_of_their_own_join_to_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let (out, scratch) = (dir.path().join("out"), dir.path().join("scratch"));
    fs::create_dir(&scratch).unwrap();
    let scratch = ["--scratch", scratch.to_str().unwrap()];
    let plan = fit(
        &scan(),
        &out,
        &[&["--sections", "4", "--format", "json"], &scratch[..]].concat(),
    );
    ended(&plan);
    let plan: serde_json::Value = serde_json::from_slice(&plan.stdout).unwrap();
    let sections = plan["sections"].as_array().unwrap();
    assert_eq!(sections.len(), 4);
    // At the same time, one of them twice; the third is left to the join.
    let runs: Vec<_> = ["4", "1", "2", "1"]
        .map(|k| {
            let mut command = Command::new(env!("CARGO_BIN_EXE_surface"));
            command
                .args(["fit", "--section", k, "--out"])
                .arg(&out)
                .args(scratch);
            command
                .stdout(Stdio::piped())
                .stderr(Stdio::piped())
                .spawn()
                .unwrap()
        })
        .into_iter()
        .map(|child| child.wait_with_output().unwrap())
        .collect();
    runs.iter().for_each(ended);
    let asked = section(&out, &[&["--section", "5"], &scratch[..]].concat());
    refused(&asked, &["sections 1 to 4", "5 was asked for"]);
    ended(&fit(&scan(), &out, &scratch));
    assert_eq!(taken_over(&out).len(), 4);
    same(&out);
    assert_eq!(fs::read_dir(dir.path().join("scratch")).unwrap().count(), 0);
}

#[test]
fn a_cluster_that_loses_a_worker_ends_with_the_same_bytes() {
    let Some(python) = python::venv() else { return };
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let arguments = [Path::new(env!("CARGO_BIN_EXE_surface")), &scan(), &out];
    let said = python::run(&python, "sections_killed.py", &arguments).unwrap();
    let begun: Vec<&str> = said.split_whitespace().collect();
    // Six sections, and again the one that was lost; the killed worker had no other after it.
    assert!(begun.len() >= 7, "{said}");
    assert_eq!(
        begun.iter().filter(|k| **k == begun[0]).count(),
        1,
        "{said}"
    );
    same(&out);
}

#[test]
fn a_section_without_a_plan_and_a_second_run_in_a_folder_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    refused(
        &section(&out, &["--section", "1"]),
        &["no plan", "--sections"],
    );
    assert!(!out.exists());
    let mut first = command(&scan(), &out, &[])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    while !out.join("work.part/cloud").exists() {
        assert!(first.try_wait().unwrap().is_none());
        std::thread::sleep(Duration::from_micros(200));
    }
    refused(
        &fit(&scan(), &out, &[]),
        &["another run is at work", "wait"],
    );
    assert!(matches!(first.wait().unwrap().code(), Some(0 | 1)));
    same(&out);
}

#[test]
fn plain_progress_is_lines_and_by_default_a_pipe_gets_none() {
    let dir = tempfile::tempdir().unwrap();
    let run = fit(&scan(), &dir.path().join("out"), &[]);
    assert!(run.stderr.is_empty());
    let run = fit(&scan(), &dir.path().join("out"), &["--progress", "plain"]);
    ended(&run);
    for line in String::from_utf8_lossy(&run.stderr).lines() {
        assert!(line.contains("/s") && line.contains("peak"), "{line}");
    }
}
