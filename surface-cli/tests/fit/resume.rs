//! `surface fit` in pieces: killed on the way and run again, with other parameters, or in sections
//! by several processes, with any number of threads and any memory. The products are those of one
//! run that nobody disturbed.

use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use surface_core::build::{self, BuildError, FitParams};
use surface_core::progress::{Cancelled, Counted, Progress};
use surface_tests::python;

use crate::course::{
    SPACING, command, copy, ended, fit, killed_at, killed_when, names, refused, same, scan,
    scan_points, setups, surface, taken_over, undisturbed,
};

fn section(out: &Path, arguments: &[&str]) -> Output {
    let mut command = surface();
    command.arg("fit").arg("--out").arg(out).args(arguments);
    command.output().unwrap()
}

#[test]
fn a_run_killed_in_any_stage_goes_on_and_ends_with_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    // Killed again and again, each time a stage further.
    let stages = [
        ("work.part/cloud", &[][..]),
        ("work.part/cloud.done", &[]),
        ("work.part/ribbon.done", &[]),
        ("work.part/road", &[]),
        ("work.part/level.done", &["road"]),
        ("work.part/lines.done", &["road", "level"]),
        ("surface.ply.part.part", &["road", "level", "breaklines"]),
        ("deviation.png.part", &["road", "level", "breaklines"]),
    ];
    for (file, _) in stages {
        assert!(killed_at(&out, file), "no {file}");
        assert!(!out.join("manifest.json").exists());
    }
    let named = dir.path().join("named");
    copy(&out, &named);
    killed_while_products_get_their_names(&named);
    ended(&fit(&out, &["--threads", "1"]));
    let over = taken_over(&out);
    let (_, expected) = stages[stages.len() - 1];
    assert_eq!(over[..3], *expected);
    assert!(over[3].contains("heights"), "{over:?}");
    same(&out);
}

#[test]
fn a_run_killed_once_the_points_are_read_does_not_read_them_again() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let read = format!("{} points read", scan_points());
    assert!(killed_at(&out, "work.part/cloud.done"));
    // Another search for the road in the same points; and other points.
    let [other, feet] = ["other", "feet"].map(|name| dir.path().join(name));
    [&other, &feet].into_iter().for_each(|to| copy(&out, to));
    let places = setups();
    ended(&fit(&other, &["--setups", places.to_str().unwrap()]));
    assert_eq!(taken_over(&other)[0], read);
    assert!(killed_when(
        command(&scan(), &feet, &["--units", "ft"]),
        || { !feet.join("work.part/cloud.done").exists() }
    ));
    ended(&fit(&out, &[]));
    assert_eq!(taken_over(&out), std::slice::from_ref(&read));
    same(&out);
    // Killed in sorting: the road is known already, but for another spacing it is sorted another way.
    let sorting = dir.path().join("sorting");
    assert!(killed_at(&sorting, "work.part/road"));
    ended(&fit(&sorting, &["--spacing", "0.25"]));
    assert_eq!(taken_over(&sorting), [read, "ribbon".to_owned()]);
}

#[test]
fn a_build_that_is_there_and_whole_is_not_made_again() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    copy(&undisturbed(), &out);
    let file = || {
        fs::metadata(out.join("surface.ply"))
            .unwrap()
            .modified()
            .unwrap()
    };
    let made = file();
    let run = fit(&out, &["--threads", "1"]);
    ended(&run);
    let said = String::from_utf8(run.stdout).unwrap();
    assert!(said.contains("\nunchanged "), "{said}");
    assert_eq!((file(), names(&out)), (made, names(&undisturbed())));
    same(&out);
    // One byte of a product is another: then it is.
    let picture = out.join("deviation.png");
    let mut bytes = fs::read(&picture).unwrap();
    bytes[100] ^= 1;
    fs::write(&picture, bytes).unwrap();
    let run = fit(&out, &[]);
    ended(&run);
    assert!(file() > made && !String::from_utf8(run.stdout).unwrap().contains("unchanged"));
    same(&out);
}

/// The moment is too short to be met by waiting for it, so its traces are laid: the first products
/// have their names, the manifest none.
fn killed_while_products_get_their_names(out: &Path) {
    for name in ["surface.ply", "ribbon.geojson", "field"] {
        fs::rename(out.join(format!("{name}.part")), out.join(name)).unwrap();
    }
    ended(&fit(out, &[]));
    same(out);
}

#[test]
fn a_part_that_is_cut_or_of_other_parameters_is_not_taken_over() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    assert!(killed_at(&out, "surface.ply.part.part"));
    // Other checks of the same heights begin with them; another bridge with what is before them.
    let other = dir.path().join("other");
    copy(&out, &other);
    ended(&fit(&other, &["--bridge", "0.3"]));
    assert_eq!(taken_over(&other), ["road", "level", "breaklines"]);
    // The points lie in a file that somebody cut.
    let points = fs::File::options()
        .write(true)
        .open(out.join("work.part/road"))
        .unwrap();
    points.set_len(1000).unwrap();
    ended(&fit(&out, &[]));
    assert!(!taken_over(&out).contains(&"road".to_owned()));
    same(&out);
}

