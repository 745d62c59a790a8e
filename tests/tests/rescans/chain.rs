//! Rescans one after another, held against one build of the final state: nodes that no link touched,
//! nodes that a link made anew and nodes in its blending apart.

use std::path::{Path, PathBuf};

use crate::epochs::{course, first_build, read_ribbon, rescanned, scan};
use crate::folders::off;
use surface_core::build::{FitParams, fit, versions};
use surface_core::export::FieldStore;
use surface_core::field::FieldRows;
use surface_core::numeric::{median, quantile};
use surface_core::progress::Silent;
use surface_core::report::RescanReport;
use surface_core::ribbon::{Ribbon, RibbonPoint};
use surface_tests::proving::paving::Feature;
use surface_tests::proving::{Course, CourseSpec, ORIGIN_M};

/// New heights count alone so far around a change, metres; a node more for the border.
const MARGIN_M: f64 = 0.4;
/// What the last link that touched a node did with it.
const WORDS: [&str; 3] = ["kept", "new", "blended"];
/// Median and 95 % quantile of the square of a normal value.
const NORMAL: [f64; 2] = [0.455, 3.841];
/// Medians may be as large as this: what setups have in common is one draw a scan, and medians scatter
/// by it about that of a normal value. Of ten links the new part has 0.49 (squared error over σ² 0.42);
/// it had 0.63 (0.81) when σ did not count what the old surface is uncertain by.
const MOST_MEDIAN: f64 = 0.6;

/// How far a lot's nodes are from those of one build of the final state.
#[derive(Debug)]
pub struct Lot {
    pub nodes: usize,
    /// Median and 95 % quantile of the squared difference over σ².
    pub squares: [f64; 2],
    /// Root mean square error of the last state and of the one build, metres.
    pub errors_m: [f64; 2],
    /// Median of the squared error over σ² of both.
    pub over_sigma: [f64; 2],
}

/// Rescan the first build, which has `first`, after each of `works`; then hold the last state against
/// one build of it. Seeds of scans count from `seed`.
pub fn run(dir: &Path, first: &Feature, works: &[Feature], seed: u64) -> [Lot; 3] {
    let spec = |k: usize| CourseSpec::oval().with_works(&[&[*first], &works[..k]].concat());
    let (mut state, mut lots) = (first_build().to_owned(), Vec::new());
    for k in 1..=works.len() {
        let files = scan(&dir.join(format!("scan-{k}")), &spec(k), seed + k as u64);
        let out = dir.join(format!("state-{k}"));
        let report = rescanned(&state, &files, &out);
        println!("{k}: {}", report.to_text().lines().next().unwrap());
        assert_eq!(report.rebuilt.vertices.outside, 0, "link {k}");
        mark(&mut lots, [&state, &out], &report);
        state = out;
    }
    assert_eq!(versions(&state).unwrap().len(), works.len() + 1);
    let files = scan(&dir.join("scan"), &spec(works.len()), seed + 100);
    let full = full_build(&state, &files, &dir.join("full"));
    compared(&lots, [&state, &full], &course(&spec(works.len())))
}

/// A build of the final state alone, on the same lattice.
fn full_build(state: &Path, scans: &[PathBuf], out: &Path) -> PathBuf {
    let params = FitParams {
        ribbon: Some(read_ribbon(state)),
        ..FitParams::default()
    };
    fit(scans, out, &params, &mut Silent).unwrap();
    out.to_owned()
}

fn sections(dir: &Path) -> Vec<FieldRows> {
    let field = FieldStore::open(&dir.join("field")).unwrap().0;
    let all = 0..field.lattice().sections();
    all.map(|k| field.section(k).unwrap()).collect()
}

/// Which lot every node is of, by section, after one more link.
fn mark(lots: &mut Vec<Vec<usize>>, states: [&Path; 2], report: &RescanReport) {
    let ribbon = read_ribbon(states[0]);
    let [before, after] = states.map(sections);
    if lots.is_empty() {
        *lots = before.iter().map(|rows| vec![0; rows.z_m.len()]).collect();
    }
    for (own, (a, b)) in lots.iter_mut().zip(before.iter().zip(&after)) {
        for (k, lot) in own.iter_mut().enumerate() {
            let same = a.z_m[k].to_bits() == b.z_m[k].to_bits();
            if !same {
                *lot = 2 - usize::from(is_new(&ribbon, report, a, k));
            }
        }
    }
}

