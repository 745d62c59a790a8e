//! Which nodes of the whole course become vertices: those with a height, less what would leave
//! pinches, loose vertices or parts that hang on nothing.

use std::collections::VecDeque;

use super::MeshError;
use super::layout::Layout;
use super::link::Links;
use super::parts::Parts;
use crate::field::{FieldRows, RailNode};
use crate::numeric::to_u32;

/// What was left out of the mesh although it has a height, and where.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct MaskReport {
    /// Nodes and rail vertices that are vertices of the mesh.
    pub kept: u64,
    /// Places of the mesh without a height: holes.
    pub void: u64,
    /// Dropped because two holes met in them, so that the surface hung by a point.
    pub pinches: u64,
    /// Dropped because no triangle holds them.
    pub loose: u64,
    /// Dropped because their part does not hang together with the largest one.
    pub in_other_parts: u64,
    /// The parts dropped, largest first (at most [`MaskReport::MOST_PARTS`] of them).
    pub parts: Vec<DroppedPart>,
    /// Number of parts dropped.
    pub parts_dropped: u64,
    /// Nodes dropped for any of these reasons in each section that lost some.
    pub sections: Vec<SectionLoss>,
}

impl MaskReport {
    /// Parts that are listed singly.
    pub const MOST_PARTS: usize = 100;

    /// What is cut off from the rest of the surface, in words.
    #[must_use]
    pub fn cut_off_doubt(&self) -> Option<String> {
        let (nodes, parts) = (self.in_other_parts, self.parts_dropped);
        let word = if parts == 1 { "part" } else { "parts" };
        (nodes > 0).then(|| {
            format!(
                "{nodes} nodes in {parts} {word} are cut off from the rest and left out of the mesh"
            )
        })
    }
}

/// A part of the surface that was not connected with the rest.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct DroppedPart {
    /// Its vertices.
    pub nodes: u64,
    /// Its first and last row, as stations in metres.
    pub s_m: [f64; 2],
    /// Its reach across the line, metres left of it.
    pub t_m: [f64; 2],
}

/// Nodes dropped in one section.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SectionLoss {
    /// The section.
    pub section: usize,
    /// Its first and last station, metres.
    pub s_m: [f64; 2],
    /// How many nodes it lost.
    pub nodes: u64,
}

/// One byte a place of the whole course: is it a vertex?
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NodeMask {
    stride: usize,
    rows: usize,
    closed: bool,
    alive: Vec<u8>,
}

impl NodeMask {
    /// A mask for the mesh of `layout`, with no vertex yet.
    #[must_use]
    pub fn new(layout: &Layout) -> Self {
        let (rows, stride) = (layout.lattice.rows, layout.stride());
        Self {
            stride,
            rows,
            closed: layout.lattice.closed,
            alive: vec![0; rows * stride],
        }
    }

    /// Take in which nodes of these rows have a height. Rows may come in any order and again.
    pub fn add(&mut self, layout: &Layout, field: &FieldRows) {
        for row in field.first_row..=field.last_row() {
            let local = row - field.first_row;
            let base = layout.lattice.wrap(row) * self.stride;
            for slot in layout.slots(row) {
                self.alive[base + slot] = u8::from(has_height(field, local, slot));
            }
        }
    }

    /// Whether the place (row, slot) is a vertex; rows past the end of a closed course wrap.
    #[inline]
    pub(super) fn has(&self, row: usize, slot: usize) -> bool {
        let row = if self.closed && row >= self.rows {
            row - self.rows
        } else {
            row
        };
        self.alive[row * self.stride + slot] != 0
    }

    /// Whether another mask of the same layout has the same vertices in a section, its last row
    /// included.
    #[must_use]
    pub fn is_same(&self, other: &Self, layout: &Layout, section: usize) -> bool {
        let [first, last] = layout.lattice.section_rows(section);
        let row = |mask: &Self, row: usize| {
            let from = layout.lattice.wrap(row) * mask.stride;
            from..from + mask.stride
        };
        let same = |r: usize| self.alive[row(self, r)] == other.alive[row(other, r)];
        (first..=last).all(same)
    }

    /// Drop what would make the surface something else than one clean sheet: vertices in which two
    /// holes meet, vertices without a triangle, and all parts but the largest.
    ///
    /// # Errors
    /// [`MeshError::Empty`] when nothing is left.
    pub fn clean(&mut self, layout: &Layout) -> Result<MaskReport, MeshError> {
        let before = self.alive.clone();
        let mut report = MaskReport {
            void: self.count_void(layout),
            ..MaskReport::default()
        };
        self.drop_pinches(layout, &mut report);
        self.keep_largest_part(layout, &mut report);
        report.kept = self.alive.iter().map(|&a| u64::from(a)).sum();
        report.sections = self.losses(layout, &before);
        if report.kept == 0 {
            return Err(MeshError::Empty);
        }
        Ok(report)
    }

    fn count_void(&self, layout: &Layout) -> u64 {
        let void = |row: usize| {
            layout
                .slots(row)
                .filter(|&slot| !self.has(row, slot))
                .count()
        };
        (0..self.rows).map(|row| void(row) as u64).sum()
    }

