//! A kerb with vertical sides and ribs that have a face, from scans to the mesh.

use std::collections::BTreeSet;
use std::path::Path;

use surface_core::build::{FitParams, fit};
use surface_core::numeric::to_index;
use surface_core::progress::Silent;
use surface_core::report::Report;
use surface_tests::proving::paving::{Feature, RIB_SPACING_M};
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::proving::score::HeightScore;
use surface_tests::proving::stretch::write_stretch;
use surface_tests::proving::{Course, CourseSpec, ORIGIN_M, ScanParams};

use crate::stretch_params;

/// The stretch that is scanned, metres.
const STRETCH_S_M: [f64; 2] = [12.0, 44.0];
/// Where the kerb stands, metres. The setups look at its left side; its right side hides its foot and
/// 67 mm of road before that.
const KERB_S_M: [f64; 2] = [16.0, 40.0];
const KERB_T_M: [f64; 2] = [2.6, 3.8];
/// Where its ribs begin, metres.
const RIBS_FROM_M: f64 = 24.0;
/// Its ends, where its sides meet, and the crossing of ribs are no part of what is looked at, metres.
const CLEAR_M: f64 = 1.0;

/// The road's share of light sent back: what is found of a kerb as bright is found by its height.
const ROAD: f64 = 0.16;
const DARK: f64 = 0.09;

fn kerb(reflectance: f64) -> [Feature; 2] {
    let [low, high] = [[KERB_S_M[0], KERB_T_M[0]], [RIBS_FROM_M, KERB_T_M[1]]];
    let ribbed = [[RIBS_FROM_M, KERB_T_M[0]], [KERB_S_M[1], KERB_T_M[1]]];
    [
        Feature::SawnKerb {
            low,
            high,
            height_m: 0.05,
            rib_m: 0.0,
            reflectance,
        },
        Feature::SawnKerb {
            low: ribbed[0],
            high: ribbed[1],
            height_m: 0.06,
            rib_m: 0.01,
            reflectance,
        },
    ]
}

/// What is made of the kerb.
struct Built {
    course: Course,
    report: Report,
    mesh: MeshHeights,
    /// Vertices of each breakline in the course's (s, t), metres.
    lines: Vec<Vec<[f64; 2]>>,
}

fn build(scan: &ScanParams, spacing_m: f64, reflectance: f64) -> Built {
    let course =
        Course::build(&CourseSpec::oval().smooth().with_works(&kerb(reflectance))).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("stretch.laz");
    let scan = ScanParams {
        faces: true,
        ..scan.clone()
    };
    let setups = write_stretch(&path, (&course, &scan), STRETCH_S_M, &mut |_, _| {}).unwrap();
    let params = FitParams {
        spacing_m,
        ..stretch_params(&course, STRETCH_S_M, &setups)
    };
    let out = dir.path().join("build");
    let report = fit(&[path], &out, &params, &mut Silent).unwrap();
    let mesh = MeshHeights::new(&read_ply(&out.join("surface.ply")).unwrap(), ORIGIN_M);
    let lines = lines(&course, &out);
    Built {
        course,
        report,
        mesh,
        lines,
    }
}

fn lines(course: &Course, build: &Path) -> Vec<Vec<[f64; 2]>> {
    let text = std::fs::read_to_string(build.join("breaklines.geojson")).unwrap();
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    let place = |p: &serde_json::Value| {
        let [x, y] = [0, 1].map(|k| p[k].as_f64().unwrap() - ORIGIN_M[k]);
        course.locate(x, y).map(|foot| [foot.s_m, foot.t_m])
    };
    let line = |f: &serde_json::Value| {
        let at = f["geometry"]["coordinates"].as_array().unwrap();
        at.iter().filter_map(place).collect()
    };
    json["features"]
        .as_array()
        .unwrap()
        .iter()
        .map(line)
        .collect()
}

impl Built {
    /// Errors of heights between two s at each of some t, metres.
    fn errors(&self, [from, to]: [f64; 2], across: &[f64]) -> HeightScore {
        let mut errors = Vec::new();
        let mut s = from;
        while s < to {
            for t in across {
                let [x, y] = self.course.line().at(s, *t);
                let z = self.mesh.height_m(x, y).unwrap_or(f64::NAN);
                errors.push(z - self.course.height_at_m(s, *t));
            }
            s += 0.02;
        }
        HeightScore::of(&errors).unwrap()
    }

    /// The places of the breakline along one side of the kerb, away from its ends.
    fn side(&self, t_m: f64) -> Vec<[f64; 2]> {
        let inside = |p: &&[f64; 2]| {
            (p[1] - t_m).abs() < 0.1 && p[0] > KERB_S_M[0] + CLEAR_M && p[0] < KERB_S_M[1] - CLEAR_M
        };
        let long = self.lines.iter().filter(|line| line.len() > 20);
        long.flatten().filter(inside).copied().collect()
    }

