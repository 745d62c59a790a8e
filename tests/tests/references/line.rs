//! The reference line on curves whose points, headings, curvatures and distances others know.
//!
//! Sources: the Fresnel integral C as John Burkardt's `test_values` tabulates it (Abramowitz and
//! Stegun, 7.3) and S by scipy; the circle of Gander, Golub and Strebel, "Least-squares fitting of
//! circles and ellipses", BIT 34 (1994), with the values that N. Chernov's published code gives for
//! it; scipy's Fresnel integrals, minimisation and kd-tree for everything beside them.

use std::f64::consts::{PI, TAU};

use surface_core::ribbon::{LineParams, ReferenceLine};
use surface_tests::python;

/// x, C(x), S(x).
const FRESNEL: [[f64; 3]; 5] = [
    [0.2, 0.199_921_057_6, 0.004_187_609_2],
    [0.4, 0.397_480_759_2, 0.033_359_432_7],
    [0.6, 0.581_095_447_0, 0.110_540_207_4],
    [0.8, 0.722_844_171_9, 0.249_341_393_1],
    [1.0, 0.779_893_400_4, 0.438_259_147_4],
];

/// Six points and the circle with the least squares of distances from them: centre, radius, and
/// the root of the mean square.
const SIX: [[f64; 2]; 6] = [
    [1.0, 7.0],
    [2.0, 6.0],
    [5.0, 8.0],
    [7.0, 7.0],
    [9.0, 5.0],
    [3.0, 7.0],
];
const CENTRE: [f64; 2] = [4.739_782, 2.983_533];
const RADIUS: f64 = 4.714_226;
const SIGMA: f64 = 0.452_327_1;

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// (x, y) at s of a clothoid by Simpson's rule: knots that owe nothing to any library.
fn clothoid(radius_m: f64, length_m: f64, s: f64) -> [f64; 2] {
    let heading = |u: f64| u * u / (2.0 * radius_m * length_m);
    let n = 400;
    let h = s / f64::from(n);
    let sum = |f: &dyn Fn(f64) -> f64| {
        let at = |k: i32| f(heading(h * f64::from(k)));
        let inner: f64 = (1..n)
            .map(|k| if k % 2 == 1 { 4.0 } else { 2.0 } * at(k))
            .sum();
        (at(0) + inner + at(n)) * h / 3.0
    };
    [sum(&f64::cos), sum(&f64::sin)]
}

#[test]
fn a_clothoid_passes_where_the_tables_of_fresnels_integrals_say() {
    // R = 20 m over L = πR turns by 90°: a = √(πRL) = L, and s = x·a.
    let (radius, a) = (20.0, 20.0 * PI);
    let step = a / 125.0;
    let knots = (-20..=145).map(|k| clothoid(radius, a, step * f64::from(k)));
    let line = ReferenceLine::through(knots.collect(), step, false).unwrap();
    for [x, c, s] in FRESNEL {
        // The table's last digit is 3 nm here; knots are snapped to a micrometre.
        let off = distance(line.point(20.0 * step + x * a), [a * c, a * s]);
        assert!(off < 2e-6, "{x}: {off:e}");
    }
}

#[test]
fn the_published_circle_is_the_published_distance_from_its_points() {
    let (n, turn) = (60, |k: f64| TAU * k / 60.0);
    let at = |a: f64| [CENTRE[0] + RADIUS * a.cos(), CENTRE[1] + RADIUS * a.sin()];
    let knots = (0..n).map(|k| at(turn(f64::from(k))));
    let step = TAU * RADIUS / f64::from(n);
    let line = ReferenceLine::through(knots.collect(), step, true).unwrap();
    let t = SIX.map(|p| {
        let feet = line.feet(p, 3.0);
        assert_eq!(feet.len(), 1, "{p:?}");
        feet[0].t
    });
    let sigma = (t.iter().map(|t| t * t).sum::<f64>() / 6.0).sqrt();
    // The spline cuts a circle of 4.7 m by a few micrometres at knots 0.5 m apart.
    assert!((sigma - SIGMA).abs() < 2e-5, "{sigma}");
    // Left of a line that runs against the clock is inside.
    for (p, t) in SIX.iter().zip(t) {
        let inside = RADIUS - distance(*p, CENTRE);
        assert!((t - inside).abs() < 2e-5, "{p:?}: {t} for {inside}");
    }
    let k = line.curvature_per_m(7.0);
    assert!((k * RADIUS - 1.0).abs() < 1e-3, "{}", k * RADIUS);
}

fn numbers(v: &serde_json::Value) -> Vec<f64> {
    let all = v.as_array().unwrap().iter();
    all.map(|v| v.as_f64().unwrap()).collect()
}

fn points(v: &serde_json::Value) -> Vec<[f64; 2]> {
    let all = v.as_array().unwrap().iter().map(numbers);
    all.map(|p| [p[0], p[1]]).collect()
}

