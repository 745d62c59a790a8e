//! What does each stage cost alone, and how far is it from its peer or its physical limit?
//!
//! Run: `cargo bench -p surface-benches --bench stages`. Rates are points a second of processor
//! time of the whole process ("a core"), so that other programs at work blur them less. Sweeps the
//! scan formats with the demo's 4 million points, then the spacing of the height field and the
//! number of points a cell; degenerate cases are a file of one batch and cells of one point.
//! Meshing and its peer are measured by the bench `mesh`.

use std::error::Error;
use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use surface_benches::data::{Scan, demo_scan};
use surface_benches::process::{load, processor_s};
use surface_core::cloud::io::{ReadOptions, Scans};
use surface_core::cloud::{Columns, Frame, PackedPoint, TILE_M, TileStore, TileWriter};
use surface_core::deviation::{CellFrame, Closure, DeviationCells, SectionPoints};
use surface_core::export::{DeviationLaz, HeldPoint};
use surface_core::field::{
    FieldRows, KernelParams, Lattice, RowLimits, SECTION_ROWS, Trust, Window, cell_sums, fit_rows,
};
use surface_core::mesh::{MeshColumns, SurfaceMesh};
use surface_core::numeric::floor_i32;
use surface_core::ribbon::ReferenceLine;
use surface_core::setups::SetupModels;

type Done = Result<(), Box<dyn Error>>;

/// Run, print "what: processor time, rate", return the product and the seconds.
fn timed<T>(what: &str, units: f64, aim: &str, run: impl FnOnce() -> T) -> (T, f64) {
    let before = processor_s();
    let product = run();
    // The system counts hundredths of a second.
    let seconds = (processor_s() - before).max(0.005);
    println!(
        "  {what:<34} {seconds:>7.2} s  {:>8.2} M/s a core  {aim}",
        units / seconds / 1e6
    );
    (product, seconds)
}

fn all_points(path: &Path) -> Result<Columns, Box<dyn Error>> {
    let mut scans = Scans::open(&[path.to_owned()], &ReadOptions::default())?;
    let (mut batch, mut all) = (Columns::default(), Columns::default());
    while scans.next_batch(&mut batch)? > 0 {
        all.x.extend(&batch.x);
        all.y.extend(&batch.y);
        all.z.extend(&batch.z);
        all.intensity.extend(&batch.intensity);
        all.setup.extend(&batch.setup);
    }
    Ok(all)
}

fn read_and_drop(path: &Path) -> Result<u64, Box<dyn Error>> {
    let mut scans = Scans::open(&[path.to_owned()], &ReadOptions::default())?;
    let (mut batch, mut points) = (Columns::default(), 0);
    loop {
        match scans.next_batch(&mut batch)? {
            0 => return Ok(points),
            n => points += n as u64,
        }
    }
}

/// The physical limit of reading: the file's bytes and nothing done with them.
fn bytes_only(path: &Path) -> Result<u64, Box<dyn Error>> {
    let (mut file, mut buffer) = (File::open(path)?, vec![0; 1 << 20]);
    let mut sum = 0;
    loop {
        match file.read(&mut buffer)? {
            0 => return Ok(sum),
            n => sum += n as u64,
        }
    }
}

fn write_las(path: &Path, scan: &Scan) -> Done {
    let mut reader = las::Reader::from_path(&scan.cloud)?;
    let points = reader.read_all()?;
    let mut builder = las::Builder::from(reader.header().clone());
    builder.point_format.is_compressed = false;
    let mut writer = las::Writer::from_path(path, builder.into_header()?)?;
    writer.write_points(&points)?;
    Ok(writer.close()?)
}

