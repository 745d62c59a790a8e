//! The triangles around a vertex of the layout.

use super::layout::Layout;
use crate::numeric::to_u32;

/// Looks up the triangles around any place of the course. Places are numbered
/// row · stride + slot over the whole course.
pub(super) struct Links<'a> {
    layout: &'a Layout,
    /// Rim triangles as places of the course.
    rim: Vec<[u32; 3]>,
    /// (vertex, triangle of `rim`), sorted.
    corners: Vec<(u32, u32)>,
}

impl<'a> Links<'a> {
    pub(super) fn new(layout: &'a Layout) -> Self {
        let mut rim = Vec::new();
        for (section, triangles) in layout.rims.iter().enumerate() {
            let first = layout.lattice.section_rows(section)[0];
            let place = |v: u32| layout.place(first, v);
            rim.extend(triangles.iter().map(|t| t.map(place)));
        }
        let triangles = rim.iter().zip(0u32..);
        let mut corners: Vec<(u32, u32)> = triangles
            .flat_map(|(t, k)| t.iter().map(move |&v| (v, k)))
            .collect();
        corners.sort_unstable();
        Self {
            layout,
            rim,
            corners,
        }
    }

    /// Whether all places around `v` are alive and regular, so that nothing can be wrong with it.
    pub(super) fn is_plain(&self, alive: &[u8], v: usize) -> bool {
        let stride = self.layout.stride();
        let (row, slot) = (v / stride, v % stride);
        if row == 0 || row + 1 >= self.layout.lattice.rows || slot < 2 || slot + 2 >= stride {
            return false;
        }
        let cell = |gap: usize, column: usize| self.layout.core(gap).contains(&column);
        let c = slot - 1;
        let core = cell(row - 1, c - 1) && cell(row - 1, c) && cell(row, c - 1) && cell(row, c);
        let whole = |from: usize| alive[from - 1..=from + 1] == [1, 1, 1];
        core && whole(v - stride) && whole(v) && whole(v + stride)
    }

    /// The edges opposite `v` in the triangles around it, each with `v` on its left.
    pub(super) fn around(&self, v: usize, link: &mut Vec<[u32; 2]>) {
        link.clear();
        let name = to_u32(v);
        let mut add = |triangle: [u32; 3]| {
            if let Some(k) = triangle.iter().position(|&u| u == name) {
                link.push([triangle[(k + 1) % 3], triangle[(k + 2) % 3]]);
            }
        };
        let from = self.corners.partition_point(|&(u, _)| u < name);
        let corners = self.corners[from..].iter().take_while(|&&(u, _)| u == name);
        corners.for_each(|&(_, k)| add(self.rim[k as usize]));
        let stride = self.layout.stride();
        let (row, slot) = (v / stride, v % stride);
        if slot == 0 || slot + 1 == stride {
            return;
        }
        for gap in self.gaps(row).into_iter().flatten() {
            let core = self.layout.core(gap);
            for column in [slot.wrapping_sub(2), slot - 1] {
                if core.contains(&column) {
                    self.cell(gap, column).into_iter().for_each(&mut add);
                }
            }
        }
    }

    /// The gaps before and after a row.
    fn gaps(&self, row: usize) -> [Option<usize>; 2] {
        let lattice = &self.layout.lattice;
        let before = match row {
            0 if lattice.closed => Some(lattice.rows - 1),
            _ => row.checked_sub(1),
        };
        [before, (row < lattice.row_gaps()).then_some(row)]
    }

    fn cell(&self, gap: usize, column: usize) -> [[u32; 3]; 2] {
        let stride = self.layout.stride();
        let place =
            |(row, c): (usize, usize)| to_u32(self.layout.lattice.wrap(row) * stride + c + 1);
        Layout::core_triangles(gap, column).map(|t| t.map(place))
    }

    /// Every triangle of the layout, once.
    pub(super) fn for_each_triangle(&self, mut visit: impl FnMut([u32; 3])) {
        self.rim.iter().copied().for_each(&mut visit);
        for gap in 0..self.layout.lattice.row_gaps() {
            for column in self.layout.core(gap) {
                self.cell(gap, column).into_iter().for_each(&mut visit);
            }
        }
    }
}
