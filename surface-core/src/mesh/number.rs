//! The numbers that vertices of patches bear in the whole mesh.

use super::{MeshError, Patch};

/// Numbers the vertices of patches that come in order. A row that two patches share belongs to
/// the later one; the last row of a closed course is the first row of its first patch.
#[derive(Debug, Clone)]
pub(super) struct Numbering {
    sections: usize,
    closed: bool,
    next_section: usize,
    base: u64,
}

/// The numbers of one patch.
#[derive(Debug, Clone, Copy)]
pub(super) struct Numbers {
    base: u32,
    /// Vertices that this patch owns; they stand first.
    pub owned: usize,
    /// Number of the first vertex of the last row.
    last_row: u32,
    /// Whether the last row is the first row of the course.
    pub wraps: bool,
    /// Whether a patch follows that shares the last row.
    pub continues: bool,
}

impl Numbers {
    /// The number of the patch's vertex `v`.
    #[inline]
    pub(super) fn name(&self, v: u32) -> u32 {
        match (v as usize).checked_sub(self.owned) {
            None => self.base + v,
            Some(k) => self.last_row + crate::numeric::to_u32(k),
        }
    }
}

impl Numbering {
    pub(super) fn new(sections: usize, closed: bool) -> Self {
        Self {
            sections,
            closed,
            next_section: 0,
            base: 0,
        }
    }

    pub(super) fn is_closed(&self) -> bool {
        self.closed
    }

    /// Vertices numbered so far, without the row shared with the next patch.
    pub(super) fn count(&self) -> usize {
        usize::try_from(self.base).unwrap_or(usize::MAX)
    }

    fn is_done(&self) -> bool {
        self.next_section == self.sections
    }

    /// Whether all patches have come.
    pub(super) fn check_done(&self) -> Result<(), MeshError> {
        let (expected, got) = (self.sections, self.next_section);
        if self.is_done() {
            Ok(())
        } else {
            Err(MeshError::OutOfOrder { expected, got })
        }
    }

    /// Number the vertices of the next patch.
    pub(super) fn next(&mut self, patch: &Patch) -> Result<Numbers, MeshError> {
        if patch.section != self.next_section || self.is_done() {
            let (expected, got) = (self.next_section, patch.section);
            return Err(MeshError::OutOfOrder { expected, got });
        }
        self.next_section += 1;
        let wraps = self.closed && self.is_done();
        let continues = !self.is_done();
        let shared = if wraps || continues {
            patch.last_row_vertices
        } else {
            0
        };
        let owned = patch.positions_m.len() - shared;
        let base = u32::try_from(self.base).map_err(|_| MeshError::TooLarge)?;
        self.base += owned as u64;
        let end = u32::try_from(self.base + shared as u64).map_err(|_| MeshError::TooLarge)?;
        let last_row = if wraps {
            0
        } else {
            end - crate::numeric::to_u32(shared)
        };
        Ok(Numbers {
            base,
            owned,
            last_row,
            wraps,
            continues,
        })
    }
}
