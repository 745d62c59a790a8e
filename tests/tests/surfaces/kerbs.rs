//! The surface of kerbs where beams straddle their outer edges.

use surface_core::build::{FitParams, fit};
use surface_core::progress::Silent;
use surface_core::ribbon::Ribbon;
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::proving::returns::Source;
use surface_tests::proving::score::{HeightScore, score};
use surface_tests::proving::stretch::write_stretch;
use surface_tests::proving::{Course, CourseSpec, ORIGIN_M, ScanParams, Zone};

use crate::stretch_params;

/// A stretch through the first bend of the oval, with a kerb inside, and outside where it ends, metres.
const STRETCH_S_M: [f64; 2] = [72.0, 118.0];

/// Errors on kerbs, and how many returns came from between two surfaces.
fn kerb_errors(
    seed: u64,
    mixed_kerbs: bool,
    ribbon: Option<Ribbon>,
) -> (HeightScore, usize, Ribbon) {
    let course = Course::build(&CourseSpec {
        kerbs: true,
        ..CourseSpec::oval().smooth().with_seed(seed)
    })
    .unwrap();
    let params = ScanParams {
        seed,
        mixed_kerbs,
        ..ScanParams::demo().clear()
    };
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("stretch.laz");
    let mut mixed = 0;
    let setups = write_stretch(&path, (&course, &params), STRETCH_S_M, &mut |_, returns| {
        let sources = returns.source.iter();
        mixed += sources.filter(|s| **s == Source::Mixed).count();
    })
    .unwrap();
    let params = FitParams {
        ribbon,
        ..stretch_params(&course, STRETCH_S_M, &setups)
    };
    let out = dir.path().join("build");
    fit(&[path], &out, &params, &mut Silent).unwrap();
    let heights = MeshHeights::new(&read_ply(&out.join("surface.ply")).unwrap(), ORIGIN_M);
    let surface = |x: f64, y: f64| heights.height_m(x, y);
    let [from, to] = STRETCH_S_M;
    let found = score(&course, [from + 2.0, to - 2.0], &surface, None);
    let text = std::fs::read_to_string(out.join("ribbon.geojson")).unwrap();
    let ribbon = Ribbon::from_geojson(&text).unwrap();
    (found.zones[&Zone::Kerb], mixed, ribbon)
}

/// Both are held on the edges that are found with mixed returns. Those found without lie 50 mm further
/// out, where a kerb's rim is told by mixed returns alone, and errors are up to half as large again.
/// `cargo test -p surface-tests --test surfaces kerbs -- --ignored --nocapture`
#[test]
#[ignore = "half a minute; a stretch with kerbs, built without and with mixed returns"]
fn kerbs_keep_their_shape_where_returns_are_mixed_at_their_outer_edge() {
    for seed in 1..4 {
        let (_, _, ribbon) = kerb_errors(seed, true, None);
        let (plain, none, _) = kerb_errors(seed, false, Some(ribbon.clone()));
        let (mixed, some, _) = kerb_errors(seed, true, Some(ribbon));
        println!("{seed}: {plain:?} {mixed:?}, {some} mixed returns");
        assert!(none == 0 && some > 500, "{none} {some}");
        // Measured 1.13 to 1.15 mm without and 1.43 to 1.46 with: mixed returns add 0.9 mm in the mean
        // square, as they did to windows too wide for ribs, whose errors were 1.5 and 1.8 mm.
        let added = (mixed.rmse_m.powi(2) - plain.rmse_m.powi(2))
            .max(0.0)
            .sqrt();
        assert!(added < 1e-3, "{added} {plain:?} {mixed:?}");
        assert!(mixed.rmse_m < 1.6e-3, "{plain:?} {mixed:?}");
    }
}
