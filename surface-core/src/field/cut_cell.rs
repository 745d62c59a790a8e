//! What a cell says that a breakline crosses: of either side, and of no face between them.

use super::block_noise::BlockPlanes;
use super::cells::{Sorted, one_cell};
use super::cuts::{CellPart, Cuts, FACE_M};
use super::lattice::Lattice;

/// Breaklines within this share of a cell's diagonal of its node are asked whether they or their faces
/// cross the cell: more than a half, and a face's reach more.
const CELL_REACH: f64 = 0.75;

/// The observations of a cell that a breakline crosses: first that of what its node sees, then those of
/// what lies beyond, by the line that hides it; single points beyond are not kept, they could be strays.
///
/// Points of a face tell the height of neither side.
pub(super) fn cut_cell(
    sorted: &Sorted,
    blocks: &BlockPlanes,
    lattice: &Lattice,
    (cell, node): (usize, [f64; 2]),
    cuts: &Cuts,
    scratch: &mut Vec<(f64, f64, usize)>,
) -> Vec<CellPart> {
    let reach_m = CELL_REACH * lattice.s_step_m.hypot(lattice.t_step_m) + FACE_M;
    let sight = cuts.around(node, reach_m);
    let first = sorted.start[cell];
    let place = |k: usize| {
        let (at, sight) = ([sorted.s[k], sorted.t[k]], sight.as_ref()?);
        Some((sight.hidden_by(at), sight.is_on_face(at)))
    };
    let points = first..sorted.start[cell + 1];
    let places: Vec<(Option<u32>, bool)> =
        points.map(|k| place(k).unwrap_or((None, false))).collect();
    let mut sides: Vec<Option<u32>> = places.iter().map(|(side, _)| *side).collect();
    // The node's own side comes first, points or no points.
    sides.push(None);
    sides.sort_unstable();
    sides.dedup();
    let mut parts = Vec::with_capacity(sides.len());
    for side in sides {
        let counts = |k: usize| places[k - first] == (side, false);
        let part = one_cell(sorted, blocks, (cell, node), &counts, scratch);
        if side.is_none() || part.n > 1 {
            parts.push(part);
        }
    }
    parts
}
