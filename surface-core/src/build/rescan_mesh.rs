//! What became of the vertices: the old mesh and the new one, section by section.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::path::Path;

use super::BuildError;
use super::finished::not_a_build;
use super::order::in_order;
use super::surface::Mesher;
use crate::export::{VertexRecords, vertex_record};
use crate::mesh::Patch;
use crate::numeric::to_u32;
use crate::report::VertexCounts;

/// Columns of `vertices.csv`.
const HEAD: &str = "what,id,old_index,new_index,x_m,y_m,old_z_m,new_z_m\n";

/// The vertices of both meshes, held against each other.
#[derive(Debug)]
pub(super) struct VertexChanges {
    pub counts: VertexCounts,
    /// Ids of the new mesh's vertices, in order.
    pub ids: Vec<u32>,
    /// `vertices.csv`.
    pub table: String,
}

/// Old and new mesh.
pub(super) struct Meshes<'a> {
    pub old: &'a Mesher<'a>,
    pub new: &'a Mesher<'a>,
    /// The old `surface.ply`.
    pub old_file: &'a Path,
    /// The old vertices' ids and the next that is free; `None` where they are the indices.
    pub old_ids: (Option<Vec<u32>>, u32),
}

/// Where the vertices of a section begin in both meshes.
#[derive(Debug, Clone, Copy, Default)]
struct Begin {
    old: usize,
    new: usize,
}

impl Meshes<'_> {
    /// Hold the meshes against each other; `is_touched` tells whether (section, local x, y) lies in
    /// a change or its blending.
    ///
    /// The old mesh is made again and must be the old file's vertices byte for byte: else it was
    /// made by another version, and nothing could be promised.
    pub fn compare(
        &self,
        is_touched: &(dyn Fn(usize, [f64; 2]) -> bool + Sync),
    ) -> Result<VertexChanges, BuildError> {
        let lattice = *self.new.layout.lattice();
        let sections: Vec<usize> = (0..lattice.sections()).collect();
        let mut file = VertexRecords::open(self.old_file)?;
        let mut out = VertexChanges {
            counts: VertexCounts {
                same_indices: true,
                ..VertexCounts::default()
            },
            ids: Vec::new(),
            table: String::from(HEAD),
        };
        let mut begin = Begin::default();
        let mut fresh = Vec::new();
        in_order(
            &sections,
            |&section| {
                let (old, new) = (self.old.patch(section)?.0, self.new.patch(section)?.0);
                Ok::<_, BuildError>((old, new))
            },
            |&section, (old, new)| {
                let [owned_old, owned_new] = [&old, &new].map(|p| owned(p, section, &lattice));
                if !file.next_are(&old, owned_old)? {
                    let why = "another version of this program made this mesh of the same heights: build it again";
                    return Err(not_a_build(self.old_file, why));
                }
                let both = Both {
                    old: (&old, owned_old),
                    new: (&new, owned_new),
                    begin,
                    ids: self.old_ids.0.as_deref(),
                };
                both.compare(&|at| is_touched(section, at), &mut out, &mut fresh);
                begin.old += owned_old;
                begin.new += owned_new;
                Ok(())
            },
        )?;
        if let (Some(ids), _) = &self.old_ids
            && ids.len() != begin.old
        {
            let why = format!("it has {} vertices, ids.npy {}", begin.old, ids.len());
            return Err(not_a_build(self.old_file, why));
        }
        let first = match &self.old_ids {
            (None, _) => to_u32(begin.old),
            (Some(_), next) => *next,
        };
        number_fresh(&mut out, &fresh, first);
        Ok(out)
    }
}

/// New vertices get the ids that were never given.
fn number_fresh(out: &mut VertexChanges, fresh: &[(usize, String)], first: u32) {
    for (id, (index, end)) in (first..).zip(fresh) {
        out.ids[*index] = id;
        let _ = writeln!(out.table, "added,{id},,{index},{end}");
    }
    out.counts.next_id = first + to_u32(fresh.len());
}

/// How many vertices of a patch are its own: a row that two patches share is the later one's.
fn owned(patch: &Patch, section: usize, lattice: &crate::field::Lattice) -> usize {
    let last = section + 1 == lattice.sections();
    let shared = if lattice.closed || !last {
        patch.last_row_vertices
    } else {
        0
    };
    patch.positions_m.len() - shared
}

/// The old and the new patch of one section.
struct Both<'a> {
    old: (&'a Patch, usize),
    new: (&'a Patch, usize),
    begin: Begin,
    ids: Option<&'a [u32]>,
}

impl Both<'_> {
    fn old_id(&self, index: usize) -> u32 {
        let given = self.ids.and_then(|ids| ids.get(index).copied());
        given.unwrap_or(to_u32(index))
    }

    /// Vertices at the same place in plan are the same vertex.
    fn compare(
        &self,
        is_touched: &dyn Fn([f64; 2]) -> bool,
        out: &mut VertexChanges,
        fresh: &mut Vec<(usize, String)>,
    ) {
        let ((old, owned_old), (new, owned_new)) = (self.old, self.new);
        let key = |p: [f64; 3]| [p[0].to_bits(), p[1].to_bits()];
        let mut free: HashMap<[u64; 2], usize> = (0..owned_old)
            .map(|v| (key(old.positions_m[v]), v))
            .collect();
        for v in 0..owned_new {
            let (at, index) = (new.positions_m[v], self.begin.new + v);
            let Some(was) = free.remove(&key(at)) else {
                out.counts.added += 1;
                out.counts.outside += u64::from(!is_touched([at[0], at[1]]));
                fresh.push((index, format!("{},{},,{}", at[0], at[1], at[2])));
                out.ids.push(u32::MAX);
                continue;
            };
            let old_index = self.begin.old + was;
            let id = self.old_id(old_index);
            out.ids.push(id);
            if vertex_record(old, was) == vertex_record(new, v) {
                out.counts.kept += 1;
                out.counts.same_indices &= old_index == index;
            } else {
                out.counts.moved += 1;
                out.counts.outside += u64::from(!is_touched([at[0], at[1]]));
                let [x, y, z] = at;
                let before = old.positions_m[was][2];
                let _ = writeln!(
                    out.table,
                    "moved,{id},{old_index},{index},{x},{y},{before},{z}"
                );
            }
        }
        self.gone(free, is_touched, out);
    }

    fn gone(
        &self,
        free: HashMap<[u64; 2], usize>,
        is_touched: &dyn Fn([f64; 2]) -> bool,
        out: &mut VertexChanges,
    ) {
        let mut gone: Vec<usize> = free.into_values().collect();
        gone.sort_unstable();
        for v in gone {
            let [x, y, z] = self.old.0.positions_m[v];
            let index = self.begin.old + v;
            let id = self.old_id(index);
            out.counts.removed += 1;
            out.counts.outside += u64::from(!is_touched([x, y]));
            let _ = writeln!(out.table, "removed,{id},{index},,{x},{y},{z},");
        }
    }
}