/// Greatest difference in place across and along, heading and curvature from what scipy says.
fn differences(line: &ReferenceLine, start: f64, case: &serde_json::Value) -> [f64; 4] {
    let (s, at) = (numbers(&case["s"]), points(&case["points"]));
    let (heading, curvature) = (numbers(&case["heading"]), numbers(&case["curvature"]));
    (0..s.len()).fold([0.0; 4], |worst: [f64; 4], k| {
        let here = start + s[k];
        let (p, n) = (line.point(here), line.normal(here));
        let off = [at[k][0] - p[0], at[k][1] - p[1]];
        [
            worst[0].max((off[0] * n[0] + off[1] * n[1]).abs()),
            worst[1].max((off[0] * n[1] - off[1] * n[0]).abs()),
            worst[2].max((line.heading_rad(here) - heading[k]).abs()),
            worst[3].max((line.curvature_per_m(here) - curvature[k]).abs()),
        ]
    })
}

/// The nearest foot of every point is where scipy finds it on the exact curve.
fn feet_agree(line: &ReferenceLine, start: f64, case: &serde_json::Value) {
    for foot in case["feet"].as_array().unwrap() {
        let number = |name: &str| foot[name].as_f64().unwrap();
        let p = numbers(&foot["p"]);
        let feet = line.feet([p[0], p[1]], 8.0);
        let nearest = feet.iter().min_by(|a, b| a.t.abs().total_cmp(&b.t.abs()));
        let nearest = nearest.unwrap();
        assert!(
            (nearest.t.abs() - number("away")).abs() < 3e-6,
            "{foot}: {nearest:?}"
        );
        // The kd-tree's samples are 10 mm apart: no nearer than the foot, and no further than 5 mm
        // along the line from it take a point, which the bend stretches by 1.15 at most (6 m outside
        // of a radius of 20 m).
        let (near, t) = (number("near"), nearest.t.abs());
        let furthest = t.hypot(1.15 * 0.005);
        assert!(
            near > t - 3e-6 && near < furthest + 3e-6,
            "{foot}: {nearest:?}"
        );
        // A minimum is flat: scipy finds its place to the root of what it finds its depth to.
        assert!(
            (nearest.s - start - number("s")).abs() < 2e-5,
            "{foot}: {nearest:?}"
        );
    }
}

#[test]
fn clothoids_have_the_headings_curvatures_and_feet_that_scipy_finds() {
    let Some(python) = python::venv() else { return };
    let text = python::run(&python, "line_reference.py", &[]).unwrap();
    let reference: serde_json::Value = serde_json::from_str(&text).unwrap();
    let step = reference["step"].as_f64().unwrap();
    let beyond = reference["beyond"].as_f64().unwrap();
    for case in reference["cases"].as_array().unwrap() {
        let knots = points(&case["knots"]);
        let line = ReferenceLine::through(knots.clone(), step, false).unwrap();
        let [across, along, heading, curvature] = differences(&line, beyond, case);
        // Knots snapped to 1 µm at 0.5 m: headings to some 2 µrad, curvatures to 2e-5 per metre.
        assert!(across < 2e-6 && along < 2e-6, "{across:e}, {along:e}");
        assert!(
            heading < 5e-6 && curvature < 2e-5,
            "{heading:e}, {curvature:e}"
        );
        feet_agree(&line, beyond, case);
        // A rough line with a point every 0.1 m: chords of 0.5 m would cut the bend by 1.6 mm.
        let number = |name: &str| case[name].as_f64().unwrap();
        let (radius, length) = (number("radius"), number("length"));
        let count = surface_core::numeric::to_u32(knots.len() - 1) * 5;
        let rough: Vec<[f64; 2]> = (0..=count)
            .map(|k| clothoid(radius, length, 0.1 * f64::from(k) - beyond))
            .collect();
        let smooth = ReferenceLine::fit(&rough, false, &LineParams::default()).unwrap();
        let [across, along, heading, curvature] = differences(&smooth, beyond, case);
        println!(
            "R {}: fit {across:.2e} m across, {along:.2e} m along, {heading:.2e} rad, {curvature:.2e} 1/m",
            case["radius"]
        );
        // Smoothing over 3 m moves a line whose bend tightens, and with it where its length begins.
        // Measured: 0.02 to 1.9 mm across, 0.01 to 4.8 mm along (the most at R = 20 m); edges are
        // held to 50 mm.
        assert!(across < 3e-3 && along < 8e-3, "{across:e}, {along:e}");
        assert!(
            heading < 1e-3 && curvature < 1e-3,
            "{heading:e}, {curvature:e}"
        );
    }
    let circle = &reference["circle"];
    let found = [
        &circle["centre"][0],
        &circle["centre"][1],
        &circle["radius"],
    ];
    for (found, told) in found.iter().zip([CENTRE[0], CENTRE[1], RADIUS]) {
        assert!(
            (found.as_f64().unwrap() - told).abs() < 1e-6,
            "{found} for {told}"
        );
    }
    let sigma = (circle["squares"].as_f64().unwrap() / 6.0).sqrt();
    assert!((sigma - SIGMA).abs() < 1e-6, "{sigma}");
}
