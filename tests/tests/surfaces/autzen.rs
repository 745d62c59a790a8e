//! A measured aerial scan, `fit` from end to end: a ring road and a bridge deck, held against
//! edges and heights that numpy finds in the same points (`python/autzen_reference.py`).
//!
//! Source: `autzen_trim.laz` from the tests of laspy 2.7.0; feet, 2 to 3 points a square metre
//! (0.6 m apart), height noise of about 20 mm.

use std::path::{Path, PathBuf};

use surface_core::build::{FitParams, fit};
use surface_core::progress::Silent;
use surface_core::report::Report;
use surface_core::ribbon::{Ribbon, RibbonPoint};
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::{datasets, python};

const FOOT_M: f64 = 0.3048;
/// Middle of the ring road, metres.
const MIDDLE: [f64; 2] = [636_486.04 * FOOT_M, 849_073.37 * FOOT_M];
/// Ends of the bridge's axis, metres.
const AXIS: [[f64; 2]; 2] = [
    [636_432.74 * FOOT_M, 849_200.29 * FOOT_M],
    [636_522.87 * FOOT_M, 849_444.17 * FOOT_M],
];
/// The reference's edge is clear where its change explains this share of the deviations away.
const CLEAR: f64 = 0.65;

struct Fitted {
    report: Report,
    ribbon: Ribbon,
    mesh: MeshHeights,
    reference: serde_json::Value,
    _dir: tempfile::TempDir,
}

fn reference(scan: &Path) -> Option<serde_json::Value> {
    let python = python::venv()?;
    let text = python::run(&python, "autzen_reference.py", &[scan]).unwrap();
    Some(serde_json::from_str(&text).unwrap())
}

fn fitted(line: Vec<[f64; 2]>, closed: Option<bool>, spacing_m: f64) -> Option<Fitted> {
    let scan: PathBuf = datasets::fetch("autzen_trim.laz")?;
    let reference = reference(&scan)?;
    let params = FitParams {
        line: Some(line),
        closed,
        spacing_m,
        // Half of the cells are empty at this density.
        bridge_m: 2.0,
        ..FitParams::default()
    };
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("build");
    let report = fit(&[scan], &out, &params, &mut Silent).unwrap();
    let text = std::fs::read_to_string(out.join("ribbon.geojson")).unwrap();
    Some(Fitted {
        ribbon: Ribbon::from_geojson(&text).unwrap(),
        mesh: MeshHeights::new(
            &read_ply(&out.join("surface.ply")).unwrap(),
            report.origin_m,
        ),
        report,
        reference,
        _dir: dir,
    })
}

impl Fitted {
    fn number(of: &serde_json::Value, key: &str) -> f64 {
        of[key].as_f64().unwrap()
    }

    /// Mean radius about the ring's middle of (line, left edge, right edge) in 10° about an
    /// azimuth.
    fn radii(&self, azimuth: f64) -> [f64; 3] {
        let (line, edges) = (&self.ribbon.line, &self.ribbon.edges);
        let origin = self.ribbon.frame.origin_m;
        let (mut sums, mut n) = ([0.0; 3], 0.0);
        let mut s = 0.0;
        while s < line.length_m() {
            let places = [0.0, edges.left_m(s), edges.right_m(s)].map(|t| {
                let [x, y] = line.to_local(RibbonPoint { s, t });
                [x + origin[0] - MIDDLE[0], y + origin[1] - MIDDLE[1]]
            });
            let at = places[0][1].atan2(places[0][0]).to_degrees();
            if ((at - azimuth + 180.0).rem_euclid(360.0) - 180.0).abs() < 5.0 {
                for (sum, p) in sums.iter_mut().zip(places) {
                    *sum += p[0].hypot(p[1]);
                }
                n += 1.0;
            }
            s += 0.25;
        }
        sums.map(|v| v / n)
    }