fn write_ply(path: &Path, points: &Columns) -> Done {
    let mut file = BufWriter::new(File::create(path)?);
    let n = points.len();
    write!(
        file,
        "ply\nformat binary_little_endian 1.0\nelement vertex {n}\nproperty double x\n\
         property double y\nproperty double z\nproperty ushort intensity\nend_header\n"
    )?;
    for k in 0..n {
        for v in [points.x[k], points.y[k], points.z[k]] {
            file.write_all(&v.to_le_bytes())?;
        }
        file.write_all(&points.intensity[k].to_le_bytes())?;
    }
    Ok(file.flush()?)
}

fn write_text(path: &Path, points: &Columns) -> Done {
    let mut file = BufWriter::new(File::create(path)?);
    for k in 0..points.len() {
        let (x, y, z) = (points.x[k], points.y[k], points.z[k]);
        writeln!(file, "{x:.4} {y:.4} {z:.4} {}", points.intensity[k])?;
    }
    Ok(file.flush()?)
}

fn write_e57(path: &Path, points: &Columns) -> Done {
    use e57::{Record, RecordValue};
    let mut file = e57::E57Writer::from_file(path, "{bench}")?;
    let records = vec![
        Record::CARTESIAN_X_F64,
        Record::CARTESIAN_Y_F64,
        Record::CARTESIAN_Z_F64,
    ];
    let mut scan = file.add_pointcloud("{scan}", records)?;
    for k in 0..points.len() {
        let xyz = [points.x[k], points.y[k], points.z[k]];
        scan.add_point(xyz.map(RecordValue::Double).to_vec())?;
    }
    scan.finalize()?;
    Ok(file.finalize()?)
}

/// The peer of E57: the bare iterator of the crate that decodes it.
fn bare_e57(path: &Path) -> Result<usize, Box<dyn Error>> {
    let mut reader = e57::E57Reader::from_file(path)?;
    let scans = reader.pointclouds();
    let scan = scans.first().ok_or("a scan")?;
    Ok(reader
        .pointcloud_simple(scan)?
        .filter(Result::is_ok)
        .count())
}

fn bare_laz(path: &Path) -> Done {
    let mut reader = las::Reader::from_path(path)?;
    let mut points = reader.read_points(400_000)?;
    while reader.fill_points(400_000, &mut points)? > 0 {}
    Ok(())
}

fn reading(scan: &Scan, points: &Columns, folder: &Path) -> Done {
    println!("reading {} points", points.len());
    let n = points.len() as f64;
    let [las, ply, text, e57] = ["a.las", "a.ply", "a.xyz", "a.e57"].map(|f| folder.join(f));
    write_las(&las, scan)?;
    write_ply(&ply, points)?;
    write_text(&text, points)?;
    write_e57(&e57, points)?;
    let files: [(&str, &PathBuf, &str); 5] = [
        ("LAS", &las, "aim 60"),
        ("LAZ", &scan.cloud, ""),
        ("PLY, doubles", &ply, ""),
        ("text", &text, ""),
        ("E57, doubles", &e57, ""),
    ];
    for (name, path, aim) in files {
        let (_, ours) = timed(name, n, aim, || read_and_drop(path));
        let (_, limit) = timed("  limit: its bytes alone", n, "", || bytes_only(path));
        println!("    {:.1} times the limit", ours / limit);
        if name == "LAZ" {
            let (_, peer) = timed("  peer: the crate las", n, "", || bare_laz(path));
            println!("    {:.2} times the peer", ours / peer);
        }
        if path == &e57 {
            let (_, peer) = timed("  peer: the crate e57", n, "", || bare_e57(path));
            println!("    {:.2} times the peer", ours / peer);
        }
    }
    Ok(())
}

/// Points of a cloud as they are sorted, relative to the first one's metre.
fn packed(points: &Columns) -> Vec<PackedPoint> {
    let origin = [
        points.x[0].floor(),
        points.y[0].floor(),
        points.z[0].floor(),
    ];
    let pack = |k: usize| {
        let xyz = [
            points.x[k] - origin[0],
            points.y[k] - origin[1],
            points.z[k] - origin[2],
        ];
        let [Some(a), Some(b), Some(c)] = xyz.map(Frame::pack) else {
            return None;
        };
        Some(PackedPoint {
            abc: [a, b, c],
            intensity: points.intensity[k],
            setup: points.setup[k],
        })
    };
    (0..points.len()).filter_map(pack).collect()
}

