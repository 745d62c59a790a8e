//! Grids: OpenCRG and GeoTIFF.

use std::fmt::Write as _;

use surface_core::build::{ExportFormat, ExportParams, Layer, export};
use surface_core::export::{Chords, GeoKeys, Raster, RasterWriter, TILE};
use surface_core::numeric::to_index;
use surface_core::progress::Silent;
use surface_core::ribbon::RibbonPoint;

use crate::built::{SPACING_M, build, exported, mesh, spread, told};

/// The grid's own step: that of the build.
const STEP_M: f64 = SPACING_M;

/// Height of the mesh at (u, v) as the standard defines it: bilinear between the four nodes, whose
/// heights are the mesh's; the place at a node.
fn expected(chords: &Chords, u: f64, v: f64) -> Option<(f64, [f64; 2])> {
    let (mesh, ribbon) = mesh();
    let (i, k) = (to_index(u / STEP_M + 1e-9), (v / STEP_M + 1e-9).floor());
    let node = |di: usize, dk: f64| {
        let s = *chords.s_m.get(i + di)?;
        let t = (k + dk) * STEP_M;
        let [x, y] = ribbon.line.to_local(RibbonPoint { s, t });
        Some((mesh.height_at(x, y)?, [x, y]))
    };
    let (fu, fv) = (u / STEP_M - i as f64, v / STEP_M - k);
    let ([a, b], [c, d]) = (
        [node(0, 0.0)?, node(1, 0.0)?],
        [node(0, 1.0)?, node(1, 1.0)?],
    );
    let low = a.0 + fu * (b.0 - a.0);
    let high = c.0 + fu * (d.0 - c.0);
    Some((low + fv * (high - low), a.1))
}

/// u, v, z, and x, y at nodes (empty elsewhere), in world coordinates.
fn questions() -> String {
    let (mesh, ribbon) = mesh();
    let origin = mesh.origin_m();
    let chords = Chords::along(&ribbon.line, STEP_M);
    let mut out = String::new();
    let last = (chords.s_m.len() - 2) as f64 * STEP_M;
    for k in 0..6000 {
        let (u, v) = (last * spread(k, 0), 12.0 * (spread(k, 1) - 0.5));
        let node = k % 3 == 0;
        let whole = |w: f64| {
            if node {
                (w / STEP_M).round() * STEP_M
            } else {
                w
            }
        };
        let (u, v) = (whole(u), whole(v));
        if u < 1.5 * STEP_M {
            // The first cross section lies across its one chord, not across the line.
            continue;
        }
        // Readers weigh all four nodes around a place, though on a node three have no share.
        let around = [-STEP_M, 0.0].map(|d| expected(&chords, u + d, v + d));
        if let [Some(_), Some((z, [x, y]))] = around {
            let (x, y) = (x + origin[0], y + origin[1]);
            let place = if node {
                format!("{x},{y}")
            } else {
                ",".to_owned()
            };
            let _ = writeln!(out, "{u},{v},{},{place}", z + origin[2]);
        }
    }
    out
}

#[test]
fn two_readers_of_opencrg_find_the_mesh_in_the_grid_to_a_hundredth_of_a_millimetre() {
    let dir = tempfile::tempdir().unwrap();
    let asked = dir.path().join("questions.csv");
    std::fs::write(&asked, questions()).unwrap();
    for format in [ExportFormat::OpenCrg, ExportFormat::OpenCrgText] {
        let (_dir, path, report) = exported(format);
        assert!(report.loses.iter().any(|l| l.starts_with("steps")));
        let Some(found) = told("read_crg.py", &[&path, &asked]) else {
            return;
        };
        let number = |name: &str| found[name].as_f64().unwrap();
        assert!(number("asked") > 3000.0, "{found}");
        for reader in ["pycrg", "pyopencrg"] {
            let of = |what: &str| number(&format!("{reader}_{what}"));
            // Single precision of grid, slope and banking: 1e-7 m each.
            assert!(of("z_mm") < 0.01, "{reader}: {found}");
            // Places of nodes: the cross-line of two chords against the line's normal, which where
            // curvature grows by 0.01 per m² part by 3e-5 (0.01 · 0.2² / 12), 6 m from the line by
            // 0.2 mm; four times less at the usual step of 0.1 m.
            assert!(of("xy_mm") < 0.3, "{reader}: {found}");
        }
        assert_eq!(found["pycrg_check"], true, "{found}");
        assert_eq!(found["pyopencrg_check"], true, "{found}");
        assert_eq!(found["closed"], true, "{found}");
    }
}