    /// Height of the mesh less that of the reference `t` metres beside its places, where there is
    /// a mesh.
    fn height_errors(&self, key: &str, t: f64) -> Vec<f64> {
        let origin = self.report.origin_m;
        let along = [AXIS[1][0] - AXIS[0][0], AXIS[1][1] - AXIS[0][1]];
        let length = along[0].hypot(along[1]);
        let error = |p: &serde_json::Value| {
            let number = |key| Self::number(p, key);
            let x = number("x") - t * along[1] / length - origin[0];
            let y = number("y") + t * along[0] / length - origin[1];
            let rise = p["crossfall"].as_f64().map_or(0.0, |c| c * t);
            Some(self.mesh.height_m(x, y)? - (number("z") + rise - origin[2]))
        };
        let places = self.reference[key].as_array().unwrap();
        places.iter().filter_map(error).collect()
    }
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// A circle two metres too small and moved by two metres.
fn rough_circle() -> Vec<[f64; 2]> {
    (0..36)
        .map(|k| f64::from(10 * k).to_radians())
        .map(|a| {
            [
                MIDDLE[0] + 2.0 + 27.2 * a.cos(),
                MIDDLE[1] + 1.0 + 27.2 * a.sin(),
            ]
        })
        .collect()
}

#[test]
fn the_ring_roads_edges_and_heights_are_those_that_numpy_sees() {
    let Some(ring) = fitted(rough_circle(), None, 0.6) else {
        return;
    };
    let (mut off, mut middle) = ([Vec::new(), Vec::new()], Vec::new());
    for sector in ring.reference["ring"].as_array().unwrap() {
        let number = |key| Fitted::number(sector, key);
        // The line runs anticlockwise like the rough one: left is inside.
        let [line, inner, outer] = ring.radii(number("azimuth"));
        let clear = [number("inner_left") < CLEAR, number("outer_left") < CLEAR];
        let seen = [inner - number("inner"), outer - number("outer")];
        for (off, (seen, clear)) in off.iter_mut().zip(seen.into_iter().zip(clear)) {
            off.extend(clear.then_some(seen));
        }
        if clear == [true, true] {
            middle.push(line - 0.5 * (number("inner") + number("outer")));
        }
    }
    let [inner, outer] = &off;
    // Points are 0.6 m apart and the beam's footprint is 0.3 m wide: one point at the edge says
    // 0.3 m, the 20 of a sector 0.1 m, and so does the reference. A lost edge is off by metres.
    // Measured: inner 0.12 m, outer 0.20 m. Trees and places where other paving joins, which the
    // reference does not see either, are not compared.
    assert!(inner.len() >= 25 && outer.len() >= 10, "{off:?}");
    assert!(rms(inner) < 0.2 && rms(outer) < 0.3, "{off:?}");
    assert!(off.iter().flatten().all(|v| v.abs() < 0.6), "{off:?}");
    assert!(
        middle.len() >= 8 && middle.iter().all(|v| v.abs() < 0.3),
        "{middle:?}"
    );
    assert!(ring.ribbon.line.is_closed());
    ring.check_radius();
    ring.check_ring_heights();
}

impl Fitted {
    /// The line's mean radius is the ring's, 95.93 ft as it is published with the scan.
    fn check_radius(&self) {
        let radii = (0..36).map(|k| self.radii(f64::from(10 * k))[0]);
        let mean = radii.sum::<f64>() / 36.0;
        // The edges of a sector are seen to 0.1 m and their middle to that; where other paving joins
        // or trees hide it (a third of the way), the middle is off by up to a metre, and so the mean
        // by 0.2 m. The rough line is 2 m too small.
        assert!(
            (mean - 95.93 * FOOT_M).abs() < 0.35,
            "mean radius {mean:.2} m"
        );
    }

    fn check_ring_heights(&self) {
        // z would be three times as high if feet were taken for metres.
        let errors = self.height_errors("ring", 0.0);
        assert!(errors.len() >= 25, "{errors:?}");
        assert!(rms(&errors) < 0.015, "{} {errors:.3?}", rms(&errors));
    }
}

#[test]
fn the_bridges_deck_is_kept_and_its_railings_are_refused() {
    let Some(deck) = fitted(AXIS.to_vec(), None, 1.0) else {
        return;
    };
    // The railings are there to be refused, up to 1 m above the deck.
    assert!(Fitted::number(&deck.reference, "railing_points") > 100.0);
    for t in [-1.4, -0.7, 0.0, 0.7, 1.4] {
        let errors = deck.height_errors("deck", t);
        // Both come from 60 points of 20 mm noise: 2 to 3 mm each, 5 mm at the sides. Measured:
        // 4 to 7 mm. One point of a railing in ten would lift the deck by 50 mm.
        assert!(errors.len() >= 15, "{t}: {errors:.3?}");
        assert!(rms(&errors) < 0.010, "{t}: {errors:.3?}");
        assert!(errors.iter().all(|e| e.abs() < 0.025), "{t}: {errors:.3?}");
    }
    let [_, width, _] = deck.ribbon.widths_m();
    // 3.8 m between the railings; cells are 0.4 m wide.
    assert!((width - 3.8).abs() < 0.8, "{width}");
}
