//! Clean-up of a mask of cells: distances, opening, closing, holes, parts.

use std::collections::VecDeque;

use super::cells::Layout;

/// Distances beyond this many cells are not told apart.
const FAR: f32 = 1.0e6;

/// For every cell the distance in cells between its middle and the middle of the nearest cell that
/// is `value`; exact (Felzenszwalb and Huttenlocher, Theory of Computing 8:415, 2012).
pub(super) fn distance_to(mask: &[bool], width: usize, value: bool) -> Vec<f32> {
    let mut field: Vec<f32> = mask
        .iter()
        .map(|&m| if m == value { 0.0 } else { FAR })
        .collect();
    columns(&mut field, width);
    let mut row = Envelope::default();
    for line in field.chunks_exact_mut(width) {
        row.transform(line);
    }
    field
}

/// Plain distance along each column, by one sweep down and one up.
fn columns(field: &mut [f32], width: usize) {
    let n = field.len();
    for k in width..n {
        field[k] = field[k].min(field[k - width] + 1.0);
    }
    for k in (0..n.saturating_sub(width)).rev() {
        field[k] = field[k].min(field[k + width] + 1.0);
    }
}

/// Lower envelope of the parabolas (x − k)² + f(k)² along a row.
#[derive(Default)]
struct Envelope {
    squares: Vec<f32>,
    vertex: Vec<usize>,
    from: Vec<f32>,
}

impl Envelope {
    fn transform(&mut self, line: &mut [f32]) {
        self.squares.clear();
        self.squares.extend(line.iter().map(|d| d * d));
        self.vertex.clear();
        self.from.clear();
        // Cells with nothing in their column carry no parabola: rows without any are done.
        for k in (0..line.len()).filter(|&k| line[k] < FAR) {
            self.push(k);
        }
        if self.vertex.is_empty() {
            return;
        }
        let mut piece = 0;
        for (x, out) in line.iter_mut().enumerate() {
            while piece + 1 < self.vertex.len() && self.from[piece + 1] <= x as f32 {
                piece += 1;
            }
            let v = self.vertex[piece];
            *out = ((x as f32 - v as f32).powi(2) + self.squares[v]).sqrt();
        }
    }

    fn push(&mut self, k: usize) {
        while let Some(&v) = self.vertex.last() {
            let (kf, vf) = (k as f32, v as f32);
            let meet = 0.5 * (self.squares[k] - self.squares[v]) / (kf - vf) + 0.5 * (kf + vf);
            if self.vertex.len() == 1 || meet > self.from[self.from.len() - 1] {
                self.vertex.push(k);
                self.from.push(meet);
                return;
            }
            self.vertex.pop();
            self.from.pop();
        }
        self.vertex.push(k);
        self.from.push(f32::NEG_INFINITY);
    }
}

/// Drop what a disc of `radius` cells does not fit into.
pub(super) fn open(mask: &mut [bool], width: usize, radius: f32) {
    shrink(mask, width, radius);
    grow(mask, width, radius);
}

/// Fill what a disc of `radius` cells outside does not fit into.
pub(super) fn close(mask: &mut [bool], width: usize, radius: f32) {
    grow(mask, width, radius);
    shrink(mask, width, radius);
}

fn shrink(mask: &mut [bool], width: usize, radius: f32) {
    let distance = distance_to(mask, width, false);
    for (m, d) in mask.iter_mut().zip(distance) {
        *m = d > radius;
    }
}

fn grow(mask: &mut [bool], width: usize, radius: f32) {
    let distance = distance_to(mask, width, true);
    for (m, d) in mask.iter_mut().zip(distance) {
        *m = d <= radius;
    }
}

/// A connected part of a mask.
struct Part {
    /// Its cells, up to the number asked for and one more.
    cells: Vec<usize>,
    /// How many it has in all.
    count: usize,
    at_border: bool,
}

/// The part that `start` belongs to, marked in `seen`; with `corners` cells that touch at a corner
/// are connected. At most `keep` + 1 of its cells are listed: the empty ground around a course has
/// millions. Cells on the border of the raster are not left again.
fn flood(
    mask: &[bool],
    layout: &Layout,
    seen: &mut [bool],
    start: usize,
    (corners, keep): (bool, usize),
) -> Part {
    let mut part = Part {
        cells: Vec::new(),
        count: 0,
        at_border: false,
    };
    let mut open = VecDeque::from([start]);
    seen[start] = true;
    while let Some(k) = open.pop_front() {
        part.count += 1;
        if part.cells.len() <= keep {
            part.cells.push(k);
        }
        if is_border(layout, k) {
            part.at_border = true;
            continue;
        }
        let ring = layout.ring(k);
        for &n in ring.iter().step_by(if corners { 1 } else { 2 }) {
            if mask[n] == mask[start] && !seen[n] {
                seen[n] = true;
                open.push_back(n);
            }
        }
    }
    part
}

