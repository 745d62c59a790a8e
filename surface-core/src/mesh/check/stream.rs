//! The check of patches as they come.

use super::super::number::{Numbering, Numbers};
use super::super::{MeshError, Patch};
use super::MeshCheck;
use super::chunk::{Chunk, Known, Sums};

/// A normal may be off unit length by what single precision makes of it.
const UNIT_NORMAL_TOLERANCE: f32 = 1e-5;

/// Checks patches that come in order, keeping only a patch's border between them.
///
/// A patch is checked together with the triangles of its neighbour that touch the common row, so
/// what holds across borders is found by the same code as what holds inside.
#[derive(Debug)]
pub struct MeshChecker {
    numbering: Numbering,
    sums: Sums,
    /// Triangles of the first patch that touch the first row (closed courses).
    first: Option<Border>,
    /// Triangles of the patch before that touch its last row.
    before: Option<Border>,
}

/// The triangles of a patch that touch its first or last row.
#[derive(Debug, Clone, Default)]
struct Border {
    /// Vertices of the row.
    row: Vec<[f64; 3]>,
    /// Other corners of the triangles.
    others: Vec<[f64; 3]>,
    names: Vec<u32>,
    /// Triangles: below `row.len()` a vertex of the row, from there on one of `others`.
    faces: Vec<[u32; 3]>,
}

impl Border {
    /// The triangles of `patch` that touch vertices `row`, which stand together.
    fn new(patch: &Patch, numbers: &Numbers, row: std::ops::Range<usize>) -> Self {
        let mut border = Self {
            row: patch.positions_m[row.clone()].to_vec(),
            ..Self::default()
        };
        let mut place = std::collections::HashMap::new();
        for face in &patch.faces {
            if !face.iter().any(|&v| row.contains(&(v as usize))) {
                continue;
            }
            let mapped = face.map(|v| {
                let k = v as usize;
                if row.contains(&k) {
                    return crate::numeric::to_u32(k - row.start);
                }
                *place.entry(v).or_insert_with(|| {
                    border.others.push(patch.positions_m[k]);
                    border.names.push(numbers.name(v));
                    crate::numeric::to_u32(row.len() + border.others.len() - 1)
                })
            });
            border.faces.push(mapped);
        }
        border
    }
}

impl MeshChecker {
    /// A check of a course of `sections` patches; at least two when it is closed.
    #[must_use]
    pub fn new(sections: usize, closed: bool) -> Self {
        Self {
            numbering: Numbering::new(sections, closed),
            sums: Sums::default(),
            first: None,
            before: None,
        }
    }

    /// Check the next patch.
    ///
    /// # Errors
    /// [`MeshError::OutOfOrder`] when it is not the next, [`MeshError::TooLarge`] beyond 2³²
    /// vertices.
    pub fn add(&mut self, patch: &Patch) -> Result<(), MeshError> {
        let numbers = self.numbering.next(patch)?;
        self.count_vertices(patch, &numbers);
        let mut chunk = chunk_of(patch, &numbers);
        let rows = [
            0..patch.first_row_vertices,
            patch.positions_m.len() - patch.last_row_vertices..patch.positions_m.len(),
        ];
        let opens_ring = patch.section == 0 && self.numbering.is_closed();
        if opens_ring {
            chunk.known[rows[0].clone()].fill(Known::NotBeforeFirst);
            self.first = Some(Border::new(patch, &numbers, rows[0].clone()));
        }
        if let Some(before) = self.before.take() {
            self.complete(&mut chunk, &before, rows[0].clone());
        }
        if let Some(first) = self.first.take_if(|_| numbers.wraps) {
            self.complete(&mut chunk, &first, rows[1].clone());
        }
        if numbers.continues {
            chunk.known[rows[1].clone()].fill(Known::NotAfterLast);
            self.before = Some(Border::new(patch, &numbers, rows[1].clone()));
        }
        self.sums.add(&chunk);
        Ok(())
    }

    /// Add the triangles beyond a border row to a chunk, so that the row's vertices have all of
    /// theirs.
    fn complete(&mut self, chunk: &mut Chunk, border: &Border, row: std::ops::Range<usize>) {
        let count = row.len().max(border.row.len());
        let alike = border.row.iter().zip(&chunk.positions_m[row.clone()]);
        let alike = alike
            .filter(|(a, b)| a.map(f64::to_bits) == b.map(f64::to_bits))
            .count();
        self.sums.check.unlike_border_vertices += (count - alike) as u64;
        if row.len() != border.row.len() {
            // Nothing fits: the numbers of the row are not the same vertices.
            return;
        }
        let others = chunk.positions_m.len();
        chunk.positions_m.extend(&border.others);
        chunk.names.extend(&border.names);
        chunk.known.resize(chunk.positions_m.len(), Known::Earlier);
        if let Some(on_rail) = &mut chunk.on_rail {
            on_rail.resize(chunk.positions_m.len(), false);
        }
        let place = |v: u32| match (v as usize).checked_sub(row.len()) {
            None => v + crate::numeric::to_u32(row.start),
            Some(k) => crate::numeric::to_u32(others + k),
        };
        chunk
            .faces
            .extend(border.faces.iter().map(|f| f.map(place)));
    }

    fn count_vertices(&mut self, patch: &Patch, numbers: &Numbers) {
        let good = |v: usize| {
            patch.positions_m[v].iter().all(|c| c.is_finite()) && is_upward_unit(&patch.normals[v])
        };
        let bad = (0..numbers.owned).filter(|&v| !good(v)).count();
        self.sums.check.vertices += numbers.owned as u64;
        self.sums.check.bad_vertices += bad as u64;
        let last = (0..patch.positions_m.len())
            .last()
            .map(crate::numeric::to_u32);
        if let Some(last) = last {
            let end = if numbers.wraps {
                0
            } else {
                numbers.name(last) as usize + 1
            };
            self.sums.parts.grow(end.max(self.numbering.count()));
        }
    }

    /// What was found.
    ///
    /// # Errors
    /// [`MeshError::OutOfOrder`] when patches are missing.
    pub fn finish(self) -> Result<MeshCheck, MeshError> {
        self.numbering.check_done()?;
        Ok(self.sums.finish())
    }
}

/// Whether a normal has unit length and points up.
pub(super) fn is_upward_unit(n: &[f32; 3]) -> bool {
    let length = (n[0] * n[0] + n[1] * n[1] + n[2] * n[2]).sqrt();
    (length - 1.0).abs() <= UNIT_NORMAL_TOLERANCE && n[2] > 0.0
}

/// The patch alone.
fn chunk_of(patch: &Patch, numbers: &Numbers) -> Chunk {
    let count = patch.positions_m.len();
    Chunk {
        positions_m: patch.positions_m.clone(),
        known: vec![Known::All; count],
        names: (0..crate::numeric::to_u32(count))
            .map(|v| numbers.name(v))
            .collect(),
        on_rail: Some(patch.on_rail.clone()),
        faces: patch.faces.clone(),
        fresh: patch.faces.len(),
    }
}
