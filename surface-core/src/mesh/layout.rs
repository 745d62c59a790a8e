//! Which vertices and triangles the mesh has where the road has no holes.
//!
//! That depends on the ribbon and the lattice alone. Most of the road is *core*: cells of the
//! lattice with all four nodes, cut along alternating diagonals. (In a row-by-row frame of a bent
//! line such a cell is a symmetric trapezium, its nodes lie on a circle, and both diagonals are
//! Delaunay; alternating them gives the road no preferred direction.) What is left is the *rim*:
//! the strips along the rails and the places where rows are thinned in a tight bend. The rim is
//! triangulated by constrained Delaunay with the rails, the section's border rows and the core's
//! outline as constraints.

use std::ops::Range;

use rayon::prelude::*;

use super::MeshError;
use super::rim::{Crossing, RimVertex, triangulate};
use super::station::{RowFrame, Station, stations};
use crate::field::Lattice;
use crate::ribbon::Ribbon;

/// The vertices and triangles of the mesh of a course, before holes are known.
#[derive(Debug, Clone)]
pub struct Layout {
    pub(super) lattice: Lattice,
    pub(super) stations: Vec<Station>,
    /// Triangles of the rim of each section, as places in it: (row − first row) · stride + slot.
    pub(super) rims: Vec<Vec<[u32; 3]>>,
}

/// A place within a section: its row (counted from the section's first) and slot.
/// Slots are numbered from right to left: right rail, columns, left rail.
pub(super) type Place = (usize, usize);

impl Layout {
    /// The layout of the mesh of `ribbon` on `lattice`. Sections are laid out in parallel; the
    /// result does not depend on how many threads there are.
    ///
    /// # Errors
    /// [`MeshError`] when the ribbon folds over, has no width somewhere, crosses itself within a
    /// section, or is closed and shorter than two sections.
    pub fn new(ribbon: &Ribbon, lattice: &Lattice) -> Result<Self, MeshError> {
        let frame = |row| RowFrame::of(ribbon, lattice.row_s_m(row));
        Self::from_frames(lattice, &(0..lattice.rows).map(frame).collect::<Vec<_>>())
    }

    /// The layout from the frame of each row of the lattice, for lines that are not splines.
    ///
    /// # Errors
    /// As [`Layout::new`].
    pub fn from_frames(lattice: &Lattice, frames: &[RowFrame]) -> Result<Self, MeshError> {
        if frames.len() != lattice.rows {
            return Err(MeshError::Length {
                name: "frames",
                found: frames.len(),
                expected: lattice.rows,
            });
        }
        if lattice.closed && lattice.sections() < 2 {
            return Err(MeshError::ShortRing { rows: lattice.rows });
        }
        let mut layout = Self {
            lattice: *lattice,
            stations: stations(lattice, frames)?,
            rims: Vec::new(),
        };
        let rims: Result<Vec<_>, _> = (0..lattice.sections())
            .into_par_iter()
            .map(|section| layout.rim(section))
            .collect();
        layout.rims = rims?;
        Ok(layout)
    }

    /// The lattice under the mesh.
    #[must_use]
    pub fn lattice(&self) -> &Lattice {
        &self.lattice
    }

    /// Places in a row: the columns of the lattice and the two rails.
    #[must_use]
    pub(super) fn stride(&self) -> usize {
        self.lattice.columns + 2
    }

    pub(super) fn station(&self, row: usize) -> &Station {
        &self.stations[self.lattice.wrap(row)]
    }

    /// The place in the course (row · stride + slot) of place `local` in a section that begins at
    /// row `first`.
    #[inline]
    pub(super) fn place(&self, first: usize, local: u32) -> u32 {
        let (row, slot) = (
            local as usize / self.stride(),
            local as usize % self.stride(),
        );
        crate::numeric::to_u32(self.lattice.wrap(first + row) * self.stride() + slot)
    }

    /// Slots of a row that are vertices, from right to left.
    pub(super) fn slots(&self, row: usize) -> impl Iterator<Item = usize> + use<> {
        let Station { rails, columns, .. } = self.station(row);
        let right = rails[0].then_some(0);
        let left = rails[1].then_some(self.lattice.columns + 1);
        right
            .into_iter()
            .chain(columns.start + 1..columns.end + 1)
            .chain(left)
    }

    /// Metres left of the line of a slot in a row.
    pub(super) fn slot_t_m(&self, row: usize, slot: usize) -> f64 {
        let frame = &self.station(row).frame;
        match slot {
            0 => frame.right_t_m,
            _ if slot > self.lattice.columns => frame.left_t_m,
            _ => self.lattice.column_t_m(slot - 1),
        }
    }

    /// The columns c of the core cells (c, c + 1) between row `row` and the next.
    pub(super) fn core(&self, row: usize) -> Range<usize> {
        let (a, b) = (&self.station(row).columns, &self.station(row + 1).columns);
        let from = a.start.max(b.start);
        let to = a.end.min(b.end);
        // Columns from..to are common; cells are one fewer.
        from..(to.max(from + 1) - 1)
    }

