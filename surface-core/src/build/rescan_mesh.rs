//! What became of the vertices: the old mesh and the new one, section by section.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::path::Path;

use super::BuildError;
use super::finished::not_a_build;
use super::surface::Mesher;
use crate::export::{VertexRecords, vertex_record};
use crate::field::SECTION_ROWS;
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
    /// Runs of rows that were fitted again, in order.
    pub fitted: &'a [usize],
    /// Whether (section, local x, y) lies in a change or its blending.
    pub is_touched: &'a dyn Fn(usize, [f64; 2]) -> bool,
}

/// Where the vertices of a section begin in both meshes.
#[derive(Debug, Clone, Copy, Default)]
struct Begin {
    old: usize,
    new: usize,
}

impl Meshes<'_> {
    /// Whether a section has the same rows, vertices and triangles in both meshes: then its old
    /// patch is its new one, and need not be made.
    fn is_same(&self, section: usize) -> bool {
        let (old, new) = (self.old, self.new);
        let lattice = new.layout.lattice();
        let last = lattice.section_rows(section)[1];
        let fitted = |run: usize| self.fitted.binary_search(&run).is_ok();
        !fitted(section)
            && !fitted(lattice.wrap(last) / SECTION_ROWS)
            && old.mask.is_same(&new.mask, new.layout, section)
            && old.seams.is_same(&new.seams, section)
    }
}

/// Holds the vertices of both meshes against each other, section by section.
///
/// The old mesh is made again where it may differ, and must be the old file's vertices byte for
/// byte, as must the new one elsewhere: else the old file was made by another version, and nothing
/// could be promised.
pub(super) struct VertexComparison<'a> {
    meshes: Meshes<'a>,
    path: &'a Path,
    file: VertexRecords,
    /// The old vertices' ids and the next that is free; `None` where they are the indices.
    ids: (Option<Vec<u32>>, u32),
    out: VertexChanges,
    begin: Begin,
    /// Vertices that are new: index and the end of their line in the table.
    fresh: Vec<(usize, String)>,
}

impl<'a> VertexComparison<'a> {
    /// Begin with the old `surface.ply` and its vertices' ids.
    pub fn new(
        meshes: Meshes<'a>,
        path: &'a Path,
        ids: (Option<Vec<u32>>, u32),
    ) -> Result<Self, BuildError> {
        Ok(Self {
            meshes,
            path,
            file: VertexRecords::open(path)?,
            ids,
            out: VertexChanges {
                counts: VertexCounts {
                    same_indices: true,
                    ..VertexCounts::default()
                },
                ids: Vec::new(),
                table: String::from(HEAD),
            },
            begin: Begin::default(),
            fresh: Vec::new(),
        })
    }

    /// Take the new mesh's next section.
    pub fn next(&mut self, new: &Patch) -> Result<(), BuildError> {
        let section = new.section;
        let lattice = *self.meshes.new.layout.lattice();
        let owned_new = owned(new, section, &lattice);
        if self.meshes.is_same(section) {
            self.check(new, owned_new)?;
            self.keep(owned_new);
            return Ok(());
        }
        let old = self.meshes.old.patch(section)?.0;
        let owned_old = owned(&old, section, &lattice);
        self.check(&old, owned_old)?;
        let both = Both {
            old: (&old, owned_old),
            new: (new, owned_new),
            begin: self.begin,
            ids: self.ids.0.as_deref(),
        };
        let is_touched = |at| (self.meshes.is_touched)(section, at);
        both.compare(&is_touched, &mut self.out, &mut self.fresh);
        self.begin.old += owned_old;
        self.begin.new += owned_new;
        Ok(())
    }

    /// The next `count` vertices of the old file are the first of `patch`.
    fn check(&mut self, patch: &Patch, count: usize) -> Result<(), BuildError> {
        if self.file.next_are(patch, count)? {
            return Ok(());
        }
        let why =
            "another version of this program made this mesh of the same heights: build it again";
        Err(not_a_build(self.path, why))
    }

    /// The next `count` vertices stay as they are.
    fn keep(&mut self, count: usize) {
        let first = self.begin.old;
        let own = first..first + count;
        match &self.ids.0 {
            Some(ids) => self.out.ids.extend(own.map(|k| old_id(Some(ids), k))),
            None => self.out.ids.extend(own.map(to_u32)),
        }
        self.out.counts.kept += count as u64;
        self.out.counts.same_indices &= count == 0 || self.begin.old == self.begin.new;
        self.begin.old += count;
        self.begin.new += count;
    }

    /// All sections have come: there must be as many old ids as old vertices.
    pub fn finish(mut self) -> Result<VertexChanges, BuildError> {
        if let (Some(ids), _) = &self.ids
            && ids.len() != self.begin.old
        {
            let why = format!("it has {} vertices, ids.npy {}", self.begin.old, ids.len());
            return Err(not_a_build(self.path, why));
        }
        let first = match &self.ids {
            (None, _) => to_u32(self.begin.old),
            (Some(_), next) => *next,
        };
        number_fresh(&mut self.out, &self.fresh, first);
        Ok(self.out)
    }
}

/// The id of an old vertex: the one given, or its index.
fn old_id(ids: Option<&[u32]>, index: usize) -> u32 {
    let given = ids.and_then(|ids| ids.get(index).copied());
    given.unwrap_or(to_u32(index))
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
            let id = old_id(self.ids, old_index);
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
            let id = old_id(self.ids, index);
            out.counts.removed += 1;
            out.counts.outside += u64::from(!is_touched([x, y]));
            let _ = writeln!(out.table, "removed,{id},{index},,{x},{y},{z},");
        }
    }
}
