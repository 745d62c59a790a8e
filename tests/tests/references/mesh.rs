//! The mesh and the triangulation under it against independent libraries (scipy, trimesh).

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;

use spade::{DelaunayTriangulation, HasPosition, Point2, Triangulation};
use surface_core::export::PlyWriter;
use surface_core::field::{FieldRows, Lattice, RailNode};
use surface_core::mesh::{Assembler, Layout, MeshCheck, NodeMask, Patch, RowFrame, SurfaceMesh};
use surface_tests::python;

/// A point that knows its place in the input.
struct Numbered(Point2<f64>, usize);

impl HasPosition for Numbered {
    type Scalar = f64;

    fn position(&self) -> Point2<f64> {
        self.0
    }
}

/// Numbers in [0, 1) by a multiplicative generator (Lehmer 1951, modulus 2³¹ − 1, factor 48271).
fn noise(seed: u64) -> impl FnMut() -> f64 {
    let mut state = seed;
    move || {
        state = state * 48_271 % 2_147_483_647;
        f64::from(u32::try_from(state).unwrap_or(0)) / 2_147_483_647.0
    }
}

#[test]
fn the_triangulation_of_random_points_is_that_of_qhull() {
    let Some(interpreter) = python::venv() else {
        return;
    };
    let mut next = noise(42);
    let points: Vec<[f64; 2]> = (0..3000).map(|_| [100.0 * next(), 20.0 * next()]).collect();
    let numbered = points
        .iter()
        .enumerate()
        .map(|(k, p)| Numbered(Point2::new(p[0], p[1]), k));
    let ours = DelaunayTriangulation::<Numbered>::bulk_load(numbered.collect()).unwrap();
    let sorted = |mut t: [usize; 3]| {
        t.sort_unstable();
        t
    };
    let ours: BTreeSet<[usize; 3]> = ours
        .inner_faces()
        .map(|f| sorted(f.vertices().map(|v| v.data().1)))
        .collect();
    let dir = tempfile::tempdir().unwrap();
    let csv = dir.path().join("points.csv");
    write_csv(&csv, &points);
    let text = python::run(
        &interpreter,
        "mesh_reference.py",
        &[Path::new("delaunay"), &csv],
    )
    .unwrap();
    let theirs: BTreeSet<[usize; 3]> = text
        .lines()
        .map(|line| {
            let mut numbers = line.split(' ').map(|w| w.parse().unwrap());
            [(); 3].map(|()| numbers.next().unwrap())
        })
        .collect();
    // Qhull joggles nothing here: no four of the points lie on a circle.
    assert_eq!(ours.len(), theirs.len());
    assert_eq!(ours, theirs);
}

fn write_csv(path: &Path, rows: &[[f64; 2]]) {
    let mut text = String::new();
    for [x, y] in rows {
        writeln!(text, "{x},{y}").unwrap();
    }
    std::fs::write(path, text).unwrap();
}

/// A closed course of two straights and two bends of 9 m radius, 6 m wide, with two holes.
struct Course {
    lattice: Lattice,
}

const RADIUS_M: f64 = 9.0;
const HALF_WIDTH_M: f64 = 6.1;

impl Course {
    fn new() -> Self {
        let straight = 20.0;
        let length = 2.0 * straight + std::f64::consts::TAU * RADIUS_M;
        let reach = [-HALF_WIDTH_M, HALF_WIDTH_M];
        Self {
            lattice: Lattice::along(length, 0.2, reach, true).unwrap(),
        }
    }

    fn frame(&self, s: f64) -> RowFrame {
        let (straight, bend) = (20.0, std::f64::consts::PI * RADIUS_M);
        let half = straight + bend;
        let (turn, s) = if s < half { (1.0, s) } else { (-1.0, s - half) };
        let (x, y, heading, curvature_per_m) = if s < straight {
            (s - 10.0, -RADIUS_M, 0.0, 0.0)
        } else {
            let a = (s - straight) / RADIUS_M;
            (
                10.0 + RADIUS_M * a.sin(),
                -RADIUS_M * a.cos(),
                a,
                1.0 / RADIUS_M,
            )
        };
        RowFrame {
            point_m: [turn * x, turn * y],
            tangent: [turn * f64::cos(heading), turn * f64::sin(heading)],
            curvature_per_m,
            right_t_m: -HALF_WIDTH_M,
            left_t_m: HALF_WIDTH_M,
        }
    }