    /// The two triangles of the core cell (row, column), as (row, column) pairs, anticlockwise.
    #[inline]
    pub(super) fn core_triangles(row: usize, column: usize) -> [[(usize, usize); 3]; 2] {
        let (a, b) = ((row, column), (row + 1, column));
        let (d, e) = ((row + 1, column + 1), (row, column + 1));
        if (row + column).is_multiple_of(2) {
            [[a, b, d], [a, d, e]]
        } else {
            [[a, b, e], [b, d, e]]
        }
    }

    fn rim(&self, section: usize) -> Result<Vec<[u32; 3]>, MeshError> {
        let [first, last] = self.lattice.section_rows(section);
        let outline = Outline::new(self, [first, last]);
        outline
            .triangulate()
            .map_err(|Crossing| MeshError::Crossing {
                from_s_m: self.lattice.row_s_m(first),
                to_s_m: self.lattice.row_s_m(last),
            })
    }
}

/// The rim of one section: its vertices and the edges that have it on their left.
struct Outline<'a> {
    layout: &'a Layout,
    rows: [usize; 2],
    border: Vec<[Place; 2]>,
}

impl<'a> Outline<'a> {
    fn new(layout: &'a Layout, rows: [usize; 2]) -> Self {
        let mut outline = Self {
            layout,
            rows,
            border: Vec::new(),
        };
        outline.add_rails();
        outline.add_border_rows();
        outline.add_core();
        outline
    }

    /// Rails run against the line on the left and with it on the right.
    fn add_rails(&mut self) {
        for side in [0, 1] {
            let slot = side * (self.layout.stride() - 1);
            let mut rows =
                (self.rows[0]..=self.rows[1]).filter(|&row| self.layout.station(row).rails[side]);
            let Some(mut previous) = rows.next() else {
                continue;
            };
            for row in rows {
                let (a, b) = ((previous, slot), (row, slot));
                self.border.push(if side == 0 { [a, b] } else { [b, a] });
                previous = row;
            }
        }
    }

    /// The first row runs from left to right, the last from right to left; core cells beside them
    /// need no edge.
    fn add_border_rows(&mut self) {
        for (row, core) in [
            (self.rows[0], self.layout.core(self.rows[0])),
            (self.rows[1], self.layout.core(self.rows[1] - 1)),
        ] {
            let slots: Vec<usize> = self.layout.slots(row).collect();
            for pair in slots.windows(2) {
                let (low, high) = ((row, pair[0]), (row, pair[1]));
                if pair[0] > 0 && core.contains(&(pair[0] - 1)) {
                    continue;
                }
                let forward = row == self.rows[1];
                self.border
                    .push(if forward { [low, high] } else { [high, low] });
            }
        }
    }

    fn add_core(&mut self) {
        let mut before: Option<Range<usize>> = None;
        for row in self.rows[0]..self.rows[1] {
            let core = self.layout.core(row);
            if !core.is_empty() {
                let (right, left) = (core.start + 1, core.end + 1);
                self.border.push([(row + 1, right), (row, right)]);
                self.border.push([(row, left), (row + 1, left)]);
            }
            if let Some(before) = before {
                self.add_steps(row, &before, &core);
            }
            before = Some(core);
        }
    }

    /// Edges along `row` that have core on one side only.
    fn add_steps(&mut self, row: usize, before: &Range<usize>, after: &Range<usize>) {
        for c in before.clone().filter(|c| !after.contains(c)) {
            self.border.push([(row, c + 2), (row, c + 1)]);
        }
        for c in after.clone().filter(|c| !before.contains(c)) {
            self.border.push([(row, c + 1), (row, c + 2)]);
        }
    }

    /// Columns of `row` that core surrounds, within this section.
    fn surrounded(&self, row: usize) -> Range<usize> {
        let mut inner = 0..usize::MAX;
        for gap in [row.wrapping_sub(1), row] {
            if gap < self.rows[0] || gap >= self.rows[1] || gap == usize::MAX {
                continue;
            }
            let core = self.layout.core(gap);
            inner.start = inner.start.max(core.start + 1);
            inner.end = inner.end.min(core.end.max(core.start + 1));
        }
        inner
    }

    fn triangulate(&self) -> Result<Vec<[u32; 3]>, Crossing> {
        let stride = self.layout.stride();
        let place = |(row, slot): Place| (row - self.rows[0]) * stride + slot;
        let mut position = vec![usize::MAX; (self.rows[1] - self.rows[0] + 1) * stride];
        let mut vertices = Vec::new();
        for row in self.rows[0]..=self.rows[1] {
            let inner = self.surrounded(row);
            let outer =
                |slot: &usize| *slot == 0 || *slot + 1 == stride || !inner.contains(&(*slot - 1));
            let frame = &self.layout.station(row).frame;
            for slot in self.layout.slots(row).filter(outer) {
                position[place((row, slot))] = vertices.len();
                vertices.push(RimVertex {
                    at_m: frame.at(self.layout.slot_t_m(row, slot)),
                    id: crate::numeric::to_u32(place((row, slot))),
                });
            }
        }
        let at = |p: Place| position[place(p)];
        let border: Vec<[usize; 2]> = self.border.iter().map(|&[a, b]| [at(a), at(b)]).collect();
        if vertices.is_empty() || border.iter().flatten().any(|&v| v == usize::MAX) {
            return Err(Crossing);
        }
        triangulate(vertices, &border)
    }
}
