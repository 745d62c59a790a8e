//! How fast is a course meshed, checked, written and asked, and how does that compare with putting
//! every node through one Delaunay triangulation?
//!
//! Run: `cargo bench -p surface-benches --bench mesh`. Sweeps the spacing on a course of 2 km with
//! a hairpin (rows thinned) and holes; the degenerate case is a road of ten columns,
//! nearly all rim. Rates are per second of this thread's processor time where the system tells it.

use std::time::Instant;

use spade::{DelaunayTriangulation, Point2, Triangulation};
use surface_core::export::PlyWriter;
use surface_core::field::{FieldRows, Lattice, RailNode};
use surface_core::mesh::{Assembler, Layout, MeshChecker, NodeMask, Patch, PatchIndex, RowFrame};

const LENGTH_M: f64 = 2000.0;

fn frames(lattice: &Lattice, half_width_m: f64) -> Vec<RowFrame> {
    let (mut point_m, mut heading) = ([0.0, 0.0], 0.0f64);
    let mut frames = Vec::new();
    for row in 0..lattice.rows {
        let s = lattice.row_s_m(row);
        let bend = 1.0 - ((s - 500.0) / 20.0).powi(2);
        let curvature_per_m = 0.12 * bend.max(0.0);
        frames.push(RowFrame {
            point_m,
            tangent: [heading.cos(), heading.sin()],
            curvature_per_m,
            right_t_m: -half_width_m,
            left_t_m: half_width_m,
        });
        point_m[0] += lattice.s_step_m * heading.cos();
        point_m[1] += lattice.s_step_m * heading.sin();
        heading += curvature_per_m * lattice.s_step_m;
    }
    frames
}

fn field(lattice: &Lattice, section: usize) -> FieldRows {
    let [first, last] = lattice.section_rows(section);
    let Ok(mut field) = FieldRows::empty(*lattice, first, last - first + 1) else {
        unreachable!("the section lies in its lattice")
    };
    for row in first..=last {
        for column in 0..lattice.columns {
            let k = (row - first) * lattice.columns + column;
            let (s, t) = (lattice.row_s_m(row), lattice.column_t_m(column));
            let hole = (s % 50.0 - 25.0).hypot(t) < 0.4;
            field.z_m[k] = if hole {
                f64::NAN
            } else {
                (0.3 * s).sin() * 0.1 + 0.02 * t
            };
        }
    }
    let rail = RailNode {
        z_m: 0.0,
        sigma_m: 0.001,
        slope_s: 0.0,
        slope_t: 0.0,
        flags: 1,
    };
    field.left.fill(rail);
    field.right.fill(rail);
    field
}

/// Processor time of this thread where the system tells it, else time of day; seconds.
fn clock(start: Instant) -> f64 {
    let stat = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let busy = stat.split(' ').next().and_then(|ns| ns.parse::<f64>().ok());
    busy.map_or_else(|| start.elapsed().as_secs_f64(), |ns| ns * 1e-9)
}

/// Run, print "what: time, rate", return the product.
fn timed<T>(what: &str, units: f64, unit: &str, run: impl FnOnce() -> T) -> T {
    let start = Instant::now();
    let before = clock(start);
    let product = run();
    let seconds = clock(start) - before;
    println!(
        "  {what:<28} {seconds:>8.3} s  {:>8.2} M{unit}/s",
        units / seconds / 1e6
    );
    product
}