fn sorting(points: &[PackedPoint], folder: &Path) -> Done {
    println!("sorting {} points into squares on disk", points.len());
    let n = points.len() as f64;
    let square = |p: &PackedPoint| {
        let [x, y, _] = p.metres();
        (floor_i32(x / TILE_M), floor_i32(y / TILE_M))
    };
    let (store, ours) = timed("sort and write", n, "", || {
        let mut writer = TileWriter::create(&folder.join("tiles"), 32 << 20)?;
        for run in points.chunk_by(|a, b| square(a) == square(b)) {
            writer.append(square(&run[0]), run)?;
        }
        writer.finish()
    });
    let store = store?;
    let bytes = vec![1u8; 16 * points.len()];
    let path = folder.join("bytes");
    let (_, limit) = timed("  limit: writing 16 bytes each", n, "", || {
        std::fs::write(&path, &bytes)
    });
    println!("    {:.1} times the limit", ours / limit);
    let mut out = Vec::new();
    let (read, _) = timed("read back", n, "", || {
        store.keys().try_for_each(|key| {
            out.clear();
            store.read(key, &mut out)
        })
    });
    read?;
    compressing(&store, ours)
}

/// Would scratch files be faster compressed? What the fastest codec at hand takes for the same points,
/// square by square, on top of sorting; and how much smaller they are then.
fn compressing(store: &TileStore, sorting_s: f64) -> Done {
    let mut squares: Vec<Vec<u8>> = Vec::new();
    for key in store.keys() {
        let mut points = Vec::new();
        store.read(key, &mut points)?;
        squares.push(points.iter().flat_map(bytes_of).collect());
    }
    let bytes: usize = squares.iter().map(Vec::len).sum();
    let n = bytes as f64 / 16.0;
    let pack = |square: &Vec<u8>| lz4_flex::compress_prepend_size(square);
    let (packed, pack_s) = timed("  LZ4 on top of it", n, "", || -> Vec<Vec<u8>> {
        squares.iter().map(pack).collect()
    });
    let (unpacked, _) = timed("  and unpacking", n, "", || {
        let unpack = |square: &Vec<u8>| lz4_flex::decompress_size_prepended(square);
        packed.iter().map(unpack).collect::<Result<Vec<_>, _>>()
    });
    assert!(unpacked? == squares, "LZ4 gave other bytes back");
    let small: usize = packed.iter().map(Vec::len).sum();
    println!(
        "    compressed: {:.1} times the time of sorting, {:.0} % of the space",
        (sorting_s + pack_s) / sorting_s,
        100.0 * small as f64 / bytes as f64
    );
    Ok(())
}

fn bytes_of(point: &PackedPoint) -> [u8; 16] {
    let mut out = [0; 16];
    for (k, v) in point.abc.iter().enumerate() {
        out[4 * k..4 * k + 4].copy_from_slice(&v.to_le_bytes());
    }
    out[12..14].copy_from_slice(&point.intensity.to_le_bytes());
    out[14..].copy_from_slice(&point.setup.to_le_bytes());
    out
}

