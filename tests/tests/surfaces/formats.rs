//! One scan in every family of formats gives one road.
//! `cargo test -p surface-tests --test surfaces formats -- --ignored --nocapture`

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use e57::{E57Writer, Record, RecordDataType, RecordName, RecordValue, Transform, Translation};
use surface_core::build::{FitParams, fit};
use surface_core::cloud::Columns;
use surface_core::cloud::io::{ReadOptions, Scans, Unit};
use surface_core::progress::Silent;
use surface_core::report::Report;
use surface_tests::proving::ply::{MeshHeights, read_ply};
use surface_tests::proving::score::score;
use surface_tests::proving::{CourseSpec, ScanParams, Zone, demo};

/// What a scan of a quarter of the demo's density carries, metres.
const SPACING_M: f64 = 0.2;

/// Points of each setup, by the number of the setup.
fn by_setup(cloud: &Path) -> BTreeMap<usize, Columns> {
    let mut scans = Scans::open(&[cloud.to_owned()], &ReadOptions::default()).unwrap();
    let (mut out, mut batch) = (BTreeMap::<usize, Columns>::new(), Columns::default());
    while scans.next_batch(&mut batch).unwrap() > 0 {
        for k in 0..batch.len() {
            let at = [batch.x[k], batch.y[k], batch.z[k]];
            let name = &scans.setups()[usize::from(batch.setup[k])].name;
            let id = name.rsplit(' ').next().unwrap().parse().unwrap();
            out.entry(id).or_default().push(at, batch.intensity[k], 0);
        }
    }
    out
}

/// One scan a setup, in metres from its scanner, whose place is the pose.
fn write_e57(path: &Path, setups: &BTreeMap<usize, Columns>, truth: &demo::Truth) {
    let intensity = Record {
        name: RecordName::Intensity,
        data_type: RecordDataType::Integer {
            min: 0,
            max: 65_535,
        },
    };
    let mut file = E57Writer::from_file(path, "{a course}").unwrap();
    for (id, points) in setups {
        let place = truth
            .setups
            .iter()
            .find(|s| usize::from(s.id) == *id)
            .unwrap();
        let at = [0, 1, 2].map(|k| place.position_m[k] + truth.origin_m[k]);
        let records = vec![
            Record::CARTESIAN_X_F64,
            Record::CARTESIAN_Y_F64,
            Record::CARTESIAN_Z_F64,
            intensity.clone(),
        ];
        let mut scan = file.add_pointcloud(&format!("{{{id}}}"), records).unwrap();
        let [x, y, z] = at;
        scan.set_transform(Some(Transform {
            translation: Translation { x, y, z },
            ..Transform::default()
        }));
        for k in 0..points.len() {
            let from = [points.x[k] - x, points.y[k] - y, points.z[k] - z];
            let mut values = from.map(RecordValue::Double).to_vec();
            values.push(RecordValue::Integer(points.intensity[k].into()));
            scan.add_point(values).unwrap();
        }
        scan.finalize().unwrap();
    }
    file.finalize().unwrap();
}

fn write_ply(path: &Path, setups: &BTreeMap<usize, Columns>) {
    let n: usize = setups.values().map(Columns::len).sum();
    let mut file = BufWriter::new(File::create(path).unwrap());
    let head = "property double x\nproperty double y\nproperty double z\nproperty ushort intensity";
    write!(
        file,
        "ply\nformat binary_little_endian 1.0\nelement vertex {n}\n{head}\nend_header\n"
    )
    .unwrap();
    for points in setups.values() {
        for k in 0..points.len() {
            for v in [points.x[k], points.y[k], points.z[k]] {
                file.write_all(&v.to_le_bytes()).unwrap();
            }
            file.write_all(&points.intensity[k].to_le_bytes()).unwrap();
        }
    }
    file.flush().unwrap();
}

fn write_text(path: &Path, setups: &BTreeMap<usize, Columns>) {
    let mut file = BufWriter::new(File::create(path).unwrap());
    for points in setups.values() {
        for k in 0..points.len() {
            let (x, y, z, i) = (points.x[k], points.y[k], points.z[k], points.intensity[k]);
            writeln!(file, "{x:.4};{y:.4};{z:.4};{i}").unwrap();
        }
    }
    file.flush().unwrap();
}

#[test]
#[ignore = "four builds: half a minute"]
fn a_road_is_found_and_fitted_from_every_family_of_formats() {
    let dir = tempfile::tempdir().unwrap();
    let params = ScanParams {
        azimuth_step_rad: 4e-3,
        elevation_step_rad: 1e-3,
        ..ScanParams::demo().thinned(0.15)
    };
    let made = demo::write_course(&dir.path().join("scan"), &CourseSpec::oval(), &params).unwrap();
    let (truth, course) = demo::read_truth(&made.truth).unwrap();
    let setups = by_setup(&made.cloud);
    let [e57, ply, text] = ["a.e57", "a.ply", "a.txt"].map(|name| dir.path().join(name));
    write_e57(&e57, &setups, &truth);
    write_ply(&ply, &setups);
    write_text(&text, &setups);
    let built = |scan: &PathBuf, units: Option<Unit>| -> (Report, f64) {
        let out = scan.with_extension("build");
        let params = FitParams {
            units,
            spacing_m: SPACING_M,
            ..FitParams::default()
        };
        let report = fit(std::slice::from_ref(scan), &out, &params, &mut Silent).unwrap();
        let mesh = read_ply(&out.join("surface.ply")).unwrap();
        let heights = MeshHeights::new(&mesh, truth.origin_m);
        let surface = |x: f64, y: f64| heights.height_m(x, y);
        let found = score(&course, [0.0, truth.length_m], &surface, None);
        std::fs::remove_dir_all(&out).unwrap();
        assert!(found.coverage > 0.99, "{scan:?}: {}", found.coverage);
        (report, 1e3 * found.short_waves[&Zone::Asphalt].rmse_m)
    };
    let (las, best_mm) = built(&made.cloud, None);
    let (posed, e57_mm) = built(&e57, None);
    // Neither format has units or setups of its own.
    let (_, ply_mm) = built(&ply, Some(Unit::Metre));
    let (_, text_mm) = built(&text, Some(Unit::Metre));
    println!("waves under 4 m, mm: LAZ {best_mm}, E57 {e57_mm}, PLY {ply_mm}, text {text_mm}");
    assert!(posed.levelling.setups.iter().all(|s| s.position_known));
    assert_eq!(posed.levelling.setups.len(), las.levelling.setups.len());
    // Edges are fitted about another origin: they differ by millimetres.
    let [ours, theirs] = [&posed, &las].map(|r| r.points_on_road as f64);
    assert!((ours / theirs - 1.0).abs() < 5e-3, "{ours} {theirs}");
    // Ranges that are known weigh points better; setups that are not cannot be levelled.
    assert!(e57_mm < 1.05 * best_mm);
    assert!(ply_mm < 1.5 * best_mm && (text_mm / ply_mm - 1.0).abs() < 0.05);
}
