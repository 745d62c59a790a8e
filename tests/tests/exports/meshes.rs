//! Formats of triangles.

use std::path::Path;

use surface_core::build::ExportFormat;
use surface_tests::python;

use crate::built::{SPACING_M, build, exported, mesh, told};

/// A round trip may lose this much, millimetres.
const MOST_LOST_MM: f64 = 0.05;

/// The mesh of the file, as `script` reads it, is the build's: the same triangles, one to one.
fn is_the_mesh(format: ExportFormat, most_mm: f64) {
    assert!(most_mm < MOST_LOST_MM);
    let (_dir, path, _) = exported(format);
    let Some(found) = told("read_mesh.py", &[&build().join("surface.ply"), &path]) else {
        return;
    };
    assert_eq!(found["triangles"], found["expected_triangles"], "{found}");
    assert_eq!(found["one_to_one"], true, "{found}");
    for what in ["corner_mm", "vertex_mm"] {
        let lost = found[what].as_f64().unwrap();
        assert!(lost <= most_mm, "{format:?} {what}: {lost} mm");
    }
}

#[test]
fn trimesh_finds_the_sheet_of_the_report_its_heights_and_delaunay_triangles() {
    let Some(interpreter) = python::venv() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let csv = dir.path().join("places.csv");
    let (mesh, _) = mesh();
    let corners = mesh.columns().positions_m.iter().step_by(97);
    let places: Vec<[f64; 2]> = corners.map(|p| [p[0] + 0.03, p[1] - 0.05]).collect();
    let rows: Vec<String> = places
        .iter()
        .map(|p| format!("{},{}", p[0], p[1]))
        .collect();
    std::fs::write(&csv, rows.join("\n")).unwrap();
    let ply = build().join("surface.ply");
    let arguments = [Path::new("mesh"), &ply, &csv];
    let text = python::run(&interpreter, "mesh_reference.py", &arguments).unwrap();
    let said = |name: &str| -> Vec<f64> {
        let lines = text.lines().filter_map(|line| line.strip_prefix(name));
        lines.map(|word| word.trim().parse().unwrap()).collect()
    };
    let report = std::fs::read_to_string(build().join("report.json")).unwrap();
    let report: serde_json::Value = serde_json::from_str(&report).unwrap();
    let check = |name: &str| report["mesh"][name].as_f64().unwrap();
    for name in ["vertices", "faces", "euler", "parts"] {
        assert!(
            (said(&format!("{name} "))[0] - check(name)).abs() < 0.5,
            "{name}: {text}"
        );
    }
    let zero = |name: &str| said(name)[0].abs() < 0.5;
    assert!(zero("duplicates ") && zero("degenerate ") && zero("down ") && !zero("winding "));
    let mut hits = 0;
    for ([x, y], theirs) in places.iter().zip(said("z ")) {
        // The ray caster has a tolerance of its own of 1e-8 in plan.
        let ours = mesh.height_at(*x, *y).unwrap_or(f64::NAN);
        assert!(ours.is_nan() == theirs.is_nan() && (ours - theirs).abs() < 1e-7 || ours.is_nan());
        hits += usize::from(!ours.is_nan());
    }
    assert!(hits > 100, "{hits}");
    // Sides of the lattice that are held where rows are thinned may be none of Delaunay's.
    assert!(
        said("not_delaunay ")[0] < 2e-3 * said("inner_edges ")[0],
        "{text}"
    );
    assert!(said("longest_not_delaunay ")[0] < 1.05 * SPACING_M);
}

#[test]
fn trimesh_reads_the_obj_in_groups_of_zones() {
    // Five decimals: 0.005 mm a coordinate, 0.009 mm in space.
    is_the_mesh(ExportFormat::Obj, 0.0091);
    let (_dir, path, report) = exported(ExportFormat::Obj);
    let text = std::fs::read_to_string(&path).unwrap();
    let groups = |zone: &str| {
        let named = text.lines().filter(|l| l.starts_with("g section_"));
        named.filter(|l| l.ends_with(zone)).count()
    };
    assert!(groups("_paved") > 5 && groups("_bridged") > 0);
    assert!(text.contains("\nmtllib road.mtl\n") && text.contains("\n# origin "));
    assert_eq!(report.files.len(), 2);
}

#[test]
fn trimesh_reads_the_stl() {
    // Within 128 m of the zero a float's step is 0.008 mm.
    is_the_mesh(ExportFormat::Stl, 0.0067);
}

#[test]
fn meshio_reads_the_plain_ply() {
    // Doubles about the same zero: nothing is rounded.
    is_the_mesh(ExportFormat::Ply, 1e-9);
}

#[test]
fn an_xml_parser_reads_the_landxml_surface_in_world_coordinates() {
    is_the_mesh(ExportFormat::LandXml, 0.0091);
}

#[test]
fn pygltflib_reads_the_gltf_and_its_levels_fit_at_any_mix() {
    is_the_mesh(ExportFormat::Gltf, 0.002);
    let (_dir, path, _) = exported(ExportFormat::Gltf);
    let Some(found) = told("read_gltf.py", &[&path]) else {
        return;
    };
    let number = |name: &str| found[name].as_f64().unwrap();
    // Tiles at different levels beside each other: the only free edges are those of the full mesh.
    assert_eq!(
        found["free_edges_full"], found["free_edges_mixed"],
        "{found}"
    );
    assert_eq!(found["same_free_edges"], true, "{found}");
    assert!(
        number("triangles_1") < 0.25 * number("triangles_0"),
        "{found}"
    );
    assert!(number("triangles_2") <= number("triangles_1"), "{found}");
    for (level, most_m) in [("error_1_m", 0.002), ("error_2_m", 0.010)] {
        // Vertices of the full mesh against the level, found by the script on its own; 0.01 mm
        // for points on a side of two triangles.
        assert!(number(level) <= most_m + 1e-5, "{found}");
        assert!(number(level) > 0.1 * most_m, "{found}");
    }
    assert_eq!(found["materials"], serde_json::json!(["paved", "bridged"]));
    assert!(number("sigma_median_mm") > 0.05 && number("sigma_median_mm") < 2.0);
}

#[test]
fn the_validator_of_the_gltf_standard_finds_no_error() {
    let (_dir, path, _) = exported(ExportFormat::Gltf);
    let Some(text) = python::node(
        "validate_gltf.js",
        "gltf-validator@2.0.0-dev.3.10",
        &[&path],
    ) else {
        return;
    };
    println!("{text}");
    let found: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(
        (&found["errors"], &found["warnings"]),
        (&0.into(), &0.into()),
        "{text}"
    );
}
