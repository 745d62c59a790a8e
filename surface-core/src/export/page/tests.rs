//! The layers of a small straight road whose every value is known.

use super::cells::SectionLayers;
use super::data::{PageData, PageSection};
use super::grid::PageGrid;
use super::layers::Layer;
use super::pack::tests::symbols;
use crate::cloud::Frame;
use crate::deviation::{
    CellFrame, Closure, DeviationCells, DeviationMap, MapBuilder, SectionPoints,
};
use crate::field::{FieldRows, Lattice, RailNode};
use crate::ribbon::{Edges, ReferenceLine, Ribbon};

/// 16 m long, from 2 m right to 2 m left of the line.
const LENGTH_M: f64 = 16.0;

fn ribbon() -> Ribbon {
    let knots = (0..=16).map(|k| [f64::from(k), 0.0]).collect();
    Ribbon {
        frame: Frame { origin_m: [0.0; 3] },
        line: ReferenceLine::through(knots, 1.0, false).unwrap(),
        edges: Edges::constant(LENGTH_M, false, 0.5, 2.0, -2.0).unwrap(),
        gaps: Vec::new(),
    }
}

fn lattice(spacing_m: f64) -> Lattice {
    Lattice::along(LENGTH_M, spacing_m, [-2.0, 2.0], false).unwrap()
}

/// One section: 2 % crossfall, σ of 0.4 mm, no height in the first metre.
fn field(lattice: Lattice) -> FieldRows {
    let mut rows = FieldRows::empty(lattice, 0, lattice.rows).unwrap();
    for row in 0..lattice.rows {
        for column in 0..lattice.columns {
            let (s, t) = (lattice.row_s_m(row), lattice.column_t_m(column));
            if s < 1.0 || t.abs() > 2.0 {
                continue;
            }
            let k = rows.index(row, column).unwrap();
            (rows.z_m[k], rows.sigma_m[k], rows.slope_t[k]) = (0.02 * t, 4e-4, 0.02);
        }
        rows.right[row] = RailNode::VOID;
        rows.left[row] = RailNode::VOID;
    }
    rows
}

/// Four points a cell of 0.25 m: 1 mm above the surface, −3 mm in the cell at (5, 0).
fn map() -> DeviationMap {
    let frame = CellFrame::ribbon(&[0.0, LENGTH_M], Closure::Open, 0.25).unwrap();
    let (mut u, mut v, mut d) = (Vec::new(), Vec::new(), Vec::new());
    for row in 0..64 {
        for column in -8..8 {
            let deviation = if (row, column) == (20, 0) {
                -0.003
            } else {
                0.001
            };
            for _ in 0..4 {
                u.push(0.25 * (f64::from(row) + 0.5));
                v.push(0.25 * (f64::from(column) + 0.5));
                d.push(deviation);
            }
        }
    }
    let section = DeviationCells::new(frame.clone())
        .section(&SectionPoints {
            key: (0, 0),
            u_m: &u,
            v_m: &v,
            d_m: &d,
            intensity: &vec![512; u.len()],
            across_m: (-2.0, 1.99),
            ground: &|_, _| Some(0),
        })
        .unwrap();
    let mut builder = MapBuilder::new(frame);
    builder.push(section);
    builder.finish()
}

fn layers(spacing_m: f64, cell_thinning: usize) -> (PageGrid, SectionLayers) {
    let (lattice, map) = (lattice(spacing_m), map());
    let mut grid = PageGrid::new(&lattice, &map).unwrap();
    grid.cell_thinning = cell_thinning;
    let layers = SectionLayers::new(&grid, 0, &map, &field(lattice)).unwrap();
    (grid, layers)
}

#[test]
fn a_cell_has_the_maps_deviation_and_the_fields_sigma_and_crossfall() {
    let ((_, layers), ribbon) = (layers(0.125, 1), ribbon());
    let of = |layer| layers.values(layer, &ribbon.line);
    let at = |layer, row: usize, column: usize| of(layer)[16 * row + column];
    assert_eq!(layers.shape().2, 64);
    // Units: 0.05 mm, 0.01 mm, 0.05 %, 1/m², 256.
    assert_eq!(at(Layer::Deviation, 20, 8), Some(-60));
    assert_eq!(at(Layer::Deviation, 20, 9), Some(20));
    assert_eq!(at(Layer::Sigma, 20, 8), Some(40));
    assert_eq!(at(Layer::Crossfall, 20, 8), Some(40));
    assert_eq!(at(Layer::Density, 20, 8), Some(64));
    assert_eq!(at(Layer::Intensity, 20, 8), Some(2));
    assert_eq!(at(Layer::Sigma, 1, 8), None);
}

#[test]
fn cells_that_are_joined_keep_the_worst_deviation_and_the_mean_density() {
    let ((grid, layers), ribbon) = (layers(0.125, 2), ribbon());
    assert_eq!((grid.cell_columns(), layers.shape().2), ((-4, 8), 32));
    let of = |layer| layers.values(layer, &ribbon.line);
    assert_eq!(of(Layer::Deviation)[8 * 10 + 4], Some(-60));
    assert_eq!(of(Layer::Deviation)[8 * 10 + 5], Some(20));
    assert!(of(Layer::Density).iter().all(|d| *d == Some(64)));
}

#[test]
fn between_nodes_further_apart_than_cells_the_nearest_one_speaks() {
    let ((_, layers), ribbon) = (layers(0.5, 1), ribbon());
    let sigma = layers.values(Layer::Sigma, &ribbon.line);
    assert!(sigma[16 * 8..].iter().all(|s| *s == Some(40)), "{sigma:?}");
}

#[test]
fn a_page_without_intensity_has_no_such_layer_and_ends_every_stream() {
    let (lattice, map, ribbon) = (lattice(0.125), map(), ribbon());
    let grid = PageGrid::new(&lattice, &map).unwrap();
    let section = PageSection::new(&grid, 0, &field(lattice), &map, &ribbon).unwrap();
    let page = |bright: bool| {
        let mut data = PageData::new(&grid, &ribbon, 0.25).unwrap();
        let mut section = section.clone();
        section.has_intensity &= bright;
        data.add(section);
        data.finish(&[]).unwrap();
        data
    };
    let data = page(true);
    assert_eq!(data, page(true));
    let names = |data: &PageData| data.streams.iter().map(|s| s.0).collect::<Vec<_>>();
    assert!(names(&data).contains(&"intensity") && !names(&page(false)).contains(&"intensity"));
    let count = |name| {
        let stream = data.streams.iter().find(|s| s.0 == name).unwrap();
        symbols(&stream.1).len()
    };
    assert_eq!(count("heights"), lattice.rows * lattice.columns);
    assert_eq!(
        (count("edges"), count("deviation")),
        (4 * lattice.rows, 64 * 16)
    );
    assert_eq!((count("line"), count("profiles")), (3 * 21, 0));
}
