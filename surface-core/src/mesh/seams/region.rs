//! New triangles for the cells of one section that rails cross.

use std::collections::{BTreeMap, HashMap};

use super::super::layout::Layout;
use super::super::rim::{RimVertex, triangulate_along};
use super::pieces::Taken;
use super::sheet::SectionSeams;
use crate::numeric::to_u32;

/// Least area of a triangle in plan, m²: twice what counts as degenerate.
const LEAST_AREA_M2: f64 = 2e-8;
/// sin² of 15.5°: triangles between nodes alone must not have a smaller angle.
const LEAST_SINE2: f64 = 0.0714;

/// The triangles came out badly: near a place, or all over the section.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Bad {
    Near([f64; 2]),
    Everywhere,
}

/// The cells of one section that are triangulated anew.
pub(super) struct Region<'a> {
    layout: &'a Layout,
    taken: &'a Taken,
    rows: [usize; 2],
    seams: &'a SectionSeams,
}

/// A vertex of the region: its name in the section and its place.
type Named = (u32, [f64; 2]);

impl<'a> Region<'a> {
    pub fn new(
        layout: &'a Layout,
        taken: &'a Taken,
        section: usize,
        seams: &'a SectionSeams,
    ) -> Self {
        Self {
            layout,
            taken,
            rows: layout.lattice().section_rows(section),
            seams,
        }
    }

    /// The triangles, as names in the section; `rails` are pairs of such names.
    pub fn triangulate(&self, rails: &[[u32; 2]]) -> Result<Vec<[u32; 3]>, Bad> {
        let mut position: HashMap<u32, usize> = HashMap::new();
        let mut vertices: Vec<RimVertex> = Vec::new();
        let mut put = |(id, at_m): Named| {
            position.entry(id).or_insert_with(|| {
                vertices.push(RimVertex { at_m, id });
                vertices.len() - 1
            });
        };
        self.nodes().into_iter().for_each(&mut put);
        let first = self.first_name();
        let seam = self.seams.vertices().enumerate();
        seam.for_each(|(k, v)| put((first + to_u32(k), v.at_m)));
        let at = |[a, b]: &[u32; 2]| Some([*position.get(a)?, *position.get(b)?]);
        let border: Option<Vec<_>> = self.border().iter().map(at).collect();
        let inner: Option<Vec<_>> = rails.iter().map(at).collect();
        let (border, inner) = border.zip(inner).ok_or(Bad::Everywhere)?;
        let places: HashMap<u32, [f64; 2]> = vertices.iter().map(|v| (v.id, v.at_m)).collect();
        let found = triangulate_along(vertices, &border, &inner);
        let mut found = found.map_err(|_| Bad::Everywhere)?;
        self.check(&found, &places)?;
        found.sort_unstable();
        Ok(found)
    }

    /// Seam vertices are named from here on.
    fn first_name(&self) -> u32 {
        to_u32((self.rows[1] - self.rows[0] + 1) * self.layout.stride())
    }

    fn name(&self, local: usize, column: usize) -> u32 {
        to_u32(local * self.layout.stride() + column + 1)
    }

    fn is_taken(&self, local: usize, column: usize) -> bool {
        let row = self.layout.lattice().wrap(self.rows[0] + local);
        self.taken.nodes.contains(&(row, column))
    }

    /// The nodes of the cells that stay.
    fn nodes(&self) -> Vec<Named> {
        let mut out = BTreeMap::new();
        for &(gap, column) in &self.seams.cells {
            let local = gap - self.rows[0];
            for (l, c) in [
                (local, column),
                (local + 1, column),
                (local + 1, column + 1),
                (local, column + 1),
            ] {
                if !self.is_taken(l, c) {
                    let frame = &self.layout.station(self.rows[0] + l).frame;
                    let at = frame.at(self.layout.lattice().column_t_m(c));
                    out.insert(self.name(l, c), at);
                }
            }
        }
        out.into_iter().collect()
    }