fn course(spacing_m: f64, half_width_m: f64) -> Result<(), Box<dyn std::error::Error>> {
    let lattice = Lattice::along(LENGTH_M, spacing_m, [-half_width_m, half_width_m], false)?;
    let nodes = (lattice.rows * lattice.columns) as f64;
    println!(
        "spacing {spacing_m} m, width {} m: {:.2} M nodes",
        2.0 * half_width_m,
        nodes / 1e6
    );
    let frames = frames(&lattice, half_width_m);
    let layout = timed("layout (2 threads)", nodes, "nodes", || {
        Layout::from_frames(&lattice, &frames)
    })?;
    let fields: Vec<FieldRows> = (0..lattice.sections())
        .map(|k| field(&lattice, k))
        .collect();
    let mut mask = NodeMask::new(&layout);
    timed("mask", nodes, "nodes", || {
        fields.iter().for_each(|f| mask.add(&layout, f));
        mask.clean(&layout)
    })?;
    let patches: Vec<Patch> = timed("patches, 1 thread", nodes, "nodes", || {
        let patch = |(k, f)| Patch::new(&layout, &mask, k, f);
        fields
            .iter()
            .enumerate()
            .map(patch)
            .collect::<Result<_, _>>()
    })?;
    let mut checker = MeshChecker::new(patches.len(), false);
    timed("check", nodes, "nodes", || {
        patches.iter().try_for_each(|p| checker.add(p))
    })?;
    let check = checker.finish()?;
    assert!(check.is_valid(), "{check:#?}");
    let path = std::env::temp_dir().join(format!("mesh-bench-{}.ply", std::process::id()));
    let writer = PlyWriter::create(&path, [0.0; 3])?;
    let mut assembler = Assembler::new(patches.len(), false, writer);
    timed("assemble, check and write", nodes, "nodes", || {
        patches
            .iter()
            .try_for_each(|p| assembler.add(p))
            .map(|()| assembler)
    })?;
    ask(&patches, nodes);
    peer(&patches, nodes)
}

fn ask(patches: &[Patch], nodes: f64) {
    let indexes: Vec<PatchIndex<'_>> = timed("index of each patch", nodes, "nodes", || {
        patches.iter().map(PatchIndex::new).collect()
    });
    // Points of a scan come sorted by place more or less; the vertices moved off themselves do too.
    let columns: Vec<[Vec<f64>; 3]> = patches
        .iter()
        .map(|p| [0, 1, 2].map(|k| p.positions_m.iter().map(|v| v[k] + 0.013).collect()))
        .collect();
    let mut out = vec![0.0; columns.iter().map(|c| c[0].len()).max().unwrap_or(0)];
    timed("distances, 1 point a node", nodes, "points", || {
        for (index, [x, y, z]) in indexes.iter().zip(&columns) {
            index.signed_distances(x, y, z, &mut out);
        }
    });
    // A dense scan: its points stand row by row, some twenty between neighbouring nodes.
    let dense: Vec<f64> = (0..400_000).map(|k| 5e-3 * f64::from(k % 2000)).collect();
    let (p, zero) = (
        &patches[patches.len() / 2].positions_m,
        vec![0.0; dense.len()],
    );
    let x: Vec<f64> = dense.iter().map(|d| p[0][0] + d).collect();
    let y: Vec<f64> = (0..400_000)
        .map(|k| p[0][1] + 0.05 * f64::from(k / 2000))
        .collect();
    let mut out = vec![0.0; x.len()];
    timed(
        "distances, dense scan",
        dense.len() as f64,
        "points",
        || {
            indexes[patches.len() / 2].signed_distances(&x, &y, &zero, &mut out);
        },
    );
    println!(
        "  ({} of {} points on the mesh)",
        out.iter().filter(|d| !d.is_nan()).count(),
        out.len()
    );
}

/// Every vertex of every patch through `spade`, without constraints.
fn peer(patches: &[Patch], nodes: f64) -> Result<(), Box<dyn std::error::Error>> {
    let faces = timed("peer: Delaunay of all nodes", nodes, "nodes", || {
        patches.iter().try_fold(0, |sum, p| {
            let points = p
                .positions_m
                .iter()
                .map(|v| Point2::new(v[0], v[1]))
                .collect();
            DelaunayTriangulation::<Point2<f64>>::bulk_load(points)
                .map(|d| sum + d.num_inner_faces())
        })
    })?;
    println!("  ({faces} triangles)");
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    for spacing_m in [0.2, 0.1] {
        course(spacing_m, 6.02)?;
    }
    course(0.1, 0.52)
}