/// x, y and the layer's value in pixels spread over the road, world coordinates.
fn pixels(pixel_m: f64) -> String {
    let (mesh, ribbon) = mesh();
    let origin = mesh.origin_m();
    let mut out = String::new();
    for k in 0..4000 {
        let s = ribbon.line.length_m() * spread(k, 0);
        let t = 14.0 * (spread(k, 1) - 0.5);
        let p = ribbon.line.to_local(RibbonPoint { s, t });
        let middle = |k: usize| ((p[k] + origin[k]) / pixel_m).floor() * pixel_m + 0.5 * pixel_m;
        let [x, y] = [middle(0), middle(1)];
        let z = mesh.height_at(x - origin[0], y - origin[1]);
        let z = z.map_or(f64::NAN, |z| z + origin[2]);
        let _ = writeln!(out, "{x},{y},{z}");
    }
    out
}

#[test]
fn rasterio_reads_the_heights_where_they_are() {
    let dir = tempfile::tempdir().unwrap();
    let asked = dir.path().join("pixels.csv");
    std::fs::write(&asked, pixels(SPACING_M)).unwrap();
    let (_dir, path, _) = exported(ExportFormat::GeoTiff);
    let Some(found) = told("read_raster.py", &[&path, &asked]) else {
        return;
    };
    let number = |name: &str| found[name].as_f64().unwrap();
    assert!(
        number("values") > 2000.0 && number("nothing") > 500.0,
        "{found}"
    );
    assert_eq!(found["wrong_holes"], 0, "{found}");
    // Single precision at a height of 241 m: half a step of 0.0153 mm.
    assert!(number("worst_mm") < 0.0077, "{found}");
    assert_eq!(found["tiled"], true, "{found}");
    assert_eq!(found["compression"], "deflate", "{found}");
    assert!(number("bytes_a_value") < 4.0, "{found}");
}

#[test]
fn rasterio_reads_sigma_and_the_mean_deviation_of_the_points() {
    let dir = tempfile::tempdir().unwrap();
    let points = build().join("deviation.laz");
    for (layer, name) in [
        (Layer::Sigma, "sigma"),
        (Layer::Wavelength, "wavelength"),
        (Layer::Deviation, "deviation"),
    ] {
        let path = dir.path().join(format!("{name}.tif"));
        let params = ExportParams {
            layer: Some(layer),
            ..ExportParams::default()
        };
        export(build(), ExportFormat::GeoTiff, &path, &params, &mut Silent).unwrap();
        let Some(found) = told("read_raster.py", &[&path, &points]) else {
            return;
        };
        let number = |name: &str| found[name].as_f64().unwrap();
        if layer == Layer::Sigma {
            assert!((0.05..3.0).contains(&number("median_mm")), "{found}");
        } else if layer == Layer::Wavelength {
            // The report's median over the nodes; pixels in bends count by area, and holes of the
            // mesh have none.
            let text = std::fs::read_to_string(build().join("report.json")).unwrap();
            let report: serde_json::Value = serde_json::from_str(&text).unwrap();
            let told = 1e3 * report["field"]["wavelength_median_m"].as_f64().unwrap();
            assert!(
                (number("median_mm") / told - 1.0).abs() < 0.05,
                "{found} {told}"
            );
            assert!(number("values") > 40_000.0, "{found}");
        } else {
            // laspy's points, binned by numpy: single precision of a few millimetres; a point on
            // a pixel's side may fall to either.
            assert!(number("share_equal") > 0.995, "{found}");
            assert!(number("values") > 10_000.0, "{found}");
        }
    }
}

#[test]
fn rasterio_knows_the_coordinate_system_and_heights_over_a_thousand_metres() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("high.tif");
    let raster = Raster {
        corner_m: [500_000.0, 5_000_100.0],
        pixel_m: 0.25,
        size: [300, 290],
        double: true,
        what: "height".to_owned(),
        keys: GeoKeys::of(None, Some("EPSG:25832 (ETRS89 / UTM zone 32N)")),
    };
    let mut writer = RasterWriter::create(&path, raster).unwrap();
    let values: Vec<f64> = (0..TILE * TILE).map(|k| 2000.0 + 1e-5 * k as f64).collect();
    writer.tile([1, 0], &values).unwrap();
    writer.finish().unwrap();
    let asked = dir.path().join("pixels.csv");
    let row = |k: usize| {
        let (column, row) = (k % TILE, k / TILE);
        let x = 500_000.0 + 0.25 * ((TILE + column) as f64 + 0.5);
        format!(
            "{x},{},{}\n",
            5_000_100.0 - 0.25 * (row as f64 + 0.5),
            values[k]
        )
    };
    // Columns past the raster's side are not in it.
    let inside = (0..TILE * TILE)
        .filter(|k| k % TILE < 300 - TILE)
        .step_by(37);
    std::fs::write(&asked, inside.map(row).collect::<String>()).unwrap();
    let Some(found) = told("read_raster.py", &[&path, &asked]) else {
        return;
    };
    assert_eq!(found["epsg"], 25832, "{found}");
    assert!(found["worst_mm"].as_f64().unwrap() < 1e-9, "{found}");
}