#[test]
fn sections_fitted_by_processes_of_their_own_join_to_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let (out, scratch) = (dir.path().join("out"), dir.path().join("scratch"));
    fs::create_dir(&scratch).unwrap();
    let scratch = ["--scratch", scratch.to_str().unwrap()];
    let plan = fit(
        &out,
        &[&["--sections", "4", "--format", "json"], &scratch[..]].concat(),
    );
    ended(&plan);
    let plan: serde_json::Value = serde_json::from_slice(&plan.stdout).unwrap();
    let sections = plan["sections"].as_array().unwrap();
    assert_eq!(sections.len(), 4);
    let file = fs::read(out.join("work.part/sections.json")).unwrap();
    assert_eq!(
        serde_json::from_slice::<serde_json::Value>(&file).unwrap(),
        plan
    );
    // At the same time, one of them twice; the third is left to the join.
    let runs: Vec<_> = ["4", "1", "2", "1"]
        .map(|k| {
            let mut command = Command::new(env!("CARGO_BIN_EXE_surface"));
            command
                .args(["fit", "--section", k, "--memory", "1", "--out"])
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
    ended(&fit(&out, &scratch));
    assert_eq!(taken_over(&out).len(), 4);
    same(&out);
    assert_eq!(fs::read_dir(dir.path().join("scratch")).unwrap().count(), 0);
}

#[test]
fn a_cluster_that_loses_a_worker_ends_with_the_same_bytes() {
    let Some(python) = python::venv() else { return };
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let arguments = [
        Path::new(env!("CARGO_BIN_EXE_surface")),
        &scan(),
        &out,
        Path::new(SPACING[0]),
        Path::new(SPACING[1]),
    ];
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
    refused(&fit(&out, &[]), &["another run is at work", "wait"]);
    assert!(matches!(first.wait().unwrap().code(), Some(0 | 1)));
    same(&out);
}

#[test]
fn three_and_eight_threads_with_little_and_much_memory_give_the_same_bytes_and_tell_nobody() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    // One and two threads are with the killed and the undisturbed run.
    let run = fit(&out, &["--threads", "3", "--memory", "0.3"]);
    ended(&run);
    assert!(run.stderr.is_empty());
    same(&out);
    let many = ["--threads", "8", "--memory", "6", "--progress", "none"];
    let run = fit(&out, &many);
    ended(&run);
    same(&out);
    assert!(run.stderr.is_empty());
}

#[test]
fn a_sort_that_goes_to_disk_in_small_pieces_gives_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    // A thousand points at a time, of which the scan has hundreds of thousands: each square and each
    // section of the road lies in many pieces.
    let params = FitParams {
        spacing_m: SPACING[1].parse().unwrap(),
        sort_bytes: Some(16_000),
        ..FitParams::default()
    };
    let mut told = Told::default();
    build::fit(&[scan()], &out, &params, &mut told).unwrap();
    same(&out);
    // All stages come in the order that was told before; edges are looked for more than once.
    told.came.dedup();
    assert_eq!(told.came, told.planned);
}

/// Keeps the names of the stages that are to come, and of those that came.
#[derive(Default)]
struct Told {
    planned: Vec<String>,
    came: Vec<String>,
}

impl Progress for Told {
    fn plan(&mut self, stages: &[&'static str]) {
        self.planned = stages.iter().map(ToString::to_string).collect();
    }

    fn stage(&mut self, name: &str, _total: u64, _counted: Counted) {
        self.came.push(name.to_owned());
    }

    fn advance(&mut self, _units: u64) -> Result<(), Cancelled> {
        Ok(())
    }
}

#[test]
fn other_bytes_under_the_name_of_one_of_two_scans_are_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let (out, second) = (dir.path().join("out"), dir.path().join("second.xyz"));
    let place = las::Reader::from_path(scan())
        .unwrap()
        .header()
        .bounds()
        .min;
    let write = |z: f64| {
        let row = format!("{:.3} {:.3} {z:.3}\n", place.x, place.y);
        fs::write(&second, row).unwrap();
    };
    let two = || {
        let mut command = command(&scan(), &out, &[]);
        command.arg(&second);
        command
    };
    write(place.z);
    let done = out.join("work.part/lines.done");
    assert!(killed_when(two(), || done.exists()));
    write(place.z + 1.0);
    ended(&two().output().unwrap());
    assert!(taken_over(&out).is_empty(), "{:?}", taken_over(&out));
}

/// Asks for a stop at the first step of the stage `name` that comes for the `left`th time.
struct StopsAt {
    name: &'static str,
    left: u32,
    here: bool,
}

impl Progress for StopsAt {
    fn stage(&mut self, name: &str, _total: u64, _counted: Counted) {
        self.here = name == self.name && self.left <= 1;
        self.left = self.left.saturating_sub(u32::from(name == self.name));
    }

    fn advance(&mut self, _units: u64) -> Result<(), Cancelled> {
        if self.here { Err(Cancelled) } else { Ok(()) }
    }
}

#[test]
fn a_stop_while_files_are_hashed_or_the_mask_is_made_is_heard_and_names_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let params = FitParams {
        spacing_m: SPACING[1].parse().unwrap(),
        ..FitParams::default()
    };
    // The scan is hashed, and at the end the products.
    for (name, left, there) in [
        ("hash", 1, None),
        ("mask", 1, Some("field.part")),
        ("hash", 2, Some("surface.ply.part")),
    ] {
        let here = false;
        let mut stop = StopsAt { name, left, here };
        let error = build::fit(&[scan()], &out, &params, &mut stop).unwrap_err();
        assert!(matches!(error, BuildError::Cancelled(_)), "{name}: {error}");
        assert_eq!(out.exists(), there.is_some(), "{name}");
        let names = there.map(|_| names(&out)).unwrap_or_default();
        assert!(names.iter().all(|n| n.ends_with(".part")), "{names:?}");
    }
    ended(&fit(&out, &[]));
    assert_eq!(taken_over(&out).len(), 4, "{:?}", taken_over(&out));
    same(&out);
}
