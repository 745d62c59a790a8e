//! Triangles where the lattice is not regular: along rails and where rows are thinned.

use spade::{ConstrainedDelaunayTriangulation, HasPosition, Point2, Triangulation};

/// A vertex of the rim and its name.
#[derive(Debug, Clone, Copy)]
pub(super) struct RimVertex {
    pub at_m: [f64; 2],
    pub id: u32,
}

impl HasPosition for RimVertex {
    type Scalar = f64;

    fn position(&self) -> Point2<f64> {
        // The triangulation refuses numbers below 2^-142 that are not zero.
        let flush = |v: f64| if v.abs() < 1e-40 { 0.0 } else { v };
        Point2::new(flush(self.at_m[0]), flush(self.at_m[1]))
    }
}

/// The rim cannot be triangulated: constraints cross or vertices coincide.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Crossing;

/// The constrained Delaunay triangles of the region that lies left of every border edge
/// (pairs of positions in `vertices`), as vertex names, anticlockwise.
///
/// Method: constrained Delaunay triangulation with exact predicates (crate `spade`), then a flood
/// from the left of the border edges that does not cross a border edge.
pub(super) fn triangulate(
    vertices: Vec<RimVertex>,
    border: &[[usize; 2]],
) -> Result<Vec<[u32; 3]>, Crossing> {
    triangulate_along(vertices, border, &[])
}

/// [`triangulate`] with edges inside the region that must be sides of triangles.
pub(super) fn triangulate_along(
    vertices: Vec<RimVertex>,
    border: &[[usize; 2]],
    inner: &[[usize; 2]],
) -> Result<Vec<[u32; 3]>, Crossing> {
    let count = vertices.len();
    let mut crossings = 0;
    let edges = [border, inner].concat();
    let mesh = Cdt::try_bulk_load_cdt(vertices, edges, |_| crossings += 1);
    let mesh = mesh.map_err(|_| Crossing)?;
    if crossings > 0 || mesh.num_vertices() != count {
        return Err(Crossing);
    }
    let inside = flood(&mesh, border, inner)?;
    let triangle = |face: spade::handles::FaceHandle<'_, _, _, _, _, _>| {
        face.vertices()
            .map(|v: spade::handles::VertexHandle<'_, RimVertex, _, _, _>| v.data().id)
    };
    let faces = mesh.inner_faces().filter(|face| inside[face.index()]);
    Ok(faces.map(triangle).collect())
}

type Cdt = ConstrainedDelaunayTriangulation<RimVertex>;

/// Which faces can be reached from the left of a border edge, or from an inner edge, without
/// crossing a border edge. (Inner edges stop the flood as well, but it starts on both sides.)
fn flood(mesh: &Cdt, border: &[[usize; 2]], inner: &[[usize; 2]]) -> Result<Vec<bool>, Crossing> {
    let handle = spade::handles::FixedVertexHandle::from_index;
    let mut inside = vec![false; mesh.num_all_faces()];
    let mut waiting = Vec::new();
    let back = inner.iter().map(|&[from, to]| [to, from]);
    for [from, to] in border.iter().chain(inner).copied().chain(back) {
        let edge = mesh.get_edge_from_neighbors(handle(from), handle(to));
        // A border edge is missing when another vertex lies on it.
        let edge = edge.filter(|e| e.is_constraint_edge()).ok_or(Crossing)?;
        let face = edge.face().as_inner().ok_or(Crossing)?;
        waiting.push(face);
    }
    while let Some(face) = waiting.pop() {
        if std::mem::replace(&mut inside[face.index()], true) {
            continue;
        }
        let beyond = face
            .adjacent_edges()
            .into_iter()
            .filter(|e| !e.is_constraint_edge());
        for edge in beyond {
            waiting.push(edge.rev().face().as_inner().ok_or(Crossing)?);
        }
    }
    Ok(inside)
}
