use std::path::PathBuf;

use las::{Builder, Color, Point, Writer, point::Format};

use crate::cloud::Columns;
use crate::cloud::io::testing::read;
use crate::cloud::io::{ReadError, ReadOptions, Scans, Unit};

/// `n` points of a sloping line; every field differs from point to point.
fn points(format: Format, n: u32) -> Vec<Point> {
    let point = |k: u32| Point {
        x: 500_000.0 + 0.01 * f64::from(k),
        y: 5_000_000.25 - 0.5 * f64::from(k),
        z: 100.0 + 0.001 * f64::from(k % 17),
        intensity: u16::try_from(k % 60_000).unwrap(),
        point_source_id: u16::try_from(k % 3).unwrap(),
        return_number: 1,
        number_of_returns: 1,
        classification: las::point::Classification::new(if k.is_multiple_of(2) { 2 } else { 11 })
            .unwrap(),
        gps_time: format.has_gps_time.then(|| 1000.5 + f64::from(k)),
        color: format.has_color.then(|| Color::new(1, 2, 3)),
        nir: format.has_nir.then_some(4),
        extra_bytes: vec![9; usize::from(format.extra_bytes)],
        ..Point::default()
    };
    (0..n).map(point).collect()
}

fn write(dir: &tempfile::TempDir, name: &str, format: Format, n: u32) -> PathBuf {
    write_all(dir, name, format, points(format, n))
}

/// 70 000 points, each changed.
fn write_points(
    dir: &tempfile::TempDir,
    name: &str,
    format: Format,
    change: impl Fn(u32, &mut Point),
) -> PathBuf {
    let mut points = points(format, 70_000);
    (0..)
        .zip(&mut points)
        .for_each(|(k, point)| change(k, point));
    write_all(dir, name, format, points)
}

fn write_all(dir: &tempfile::TempDir, name: &str, format: Format, points: Vec<Point>) -> PathBuf {
    let path = dir.path().join(name);
    let mut builder = Builder::from((1, 4));
    builder.point_format = format;
    for (axis, offset) in [(0, 500_000.0), (1, 5_000_000.0), (2, 0.0)] {
        let transform = las::Transform {
            scale: 0.001,
            offset,
        };
        match axis {
            0 => builder.transforms.x = transform,
            1 => builder.transforms.y = transform,
            _ => builder.transforms.z = transform,
        }
    }
    let mut writer = Writer::from_path(&path, builder.into_header().unwrap()).unwrap();
    for point in points {
        writer.write_point(point).unwrap();
    }
    writer.close().unwrap();
    path
}

fn formats() -> impl Iterator<Item = Format> {
    // The writer at hand knows no waveforms (4, 5, 9, 10); those are held against another
    // library's files in the conformance tests.
    [0, 1, 2, 3, 6, 7, 8].into_iter().map(|id| {
        let mut format = Format::new(id).unwrap();
        format.extra_bytes = u16::from(id % 2) * 3;
        format
    })
}

#[test]
fn every_point_comes_back_plain_and_compressed() {
    let dir = tempfile::tempdir().unwrap();
    for (format, name) in formats().flat_map(|f| [(f, "a.las"), (f, "a.laz")]) {
        let path = write(&dir, name, format, 1234);
        let (all, scans) = read(&[path]).unwrap();
        let expected = points(format, 1234);
        let sum = |f: &dyn Fn(&Point) -> f64| expected.iter().map(f).sum::<f64>();
        assert_eq!(all.len(), 1234, "{format:?} {name}");
        // Coordinates are whole millimetres; f64 at 5e6 holds them to 1e-9, times 1234 points.
        assert!((all.x.iter().sum::<f64>() - sum(&|p| p.x)).abs() < 1e-5);
        assert!((all.y.iter().sum::<f64>() - sum(&|p| p.y)).abs() < 1e-4);
        assert!((all.z.iter().sum::<f64>() - sum(&|p| p.z)).abs() < 1e-6);
        assert!(
            all.intensity
                .iter()
                .zip(&expected)
                .all(|(i, p)| *i == p.intensity)
        );
        let time = expected
            .iter()
            .map(|p| p.gps_time)
            .collect::<Option<Vec<_>>>();
        assert_eq!(all.time_s, time);
        let classes = scans.classes().unwrap();
        assert_eq!(
            (classes[2], classes[11], scans.setups().len()),
            (617, 617, 3)
        );
    }
}

#[test]
fn a_compressed_file_of_many_chunks_is_read_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let format = Format::new(6).unwrap();
    let path = write(&dir, "a.laz", format, 130_000);
    let (all, mut scans) = read(&[path]).unwrap();
    assert!(all.x.is_sorted() && all.len() == 130_000);
    scans.rewind();
    let mut batch = Columns::default();
    assert!(scans.next_batch(&mut batch).unwrap() > 0);
    assert_eq!(batch.x[..100], all.x[..100]);
}

