//! The map of resolved wavelengths held against the truth: where it says that waves are held down
//! to λ, waves of λ err by half of the road's power.
//!
//! Heights and errors on the lattice are band-passed in both directions (a Gaussian and two
//! Laplacians), and their powers summed over the nodes of a class of the map. Where a noisy road is
//! smoothed as well as can be, the error's spectrum S·N/(S + N) never crosses the road's S; it
//! reaches a half of it where road and noise are as strong as each other.

use std::path::Path;

use surface_core::export::FieldStore;
use surface_core::numeric::to_index;
use surface_core::ribbon::{Ribbon, RibbonPoint};
use surface_tests::proving::{Course, ORIGIN_M};

/// Nodes within this of the line are looked at, metres, and those of them judged that a band's
/// filter reaches about; the asphalt is wider everywhere.
const WIDE_M: f64 = 4.5;
const JUDGED_M: f64 = 3.0;
/// Classes of equally many nodes.
const CLASSES: usize = 3;

/// A closed band of road: rows along it, wrapping, and columns across.
struct Band {
    columns: usize,
    step_m: [f64; 2],
    error: Vec<f64>,
    truth: Vec<f64>,
    wavelength: Vec<f64>,
}

/// The field's nodes, holes as 0 error and no wavelength.
fn read(build: &Path, course: &Course) -> Band {
    let (store, _) = FieldStore::open(&build.join("field")).unwrap();
    let text = std::fs::read_to_string(build.join("ribbon.geojson")).unwrap();
    let ribbon = Ribbon::from_geojson(&text).unwrap();
    let shift = [0, 1, 2].map(|k| ribbon.frame.origin_m[k] - ORIGIN_M[k]);
    let lattice = *store.lattice();
    let inside = |c: &usize| lattice.column_t_m(*c).abs() <= WIDE_M;
    let columns: Vec<usize> = (0..lattice.columns).filter(inside).collect();
    let mut out = Band {
        columns: columns.len(),
        step_m: [lattice.s_step_m, lattice.t_step_m],
        error: Vec::new(),
        truth: Vec::new(),
        wavelength: Vec::new(),
    };
    for section in 0..lattice.sections() {
        let rows = store.section(section).unwrap();
        for row in rows.first_row..=rows.last_row() {
            for &column in &columns {
                let (s, t) = (lattice.row_s_m(row), lattice.column_t_m(column));
                let [x, y] = ribbon.line.to_local(RibbonPoint { s, t });
                let truth = course.height_m(x + shift[0], y + shift[1]).unwrap();
                let node = rows.node(row, column);
                let error = node.map_or(0.0, |n| n.z_m + shift[2] - truth);
                let wavelength = node.map_or(f64::NAN, |n| f64::from(n.wavelength_m));
                out.error.push(error);
                out.truth.push(truth);
                out.wavelength.push(wavelength);
            }
        }
    }
    out
}

/// Weighted sum over offsets along rows (wrapping) or columns (those outside count as the last).
fn sums(z: &[f64], columns: usize, weights: &[f64], along: bool) -> Vec<f64> {
    let (rows, half) = (z.len() / columns, weights.len() / 2);
    let at = |k: usize| {
        let (row, column) = (k / columns, k % columns);
        let value = |(i, w): (usize, &f64)| {
            let other = if along {
                ((row + rows + i - half) % rows) * columns + column
            } else {
                row * columns + (column + i).saturating_sub(half).min(columns - 1)
            };
            w * z[other]
        };
        weights.iter().enumerate().map(value).sum()
    };
    (0..z.len()).map(at).collect()
}

/// Waves of about `wavelength_m`. Of road that falls with k⁻³ the power that k⁴·exp(−2π²w²k²)
/// lets through has its middle at k = √3/(2πw).
fn band_passed(band: &Band, z: &[f64], wavelength_m: f64) -> Vec<f64> {
    let width = 3f64.sqrt() / std::f64::consts::TAU * wavelength_m;
    let gaussian = |step: f64| -> Vec<f64> {
        let reach = i32::try_from(to_index((4.0 * width / step).ceil())).unwrap();
        let one = |k: i32| (-0.5 * (f64::from(k) * step / width).powi(2)).exp();
        let all: f64 = (-reach..=reach).map(one).sum();
        (-reach..=reach).map(|k| one(k) / all).collect()
    };
    let [ds, dt] = band.step_m;
    let mut out = sums(z, band.columns, &gaussian(ds), true);
    out = sums(&out, band.columns, &gaussian(dt), false);
    for _ in 0..2 {
        let bend = |step: f64| [1.0, -2.0, 1.0].map(|w| w / (step * step));
        let along = sums(&out, band.columns, &bend(ds), true);
        let across = sums(&out, band.columns, &bend(dt), false);
        out = along.iter().zip(&across).map(|(a, b)| a + b).collect();
    }
    out
}

/// Where the errors' share of the road's power falls below a half, from short waves to long ones.
fn half_at(shares: &[(f64, f64)]) -> Option<f64> {
    let pair = shares.windows(2).find(|p| p[0].1 >= 0.5 && p[1].1 < 0.5)?;
    let [(a, sa), (b, sb)] = [pair[0], pair[1]];
    Some(a * (b / a).powf((sa - 0.5) / (sa - sb)))
}

/// Class by class, the middle of the map and the wavelength at which the errors have half of the
/// road's power.
pub fn classes(build: &Path, course: &Course) -> Vec<(f64, f64)> {
    let band = read(build, course);
    let first_t = -0.5 * band.columns.saturating_sub(1) as f64 * band.step_m[1];
    let judged = |k: &usize| {
        let t = first_t + (k % band.columns) as f64 * band.step_m[1];
        t.abs() <= JUDGED_M && band.wavelength[*k].is_finite()
    };
    let mut order: Vec<usize> = (0..band.error.len()).filter(judged).collect();
    order.sort_by(|a, b| band.wavelength[*a].total_cmp(&band.wavelength[*b]));
    let wavelengths = (0..12).map(|k| 0.22 * 2f64.powf(f64::from(k) / 4.0));
    let passed: Vec<(f64, Vec<f64>, Vec<f64>)> = wavelengths
        .map(|w| {
            (
                w,
                band_passed(&band, &band.error, w),
                band_passed(&band, &band.truth, w),
            )
        })
        .collect();
    let class = |nodes: &[usize]| {
        let power = |z: &[f64]| nodes.iter().map(|&k| z[k] * z[k]).sum::<f64>();
        let shares: Vec<(f64, f64)> = passed
            .iter()
            .map(|(w, error, truth)| (*w, power(error) / power(truth)))
            .collect();
        println!("{shares:.2?}");
        let told = band.wavelength[nodes[nodes.len() / 2]];
        (told, half_at(&shares).unwrap())
    };
    order
        .chunks(order.len().div_ceil(CLASSES))
        .map(class)
        .collect()
}
