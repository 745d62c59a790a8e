//! What a run answers when nothing goes wrong: exit codes, files and the report.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use crate::course::{
    SPACING, command, copy, ended, fit, killed_at, put_road, report, scan, surface, taken_over,
    undisturbed,
};

fn said(run: &Output) -> String {
    String::from_utf8_lossy(&run.stdout).into_owned() + &String::from_utf8_lossy(&run.stderr)
}

fn hash(path: &Path) -> String {
    blake3::hash(&fs::read(path).unwrap()).to_hex().to_string()
}

fn points_in(laz: &Path) -> u64 {
    let reader = las::Reader::from_path(laz).unwrap();
    reader.header().number_of_points()
}

#[test]
fn a_ribbon_found_before_is_used_as_it_is_and_a_config_file_is_told_of_in_the_report() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    let ribbon = surface()
        .arg("ribbon")
        .arg(scan())
        .args(["--format", "json", "--out"])
        .arg(at("r.geojson"))
        .output()
        .unwrap();
    assert_eq!(ribbon.status.code(), Some(0), "{}", said(&ribbon));
    let answer: serde_json::Value = serde_json::from_slice(&ribbon.stdout).unwrap();
    // The oval: two straights of 80 and 55 m each, with corners of 24 m cut and smoothed.
    let length_m = answer["length_m"].as_f64().unwrap();
    assert!((225.0..230.0).contains(&length_m), "{length_m}");
    assert_eq!(answer["closed"], true);

    fs::write(at("c.toml"), "tolerance = 1000\n[noise]\nrange-mm = 1.5\n").unwrap();
    let (line, config) = (at("r.geojson"), at("c.toml"));
    let given = [("--line", &line), ("--config", &config)];
    let given = given.map(|(option, path)| [option, path.to_str().unwrap()]);
    let run = fit(&at("out"), &given.concat());
    ended(&run);
    let ribbons = [
        at("r.geojson"),
        at("out/ribbon.geojson"),
        undisturbed().join("ribbon.geojson"),
    ];
    let ribbons = ribbons.map(|path| fs::read(path).unwrap());
    assert!(ribbons[0] == ribbons[1] && ribbons[0] == ribbons[2]);

    let report = report(&at("out"));
    assert_eq!(report["inputs"][0]["blake3"], hash(&scan()));
    for (k, (option, path)) in [("line", &line), ("config", &config)]
        .into_iter()
        .enumerate()
    {
        assert_eq!(report["given"][k]["option"], option);
        assert_eq!(report["given"][k]["blake3"], hash(path));
    }
    for noise in [
        &report["levelling"]["noise"],
        &report["parameters"]["noise"],
    ] {
        assert_eq!(
            (&noise["range_mm"], &noise["angle_urad"]),
            (&1.5.into(), &0.0.into())
        );
    }
    assert_eq!(report["parameters"]["tolerance_mm"], 1000.0);
    assert_eq!(report["parameters"]["deviation_points"], "beyond");
}

#[test]
fn another_tolerance_takes_over_all_heights_and_decides_on_spots_and_points() {
    let dir = tempfile::tempdir().unwrap();
    let (wide, narrow) = (dir.path().join("wide"), dir.path().join("narrow"));
    assert!(killed_at(&wide, "surface.ply.part.part"));
    copy(&wide, &narrow);
    ended(&fit(
        &wide,
        &["--tolerance", "500", "--deviation-points", "none"],
    ));
    let all = ["--tolerance", "0.05", "--deviation-points", "all"];
    assert_eq!(fit(&narrow, &all).status.code(), Some(1));
    let spots = |out: &Path| report(out)["spots"].as_array().unwrap().len();
    assert!(spots(&wide) < spots(&undisturbed()) && spots(&undisturbed()) < spots(&narrow));
    for out in [&wide, &narrow] {
        let over = taken_over(out);
        assert_eq!(over[..3], ["road", "level", "breaklines"]);
        assert!(over[3].contains("heights"), "{over:?}");
        let field = |out: &Path| fs::read(out.join("field/z/0.0")).unwrap();
        assert!(field(out) == field(&undisturbed()));
    }
    assert!(!wide.join("deviation.laz").exists());
    let all = points_in(&narrow.join("deviation.laz"));
    let beyond = points_in(&undisturbed().join("deviation.laz"));
    let on_road = report(&narrow)["points_on_road"].as_u64().unwrap();
    assert!(0 < beyond && beyond < all / 4, "{beyond} of {all} points");
    assert!(
        all <= on_road && all > on_road / 10 * 9,
        "{all} of {on_road} points"
    );
}

