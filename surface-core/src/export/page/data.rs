//! Everything that the page draws, packed section by section.

use std::io;

use super::cells::SectionLayers;
use super::grid::PageGrid;
use super::layers::{LAYERS, Layer};
use super::pack::Symbols;
use super::profile::SpotProfiles;
use crate::deviation::{DeviationMap, Spot};
use crate::field::{FieldRows, RailNode};
use crate::numeric::{round_i32, to_index};
use crate::ribbon::Ribbon;

/// Step of heights, metres: with a height exaggerated fifty times steps stay below the road's own
/// short waves.
const HEIGHT_UNIT_M: f64 = 1e-4;
/// Step of edges, metres.
const EDGE_UNIT_M: f64 = 1e-3;
/// Step of the line's points, metres.
const POINT_UNIT_M: f64 = 1e-3;
/// Step of the line's heading, radians.
const HEADING_UNIT_RAD: f64 = 1e-6;
/// The line is given about each so many metres; between, a cubic by places and headings is off by
/// h⁴κ³/384 in a bend of curvature κ: a micrometre at a radius of 10 m.
const FRAME_M: f64 = 0.8;

/// One section of the course as the page has it.
#[derive(Debug, Clone, PartialEq)]
pub struct PageSection {
    heights: Vec<u8>,
    edges: Vec<u8>,
    layers: Vec<Vec<u8>>,
    /// Where the section's cells start, their length along the line, and how many rows there are.
    cells: (f64, f64, usize),
    node_rows: usize,
    pub(super) has_intensity: bool,
}

impl PageSection {
    /// Pack section `section`; `field` holds its rows and the first of the next.
    ///
    /// # Errors
    /// What deflating says; none is known.
    pub fn new(
        grid: &PageGrid,
        section: usize,
        field: &FieldRows,
        map: &DeviationMap,
        ribbon: &Ribbon,
    ) -> io::Result<Self> {
        let mut out = Self {
            heights: heights(grid, section, field).deflated()?,
            edges: edges(grid, section, field, ribbon).deflated()?,
            layers: Vec::new(),
            cells: (0.0, 1.0, 0),
            node_rows: grid.node_rows(section).len(),
            has_intensity: false,
        };
        let Some(layers) = SectionLayers::new(grid, section, map, field) else {
            return Ok(out);
        };
        for layer in LAYERS {
            let values = layers.values(layer, &ribbon.line);
            let is_intensity = layer == Layer::Intensity;
            out.has_intensity |= is_intensity && values.iter().flatten().any(|&v| v > 0);
            let mut symbols = Symbols::default();
            if layer.is_smooth() {
                symbols.in_turn(values);
            } else {
                symbols.plainly(values);
            }
            out.layers.push(symbols.deflated()?);
        }
        out.cells = layers.shape();
        Ok(out)
    }
}

fn height(z_m: f64) -> Option<i32> {
    z_m.is_finite().then(|| round_i32(z_m / HEIGHT_UNIT_M))
}

fn heights(grid: &PageGrid, section: usize, field: &FieldRows) -> Symbols {
    let at = |row, column| height(field.z_m[field.index(row, column)?]);
    let values: Vec<Option<i32>> = grid
        .node_rows(section)
        .flat_map(|row| grid.node_columns().map(move |column| (row, column)))
        .map(|(row, column)| at(row, column))
        .collect();
    let mut out = Symbols::default();
    out.in_rows(&values, grid.node_columns().len());
    out
}

/// Right and left edge and the heights there, row by row.
fn edges(grid: &PageGrid, section: usize, field: &FieldRows, ribbon: &Ribbon) -> Symbols {
    let s = |row: usize| grid.lattice().row_s_m(row);
    let edge = |t_m: f64| Some(round_i32(t_m / EDGE_UNIT_M));
    let rail = |rails: &[RailNode], row: usize| height(rails[row - field.first_row].z_m);
    let mut out = Symbols::default();
    let rows = || grid.node_rows(section);
    out.in_turn(rows().map(|row| edge(ribbon.edges.right_m(s(row)))));
    out.in_turn(rows().map(|row| edge(ribbon.edges.left_m(s(row)))));
    out.in_turn(rows().map(|row| rail(&field.right, row)));
    out.in_turn(rows().map(|row| rail(&field.left, row)));
    out
}