    /// Ribs with a line within 30 mm of their face, and other lines across the kerb, but for those at its ends.
    fn ribs(&self) -> [usize; 2] {
        let (mut ribs, mut others) = (BTreeSet::new(), 0);
        for line in &self.lines {
            let (first, last) = (line[0], line[line.len() - 1]);
            let s = line.iter().map(|p| p[0]).sum::<f64>() / line.len() as f64;
            let at_end = KERB_S_M.iter().any(|end| (s - end).abs() < 0.1);
            if at_end || (last[1] - first[1]).abs() < (last[0] - first[0]).abs() {
                continue;
            }
            let faces = (s - RIBS_FROM_M) / RIB_SPACING_M;
            if faces > -0.1 && (faces - faces.round()).abs() * RIB_SPACING_M < 0.03 {
                ribs.insert(to_index(faces.round().max(0.0)));
            } else {
                others += 1;
            }
        }
        [ribs.len(), others]
    }
}

/// Places across the kerb from 20 mm inside its sides on, metres.
fn top() -> Vec<f64> {
    (0..=58)
        .map(|k| KERB_T_M[0] + 0.02 + 0.02 * f64::from(k))
        .collect()
}

/// What is asked of the kerb, metres: of its plain top, of its ribs and of its seen side; ribs that are lines.
struct Asked {
    plain_m: f64,
    ribs_m: f64,
    side_m: f64,
    beside_m: f64,
    ribs: usize,
}

fn check(built: &Built, asked: &Asked) {
    let [plain, ribs] = [
        [KERB_S_M[0] + CLEAR_M, RIBS_FROM_M - 0.5],
        [RIBS_FROM_M + CLEAR_M, KERB_S_M[1] - CLEAR_M],
    ];
    let [right, left] = KERB_T_M;
    let on = built.errors(plain, &top());
    let on_ribs = built.errors(ribs, &top());
    let beside = built.errors(plain, &[left - 0.02, left + 0.02]);
    let off = |t: f64| -> Vec<f64> { built.side(t).iter().map(|p| p[1] - t).collect() };
    let (seen, hidden) = (off(left), off(right));
    let (seen_n, hidden_n) = (seen.len(), hidden.len());
    let seen = seen.iter().fold(0.0, |most: f64, off| most.max(off.abs()));
    let hidden = hidden
        .iter()
        .fold([0.0, 0.0], |[low, high]: [f64; 2], off| {
            [low.min(*off), high.max(*off)]
        });
    let [found, others] = built.ribs();
    let seams = built.report.seams;
    println!("plain {on:?}, ribs {on_ribs:?}, beside {beside:?}");
    println!(
        "seen side off by {seen:.4} m ({seen_n} vertices), hidden by {hidden:.4?} m ({hidden_n})"
    );
    println!("{found} of 32 ribs are lines, {others} other lines; {seams:?}");
    assert!(on.rmse_m < asked.plain_m && on_ribs.rmse_m < asked.ribs_m);
    assert!(beside.rmse_m < asked.beside_m && seen < asked.side_m);
    // Of 22 m with a vertex every 0.25 m.
    assert!(seen_n > 80 && hidden_n > 80, "{seen_n} {hidden_n}");
    // Nothing tells where in the shadow, which lies to the right of it, the hidden side stands: the middle
    // is 34 mm off, and a few millimetres more where the first ring of points on the top is late.
    assert!(hidden[0] > -0.036 && hidden[1] < 0.01, "{hidden:?}");
    assert!(found >= asked.ribs && others <= 2, "{found} {others}");
    // Rails end 45 mm short of others: where ribs meet the sides.
    assert!(seams.railed_m > 0.85 * seams.given_m, "{seams:?}");
    assert!(built.report.mesh.is_valid(), "{:?}", built.report.mesh);
}

/// Scanned as the demo is: points 0.1 m apart from each setup. Where points of a face count for a side,
/// heights 20 mm beside the seen one err by 5 mm; where of all places in the shadow the last is taken, the
/// top errs by 3 mm.
#[test]
fn a_kerb_with_vertical_sides_stands_on_rails_and_its_ribs_stay() {
    let built = build(&ScanParams::demo().clear(), 0.1, ROAD);
    // Measured: 0.39 mm, 1.75 mm (aim 2.5), 6.1 mm, 0.33 mm, 10 ribs.
    let asked = Asked {
        plain_m: 0.6e-3,
        ribs_m: 2.5e-3,
        side_m: 10e-3,
        beside_m: 0.6e-3,
        ribs: 6,
    };
    check(&built, &asked);
}

/// `cargo test -p surface-tests --test surfaces finer -- --ignored --nocapture`
#[test]
#[ignore = "half a minute; two kerbs scanned six times as densely"]
fn in_finer_cells_of_a_dense_scan_most_ribs_of_a_kerb_are_lines() {
    let scan = ScanParams {
        min_spacing_m: 0.04,
        ..ScanParams::dense().clear()
    };
    // Measured: 0.17 mm, 1.36 mm (aim 1.2: not met), 2.0 mm, 0.27 mm, 20 ribs; of a kerb darker than the road
    // 0.17 mm, 1.20 mm, 1.8 mm, 0.26 mm, 29 ribs.
    for (reflectance, ribs_m, ribs) in [(ROAD, 1.5e-3, 16), (DARK, 1.25e-3, 22)] {
        let asked = Asked {
            plain_m: 0.3e-3,
            ribs_m,
            side_m: 4e-3,
            beside_m: 0.4e-3,
            ribs,
        };
        check(&build(&scan, 0.05, reflectance), &asked);
    }
}