    /// Drop vertices with two fans or none until there are no more. First come, first dropped, in
    /// the order of rows: the outcome does not depend on anything but the heights.
    fn drop_pinches(&mut self, layout: &Layout, report: &mut MaskReport) {
        let links = Links::new(layout);
        let mut waiting: VecDeque<u32> = (0..self.alive.len())
            .filter(|&v| self.alive[v] != 0 && !links.is_plain(&self.alive, v))
            .map(to_u32)
            .collect();
        let mut link = Vec::new();
        while let Some(v) = waiting.pop_front() {
            let node = v as usize;
            if self.alive[node] == 0 {
                continue;
            }
            links.around(node, &mut link);
            let fans = live_fans(&link, &self.alive);
            if fans == 1 {
                continue;
            }
            self.alive[node] = 0;
            *(if fans == 0 {
                &mut report.loose
            } else {
                &mut report.pinches
            }) += 1;
            let near = link.iter().flatten().copied();
            waiting.extend(near.filter(|&u| self.alive[u as usize] != 0));
        }
    }

    fn keep_largest_part(&mut self, layout: &Layout, report: &mut MaskReport) {
        let mut parts = Parts::new(self.alive.len());
        let links = Links::new(layout);
        links.for_each_triangle(|triangle| {
            if triangle.iter().all(|&v| self.alive[v as usize] != 0) {
                parts.join(triangle[0], triangle[1]);
                parts.join(triangle[0], triangle[2]);
            }
        });
        let mut boxes = std::collections::BTreeMap::<u32, PartBox>::new();
        for v in (0..self.alive.len()).filter(|&v| self.alive[v] != 0) {
            let found = boxes.entry(parts.root(to_u32(v)));
            found.or_default().add(v / self.stride, v % self.stride);
        }
        // Of equal parts the first along the course is kept.
        let largest = boxes
            .iter()
            .max_by_key(|(root, part)| (part.nodes, std::cmp::Reverse(**root)));
        let Some((&main, _)) = largest else { return };
        for v in 0..self.alive.len() {
            if self.alive[v] != 0 && parts.root(to_u32(v)) != main {
                self.alive[v] = 0;
                report.in_other_parts += 1;
            }
        }
        boxes.remove(&main);
        report.parts_dropped = boxes.len() as u64;
        report.parts = largest_first(layout, boxes.into_values().collect());
    }

    fn losses(&self, layout: &Layout, before: &[u8]) -> Vec<SectionLoss> {
        let lattice = &layout.lattice;
        let loss = |section: usize| {
            let [first, last] = lattice.section_rows(section);
            // The last row of an open course has no section of its own.
            let end = if last == lattice.row_gaps() {
                self.rows
            } else {
                last
            };
            let places = first * self.stride..end * self.stride;
            let nodes = places.filter(|&v| before[v] != self.alive[v]).count() as u64;
            let s_m = [lattice.row_s_m(first), lattice.s_step_m * last as f64];
            SectionLoss {
                section,
                s_m,
                nodes,
            }
        };
        (0..lattice.sections())
            .map(loss)
            .filter(|l| l.nodes > 0)
            .collect()
    }
}

fn has_height(field: &FieldRows, local_row: usize, slot: usize) -> bool {
    let columns = field.lattice.columns;
    let rail = |r: &RailNode| r.z_m.is_finite() && r.slope_s.is_finite() && r.slope_t.is_finite();
    if slot == 0 {
        return rail(&field.right[local_row]);
    }
    if slot > columns {
        return rail(&field.left[local_row]);
    }
    let k = local_row * columns + slot - 1;
    field.z_m[k].is_finite() && field.slope_s[k].is_finite() && field.slope_t[k].is_finite()
}

/// In how many fans the live triangles around a vertex lie: pairs of the link whose ends are both
/// alive form chains; each chain is a fan, and so is a closed ring.
fn live_fans(link: &[[u32; 2]], alive: &[u8]) -> usize {
    let live = |pair: &&[u32; 2]| pair.iter().all(|&v| alive[v as usize] != 0);
    let pairs = link.iter().filter(live).count();
    let starts = |v: u32| link.iter().filter(live).any(|pair| pair[0] == v);
    let joints = link
        .iter()
        .filter(live)
        .filter(|pair| starts(pair[1]))
        .count();
    (pairs - joints).max(usize::from(pairs > 0))
}

/// Extent of a part in rows and slots.
#[derive(Debug, Clone, Copy)]
struct PartBox {
    nodes: u64,
    rows: [usize; 2],
    slots: [usize; 2],
}

impl Default for PartBox {
    fn default() -> Self {
        Self {
            nodes: 0,
            rows: [usize::MAX, 0],
            slots: [usize::MAX, 0],
        }
    }
}

impl PartBox {
    fn add(&mut self, row: usize, slot: usize) {
        self.nodes += 1;
        self.rows = [self.rows[0].min(row), self.rows[1].max(row)];
        self.slots = [self.slots[0].min(slot), self.slots[1].max(slot)];
    }
}

fn largest_first(layout: &Layout, mut boxes: Vec<PartBox>) -> Vec<DroppedPart> {
    boxes.sort_by_key(|part| (std::cmp::Reverse(part.nodes), part.rows));
    boxes.truncate(MaskReport::MOST_PARTS);
    let dropped = |part: PartBox| DroppedPart {
        nodes: part.nodes,
        s_m: part.rows.map(|row| layout.lattice.row_s_m(row)),
        t_m: [
            layout.slot_t_m(part.rows[0], part.slots[0]),
            layout.slot_t_m(part.rows[0], part.slots[1]),
        ],
    };
    boxes.into_iter().map(dropped).collect()
}
