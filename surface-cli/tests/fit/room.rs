//! Disks that are too small: told at once, by what is needed. The disks are in memory, in a mount
//! namespace that goes with the run.

use std::path::Path;
use std::process::{Command, Output};

use surface_tests::disk::small_disk;

use crate::course::{SPACING, ended, refused, scan, scan_points, undisturbed};

/// Runs `surface` with a disk of so many bytes at `disk`, after `before` was run in the shell.
fn on_disk(disk: &Path, bytes: u64, before: &str, arguments: &[&Path]) -> Option<Output> {
    let mut command: Command = small_disk(disk, bytes, before)?;
    command.arg(env!("CARGO_BIN_EXE_surface")).args(arguments);
    Some(command.output().unwrap())
}

fn fit_to<'a>(cloud: &'a Path, out: &'a Path) -> Vec<&'a Path> {
    let spacing = SPACING.map(Path::new);
    [
        &[Path::new("fit"), cloud, Path::new("--out"), out],
        &spacing[..],
    ]
    .concat()
}

/// Bytes of scratch files of the scan, as the help states them.
fn scratch_bytes() -> u64 {
    32 * scan_points()
}

#[test]
fn a_disk_too_small_for_the_points_is_told_before_they_are_read() {
    let dir = tempfile::tempdir().unwrap();
    let (cloud, out) = (scan(), dir.path().join("out"));
    let arguments = fit_to(&cloud, &out);
    let Some(run) = on_disk(dir.path(), scratch_bytes() - 100_000, "", &arguments) else {
        return;
    };
    let points = format!("scratch files of {} points", scan_points());
    refused(&run, &["MB free", &points, "--scratch"]);
}

#[test]
fn a_disk_too_small_for_the_points_of_a_text_is_told_by_the_length_of_the_text() {
    let dir = tempfile::tempdir().unwrap();
    let (cloud, disk) = (dir.path().join("c.xyz"), dir.path().join("disk"));
    std::fs::create_dir(&disk).unwrap();
    std::fs::write(&cloud, "1.5 2.5 3.5\n".repeat(200_000)).unwrap();
    let out = disk.join("out");
    // 32 bytes a point make 6.4 MB.
    if let Some(run) = on_disk(&disk, 4 << 20, "", &fit_to(&cloud, &out)) {
        refused(&run, &["scratch files of", "6.4 MB", "--scratch"]);
    }
}

#[test]
fn points_that_a_killed_run_left_are_no_reason_to_refuse_the_next() {
    let dir = tempfile::tempdir().unwrap();
    let (cloud, out) = (scan(), dir.path().join("out"));
    // What is left over would not do beside so large a file of points by square.
    let (disk, stale) = (64 << 20, 56 << 20);
    let before = format!("mkdir -p out/work.part; head -c {stale} /dev/zero > out/work.part/cloud");
    if let Some(run) = on_disk(dir.path(), disk, &before, &fit_to(&cloud, &out)) {
        ended(&run);
    }
}

#[test]
fn a_disk_too_small_for_the_products_is_told_before_heights_are_fitted() {
    let dir = tempfile::tempdir().unwrap();
    let (cloud, out) = (scan(), dir.path().join("out"));
    let disk = scratch_bytes() + (8 << 20);
    if let Some(run) = on_disk(dir.path(), disk, "", &fit_to(&cloud, &out)) {
        refused(
            &run,
            &[
                "the products of",
                "nodes and",
                "points on the road",
                "--out",
            ],
        );
    }
}

#[test]
fn a_disk_too_small_for_other_formats_is_told_before_heights_are_fitted() {
    let dir = tempfile::tempdir().unwrap();
    let (cloud, out) = (scan(), dir.path().join("out"));
    let also = ["--also", "gltf,obj,stl,ply,landxml"].map(Path::new);
    let arguments = [&fit_to(&cloud, &out)[..], &also].concat();
    // The build alone fits on it, as above.
    if let Some(run) = on_disk(dir.path(), 64 << 20, "", &arguments) {
        let said = [
            "the products and 5 other format(s) of",
            "nodes and",
            "--out",
        ];
        refused(&run, &said);
    }
}

#[test]
fn a_comparison_that_does_not_fit_on_the_disk_is_told_before_points_are_read() {
    let dir = tempfile::tempdir().unwrap();
    let (mesh, cloud) = (undisturbed().join("surface.ply"), scan());
    let out = dir.path().join("held");
    let arguments: [&Path; 5] = [
        Path::new("deviation"),
        &mesh,
        &cloud,
        Path::new("--out"),
        &out,
    ];
    // By square, and with their deviation in deviation.laz: 16 bytes each.
    if let Some(run) = on_disk(dir.path(), scratch_bytes() - 100_000, "", &arguments) {
        let points = format!("scratch files and products of {} points", scan_points());
        refused(&run, &["MB free", &points]);
    }
}
