//! Tables and points: CSV, Parquet, GeoJSON, LAZ.

use surface_core::build::ExportFormat;
use surface_core::ribbon::RibbonPoint;

use crate::built::{build, exported, mesh, told};

/// Rows of the CSV table, and where its columns stand.
fn csv() -> (Vec<String>, Vec<Vec<f64>>) {
    let (_dir, path, _) = exported(ExportFormat::Csv);
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines().map(|l| l.split(','));
    let names = lines.next().unwrap().map(str::to_owned).collect();
    let number = |w: &str| w.parse().unwrap_or(f64::NAN);
    (names, lines.map(|l| l.map(number).collect()).collect())
}

#[test]
fn stations_are_places_of_the_line_and_edges_with_the_heights_of_the_mesh() {
    let (names, rows) = csv();
    let column = |name: &str| names.iter().position(|n| n == name).unwrap();
    let (mesh, ribbon) = mesh();
    let origin = mesh.origin_m();
    assert!(rows.len() > 1000);
    let (mut held, mut edges) = (0, 0);
    for row in &rows {
        let at = |name: &str| row[column(name)];
        for (prefix, t) in [
            ("", 0.0),
            ("left_", at("left_t_m")),
            ("right_", at("right_t_m")),
        ] {
            let p = ribbon.line.to_local(RibbonPoint { s: at("s_m"), t });
            let found = [at(&format!("{prefix}x_m")), at(&format!("{prefix}y_m"))];
            for k in [0, 1] {
                // Five decimals of s, t and the place itself.
                assert!((p[k] + origin[k] - found[k]).abs() < 2e-5, "{row:?}");
            }
            let z = at(&format!("{prefix}z_m"));
            edges += usize::from(z.is_finite());
            if let (true, Some(there)) = (z.is_finite() && t == 0.0, mesh.height_at(p[0], p[1])) {
                assert!((there + origin[2] - z).abs() < 1e-5, "{row:?}");
                held += 1;
            }
        }
        assert!((at("left_t_m") - at("right_t_m") - at("width_m")).abs() < 2e-5);
    }
    // All but what is a hole.
    assert!(held > rows.len() * 95 / 100 && edges > 3 * rows.len() * 95 / 100);
}

#[test]
fn pyarrow_reads_the_same_table_from_parquet() {
    let (_dir, path, _) = exported(ExportFormat::Parquet);
    let (_dir2, csv, _) = exported(ExportFormat::Csv);
    let Some(found) = told("read_parquet.py", &[&path, &csv]) else {
        return;
    };
    assert_eq!(found["same_names"], true, "{found}");
    assert_eq!(found["rows"], found["csv_rows"], "{found}");
    // Five decimals of text.
    assert!(found["worst"].as_f64().unwrap() < 5.1e-6, "{found}");
    let origin: Vec<f64> = serde_json::from_value(found["origin"].clone()).unwrap();
    assert_eq!(origin, mesh().0.origin_m());
}

#[test]
fn the_geojson_holds_line_edges_and_every_spot() {
    let (_dir, path, _) = exported(ExportFormat::GeoJson);
    let text = std::fs::read_to_string(path).unwrap();
    let file: serde_json::Value = serde_json::from_str(&text).unwrap();
    let features = file["features"].as_array().unwrap();
    let roles: Vec<&str> = features
        .iter()
        .map(|f| f["properties"]["role"].as_str().unwrap())
        .collect();
    assert_eq!(roles[..3], ["reference_line", "left_edge", "right_edge"]);
    let spots = std::fs::read_to_string(build().join("deviation.csv")).unwrap();
    assert_eq!(roles.len() - 3, spots.lines().count() - 1);
    let line = features[0]["geometry"]["coordinates"].as_array().unwrap();
    assert_eq!(line.first(), line.last(), "the oval closes");
    let high = line.iter().filter(|p| p.as_array().unwrap().len() == 3);
    assert!(high.count() > line.len() * 95 / 100);
    if let Some(spot) = features.get(3) {
        let row: Vec<&str> = spots.lines().nth(1).unwrap().split(',').collect();
        assert_eq!(spot["properties"]["id"].to_string(), row[0]);
        let x: f64 = row[3].parse().unwrap();
        assert_eq!(spot["geometry"]["coordinates"][0], x);
    }
}

#[test]
fn laspy_reads_classes_setups_and_deviations_of_the_points() {
    let (_dir, path, report) = exported(ExportFormat::Laz);
    let Some(found) = told("read_points.py", &[&path, &build().join("deviation.laz")]) else {
        return;
    };
    for same in [
        "same_places",
        "same_deviation",
        "same_setup",
        "same_intensity",
    ] {
        assert_eq!(found[same], true, "{same}: {found}");
    }
    // Class 11 is within 5 mm, class 1 beyond; nothing else.
    assert_eq!(found["classes"], serde_json::json!([1, 11]), "{found}");
    assert!(
        found["road_most_mm"].as_f64().unwrap() <= 5.0 + 1e-6,
        "{found}"
    );
    assert!(
        found["other_least_mm"].as_f64().unwrap() > 5.0 - 1e-6,
        "{found}"
    );
    assert!(report.holds[0].contains("class 11"));
}