#[test]
fn points_that_are_marked_withheld_are_left_out_and_counted() {
    let dir = tempfile::tempdir().unwrap();
    for (format, name) in formats().flat_map(|f| [(f, "a.las"), (f, "a.laz")]) {
        let path = write_points(&dir, name, format, |k, point| {
            // A whole chunk of the compressed file among them, and its first.
            point.is_withheld = k < 50_000 || k % 3 == 0;
            point.is_synthetic = k % 2 == 0;
        });
        let (all, scans) = read(&[path]).unwrap();
        let kept = (50_000..70_000).filter(|k| k % 3 != 0);
        assert_eq!(all.len(), kept.clone().count(), "{format:?} {name}");
        assert_eq!(scans.withheld(), 70_000 - all.len() as u64);
        let first = 500_000.0 + 0.01 * f64::from(kept.clone().next().unwrap());
        assert!((all.x[0] - first).abs() < 1e-6);
        let doubts = crate::cloud::inspect::reading_doubts(&scans);
        assert!(doubts[1].to_string().contains("mark as withheld"));
    }
}

#[test]
fn several_files_are_one_cloud_with_one_numbering_of_setups() {
    let dir = tempfile::tempdir().unwrap();
    let format = Format::new(1).unwrap();
    let paths = [
        write(&dir, "a.las", format, 10),
        write(&dir, "b.laz", format, 20),
    ];
    let (all, scans) = read(&paths).unwrap();
    assert_eq!((all.len(), scans.declared_points()), (30, Some(30)));
    // Ids 1 and 2 are shared, id 0 is each file's own.
    assert_eq!(scans.setups().len(), 4);
    assert_eq!(scans.files()[1].format, "LAZ 1.4, point format 1");
    let origin = scans.suggest_origin().unwrap();
    assert_eq!(
        origin.map(crate::numeric::round_i32),
        [500_000, 4_999_996, 100]
    );
}

#[test]
fn feet_given_by_the_caller_become_metres_on_all_axes() {
    let dir = tempfile::tempdir().unwrap();
    let path = write(&dir, "a.las", Format::new(0).unwrap(), 1);
    let options = ReadOptions {
        units: Some(Unit::InternationalFoot),
    };
    let mut scans = Scans::open(&[path], &options).unwrap();
    let mut batch = Columns::default();
    scans.next_batch(&mut batch).unwrap();
    assert!((batch.x[0] - 152_400.0).abs() < 1e-9 && (batch.z[0] - 30.48).abs() < 1e-9);
    assert!((scans.files()[0].step_m.unwrap()[2] - 0.000_304_8).abs() < 1e-15);
}

/// Twelve points behind which two extended records stand: some data, then the WKT, in feet.
fn write_extended(dir: &tempfile::TempDir, name: &str) -> PathBuf {
    let path = dir.path().join(name);
    let mut builder = Builder::from((1, 4));
    builder.point_format = Format::new(6).unwrap();
    builder.evlrs = [("someone", 7, "data"), ("LASF_Projection", 2112, FEET)]
        .map(|(user, record_id, data)| las::Vlr {
            user_id: user.to_owned(),
            record_id,
            data: data.as_bytes().to_vec(),
            ..las::Vlr::default()
        })
        .to_vec();
    let mut writer = Writer::from_path(&path, builder.into_header().unwrap()).unwrap();
    for mut point in points(Format::new(6).unwrap(), 12) {
        (point.x, point.y) = (10.0 * point.intensity as f64, 1.0);
        writer.write_point(point).unwrap();
    }
    writer.close().unwrap();
    path
}

const FEET: &str = "PROJCS[\"a grid\",UNIT[\"foot\",0.3048]]";

#[test]
fn a_unit_behind_the_points_counts() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["a.las", "a.laz"] {
        let (all, scans) = read(&[write_extended(&dir, name)]).unwrap();
        assert!((all.x[3] - 9.144).abs() < 1e-9, "{name}: {}", all.x[3]);
        assert!(scans.files()[0].units.known);
        assert_eq!(scans.files()[0].crs.as_deref(), Some("a grid"));
    }
}

#[test]
fn a_file_cut_off_anywhere_is_an_error_that_names_it() {
    let dir = tempfile::tempdir().unwrap();
    let format = Format::new(3).unwrap();
    for (path, name) in [
        (write(&dir, "a.las", format, 12), "a.las"),
        (write(&dir, "a.laz", format, 12), "a.laz"),
        (write_extended(&dir, "more.las"), "more.las"),
        (write_extended(&dir, "more.laz"), "more.laz"),
    ] {
        let whole = std::fs::read(&path).unwrap();
        for len in 0..whole.len() {
            std::fs::write(&path, &whole[..len]).unwrap();
            let error =
                read(std::slice::from_ref(&path)).expect_err(&format!("{name} cut at {len}"));
            let text = error.to_string();
            assert!(text.contains(name) && !error.hint().is_empty(), "{text}");
        }
    }
}