fn is_new(ribbon: &Ribbon, report: &RescanReport, rows: &FieldRows, k: usize) -> bool {
    let mut changes = report.changes.iter();
    changes.any(|c| off(ribbon, c, place(rows, k)) < MARGIN_M)
}

/// (s, t) of a node.
fn place(rows: &FieldRows, k: usize) -> [f64; 2] {
    let lattice = &rows.lattice;
    let (row, column) = (rows.first_row + k / lattice.columns, k % lattice.columns);
    [
        lattice.row_s_m(lattice.wrap(row)),
        lattice.column_t_m(column),
    ]
}

fn compared(lots: &[Vec<usize>], states: [&Path; 2], truth: &Course) -> [Lot; 3] {
    let ribbon = read_ribbon(states[0]);
    let [ours, theirs] = states.map(sections);
    let mut nodes = [const { Vec::new() }; 3];
    for (own, (a, b)) in lots.iter().zip(ours.iter().zip(&theirs)) {
        for (k, lot) in own.iter().enumerate() {
            let node = |rows: &FieldRows| [rows.z_m[k], rows.sigma_m[k].into()];
            let real = height_m(truth, &ribbon, a, k);
            let known = real.filter(|_| a.z_m[k].is_finite() && b.z_m[k].is_finite());
            nodes[*lot].extend(known.map(|real| [[real, 0.0], node(a), node(b)]));
        }
    }
    nodes.map(|nodes| lot(&nodes))
}

/// The truth at a node, relative to the ribbon's origin.
fn height_m(truth: &Course, ribbon: &Ribbon, rows: &FieldRows, k: usize) -> Option<f64> {
    let [s, t] = place(rows, k);
    let [x, y] = ribbon.line.to_local(RibbonPoint { s, t });
    let origin = [0, 1, 2].map(|axis| ribbon.frame.origin_m[axis] - ORIGIN_M[axis]);
    let z = truth.height_m(x + origin[0], y + origin[1])?;
    Some(z - origin[2])
}

/// Of nodes with truth, the last state and the one build, each a height and its σ.
fn lot(nodes: &[[[f64; 2]; 3]]) -> Lot {
    let squares = |i: usize, j: usize| -> Vec<f64> {
        let square = |n: &[[f64; 2]; 3]| ((n[i][0] - n[j][0]) / n[i][1].hypot(n[j][1])).powi(2);
        nodes.iter().map(square).collect()
    };
    let error_m = |j: usize| {
        let sum: f64 = nodes.iter().map(|n| (n[j][0] - n[0][0]).powi(2)).sum();
        (sum / nodes.len() as f64).sqrt()
    };
    let mut apart = squares(1, 2);
    let half = |mut all: Vec<f64>| median(&mut all).unwrap_or(f64::NAN);
    let most = quantile(&mut apart, 0.95).unwrap_or(f64::NAN);
    Lot {
        nodes: nodes.len(),
        squares: [half(apart), most],
        errors_m: [error_m(1), error_m(2)],
        over_sigma: [half(squares(1, 0)), half(squares(2, 0))],
    }
}

/// All lots end within σ of the one build.
pub fn ends_within_sigma(lots: &[Lot; 3]) {
    for (word, lot) in WORDS.iter().zip(lots) {
        let [middle, most] = lot.squares;
        println!(
            "{word}: {} nodes, squared difference over σ²: median {middle:.3}, 95 % {most:.2} \
             (a normal value: {}, {}); errors {:.3} and {:.3} mm, squared over σ² {:.3?} in the median",
            lot.nodes,
            NORMAL[0],
            NORMAL[1],
            1e3 * lot.errors_m[0],
            1e3 * lot.errors_m[1],
            lot.over_sigma
        );
    }
    for lot in lots {
        assert!(lot.nodes > 1000, "{lots:?}");
        let [middle, most] = lot.squares;
        assert!(middle < MOST_MEDIAN && most < NORMAL[1], "{lots:?}");
        assert!(lot.over_sigma[0] < MOST_MEDIAN, "{lots:?}");
        assert!(lot.errors_m[0] < 1.1 * lot.errors_m[1], "{lots:?}");
    }
}
