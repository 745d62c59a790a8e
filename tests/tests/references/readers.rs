//! The readers against published libraries: the same counts, sums and bounds.
//!
//! `tests/python/make_reference_scans.py` writes the files with laspy, pye57, plyfile and numpy
//! and says what those libraries read back.

use std::collections::BTreeMap;
use std::path::PathBuf;

use surface_core::cloud::Columns;
use surface_core::cloud::io::{ReadOptions, Scans};
use surface_tests::python;

/// Points of each file: more than a chunk of LAZ (50 000) and than half a batch of the others.
const POINTS: &str = "60000";

/// What a library says.
#[derive(Debug, serde::Deserialize)]
struct Expected {
    count: u64,
    sums: [f64; 3],
    low: [f64; 3],
    high: [f64; 3],
    intensity: Option<u64>,
    intensity_unit: Option<f64>,
    time: Option<f64>,
    setups: Option<Vec<[f64; 3]>>,
    source_ids: Option<BTreeMap<String, u64>>,
    classes: Option<BTreeMap<String, u64>>,
}

/// What we find.
#[derive(Debug)]
struct Found {
    count: u64,
    sums: [f64; 3],
    low: [f64; 3],
    high: [f64; 3],
    intensity: u64,
    time: Option<f64>,
    setup_points: BTreeMap<String, u64>,
    scans: Scans,
}

fn read(path: PathBuf) -> Found {
    let mut found = Found {
        count: 0,
        sums: [0.0; 3],
        low: [f64::INFINITY; 3],
        high: [f64::NEG_INFINITY; 3],
        intensity: 0,
        time: None,
        setup_points: BTreeMap::new(),
        scans: Scans::open(&[path], &ReadOptions::default()).unwrap(),
    };
    let mut batch = Columns::default();
    while found.scans.next_batch(&mut batch).unwrap() > 0 {
        found.count += batch.len() as u64;
        for (axis, column) in [&batch.x, &batch.y, &batch.z].into_iter().enumerate() {
            for &v in column {
                found.sums[axis] += v;
                found.low[axis] = found.low[axis].min(v);
                found.high[axis] = found.high[axis].max(v);
            }
        }
        found.intensity += batch.intensity.iter().map(|&i| u64::from(i)).sum::<u64>();
        if let Some(time) = &batch.time_s {
            found.time = Some(found.time.unwrap_or(0.0) + time.iter().sum::<f64>());
        }
        for &setup in &batch.setup {
            let name = found.scans.setups()[usize::from(setup)].name.clone();
            *found.setup_points.entry(name).or_insert(0) += 1;
        }
    }
    found
}

/// The libraries sum exactly, we one after the other: 60 000 additions of 5.4e6 m lose at most
/// 60 000 · 2⁻⁵³ of the sum. A wrong point of millimetres shows at 1e-3 m in a sum of 3e11.
fn check_sum(found: f64, expected: f64, count: u64, what: &str) {
    #[expect(clippy::cast_precision_loss, reason = "a tolerance")]
    let tolerance = expected.abs() * count as f64 * f64::EPSILON;
    assert!(
        (found - expected).abs() <= tolerance,
        "{what}: {found} for {expected}"
    );
}

fn check(name: &str, found: &Found, expected: &Expected) {
    assert_eq!(found.count, expected.count, "{name}");
    for axis in 0..3 {
        check_sum(found.sums[axis], expected.sums[axis], found.count, name);
        // Both add scale and offset in the same way, or turn by the same pose: 1 µm is generous.
        assert!(
            (found.low[axis] - expected.low[axis]).abs() < 1e-6,
            "{name}"
        );
        assert!(
            (found.high[axis] - expected.high[axis]).abs() < 1e-6,
            "{name}"
        );
    }
    if let Some(intensity) = expected.intensity {
        assert_eq!(found.intensity, intensity, "{name}");
    }
    if let Some(time) = expected.time {
        check_sum(found.time.unwrap(), time, found.count, name);
    }
    assert_eq!(found.time.is_some(), expected.time.is_some(), "{name}");
    if let Some(ids) = &expected.source_ids {
        let named = ids.iter().map(|(id, n)| (format!("point source {id}"), *n));
        assert_eq!(found.setup_points, named.collect(), "{name}");
    }
    if let Some(classes) = &expected.classes {
        let histogram = found.scans.classes().unwrap();
        for (class, &n) in classes {
            assert_eq!(
                histogram[class.parse::<usize>().unwrap()],
                n,
                "{name} class {class}"
            );
        }
    }
}

fn check_setups(found: &Found, expected: &Expected) {
    let positions = expected.setups.as_ref().unwrap();
    assert_eq!(found.scans.setups().len(), positions.len());
    for (setup, expected) in found.scans.setups().iter().zip(positions) {
        let position = setup.position_m.unwrap();
        assert!(
            position
                .iter()
                .zip(expected)
                .all(|(a, b)| (a - b).abs() < 1e-9)
        );
    }
    let Some(unit) = expected.intensity_unit else {
        return;
    };
    // Intensities of 0..1 fill 0..65535 from the lowest to the highest; 120 000 roundings of half
    // a step and limits within 1e-4 of 0 and 1 move the mean by less than 1e-3.
    #[expect(clippy::cast_precision_loss, reason = "a mean")]
    let mean = found.intensity as f64 / 65_535.0 / found.count as f64;
    #[expect(clippy::cast_precision_loss, reason = "a mean")]
    let expected_mean = unit / expected.count as f64;
    assert!(
        (mean - expected_mean).abs() < 1e-3,
        "{mean} for {expected_mean}"
    );
}

#[test]
fn all_formats_are_read_as_the_published_libraries_read_them() {
    let Some(interpreter) = python::venv() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let arguments = [dir.path(), POINTS.as_ref()];
    python::run(&interpreter, "make_reference_scans.py", &arguments).unwrap();
    let text = std::fs::read_to_string(dir.path().join("expected.json")).unwrap();
    let expected: BTreeMap<String, Expected> = serde_json::from_str(&text).unwrap();
    assert_eq!(
        expected.len(),
        37,
        "11 point formats twice, 3 versions, 2 E57, 6 PLY, 4 text"
    );
    for (name, expected) in &expected {
        let found = read(dir.path().join(name));
        check(name, &found, expected);
        if expected.setups.is_some() {
            check_setups(&found, expected);
        }
    }
}
