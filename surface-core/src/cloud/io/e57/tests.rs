use std::path::{Path, PathBuf};

use ::e57::{
    DateTime, E57Writer, Quaternion, Record, RecordDataType, RecordName, RecordValue, Transform,
    Translation,
};

use crate::cloud::io::testing::{read, read_bytes};
use crate::cloud::io::{ProductCrs, ReadError};

const QUARTER_TURN_LEFT: Quaternion = Quaternion {
    w: std::f64::consts::FRAC_1_SQRT_2,
    x: 0.0,
    y: 0.0,
    z: std::f64::consts::FRAC_1_SQRT_2,
};

fn double(name: RecordName) -> Record {
    let data_type = RecordDataType::Double {
        min: None,
        max: None,
    };
    Record { name, data_type }
}

fn flag(name: RecordName, max: i64) -> Record {
    let data_type = RecordDataType::Integer { min: 0, max };
    Record { name, data_type }
}

/// Two scans: one in x y z, turned by 90° and moved, one in range and angles without a pose.
fn write(dir: &Path) -> PathBuf {
    let path = dir.join("a.e57");
    let mut writer = E57Writer::from_file(&path, "file").unwrap();
    cartesian(&mut writer);
    spherical(&mut writer);
    writer.finalize().unwrap();
    path
}

fn cartesian(writer: &mut E57Writer<std::fs::File>) {
    let prototype = vec![
        double(RecordName::CartesianX),
        double(RecordName::CartesianY),
        double(RecordName::CartesianZ),
        flag(RecordName::CartesianInvalidState, 2),
        flag(RecordName::Intensity, 100),
    ];
    let mut scan = writer.add_pointcloud("one", prototype).unwrap();
    scan.set_name(Some("tower".to_owned()));
    scan.set_transform(Some(Transform {
        rotation: QUARTER_TURN_LEFT,
        translation: Translation {
            x: 100.0,
            y: 200.0,
            z: 10.0,
        },
    }));
    for (x, state) in [(1.0, 0), (2.0, 1), (3.0, 2), (4.0, 0)] {
        scan.add_point(vec![
            RecordValue::Double(x),
            RecordValue::Double(0.0),
            RecordValue::Double(-1.5),
            RecordValue::Integer(state),
            RecordValue::Integer(50),
        ])
        .unwrap();
    }
    scan.finalize().unwrap();
}

fn spherical(writer: &mut E57Writer<std::fs::File>) {
    let prototype = vec![
        double(RecordName::SphericalRange),
        double(RecordName::SphericalAzimuth),
        double(RecordName::SphericalElevation),
        flag(RecordName::SphericalInvalidState, 2),
    ];
    let mut scan = writer.add_pointcloud("two", prototype).unwrap();
    for (range, state) in [(10.0, 0), (20.0, 2)] {
        let angle = std::f64::consts::FRAC_PI_6;
        scan.add_point(vec![
            RecordValue::Double(range),
            RecordValue::Double(0.0),
            RecordValue::Double(angle),
            RecordValue::Integer(state),
        ])
        .unwrap();
    }
    scan.finalize().unwrap();
}

#[test]
fn each_scan_is_a_setup_at_its_pose_and_invalid_points_are_left_out() {
    let dir = tempfile::tempdir().unwrap();
    let (all, scans) = read(&[write(dir.path())]).unwrap();
    let found: Vec<_> = (0..all.len())
        .map(|k| [all.x[k], all.y[k], all.z[k]])
        .collect();
    // x of the scan points north after a quarter turn to the left; the second scan is at (0, 0, 0).
    let expected = [
        [100.0, 201.0, 8.5],
        [100.0, 204.0, 8.5],
        [10.0 * (std::f64::consts::FRAC_PI_6).cos(), 0.0, 5.0],
    ];
    assert_eq!(found.len(), 3);
    for (found, expected) in found.iter().flatten().zip(expected.iter().flatten()) {
        assert!((found - expected).abs() < 1e-12, "{found} for {expected}");
    }
    assert_eq!(
        (all.setup, all.intensity),
        (vec![0, 0, 1], vec![32_768, 32_768, 0])
    );
    let setups = scans.setups();
    assert_eq!(
        (setups[0].name.as_str(), setups[0].position_m),
        ("tower", Some([100.0, 200.0, 10.0]))
    );
    assert_eq!(
        (setups[1].name.as_str(), setups[1].position_m),
        ("a.e57 scan 2", None)
    );
    assert!(scans.files()[0].units.known);
}

/// Times after a start at 1 000 000 s, the second of them called invalid; then a scan without.
fn timed(dir: &Path) -> PathBuf {
    let path = dir.join("timed.e57");
    let mut writer = E57Writer::from_file(&path, "file").unwrap();
    let mut prototype = [
        RecordName::CartesianX,
        RecordName::CartesianY,
        RecordName::CartesianZ,
        RecordName::TimeStamp,
    ]
    .map(double)
    .to_vec();
    prototype.push(flag(RecordName::IsTimeStampInvalid, 1));
    prototype.push(flag(RecordName::CartesianInvalidState, 2));
    let mut scan = writer.add_pointcloud("one", prototype).unwrap();
    scan.set_acquisition_start(Some(DateTime {
        gps_time: 1e6,
        atomic_reference: true,
    }));
    for (after_s, unknown, state) in [(0.25, 0, 0), (0.5, 1, 0), (0.75, 0, 2), (1.0, 0, 0)] {
        let [x, y, z] = [1.0, 2.0, 3.0].map(RecordValue::Double);
        let flags = [unknown, state].map(RecordValue::Integer);
        let time = RecordValue::Double(after_s);
        scan.add_point([vec![x, y, z, time], flags.to_vec()].concat())
            .unwrap();
    }
    scan.finalize().unwrap();
    spherical(&mut writer);
    writer.finalize().unwrap();
    path
}