/// The packed numbers of a course.
#[derive(Debug, Clone, PartialEq)]
pub struct PageData {
    pub(super) head: serde_json::Value,
    /// Name and deflated bytes of each stream.
    pub(super) streams: Vec<(&'static str, Vec<u8>)>,
    sections: Vec<[f64; 4]>,
    has_intensity: bool,
}

impl PageData {
    /// The line and the frame of a course whose sections follow.
    ///
    /// # Errors
    /// What deflating says; none is known.
    pub fn new(grid: &PageGrid, ribbon: &Ribbon, cell_m: f64) -> io::Result<Self> {
        let (step_m, count, line) = line(ribbon);
        let lattice = grid.lattice();
        let (first_column, columns) = grid.cell_columns();
        let wide = grid.cell_thinning as f64 * cell_m;
        let by = grid.node_thinning as f64;
        let head = serde_json::json!({
            "length_m": ribbon.line.length_m(), "closed": ribbon.line.is_closed(),
            "origin_m": ribbon.frame.origin_m,
            "line": { "step_m": step_m, "count": count,
                "point_unit_m": POINT_UNIT_M, "heading_unit_rad": HEADING_UNIT_RAD },
            "nodes": { "s_step_m": by * lattice.s_step_m, "t_step_m": by * lattice.t_step_m,
                "first_t_m": lattice.column_t_m(0), "columns": grid.node_columns().len(),
                "height_unit_m": HEIGHT_UNIT_M, "edge_unit_m": EDGE_UNIT_M,
                "spacing_m": lattice.t_step_m },
            "cells": { "first_t_m": f64::from(first_column) * wide, "cell_m": wide,
                "columns": columns },
        });
        let mut streams = vec![
            ("line", line.deflated()?),
            ("heights", Vec::new()),
            ("edges", Vec::new()),
        ];
        streams.extend(LAYERS.map(|layer| (layer.name(), Vec::new())));
        Ok(Self {
            head,
            streams,
            sections: Vec::new(),
            has_intensity: false,
        })
    }

    /// Add the next section, in order.
    pub fn add(&mut self, section: PageSection) {
        let pieces = [section.heights, section.edges].into_iter();
        let pieces = pieces.chain(section.layers);
        for ((_, stream), piece) in self.streams.iter_mut().skip(1).zip(pieces) {
            stream.extend(piece);
        }
        let (from_m, row_m, rows) = section.cells;
        let counts = [rows, section.node_rows].map(|n| n as f64);
        self.sections.push([from_m, row_m, counts[0], counts[1]]);
        self.has_intensity |= section.has_intensity;
    }

    /// Add the spots, each with its sections, and close the streams.
    ///
    /// # Errors
    /// What deflating says; none is known.
    pub fn finish(&mut self, spots: &[(Spot, SpotProfiles)]) -> io::Result<()> {
        let mut symbols = Symbols::default();
        for (_, profiles) in spots {
            profiles.across.put(&mut symbols);
            profiles.along.put(&mut symbols);
        }
        self.streams.push(("profiles", symbols.deflated()?));
        if !self.has_intensity {
            self.streams.retain(|s| s.0 != Layer::Intensity.name());
        }
        for (_, stream) in &mut self.streams {
            stream.extend(super::pack::END);
        }
        let list = spots
            .iter()
            .map(|(spot, profiles)| spot_head(spot, profiles));
        self.head["spots"] = list.collect();
        self.head["sections"] = serde_json::json!(self.sections);
        let has = |l: &Layer| self.streams.iter().any(|s| s.0 == l.name());
        let layers = LAYERS.iter().filter(|l| has(l));
        let layer = |l: &Layer| serde_json::json!({ "name": l.name(), "unit": l.unit(), "smooth": l.is_smooth() });
        self.head["layers"] = layers.map(layer).collect();
        Ok(())
    }
}

fn spot_head(spot: &Spot, profiles: &SpotProfiles) -> serde_json::Value {
    serde_json::json!({
        "id": spot.id, "at_m": spot.at_m, "xy_m": spot.xy_m, "middle_m": spot.middle_m,
        "area_m2": spot.area_m2, "length_m": spot.length_m, "width_m": spot.width_m,
        "worst_mm": 1e3 * spot.worst_m, "mean_mm": 1e3 * spot.mean_m, "cells": spot.cells,
        "points": spot.points, "why": spot.why.word(),
        "across": profiles.across.head(), "along": profiles.along.head(),
    })
}

/// Points and headings of the line, ends included: step, count, symbols.
fn line(ribbon: &Ribbon) -> (f64, usize, Symbols) {
    let length = ribbon.line.length_m();
    let steps = to_index((length / FRAME_M).ceil()).max(1);
    let step_m = length / steps as f64;
    let s: Vec<f64> = (0..=steps)
        .map(|k| match ribbon.line.is_closed() {
            true if k == steps => 0.0,
            _ => (k as f64 * step_m).min(length),
        })
        .collect();
    let points: Vec<[f64; 2]> = s.iter().map(|&s| ribbon.line.point(s)).collect();
    let mut out = Symbols::default();
    for axis in [0, 1] {
        out.in_turn(
            points
                .iter()
                .map(|p| Some(round_i32(p[axis] / POINT_UNIT_M))),
        );
    }
    out.in_turn(unwrapped(s.iter().map(|&s| ribbon.line.heading_rad(s))));
    (step_m, s.len(), out)
}

/// Angles without jumps of a whole turn, in units.
fn unwrapped(angles: impl Iterator<Item = f64>) -> Vec<Option<i32>> {
    let turn = std::f64::consts::TAU;
    let mut last: Option<f64> = None;
    angles
        .map(|angle| {
            let near = last.map_or(angle, |l| angle + ((l - angle) / turn).round() * turn);
            last = Some(near);
            Some(round_i32(near / HEADING_UNIT_RAD))
        })
        .collect()
}