    fn field(&self, section: usize) -> FieldRows {
        let [first, last] = self.lattice.section_rows(section);
        let mut field = FieldRows::empty(self.lattice, first, last - first + 1).unwrap();
        let z = |s: f64, t: f64| {
            let hole = (s - 31.0).hypot(t - 2.0) < 0.9 || (s - 60.0).hypot(t + 3.0) < 1.1;
            if hole {
                f64::NAN
            } else {
                0.3 * (0.5 * s).sin() + 0.02 * t
            }
        };
        for row in first..=last {
            let s = self.lattice.row_s_m(row);
            for column in 0..self.lattice.columns {
                let k = field.index(row, column).unwrap();
                field.z_m[k] = z(s, self.lattice.column_t_m(column));
            }
            let rail = |t| RailNode {
                z_m: z(s, t),
                sigma_m: 0.001,
                slope_s: 0.0,
                slope_t: 0.0,
                flags: 1,
            };
            field.left[row - first] = rail(HALF_WIDTH_M);
            field.right[row - first] = rail(-HALF_WIDTH_M);
        }
        field
    }

    fn write(&self, path: &Path) -> MeshCheck {
        let rows = 0..self.lattice.rows;
        let frames: Vec<RowFrame> = rows
            .map(|row| self.frame(self.lattice.row_s_m(row)))
            .collect();
        let layout = Layout::from_frames(&self.lattice, &frames).unwrap();
        let mut mask = NodeMask::new(&layout);
        let sections = self.lattice.sections();
        (0..sections).for_each(|k| mask.add(&layout, &self.field(k)));
        mask.clean(&layout).unwrap();
        let writer = PlyWriter::create(path, [0.0; 3]).unwrap();
        let mut assembler = Assembler::new(sections, true, writer);
        for section in 0..sections {
            let patch = Patch::new(&layout, &mask, section, &self.field(section)).unwrap();
            assembler.add(&patch).unwrap();
        }
        let (check, writer) = assembler.finish().unwrap();
        writer.finish().unwrap();
        check
    }
}

#[test]
fn an_independent_library_finds_the_same_sheet_and_the_same_heights() {
    let Some(interpreter) = python::venv() else {
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    let (ply, csv) = (dir.path().join("m.ply"), dir.path().join("places.csv"));
    let check = Course::new().write(&ply);
    assert!(check.is_valid(), "{check:#?}");
    assert_eq!((check.holes(true), check.euler), (2, -2));
    let mesh = SurfaceMesh::read(
        std::io::BufReader::new(std::fs::File::open(&ply).unwrap()),
        &ply,
    )
    .unwrap();
    let mut next = noise(7);
    let places: Vec<[f64; 2]> = (0..400)
        .map(|_| [56.0 * next() - 28.0, 34.0 * next() - 17.0])
        .collect();
    write_csv(&csv, &places);
    let text = python::run(
        &interpreter,
        "mesh_reference.py",
        &[Path::new("mesh"), &ply, &csv],
    )
    .unwrap();
    let said = |name: &str| -> Vec<f64> {
        let lines = text.lines().filter_map(|line| line.strip_prefix(name));
        lines.map(|word| word.trim().parse().unwrap()).collect()
    };
    let one = |name: &str| said(name)[0];
    let counts = [
        ("vertices ", check.vertices),
        ("faces ", check.faces),
        ("winding ", 1),
        ("duplicates ", 0),
    ];
    for (name, ours) in counts
        .into_iter()
        .chain([("degenerate ", 0), ("down ", 0), ("parts ", 1)])
    {
        assert!(
            (one(name) - ours as f64).abs() < 0.5,
            "{name}{} {ours}",
            one(name)
        );
    }
    assert!((one("euler ") - check.euler as f64).abs() < 0.5);
    let mut hits = 0;
    for ([x, y], theirs) in places.iter().zip(said("z ")) {
        match mesh.height_at(*x, *y) {
            // The ray caster works with a tolerance of 1e-8 and slopes of 0.3 here.
            Some(ours) => assert!((ours - theirs).abs() < 1e-7, "{ours} {theirs} at {x} {y}"),
            None => assert!(theirs.is_nan(), "{theirs} at {x} {y}"),
        }
        hits += usize::from(!theirs.is_nan());
    }
    assert!(hits > 100 && hits < 350, "{hits}");
}
