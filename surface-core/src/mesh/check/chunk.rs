//! The check of a piece of mesh whose vertices are known with all their triangles.

use super::super::parts::Parts;
use super::hanging::hanging_vertices;
use super::result::MeshCheck;

/// Least area of a triangle in plan, m²: 0.01 mm². At a spacing of 0.1 m that is a height of
/// 0.2 µm; honest triangles are 10⁴ times larger, rounding at 40 km is 10⁵ times smaller.
const LEAST_AREA_M2: f64 = 1e-8;

/// sin² of 15°, the least angle of a triangle that touches no rail.
const SLIVER_SINE2: f64 = 0.066_987_298_107_780_66;
/// sin² of 60°: no triangle has a greater least angle.
const MOST_SINE2: f64 = 0.75;

/// Which triangles of a vertex the chunk holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Known {
    /// All of them.
    All,
    /// Not yet those beyond the first row.
    NotBeforeFirst,
    /// Not yet those beyond the last row.
    NotAfterLast,
    /// The vertex was checked with an earlier chunk and is here only to complete others.
    Earlier,
}

/// A piece of mesh.
#[derive(Debug, Default)]
pub(super) struct Chunk {
    pub positions_m: Vec<[f64; 3]>,
    pub known: Vec<Known>,
    /// Number of each vertex in the whole mesh.
    pub names: Vec<u32>,
    /// Rail vertices; `None` to take the border's.
    pub on_rail: Option<Vec<bool>>,
    /// Triangles; those from `fresh` on were counted with an earlier chunk.
    pub faces: Vec<[u32; 3]>,
    pub fresh: usize,
}

/// Sums over all chunks.
#[derive(Debug)]
pub(super) struct Sums {
    pub check: MeshCheck,
    pub parts: Parts,
    pub loops: Loops,
    least_sine2: f64,
    least_sine2_off_rails: f64,
}

/// Border loops, by union-find over the vertices of border edges.
#[derive(Debug, Default)]
pub(super) struct Loops {
    place: std::collections::HashMap<u32, u32>,
    parts: Parts,
}

impl Loops {
    fn add(&mut self, a: u32, b: u32) {
        let [a, b] = [a, b].map(|v| {
            let next = crate::numeric::to_u32(self.place.len());
            *self.place.entry(v).or_insert(next)
        });
        self.parts.grow(self.place.len());
        self.parts.join(a, b);
    }

    pub(super) fn count(&mut self) -> u64 {
        self.parts.count() as u64
    }
}

/// The triangles around each vertex: the edge opposite it, with the vertex on the left.
struct Fans {
    start: Vec<usize>,
    links: Vec<[u32; 2]>,
}

impl Fans {
    fn new(chunk: &Chunk) -> Self {
        let mut start = vec![0; chunk.positions_m.len() + 2];
        for &v in chunk.faces.iter().flatten() {
            start[v as usize + 2] += 1;
        }
        for k in 2..start.len() {
            start[k] += start[k - 1];
        }
        let mut links = vec![[0; 2]; 3 * chunk.faces.len()];
        for &[a, b, c] in &chunk.faces {
            for (v, link) in [(a, [b, c]), (b, [c, a]), (c, [a, b])] {
                let place = &mut start[v as usize + 1];
                links[*place] = link;
                *place += 1;
            }
        }
        Self { start, links }
    }

    fn of(&self, v: usize) -> &[[u32; 2]] {
        &self.links[self.start[v]..self.start[v + 1]]
    }
}

/// How the triangles around a vertex hang together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fan {
    /// There are none.
    None,
    /// A closed ring.
    Ring,
    /// A fan with two open sides.
    Open,
    /// Anything else.
    Broken,
}

fn fan(links: &[[u32; 2]]) -> Fan {
    let Some(&any) = links.first() else {
        return Fan::None;
    };
    let starts = |link: &&[u32; 2]| !links.iter().any(|other| other[1] == link[0]);
    let first = *links.iter().find(starts).unwrap_or(&any);
    let mut at = first[1];
    let mut walked = 1;
    while let Some(next) = links.iter().find(|link| link[0] == at) {
        if at == first[0] || walked == links.len() {
            break;
        }
        at = next[1];
        walked += 1;
    }
    match (walked == links.len(), at == first[0]) {
        (true, true) => Fan::Ring,
        (true, false) => Fan::Open,
        _ => Fan::Broken,
    }
}

impl Default for Sums {
    fn default() -> Self {
        Self {
            check: MeshCheck::default(),
            parts: Parts::default(),
            loops: Loops::default(),
            least_sine2: MOST_SINE2,
            least_sine2_off_rails: MOST_SINE2,
        }
    }
}

impl Sums {
    /// Check a chunk.
    pub(super) fn add(&mut self, chunk: &Chunk) {
        let fans = Fans::new(chunk);
        let mut border = Vec::new();
        for v in 0..chunk.positions_m.len() {
            if chunk.known[v] == Known::Earlier {
                continue;
            }
            let links = fans.of(v);
            let fan = fan(links);
            if chunk.known[v] == Known::All {
                self.add_vertex(fan);
            }
            if fan == Fan::Ring {
                self.add_ring(chunk, v, links);
            } else {
                self.add_edges(chunk, v, links, &mut border);
            }
        }
        for &[a, b] in &border {
            self.loops
                .add(chunk.names[a as usize], chunk.names[b as usize]);
        }
        self.check.hanging_vertices += hanging_vertices(&chunk.positions_m, &border);
        let on_rail = chunk.on_rail.clone().unwrap_or_else(|| {
            let mut on_rail = vec![false; chunk.positions_m.len()];
            border
                .iter()
                .flatten()
                .for_each(|&v| on_rail[v as usize] = true);
            on_rail
        });
        for face in &chunk.faces[..chunk.fresh] {
            self.add_face(chunk, face, &on_rail);
        }
    }