#[test]
fn extended_records_that_are_missing_are_told_by_their_number() {
    let dir = tempfile::tempdir().unwrap();
    let path = write_extended(&dir, "a.laz");
    let whole = std::fs::read(&path).unwrap();
    std::fs::write(&path, &whole[..whole.len() - 5]).unwrap();
    let error = read(std::slice::from_ref(&path)).unwrap_err().to_string();
    assert!(error.contains("extended record 2 of 2 needs"), "{error}");
    let mut bytes = whole;
    bytes[235..243].copy_from_slice(&9u64.to_le_bytes());
    std::fs::write(&path, &bytes).unwrap();
    let error = read(&[path]).unwrap_err().to_string();
    assert!(error.contains("from byte 9, before the points"), "{error}");
}

#[test]
fn a_count_that_the_file_has_no_room_for_is_an_error_and_no_allocation() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["a.las", "a.laz"] {
        let path = write(&dir, name, Format::new(3).unwrap(), 12);
        let mut bytes = std::fs::read(&path).unwrap();
        bytes[107..111].copy_from_slice(&0u32.to_le_bytes());
        bytes[247..255].copy_from_slice(&4_000_000_000_000u64.to_le_bytes());
        std::fs::write(&path, &bytes).unwrap();
        let error = read(&[path]).unwrap_err();
        assert!(
            error.to_string().contains("4000000000000 points"),
            "{error}"
        );
    }
}

#[test]
fn a_header_without_points_is_an_error() {
    let dir = tempfile::tempdir().unwrap();
    let path = write(&dir, "a.las", Format::new(3).unwrap(), 0);
    assert!(matches!(read(&[path]), Err(ReadError::NoPoints { .. })));
}

#[test]
fn more_room_than_points_is_noted() {
    let dir = tempfile::tempdir().unwrap();
    let path = write(&dir, "a.las", Format::new(0).unwrap(), 10);
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[107..111].copy_from_slice(&4u32.to_le_bytes());
    bytes[247..255].copy_from_slice(&4u64.to_le_bytes());
    std::fs::write(&path, &bytes).unwrap();
    let (all, scans) = read(&[path]).unwrap();
    assert_eq!(all.len(), 4);
    assert!(scans.files()[0].notes[0].contains("room for 6 more"));
}

/// A compressed file of `points` points whose header declares another number.
fn declaring(dir: &tempfile::TempDir, format: u8, points: u32, declared: u64) -> PathBuf {
    let path = write(dir, "a.laz", Format::new(format).unwrap(), points);
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[107..111].copy_from_slice(&0u32.to_le_bytes());
    bytes[247..255].copy_from_slice(&declared.to_le_bytes());
    std::fs::write(&path, &bytes).unwrap();
    path
}

#[test]
fn compressed_points_that_are_not_declared_are_told() {
    let dir = tempfile::tempdir().unwrap();
    // Point by point and in layers; within the last chunk, and chunks of 50 000 before it.
    for (format, points, declared) in [
        (3, 12, 7),
        (6, 12, 11),
        (1, 50_123, 20),
        (7, 50_123, 50_100),
    ] {
        let (all, scans) = read(&[declaring(&dir, format, points, declared)]).unwrap();
        assert_eq!(all.len() as u64, declared);
        let notes = &scans.files()[0].notes;
        let more = u64::from(points) - declared;
        let words = format!("{declared} points are declared, but at least {more} more are there");
        assert!(notes.len() == 1 && notes[0].contains(&words), "{notes:?}");
        let (all, scans) =
            read(&[write(&dir, "b.laz", Format::new(format).unwrap(), points)]).unwrap();
        assert_eq!(all.len() as u64, u64::from(points));
        assert!(scans.files()[0].notes.is_empty());
    }
}

#[test]
fn compressed_points_that_are_declared_and_not_there_are_counted() {
    let dir = tempfile::tempdir().unwrap();
    for (format, points, declared) in [
        (3, 12, 13),
        (6, 12, 13),
        (1, 50_123, 50_124),
        (7, 12, 70_000),
    ] {
        let error = read(&[declaring(&dir, format, points, declared)]).unwrap_err();
        let words = format!("a.laz: {declared} points are declared, {points} are there");
        assert!(error.to_string().contains(&words), "{error}");
    }
}

#[test]
fn what_is_no_file_is_told_apart() {
    let dir = tempfile::tempdir().unwrap();
    let open = |name: &str| Scans::open(&[dir.path().join(name)], &ReadOptions::default());
    assert!(matches!(open("").unwrap_err(), ReadError::Folder { .. }));
    assert!(matches!(
        open("none.las").unwrap_err(),
        ReadError::Missing { .. }
    ));
    std::fs::write(dir.path().join("empty.las"), "").unwrap();
    assert!(matches!(
        open("empty.las").unwrap_err(),
        ReadError::Empty { .. }
    ));
    std::fs::write(dir.path().join("fake.las"), [0, 1, 2, 255]).unwrap();
    let error = open("fake.las").unwrap_err();
    assert!(error.to_string().contains("the name says LAS"), "{error}");
}