/// One point in a LAS file whose unit has `factor_m` metres.
fn las_in(path: &Path, (unit, factor_m): (&str, f64), [x, y, z]: [f64; 3]) {
    let mut builder = las::Builder::from((1, 4));
    builder.point_format = las::point::Format::new(6).unwrap();
    let mut header = builder.into_header().unwrap();
    let wkt = format!("PROJCS[\"grid\",UNIT[\"{unit}\",{factor_m}]]");
    header.set_wkt_crs(wkt.into_bytes()).unwrap();
    let mut writer = las::Writer::from_path(path, header).unwrap();
    let point = las::Point {
        x,
        y,
        z,
        gps_time: Some(0.0),
        ..las::Point::default()
    };
    writer.write_point(point).unwrap();
    writer.close().unwrap();
}

#[test]
fn files_in_metres_and_in_feet_that_both_say_so_are_one_cloud_in_metres() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    let (feet, metres) = (("foot", 0.3048), ("metre", 1.0));
    las_in(&at("feet.las"), feet, [1000.0, 2000.0, 10.0]);
    las_in(&at("metres.las"), metres, [400.0, 600.0, 5.0]);
    let mut inspect: Command = surface();
    inspect.args(["inspect", "feet.las", "metres.las", "--format", "json"]);
    let run = inspect.current_dir(dir.path()).output().unwrap();
    ended(&run);
    let answer: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    let expected = [[304.8, 600.0, 3.048], [400.0, 609.6, 5.0]];
    for (corner, expected) in expected.iter().enumerate() {
        for (axis, expected) in expected.iter().enumerate() {
            let found = answer["box_m"][corner][axis].as_f64().unwrap();
            assert!(
                (found - expected).abs() < 1e-3,
                "{} {found}",
                answer["box_m"]
            );
        }
    }
}

#[test]
fn a_config_file_steers_as_what_is_typed_does_and_what_is_typed_wins() {
    let dir = tempfile::tempdir().unwrap();
    let config = dir.path().join("c.toml");
    fs::write(&config, "spacing = 7\n").unwrap();
    let config = ["--config", config.to_str().unwrap()];
    let out = dir.path().join("out");
    // Seven metres are refused before anything is read.
    let alone = surface()
        .args(["fit", "a.xyz", "--out", "out"])
        .args(config)
        .output()
        .unwrap();
    assert!(said(&alone).contains("--spacing is 7"), "{}", said(&alone));
    let typed = command(Path::new("a.xyz"), &out, &config).output().unwrap();
    assert!(
        said(&typed).contains("a.xyz: no such file"),
        "{SPACING:?} {}",
        said(&typed)
    );
}

#[test]
fn a_unit_that_nothing_tells_is_a_doubt_of_the_build() {
    let dir = tempfile::tempdir().unwrap();
    put_road(dir.path());
    let mut fit = surface();
    fit.args(["fit", "road.xyz", "--line", "line.csv", "--out", "out"]);
    let run = fit.current_dir(dir.path()).output().unwrap();
    ended(&run);
    let words = "road.xyz: metres are assumed: nothing in the file tells its unit";
    let summary = said(&run);
    let line = summary.lines().find(|line| line.starts_with("doubt "));
    assert!(line.unwrap_or_default().contains(words), "{summary}");
    let report = report(&dir.path().join("out"));
    let doubts = report["doubts"].as_array().unwrap();
    let told = |doubt: &&serde_json::Value| doubt.as_str().unwrap().starts_with(words);
    assert_eq!(doubts.iter().filter(told).count(), 1, "{doubts:?}");
}