#[test]
fn times_count_from_the_start_of_their_scan() {
    let dir = tempfile::tempdir().unwrap();
    let (all, scans) = read(&[timed(dir.path())]).unwrap();
    let times = all.time_s.unwrap();
    assert!(scans.files()[0].has_time);
    assert_eq!(times.len(), all.x.len());
    let close = |k: usize, s: f64| (times[k] - s).abs() < 1e-9;
    assert!(close(0, 1_000_000.25) && close(2, 1_000_001.0));
    assert!(times[1].is_nan() && times[3].is_nan());
    let (without, scans) = read(&[write(dir.path())]).unwrap();
    assert!(without.time_s.is_none() && !scans.files()[0].has_time);
}

#[test]
fn a_system_in_feet_does_not_go_with_coordinates_that_are_metres_by_the_standard() {
    let dir = tempfile::tempdir().unwrap();
    let of = |unit: &str| {
        let path = dir.path().join("a.e57");
        let mut writer = E57Writer::from_file(&path, "file").unwrap();
        let text = format!("PROJCS[\"a grid\",{unit}]");
        writer.set_coordinate_metadata(Some(text));
        cartesian(&mut writer);
        writer.finalize().unwrap();
        let (points, scans) = read(&[path]).unwrap();
        // Lengths are metres whatever the record says.
        assert!((points.z[0] - 8.5).abs() < 1e-12);
        scans.product_crs()
    };
    assert!(of("UNIT[\"metre\",1]").record().is_some());
    let feet = of("UNIT[\"US survey foot\",0.304800609601219]");
    assert!(matches!(&feet, ProductCrs::Dropped(why) if why.contains("a grid")));
}

/// A scan of 3000 points and one of two, where the first declares another number of them.
fn declaring(path: &Path, declared: &str) {
    let mut writer = E57Writer::from_file(path, "file").unwrap();
    let prototype = vec![
        flag(RecordName::Intensity, 100),
        double(RecordName::CartesianX),
        double(RecordName::CartesianY),
        double(RecordName::CartesianZ),
    ];
    let mut scan = writer.add_pointcloud("one", prototype).unwrap();
    for k in 0..3000u32 {
        let mut point = vec![RecordValue::Integer(7)];
        point.extend([f64::from(k), 0.0, 0.0].map(RecordValue::Double));
        scan.add_point(point).unwrap();
    }
    scan.finalize().unwrap();
    spherical(&mut writer);
    let count = |xml: String| {
        Ok(xml.replace(
            "recordCount=\"3000\"",
            &format!("recordCount=\"{declared}\""),
        ))
    };
    writer.finalize_customized_xml(count).unwrap();
}

#[test]
fn a_wrong_number_of_points_is_told_or_refused() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.e57");
    let notes = |declared: &str| {
        declaring(&path, declared);
        read(std::slice::from_ref(&path))
            .map(|(all, scans)| (all.len(), scans.files()[0].notes.clone()))
    };
    assert_eq!(notes("3000").unwrap(), (3001, vec![]));
    let (points, told) = notes("2988").unwrap();
    assert_eq!(points, 2989);
    assert!(
        told[0].contains("scan 1: 2988 points are declared, but 12 more"),
        "{told:?}"
    );
    let error = notes("3001").unwrap_err().to_string();
    assert!(
        error.contains("3003 points are declared, 3002 are there"),
        "{error}"
    );
}

#[test]
fn coordinates_that_are_no_numbers_are_dropped_and_counted() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.e57");
    let mut writer = E57Writer::from_file(&path, "file").unwrap();
    let xyz = [
        RecordName::CartesianX,
        RecordName::CartesianY,
        RecordName::CartesianZ,
    ];
    let mut scan = writer
        .add_pointcloud("one", xyz.map(double).to_vec())
        .unwrap();
    for (axis, bad) in [
        (3, 0.0),
        (0, f64::NAN),
        (1, f64::INFINITY),
        (2, f64::NEG_INFINITY),
    ] {
        let at = |k: usize| RecordValue::Double(if k == axis { bad } else { 1.5 });
        scan.add_point((0..3).map(at).collect()).unwrap();
    }
    scan.finalize().unwrap();
    writer.finalize().unwrap();
    let (all, scans) = read(&[path]).unwrap();
    assert_eq!((all.x, all.y, all.z), (vec![1.5], vec![1.5], vec![1.5]));
    assert_eq!(scans.rejected(), 3);
}

#[test]
fn a_file_cut_off_anywhere_is_an_error_that_names_it() {
    let dir = tempfile::tempdir().unwrap();
    let whole = std::fs::read(write(dir.path())).unwrap();
    // Every byte near pages' edges, every 13th elsewhere: each cut is a thread and a file.
    for len in (1..whole.len()).filter(|n| n % 13 == 0 || n % 1024 < 2) {
        let error = read_bytes("b.e57", &whole[..len]).expect_err(&format!("cut at {len}"));
        assert!(error.to_string().contains("b.e57"), "{error}");
    }
}

#[test]
fn a_flipped_bit_is_found_by_its_pages_check_sum() {
    let dir = tempfile::tempdir().unwrap();
    let whole = std::fs::read(write(dir.path())).unwrap();
    for at in (48..whole.len()).step_by(97) {
        let mut bytes = whole.clone();
        bytes[at] ^= 4;
        let result = read_bytes("b.e57", &bytes);
        assert!(
            matches!(result, Err(ReadError::Damaged { .. })),
            "byte {at}"
        );
    }
}
