//! Cuts through the road as pictures.

use surface_core::build::{CutAt, CutParams, section};
use surface_core::progress::Silent;

use crate::built::build;

fn cut(params: CutParams) -> (String, surface_core::build::CutReport) {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("cut.svg");
    let report = section(build(), &out, &params, &mut Silent).unwrap();
    (std::fs::read_to_string(out).unwrap(), report)
}

/// Points of the path behind the mark, pixels.
fn points(svg: &str, mark: &str) -> usize {
    let line = svg.lines().find(|l| l.contains(mark));
    line.map_or(0, |l| l.matches(['M', 'L']).count())
}

#[test]
fn a_cross_section_shows_points_mesh_and_tolerance() {
    let (svg, report) = cut(CutParams::across(CutAt::Station(60.0)));
    assert!(svg.contains("cross-section at s 60.00 m") && svg.contains("±5 mm"));
    assert!(svg.contains("height over crossfall") && svg.contains("polygon"));
    // A road of 10 m with a place each centimetre, and points of 0.1 m of it.
    assert!(points(&svg, "stroke-width=\"2\"") > 800);
    assert!(points(&svg, "stroke-linecap") > 20);
    assert!(report.points > 50 && report.covered > 0.9);
    assert!(report.slope.abs() < 0.2);
    assert!(report.to_text().contains("s 60.00 m"));
}

#[test]
fn a_profile_runs_over_the_closure_and_a_spot_is_found_by_its_number() {
    let along = CutParams {
        along: true,
        t_m: Some(1.0),
        length_m: Some(12.0),
        ..CutParams::across(CutAt::Station(1.0))
    };
    let (svg, report) = cut(along);
    assert!(svg.contains("profile at s 1.00 m, t +1.00 m") && svg.contains("grade"));
    // From 5 m before the closure to 7 m behind it.
    assert!(report.covered > 0.9, "{report:?}");
    let spots = std::fs::read_to_string(build().join("deviation.csv")).unwrap();
    if let Some(row) = spots.lines().nth(1) {
        let (svg, report) = cut(CutParams::across(CutAt::Spot(1)));
        let s: f64 = row.split(',').nth(1).unwrap().parse().unwrap();
        assert!((report.s_m - s).abs() < 1e-6 && svg.contains("through spot 1"));
    }
}

#[test]
fn places_that_are_not_there_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("cut.svg");
    let refused = |params: CutParams| section(build(), &out, &params, &mut Silent).unwrap_err();
    let spot = refused(CutParams::across(CutAt::Spot(4321))).to_string();
    assert!(spot.contains("--spot is 4321"), "{spot}");
    let nowhere = refused(CutParams::across(CutAt::Station(f64::NAN))).to_string();
    assert!(nowhere.contains("--s is NaN"), "{nowhere}");
    let t = refused(CutParams {
        t_m: Some(1.0),
        ..CutParams::across(CutAt::Station(1.0))
    });
    assert!(t.to_string().contains("--along"), "{t}");
    assert!(!out.exists() && std::fs::read_dir(dir.path()).unwrap().count() == 0);
}
