//! The points with their deviation are what another library reads.

use surface_core::export::{DeviationLaz, HeldPoint};
use surface_tests::python;

const ORIGIN_M: [f64; 3] = [500_123.0, 5_400_000.0, 250.0];

fn point(k: i32) -> HeldPoint {
    let v = f64::from(k);
    HeldPoint {
        xyz_m: [0.0137 * v, -0.0071 * v, 0.01 * (v * 0.3).sin()],
        d_m: 0.01 * (v * 0.7).sin(),
        intensity: u16::try_from(k * 7).unwrap(),
        setup: u16::try_from(k / 500).unwrap(),
    }
}

fn read_by_laspy(points: &[HeldPoint]) -> Option<Vec<String>> {
    let python = python::venv()?;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("deviation.laz");
    let mut laz = DeviationLaz::create(&path, ORIGIN_M, None).unwrap();
    laz.add(points).unwrap();
    laz.finish().unwrap();
    let text = python::run(&python, "read_deviation.py", &[&path]).unwrap();
    Some(text.lines().map(str::to_owned).collect())
}

#[test]
fn laspy_reads_the_deviation_as_a_dimension_with_name_and_unit() {
    let points: Vec<HeldPoint> = (0..2000).map(point).collect();
    let Some(lines) = read_by_laspy(&points) else {
        return;
    };
    assert_eq!(lines[0], "1.4 6 2000 float32");
    assert_eq!(lines[1], "cloud minus surface, metres");
    for (point, line) in points.iter().zip(&lines[2..]) {
        let v: Vec<f64> = line.split(' ').map(|w| w.parse().unwrap()).collect();
        for k in 0..3 {
            // Half a step of 0.05 mm, and the last digits of a double at 5 400 000 m.
            assert!(
                (v[k] - ORIGIN_M[k] - point.xyz_m[k]).abs() < 2.5e-5 + 2e-9,
                "{line}"
            );
        }
        // Single precision: 10 mm to a millionth of a millimetre.
        assert!((v[3] - point.d_m).abs() < 1e-9, "{line}");
        assert!((v[4] - f64::from(point.intensity)).abs() < 0.5);
        assert!((v[5] - f64::from(point.setup + 1)).abs() < 0.5);
    }
}

#[test]
fn laspy_reads_a_file_without_points() {
    if let Some(lines) = read_by_laspy(&[]) {
        assert_eq!(lines[0], "1.4 6 0 float32");
    }
}
