//! `surface inspect` as a user meets it: streams, exit codes, hints.

use std::io::Read;
use std::path::Path;
use std::process::{Command, Output, Stdio};

fn surface() -> Command {
    Command::new(env!("CARGO_BIN_EXE_surface"))
}

fn inspect(dir: &Path, arguments: &[&str]) -> Output {
    surface()
        .arg("inspect")
        .args(arguments)
        .current_dir(dir)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

fn dir_with_scan() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let rows: String = (0..200)
        .map(|k| format!("{k} {} 1.5 {k}\n", 2 * k))
        .collect();
    std::fs::write(dir.path().join("a.xyz"), rows).unwrap();
    dir
}

#[test]
fn the_answer_is_on_standard_output_and_nothing_else_is() {
    let dir = dir_with_scan();
    let output = inspect(dir.path(), &["a.xyz"]);
    assert_eq!(output.status.code(), Some(0));
    let answer = text(&output.stdout);
    for part in ["200 points", "metres (assumed", "doubts (2)", "--units"] {
        assert!(answer.contains(part), "{part} in {answer}");
    }
    assert_eq!(text(&output.stderr), "");
}

#[test]
fn the_unit_can_be_said_and_json_can_be_asked_for() {
    let dir = dir_with_scan();
    let output = inspect(dir.path(), &["a.xyz", "--units", "ft", "--format", "json"]);
    let answer: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(answer["points"], 200);
    assert_eq!(
        answer["files"][0]["units"]["horizontal"],
        "international-foot"
    );
    let x = answer["box_m"][1][0].as_f64().unwrap();
    assert!((x - 199.0 * 0.3048).abs() < 1e-9);
    assert_eq!(answer["doubts"][0]["kind"], "flat");
}

/// Every number of the table is in the answer for scripts.
#[test]
fn the_answer_for_scripts_has_all_that_the_table_shows() {
    let dir = dir_with_scan();
    let output = inspect(dir.path(), &["a.xyz", "--format", "json"]);
    let answer: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let table = text(&inspect(dir.path(), &["a.xyz"]).stdout);
    let (file, setup) = (&answer["files"][0], &answer["setups"][0]);
    for (found, expected) in [
        (&file["path"], "a.xyz".into()),
        (&file["points"], 200.into()),
        (&file["units"]["vertical"], "metre".into()),
        (&file["units"]["known"], false.into()),
        (&answer["points"], 200.into()),
        (&answer["rejected"], 0.into()),
        (&answer["withheld"], 0.into()),
        (
            &answer["box_m"],
            serde_json::json!([[0.0, 0.0, 1.5], [199.0, 398.0, 1.5]]),
        ),
        (&answer["origin_m"], serde_json::json!([100.0, 200.0, 1.0])),
        (&setup["name"], "a.xyz".into()),
        (&setup["points"], 200.into()),
        (&setup["position_m"], serde_json::Value::Null),
        (&answer["time_s"], serde_json::Value::Null),
        (&answer["classes"], serde_json::json!([])),
    ] {
        assert_eq!(*found, expected, "{answer}");
    }
    for key in [
        "format",
        "crs",
        "notes",
        "step_m",
        "header_box_m",
        "z_step_mm",
        "has_time",
    ] {
        assert!(file.get(key).is_some(), "{key} in {file}");
    }
    for key in ["median_per_m2", "low_per_m2", "high_per_m2", "area_m2"] {
        assert!(answer["density"][key].as_f64().unwrap() > 0.0, "{key}");
    }
    let words = file["units"]["how"].as_str().unwrap();
    assert!(table.contains(words) && table.contains(file["format"].as_str().unwrap()));
    let [from, to] = [0, 1].map(|k| answer["intensity"][k].as_u64().unwrap());
    assert!(table.contains(&format!("{from} to {to}")), "{table}");
    let doubts = answer["doubts"].as_array().unwrap();
    assert!(table.contains(&format!("doubts ({})", doubts.len())));
    assert!(answer["central_box_m"].is_array() && answer["repeated"].is_number());
}

#[test]
fn errors_name_the_file_and_end_with_a_hint_and_code_2() {
    let dir = dir_with_scan();
    std::fs::write(dir.path().join("b.xyz"), "1 2 3\n1 2 x\n").unwrap();
    for (file, says) in [
        ("none.las", "none.las: no such file"),
        (".", "is a folder"),
        ("b.xyz", "b.xyz: 'x' is no number in column 3 at line 2"),
    ] {
        let output = inspect(dir.path(), &[file]);
        let error = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{file}");
        assert!(error.contains(says), "{error}");
        assert!(
            error.lines().last().unwrap().starts_with("hint: "),
            "{error}"
        );
        assert!(
            output.stdout.is_empty() && !error.contains('\x1b'),
            "{error}"
        );
    }
}

#[test]
fn wrong_usage_is_code_2_too() {
    let output = surface()
        .args(["inspect", "--units", "yards", "a"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    for (arguments, words) in [
        (&["inspect", "--units", "yards", "a"][..], "yards"),
        (&["fit", "a.xyz"], "--out"),
        (&["inspect"], "<SCAN>"),
        (&["fit", "a.xyz", "--out", "b", "--spacing", "wide"], "wide"),
        (&["grind"], "grind"),
    ] {
        let run = surface().args(arguments).output().unwrap();
        let said = text(&run.stderr);
        assert_eq!(run.status.code(), Some(2), "{said}");
        assert!(
            said.starts_with("error: ") && said.contains(words),
            "{said}"
        );
        assert!(said.lines().last().unwrap().starts_with("hint: "), "{said}");
        assert!(run.stdout.is_empty() && !said.contains('\x1b'), "{said}");
    }
    let help = surface().arg("--help").output().unwrap();
    assert!(help.status.success() && help.stderr.is_empty());
}

#[test]
fn a_reader_that_goes_away_is_no_failure() {
    let dir = dir_with_scan();
    let mut child = surface()
        .args(["inspect", "a.xyz"])
        .current_dir(dir.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let mut error = String::new();
    child
        .stderr
        .take()
        .unwrap()
        .read_to_string(&mut error)
        .unwrap();
    assert_eq!(
        (child.wait().unwrap().code(), error.as_str()),
        (Some(0), "")
    );
}