/// A fixed scatter in 0..1.
fn scatter(k: usize) -> f64 {
    let mixed = (k as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    ((mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9) >> 11) as f64 / (1u64 << 53) as f64
}

/// Points of the first section of a road 12 m wide, by (s, t, z), 1 mm rough.
fn section_points(lattice: &Lattice, per_cell: usize) -> Vec<PackedPoint> {
    let n = SECTION_ROWS * lattice.columns * per_cell;
    let point = |k: usize| {
        let s = scatter(3 * k) * SECTION_ROWS as f64 * lattice.s_step_m;
        let t = 12.0 * scatter(3 * k + 1) - 6.0;
        let z = 0.02 * t + 0.05 * (0.3 * s).sin() + 1e-3 * (scatter(3 * k + 2) - 0.5);
        [s, t, z].map(Frame::pack)
    };
    (0..n)
        .filter_map(|k| {
            let [Some(a), Some(b), Some(c)] = point(k) else {
                return None;
            };
            Some(PackedPoint {
                abc: [a, b, c],
                intensity: 900,
                setup: 0,
            })
        })
        .collect()
}

fn fitting() -> Done {
    println!("fitting one section of 128 rows, 12 m wide, again and again");
    for (spacing_m, per_cell, times) in [(0.1, 1, 20), (0.1, 6, 10), (0.1, 30, 4), (0.2, 30, 8)] {
        let lattice = Lattice::along(400.0, spacing_m, [-6.0, 6.0], true)?;
        let points = section_points(&lattice, per_cell);
        let limits = RowLimits {
            left_t_m: vec![6.0; SECTION_ROWS],
            right_t_m: vec![-6.0; SECTION_ROWS],
        };
        println!("  spacing {spacing_m} m, {per_cell} points a cell");
        let n = (points.len() * times) as f64;
        let nodes = (SECTION_ROWS * lattice.columns * times) as f64;
        let mut sums = Vec::new();
        let setups = SetupModels::default();
        let trust = Trust {
            setups: &setups,
            place: &|s, t| [s, t],
        };
        timed("cells, points", n, "", || {
            (0..times).for_each(|_| sums.push(cell_sums(&points, &lattice, 0, &limits, trust)));
        });
        let params = KernelParams {
            level_m: 2e-7,
            bridge_m: 0.5,
        };
        let (done, _) = timed("windows, nodes", nodes, "", || {
            sums.iter().try_for_each(|sums| {
                let window = Window::join(&lattice, 0, &[(sums, 0..SECTION_ROWS)]);
                let mut rows = FieldRows::empty(lattice, 0, SECTION_ROWS)?;
                fit_rows(&window, &limits, params, &mut rows);
                Ok::<(), surface_core::field::LatticeError>(())
            })
        });
        done?;
    }
    Ok(())
}

/// Triangles of a plane 100 m × 12 m with nodes 0.1 m apart.
fn plane_mesh() -> Result<SurfaceMesh, Box<dyn Error>> {
    let (rows, columns) = (1001u32, 121u32);
    let node = |k: u32| {
        let (x, y) = (0.1 * f64::from(k / columns), 0.1 * f64::from(k % columns));
        [x, y, 0.02 * y + 0.05 * (0.3 * x).sin()]
    };
    let cell = |k: u32| {
        let (row, column) = (k / (columns - 1), k % (columns - 1));
        let a = row * columns + column;
        [
            [a, a + columns, a + columns + 1],
            [a, a + columns + 1, a + 1],
        ]
    };
    Ok(SurfaceMesh::new(MeshColumns {
        positions_m: (0..rows * columns).map(node).collect(),
        faces: (0..(rows - 1) * (columns - 1)).flat_map(cell).collect(),
        ..MeshColumns::default()
    })?)
}

fn asking() -> Done {
    const N: usize = 5_000_000;
    println!("asking a mesh of 240 000 triangles, {N} questions");
    let mesh = plane_mesh()?;
    let n = N as f64;
    let mut out = vec![0.0; N];
    // A lap of four wheels, then no order at all: the degenerate case.
    let lap: Vec<[f64; 2]> = (0..N)
        .map(|k| [2e-5 * k as f64, 1.0 + 2.5 * (k % 4) as f64])
        .collect();
    timed("heights along four wheel paths", n, "", || {
        mesh.heights_at(&lap, &mut out)
    });
    let anywhere: Vec<[f64; 2]> = (0..N)
        .map(|k| [100.0 * scatter(k), 12.0 * scatter(k + N)])
        .collect();
    timed("heights anywhere", n, "", || {
        mesh.heights_at(&anywhere, &mut out)
    });
    let x: Vec<f64> = lap.iter().map(|p| p[0]).collect();
    let y: Vec<f64> = (0..N).map(|k| 12.0 * scatter(k)).collect();
    let z = vec![0.1; N];
    timed("distances of a scan", n, "aim 10", || {
        mesh.signed_distances(&x, &y, &z, &mut out)
    });
    println!(
        "    ({} of them on the mesh)",
        out.iter().filter(|d| d.is_finite()).count()
    );
    Ok(())
}

fn projecting() -> Done {
    const N: usize = 5_000_000;
    let (radius_m, step_m) = (200.0, 2.0);
    let knots: Vec<[f64; 2]> = (0..628)
        .map(|k| f64::from(k) * std::f64::consts::TAU / 628.0)
        .map(|a| [radius_m * a.cos(), radius_m * a.sin()])
        .collect();
    let line = ReferenceLine::through(knots, step_m, true)?;
    let places: Vec<([f64; 2], f64)> = (0..N)
        .map(|k| {
            let s = 1250.0 * k as f64 / N as f64;
            let [p, n] = [line.point(s), line.normal(s)];
            let t = 12.0 * scatter(k) - 6.0;
            (
                [p[0] + t * n[0], p[1] + t * n[1]],
                s + 2.0 * scatter(k + N) - 1.0,
            )
        })
        .collect();
    println!("projecting {N} points onto a line, guesses within a metre");
    let mut found = 0;
    let (_, ours) = timed("foot_near", N as f64, "", || {
        found = places
            .iter()
            .filter(|(p, s)| line.foot_near(*p, *s).is_some())
            .count();
    });
    println!(
        "    {:.0} ns a point (aim 60), {found} found",
        1e9 * ours / N as f64
    );
    Ok(())
}

fn deviating(folder: &Path) -> Done {
    const N: usize = 2_000_000;
    println!("deviation of {N} points");
    let frame = CellFrame::ribbon(&[0.0, 100.0], Closure::Open, 0.25)?;
    let cells = DeviationCells::new(frame);
    let s: Vec<f64> = (0..N).map(|k| 100.0 * scatter(k)).collect();
    let t: Vec<f64> = (0..N).map(|k| 12.0 * scatter(k + N) - 6.0).collect();
    let d: Vec<f64> = (0..N).map(|k| 4e-3 * (scatter(k + 2 * N) - 0.5)).collect();
    let (done, _) = timed("cells of the map", N as f64, "aim 5", || {
        cells.section(&SectionPoints {
            intensity: &[],
            key: (0, 0),
            u_m: &s,
            v_m: &t,
            d_m: &d,
            across_m: (-6.0, 6.0),
            ground: &|_, _| Some(0),
        })
    });
    done?;
    let held: Vec<HeldPoint> = (0..N)
        .map(|k| HeldPoint {
            xyz_m: [s[k], t[k], d[k]],
            d_m: d[k],
            intensity: 900,
            setup: 0,
        })
        .collect();
    let (written, _) = timed("deviation.laz", N as f64, "aim 1", || {
        let mut laz = DeviationLaz::create(&folder.join("d.laz"), [0.0; 3], None)?;
        held.chunks(50_000).try_for_each(|points| laz.add(points))?;
        laz.finish()
    });
    Ok(written?)
}

fn main() -> Done {
    let scan = demo_scan()?;
    println!("{}", load());
    let folder = tempfile::tempdir_in(scan.cloud.parent().ok_or("a folder")?)?;
    let points = all_points(&scan.cloud)?;
    reading(&scan, &points, folder.path())?;
    sorting(&packed(&points), folder.path())?;
    drop(points);
    projecting()?;
    fitting()?;
    asking()?;
    deviating(folder.path())
}
