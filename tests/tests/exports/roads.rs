//! OpenDRIVE: the standard's schema, and an evaluation of the road by its rules alone.

use std::fmt::Write as _;

use surface_core::build::ExportFormat;
use surface_core::ribbon::RibbonPoint;
use surface_tests::datasets;

use crate::built::{exported, mesh, spread, told};

/// x, y, z of the mesh in world coordinates, spread over the road but for its last half metre.
fn places() -> String {
    let (mesh, ribbon) = mesh();
    let origin = mesh.origin_m();
    let mut out = String::new();
    for k in 0..3000 {
        let s = ribbon.line.length_m() * spread(k, 0);
        let (left, right) = (ribbon.edges.left_m(s), ribbon.edges.right_m(s));
        let t = right + 0.5 + (left - right - 1.0) * spread(k, 1);
        let [x, y] = ribbon.line.to_local(RibbonPoint { s, t });
        if let Some(z) = mesh.height_at(x, y) {
            let p = [x, y, z];
            let world: Vec<f64> = (0..3).map(|k| p[k] + origin[k]).collect();
            let _ = writeln!(out, "{},{},{},{s},{t}", world[0], world[1], world[2]);
        }
    }
    out
}

#[test]
fn the_road_obeys_the_schema_and_its_rules_lead_to_the_mesh() {
    let (dir, path, report) = exported(ExportFormat::OpenDrive);
    let asked = dir.path().join("places.csv");
    std::fs::write(&asked, places()).unwrap();
    let Some(schema) = datasets::opendrive_schema() else {
        return;
    };
    let Some(found) = told("read_opendrive.py", &[&path, &asked, &schema]) else {
        return;
    };
    let number = |name: &str| found[name].as_f64().unwrap();
    assert_eq!(found["schema"], true, "{found}");
    // Spans follow each other without a gap: numbers are written in full.
    assert!(
        number("joint_m") < 1e-6 && number("joint_rad") < 1e-6,
        "{found}"
    );
    assert!(number("closure_m") < 1e-6, "{found}");
    assert!(number("length_gap_m") < 1e-9, "{found}");
    // The line is the ribbon's own: the place of (s, t) by the file is the place asked for; s is
    // arc length there and a parameter here, equal to 1e-4 in a span of half a metre.
    assert!(number("place_95_mm") < 0.5, "{found}");
    // Waves under 2 m are lost: the oval's plain asphalt has 0.3 mm of them; the rest are kerbs
    // and features.
    assert!(number("height_50_mm") < 1.0, "{found}");
    assert!(number("width_worst_mm") < 20.0, "{found}");
    assert!(
        report
            .loses
            .iter()
            .any(|l| l.starts_with("waves under 2.0 m"))
    );
}