    fn add_vertex(&mut self, fan: Fan) {
        self.check.loose_vertices += u64::from(fan == Fan::None);
        self.check.pinches += u64::from(fan == Fan::Broken);
    }

    /// Count the edges of a vertex whose triangles form a ring: all have two triangles, one on
    /// either side.
    fn add_ring(&mut self, chunk: &Chunk, v: usize, links: &[[u32; 2]]) {
        let later = |u: u32| u as usize > v && is_settled(chunk.known[v], chunk.known[u as usize]);
        self.check.edges += links.iter().filter(|link| later(link[0])).count() as u64;
    }

    /// Count the edges from `v` to vertices after it, and the triangles whose first vertex it is.
    fn add_edges(
        &mut self,
        chunk: &Chunk,
        v: usize,
        links: &[[u32; 2]],
        border: &mut Vec<[u32; 2]>,
    ) {
        let name = crate::numeric::to_u32(v);
        for (k, &[p, q]) in links.iter().enumerate() {
            for (u, leaves) in [(p, true), (q, false)] {
                let seen = links[..k].iter().flatten().any(|&w| w == u) || (!leaves && u == p);
                if u <= name || seen || !is_settled(chunk.known[v], chunk.known[u as usize]) {
                    continue;
                }
                let out = links.iter().filter(|link| link[0] == u).count();
                let back = links.iter().filter(|link| link[1] == u).count();
                self.add_edge(out, back);
                if out + back == 1 {
                    border.push(if leaves { [name, u] } else { [u, name] });
                }
            }
            let same = |other: &&[u32; 2]| **other == [p, q] || **other == [q, p];
            let fresh = chunk.known[p as usize] != Known::Earlier
                && chunk.known[q as usize] != Known::Earlier;
            if p > name && q > name && fresh && links[..k].iter().any(|other| same(&other)) {
                self.check.duplicate_faces += 1;
            }
        }
    }

    fn add_edge(&mut self, out: usize, back: usize) {
        let check = &mut self.check;
        check.edges += 1;
        match (out, back) {
            (1, 1) => {}
            (1, 0) | (0, 1) => check.border_edges += 1,
            (2, 0) | (0, 2) => check.twisted_edges += 1,
            _ => check.crowded_edges += 1,
        }
    }

    fn add_face(&mut self, chunk: &Chunk, face: &[u32; 3], on_rail: &[bool]) {
        let [a, b, c] = face.map(|v| chunk.names[v as usize]);
        self.parts.join(a, b);
        self.parts.join(a, c);
        let [p, q, r] = face.map(|v| chunk.positions_m[v as usize]);
        let side = |from: [f64; 3], to: [f64; 3]| [to[0] - from[0], to[1] - from[1]];
        let (u, v, w) = (side(p, q), side(p, r), side(q, r));
        let twice_area = u[0] * v[1] - u[1] * v[0];
        let mut squares = [u, v, w].map(|e| e[0] * e[0] + e[1] * e[1]);
        squares.sort_unstable_by(f64::total_cmp);
        let check = &mut self.check;
        check.faces += 1;
        check.area_m2 += 0.5 * twice_area.abs();
        check.longest_edge_m = check.longest_edge_m.max(squares[2].sqrt());
        if twice_area.abs() < 2.0 * LEAST_AREA_M2 || a == b || b == c || a == c {
            check.degenerate_faces += 1;
        } else if twice_area < 0.0 {
            check.flipped_faces += 1;
        }
        // The least angle lies between the two longer sides; it is at most 60°, where the sine
        // still grows with the angle.
        let sine2 = twice_area * twice_area / (squares[1] * squares[2]);
        self.least_sine2 = self.least_sine2.min(sine2);
        if !face.iter().any(|&v| on_rail[v as usize]) {
            self.least_sine2_off_rails = self.least_sine2_off_rails.min(sine2);
            self.check.slivers += u64::from(sine2 < SLIVER_SINE2);
        }
    }

    /// Everything has been added: sum up.
    pub(super) fn finish(mut self) -> MeshCheck {
        let angle = |sine2: f64| sine2.sqrt().asin().to_degrees();
        let mut check = self.check;
        check.least_angle_deg = angle(self.least_sine2);
        check.least_angle_off_rails_deg = angle(self.least_sine2_off_rails);
        // A loose vertex is a set of its own, but no part.
        check.parts = self.parts.count() as u64 - check.loose_vertices;
        check.border_loops = self.loops.count();
        let signed = |count: u64| i64::try_from(count).unwrap_or(i64::MAX);
        check.euler = signed(check.vertices) - signed(check.edges) + signed(check.faces);
        // An uneven remainder is no sheet at all; rounding up keeps it from looking like one.
        let excess = 2 * signed(check.parts) - signed(check.border_loops) - check.euler;
        check.handles = excess / 2 + excess % 2;
        check
    }
}

/// Whether all triangles of the edge between two vertices are here.
fn is_settled(a: Known, b: Known) -> bool {
    a != Known::Earlier && b != Known::Earlier && (a == Known::All || a != b)
}
