//! What is known of noise and heights and given to a fit: it weighs points by it, and stands on it.

use std::fmt::Write as _;
use std::fs;

use surface_tests::proving::demo;

use crate::course::{ended, fit, report, scan, setups};

/// Scans that are told to be quieter than they are show a rougher road: σ follows both, as the best window errs
/// by A·(A·W)^(−1/3) in the mean square.
#[test]
fn sigma_follows_the_noise_that_is_given() {
    let dir = tempfile::tempdir().unwrap();
    let places = setups();
    let fitted = |texture_mm: f64| {
        let (config, out) = (dir.path().join("c.toml"), dir.path().join("out"));
        fs::write(&config, format!("[noise]\ntexture-mm = {texture_mm}\n")).unwrap();
        let config = ["--config", config.to_str().unwrap()];
        let setups = ["--setups", places.to_str().unwrap()];
        ended(&fit(&out, &[setups, config].concat()));
        report(&out)["field"].clone()
    };
    let [quiet, noisy] = [0.5, 1.0].map(fitted);
    let over = |name: &str| noisy[name].as_f64().unwrap() / quiet[name].as_f64().unwrap();
    let (level, sigma) = (over("level_m"), over("sigma_median_mm"));
    // Twice the noise: W falls to a quarter.
    let expected = (level.powi(2) * 4.0).powf(1.0 / 6.0);
    println!("level {level:.3} times, σ {sigma:.3} times for {expected:.3}");
    assert!((0.1..0.6).contains(&level), "{level}");
    assert!(
        (sigma / expected - 1.0).abs() < 0.1,
        "{sigma} for {expected}"
    );
}

#[test]
fn checkpoints_in_a_file_hold_the_heights_and_are_told_of() {
    let dir = tempfile::tempdir().unwrap();
    let (truth, course) = demo::read_truth(&scan().with_file_name("truth.json")).unwrap();
    // The survey has its zero 12 mm higher than the scans.
    let mut rows = String::from("name,x,y,z\n");
    for k in 0..31 {
        let (s, t) = (truth.length_m * f64::from(k) / 31.0, f64::from(k % 5) - 2.0);
        let [x, y] = course.line().at(s, t);
        let z = course.height_at_m(s, t) - 0.012;
        let [x0, y0, z0] = truth.origin_m;
        writeln!(rows, "P{k},{:.4},{:.4},{:.4}", x + x0, y + y0, z + z0).unwrap();
    }
    let (marks, out) = (dir.path().join("marks.csv"), dir.path().join("out"));
    fs::write(&marks, rows).unwrap();
    let places = setups();
    let given = ["--setups", places.to_str().unwrap(), "--checkpoints"];
    let run = fit(&out, &[&given[..], &[marks.to_str().unwrap()]].concat());
    ended(&run);
    let said = String::from_utf8_lossy(&run.stdout).into_owned();
    let told = &report(&out)["checkpoints"];
    println!("{said}{told}");
    let number = |name: &str| told[name].as_f64().unwrap();
    assert_eq!([&told["given"], &told["on_surface"]], [31, 31]);
    assert!((number("shift_mm") - 12.0).abs() < 1.0, "{told}");
    assert!(
        number("mean_mm").abs() < 0.3 && number("rmse_mm") < 2.0,
        "{told}"
    );
    assert!(
        said.contains("checkpoints 31 of 31 on the surface: RMSE"),
        "{said}"
    );
}
