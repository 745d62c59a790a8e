//! `surface deviation` as a user runs it.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A level square of 4 × 4 m in two triangles.
const SQUARE: &str = "v 0 0 0\nv 4 0 0\nv 4 4 0\nv 0 4 0\nf 1 2 3\nf 1 3 4\n";

fn surface(args: &[&Path]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_surface"));
    command.arg("deviation").args(args).output().unwrap()
}

/// Points each 5 cm over the square, `lift_m` above it where `raised`.
fn cloud(lift_m: f64, raised: impl Fn(f64, f64) -> bool) -> String {
    let at = |k: u32| 0.025 + 0.05 * f64::from(k);
    let mut text = String::new();
    for (x, y) in (0..80).flat_map(|i| (0..80).map(move |j| (at(i), at(j)))) {
        let z = if raised(x, y) { lift_m } else { 0.0 };
        text.push_str(&format!("{x:.3} {y:.3} {z:.4}\n"));
    }
    text
}

#[test]
fn a_cloud_on_the_mesh_is_within_tolerance_and_a_raised_patch_is_one_spot() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    std::fs::write(at("m.obj"), SQUARE).unwrap();
    std::fs::write(at("flat.xyz"), cloud(0.0, |_, _| false)).unwrap();
    std::fs::write(at("patch.xyz"), cloud(0.02, |x, y| x < 1.0 && y < 1.0)).unwrap();
    for (scan, code, rows) in [("flat.xyz", 0, 1), ("patch.xyz", 1, 2)] {
        let out = at(&format!("{scan}.out"));
        let run = surface(&[&at("m.obj"), &at(scan), Path::new("--out"), &out]);
        assert_eq!(run.status.code(), Some(code), "{run:?}");
        let table = std::fs::read_to_string(out.join("deviation.csv")).unwrap();
        assert_eq!(table.lines().count(), rows, "{table}");
    }
}

#[test]
fn a_missing_mesh_is_named_once_with_a_remedy_and_leaves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let (mesh, scan, out) = (
        dir.path().join("no.ply"),
        dir.path().join("c.xyz"),
        dir.path().join("o"),
    );
    std::fs::write(&scan, cloud(0.0, |_, _| false)).unwrap();
    let run = surface(&[&mesh, &scan, Path::new("--out"), &out]);
    let said = String::from_utf8(run.stderr).unwrap();
    assert_eq!(run.status.code(), Some(2));
    assert_eq!(said.matches("No such file").count(), 1, "{said}");
    assert!(
        said.contains("no.ply") && said.contains("hint: give a mesh"),
        "{said}"
    );
    assert!(!out.exists());
}

#[test]
fn a_unit_that_nothing_tells_is_a_doubt_until_it_is_given() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    std::fs::write(at("m.obj"), SQUARE).unwrap();
    for name in ["a.xyz", "b.xyz", "c.xyz"] {
        std::fs::write(at(name), cloud(0.0, |_, _| false)).unwrap();
    }
    let (scans, out) = (["a.xyz", "b.xyz", "c.xyz"].map(at), at("out"));
    let [a, b, c] = &scans;
    let arguments = [&at("m.obj"), a, b, c, Path::new("--out"), &out].map(Path::to_owned);
    let mut arguments: Vec<&Path> = arguments.iter().map(PathBuf::as_path).collect();
    let said = |run: Output| String::from_utf8(run.stdout).unwrap();
    let doubted = said(surface(&arguments));
    let doubts = doubted.lines().filter(|line| line.starts_with("doubt "));
    assert_eq!(doubts.count(), 1, "{doubted}");
    for part in ["a.xyz: metres are assumed", "2 more files", "--units"] {
        assert!(doubted.contains(part), "{doubted}");
    }
    arguments.extend(["--units", "m"].map(Path::new));
    let given = said(surface(&arguments));
    assert!(!given.contains("doubt "), "{given}");
}