    /// The outline, with the region on its left.
    fn border(&self) -> Vec<[u32; 2]> {
        let cells = &self.seams.cells;
        let mut out = Vec::new();
        for &(gap, c) in cells {
            let l = gap - self.rows[0];
            let beside = |gap: Option<usize>, column: Option<usize>| {
                gap.zip(column).is_some_and(|cell| cells.contains(&cell))
            };
            let [a, b] = [self.name(l, c), self.name(l + 1, c)];
            let [e, d] = [self.name(l, c + 1), self.name(l + 1, c + 1)];
            if !beside(Some(gap), c.checked_sub(1)) {
                out.push([a, b]);
            }
            if !beside(Some(gap), Some(c + 1)) {
                out.push([d, e]);
            }
            if l > 0 && !beside(Some(gap - 1), Some(c)) {
                out.push([e, a]);
            }
            if gap + 1 < self.rows[1] && !beside(Some(gap + 1), Some(c)) {
                out.push([b, d]);
            }
        }
        self.add_border_rows(&mut out);
        out
    }

    /// Along the section's first and last row the outline goes through the vertices of the row.
    fn add_border_rows(&self, out: &mut Vec<[u32; 2]>) {
        let last = self.rows[1] - self.rows[0];
        let name = self.first_name();
        let inner = self.seams.inner.len();
        let rows = [
            (0, &self.seams.first, inner),
            (last, &self.seams.last, inner + self.seams.first.len()),
        ];
        for (local, seam, offset) in rows {
            let gap = self.rows[0] + if local == 0 { 0 } else { local - 1 };
            for (from, to) in runs(self.seams.cells.range((gap, 0)..(gap + 1, 0)).map(|c| c.1)) {
                let t = |c: usize| self.layout.lattice().column_t_m(c);
                let nodes = (from..=to + 1).filter(|&c| !self.is_taken(local, c));
                let mut row: Vec<(f64, u32)> = nodes.map(|c| (t(c), self.name(local, c))).collect();
                let own = seam.iter().zip(to_u32(offset)..);
                let own = own.filter(|(v, _)| v.t_m > t(from) && v.t_m < t(to + 1));
                row.extend(own.map(|(v, k)| (v.t_m, name + k)));
                row.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
                let pairs = row.windows(2).map(|w| [w[0].1, w[1].1]);
                // (s, t) is right-handed: the first row runs against t, the last with it.
                out.extend(pairs.map(|[a, b]| if local == 0 { [b, a] } else { [a, b] }));
            }
        }
    }

    /// Whether the triangles will pass the check of the mesh.
    fn check(&self, found: &[[u32; 3]], places: &HashMap<u32, [f64; 2]>) -> Result<(), Bad> {
        let seams_from = self.first_name();
        for triangle in found {
            let [Some(p), Some(q), Some(r)] = triangle.map(|v| places.get(&v).copied()) else {
                return Err(Bad::Everywhere);
            };
            let side = |a: [f64; 2], b: [f64; 2]| [b[0] - a[0], b[1] - a[1]];
            let (u, v, w) = (side(p, q), side(p, r), side(q, r));
            let twice = u[0] * v[1] - u[1] * v[0];
            let mut squares = [u, v, w].map(|e| e[0] * e[0] + e[1] * e[1]);
            squares.sort_unstable_by(f64::total_cmp);
            let sliver = twice * twice < LEAST_SINE2 * squares[1] * squares[2];
            if twice < 2.0 * LEAST_AREA_M2 || (sliver && triangle.iter().all(|&v| v < seams_from)) {
                return Err(Bad::Near(p));
            }
        }
        Ok(())
    }
}

/// Runs of successive numbers, as first and last.
fn runs(numbers: impl Iterator<Item = usize>) -> Vec<(usize, usize)> {
    let mut out: Vec<(usize, usize)> = Vec::new();
    for n in numbers {
        match out.last_mut() {
            Some((_, last)) if *last + 1 == n => *last = n,
            _ => out.push((n, n)),
        }
    }
    out
}