fn is_border(layout: &Layout, k: usize) -> bool {
    let (column, row) = (k % layout.width, k / layout.width);
    column == 0 || row == 0 || column + 1 == layout.width || row + 1 == layout.height
}

/// Fill holes of at most `cells` cells that touch no border; how many were filled.
pub(super) fn fill_holes(mask: &mut [bool], layout: &Layout, cells: usize) -> usize {
    let mut seen = mask.to_vec();
    let mut filled = 0;
    for start in 0..mask.len() {
        if seen[start] {
            continue;
        }
        let hole = flood(mask, layout, &mut seen, start, (false, cells));
        if !hole.at_border && hole.count <= cells {
            hole.cells.iter().for_each(|&k| mask[k] = true);
            filled += 1;
        }
    }
    filled
}

/// Keep the connected parts of at least `cells` cells; the sizes of the kept ones, largest first.
pub(super) fn keep_parts(mask: &mut [bool], layout: &Layout, cells: usize) -> Vec<usize> {
    let mut seen: Vec<bool> = mask.iter().map(|m| !m).collect();
    let mut sizes = Vec::new();
    for start in 0..mask.len() {
        if seen[start] {
            continue;
        }
        let part = flood(mask, layout, &mut seen, start, (true, cells));
        if part.count >= cells {
            sizes.push(part.count);
        } else {
            part.cells.iter().for_each(|&k| mask[k] = false);
        }
    }
    sizes.sort_unstable_by(|a, b| b.cmp(a));
    sizes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn layout(width: usize, height: usize) -> Layout {
        Layout {
            cell_m: 1.0,
            i0: 0,
            j0: 0,
            width,
            height,
        }
    }

    fn parse(rows: &[&str]) -> (Vec<bool>, Layout) {
        let mask = rows
            .iter()
            .flat_map(|r| r.bytes().map(|b| b == b'#'))
            .collect();
        (mask, layout(rows[0].len(), rows.len()))
    }

    #[test]
    fn distances_equal_those_of_a_search_over_all_cells() {
        let (width, height) = (23, 17);
        let mask: Vec<bool> = (0..width * height)
            .map(|k| k % 37 == 5 || k % 53 == 11)
            .collect();
        let fast = distance_to(&mask, width, true);
        for (k, fast) in fast.iter().enumerate() {
            let slow = (0..mask.len())
                .filter(|&m| mask[m])
                .map(|m| {
                    let dx = (k % width) as f32 - (m % width) as f32;
                    dx.hypot((k / width) as f32 - (m / width) as f32)
                })
                .fold(f32::INFINITY, f32::min);
            assert!(
                (fast - slow).abs() < 1e-4,
                "cell {k}: {fast} against {slow}"
            );
        }
    }

    #[test]
    fn a_mask_without_any_cell_is_far_from_everything() {
        assert!(distance_to(&[false; 12], 4, true).iter().all(|d| *d >= 1e3));
    }

    #[test]
    fn small_holes_are_filled_and_large_ones_stay() {
        let (mut mask, layout) = parse(&[
            "..........",
            ".########.",
            ".#.##..##.",
            ".####..##.",
            ".########.",
            "..........",
        ]);
        assert_eq!(fill_holes(&mut mask, &layout, 3), 1);
        assert!(mask[22] && !mask[25] && !mask[0]);
    }

    #[test]
    fn opening_drops_a_thin_bridge_and_keeps_both_banks() {
        let row = "....#######.....#######....";
        let bridge = "....###################....";
        let gap = "...........................";
        let rows = [gap, gap, row, row, row, bridge, row, row, row, gap, gap];
        let (mut mask, layout) = parse(&rows);
        open(&mut mask, layout.width, 1.5);
        assert!(!mask[5 * 27 + 13] && mask[5 * 27 + 6]);
        assert_eq!(keep_parts(&mut mask, &layout, 10).len(), 2);
    }
}
