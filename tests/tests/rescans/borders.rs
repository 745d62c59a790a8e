//! The border of a change that ends in a step: a breakline along it, and a step in the mesh.

use std::path::Path;

use crate::epochs::{before, course};
use surface_core::numeric::quantile;
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::proving::{Course, ORIGIN_M};

/// Offsets of the panel's long sides, metres, and which way it lies from them.
const SIDES: [(f64, f64); 2] = [(-3.1, 1.0), (0.9, -1.0)];
/// Heights are asked for this far to either side of the step, metres: nodes are 0.1 m apart, so that
/// a mesh without a breakline would rise by at most four fifths of the step in between.
const BESIDE_M: f64 = 0.04;

/// Stations along the panel, its corners left out.
fn stations() -> impl Iterator<Item = f64> {
    (0..=52).map(|k| 56.5 + 0.25 * f64::from(k))
}

/// The panel of 9 mm has its long sides as breaklines, which the first build has not, and the mesh
/// rises by the panel's height within centimetres of them.
pub fn the_panel_s_sides_are_steps(old: &Path, new: &Path) {
    let truth = course(&before());
    let lines = [old, new].map(breaklines);
    let mesh = read_ply(&new.join("surface.ply")).unwrap();
    let heights = MeshHeights::new(&mesh, ORIGIN_M);
    for (t, inward) in SIDES {
        let [was, is] = [0, 1].map(|k| covered(&truth, &lines[k], t));
        let mut rises: Vec<f64> = stations()
            .map(|s| {
                let over = |by: f64| {
                    let [x, y] = truth.line().at(s, t + by);
                    heights.height_m(x, y).unwrap() - truth.height_at_m(s, t + by)
                };
                1e3 * (over(inward * BESIDE_M) - over(-inward * BESIDE_M))
            })
            .collect();
        let [low, middle, high] = [0.1, 0.5, 0.9].map(|q| quantile(&mut rises, q).unwrap());
        println!(
            "side at t {t:+.1} m: breaklines along {:.0} % of it ({:.0} % before); \
             rises by {middle:.2} mm within {:.0} mm (80 %: {low:.2} to {high:.2})",
            100.0 * is,
            100.0 * was,
            2e3 * BESIDE_M
        );
        assert!(is > 0.9 && was < 0.3, "{was} {is}");
        assert!((middle - 9.0).abs() < 0.5, "{middle}");
        assert!(low > 8.0 && high < 10.0, "{low} {high}");
    }
}

/// The lines of `breaklines.geojson` in plan, metres from the truth's origin.
fn breaklines(dir: &Path) -> Vec<Vec<[f64; 2]>> {
    let text = std::fs::read_to_string(dir.join("breaklines.geojson")).unwrap();
    let file: serde_json::Value = serde_json::from_str(&text).unwrap();
    let line = |feature: &serde_json::Value| {
        let vertices = feature["geometry"]["coordinates"].as_array().unwrap();
        let own = |v: &serde_json::Value, k: usize| v[k].as_f64().unwrap() - ORIGIN_M[k];
        vertices.iter().map(|v| [own(v, 0), own(v, 1)]).collect()
    };
    file["features"]
        .as_array()
        .unwrap()
        .iter()
        .map(line)
        .collect()
}

/// Share of the panel's side at `t` that has a line within 0.15 m.
fn covered(truth: &Course, lines: &[Vec<[f64; 2]>], t: f64) -> f64 {
    let near = |s: &f64| {
        let at = truth.line().at(*s, t);
        let mut parts = lines.iter().flat_map(|line| line.windows(2));
        parts.any(|ends| distance_m(at, [ends[0], ends[1]]) < 0.15)
    };
    stations().filter(near).count() as f64 / stations().count() as f64
}

/// From a place to a straight piece of line, metres.
fn distance_m(at: [f64; 2], [a, b]: [[f64; 2]; 2]) -> f64 {
    let (d, p) = ([b[0] - a[0], b[1] - a[1]], [at[0] - a[0], at[1] - a[1]]);
    let along = (p[0] * d[0] + p[1] * d[1]) / (d[0] * d[0] + d[1] * d[1]);
    let k = along.clamp(0.0, 1.0);
    (p[0] - k * d[0]).hypot(p[1] - k * d[1])
}
