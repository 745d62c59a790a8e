//! Which triangles may lie under a point of the plan: a grid of lists, in blocks, so that a long
//! thin course costs no empty area.

use crate::numeric::{to_index, to_u32};

/// Cells along the side of a block.
const BLOCK: usize = 16;
/// Cells of a block.
const BLOCK_CELLS: usize = BLOCK * BLOCK;
/// At most so many blocks in the bounding box (64 MB of block numbers); wider cells beyond.
const MOST_BLOCKS: f64 = (1u32 << 24) as f64;
/// At most so many entries a triangle on average; wider cells beyond. Triangles of very unlike
/// sizes would fill the memory otherwise.
const MOST_ENTRIES: f64 = 16.0;
/// Width of a cell over the mean width of a triangle's box: a cell is then touched by a handful of
/// triangles, and a triangle touches a handful of cells. The bench `mesh` shows what both cost.
const CELL_SHARE: f64 = 0.7;
/// Slack of the test whether a triangle touches a cell, as a share of the cell: far above
/// rounding, far below any cost.
const SLACK: f64 = 1e-6;

/// Triangles by cell of the plan.
#[derive(Debug, Clone, Default)]
pub(super) struct PlanGrid {
    origin: [f64; 2],
    per_m: f64,
    blocks: [usize; 2],
    /// Number of the block, or `NONE`.
    block: Vec<u32>,
    /// Where the list of cell `block · 256 + cell` begins in `entries`; the next one ends it.
    start: Vec<u32>,
    entries: Vec<u32>,
}

const NONE: u32 = u32::MAX;

/// Corners of a triangle in plan.
type Corners = [[f64; 2]; 3];

impl PlanGrid {
    /// A grid over the triangles `faces`; all coordinates must be finite.
    pub(super) fn new(positions_m: &[[f64; 3]], faces: &[[u32; 3]]) -> Self {
        let corners =
            |f: &[u32; 3]| f.map(|v| [positions_m[v as usize][0], positions_m[v as usize][1]]);
        let Some(mut grid) = Self::empty(&corners, faces) else {
            return Self::default();
        };
        for face in faces {
            grid.reserve_blocks(&corners(face));
        }
        grid.number_blocks();
        grid.fill(&corners, faces);
        grid
    }

    /// The bounds and the cell width.
    fn empty(corners: &impl Fn(&[u32; 3]) -> Corners, faces: &[[u32; 3]]) -> Option<Self> {
        let whole = faces.iter().map(|f| bounds(&corners(f))).reduce(|a, b| {
            [
                [a[0][0].min(b[0][0]), a[0][1].min(b[0][1])],
                [a[1][0].max(b[1][0]), a[1][1].max(b[1][1])],
            ]
        })?;
        let extent = [whole[1][0] - whole[0][0], whole[1][1] - whole[0][1]];
        let cell_m = cell_width(corners, faces, extent);
        let side = |k: usize| to_index(extent[k] / cell_m) / BLOCK + 1;
        let blocks = [side(0), side(1)];
        Some(Self {
            origin: whole[0],
            per_m: 1.0 / cell_m,
            blocks,
            block: vec![NONE; blocks[0] * blocks[1]],
            ..Self::default()
        })
    }

    /// First and last cell that the box of a triangle touches.
    fn cells_of(&self, corners: &Corners) -> [[usize; 2]; 2] {
        let [low, high] = bounds(corners);
        let cell = |v: f64, k: usize, slack: f64| {
            let last = self.blocks[k] * BLOCK - 1;
            to_index((v - self.origin[k]) * self.per_m + slack).min(last)
        };
        [
            [cell(low[0], 0, -SLACK), cell(low[1], 1, -SLACK)],
            [cell(high[0], 0, SLACK), cell(high[1], 1, SLACK)],
        ]
    }

    fn reserve_blocks(&mut self, corners: &Corners) {
        let [low, high] = self.cells_of(corners);
        for j in low[1] / BLOCK..=high[1] / BLOCK {
            for i in low[0] / BLOCK..=high[0] / BLOCK {
                self.block[j * self.blocks[0] + i] = 0;
            }
        }
    }

    fn number_blocks(&mut self) {
        let mut next = 0;
        for block in self.block.iter_mut().filter(|b| **b != NONE) {
            *block = next;
            next += 1;
        }
        self.start = vec![0; next as usize * BLOCK_CELLS + 2];
    }

    /// Count, then place (a counting sort): entries of a cell stand in the order of the faces.
    fn fill(&mut self, corners: &impl Fn(&[u32; 3]) -> Corners, faces: &[[u32; 3]]) {
        let mut start = std::mem::take(&mut self.start);
        for face in faces {
            self.for_each_cell(&corners(face), |cell| start[cell + 2] += 1);
        }
        for k in 2..start.len() {
            start[k] += start[k - 1];
        }
        let mut entries = vec![0; start.last().map_or(0, |&n| n as usize)];
        for (face, name) in faces.iter().zip(0u32..) {
            self.for_each_cell(&corners(face), |cell| {
                let place = &mut start[cell + 1];
                entries[*place as usize] = name;
                *place += 1;
            });
        }
        self.start = start;
        self.entries = entries;
    }

    /// Visit the cells that the triangle touches.
    fn for_each_cell(&self, corners: &Corners, mut visit: impl FnMut(usize)) {
        let [low, high] = self.cells_of(corners);
        let sides = sides(&corners.map(|p| {
            [
                (p[0] - self.origin[0]) * self.per_m,
                (p[1] - self.origin[1]) * self.per_m,
            ]
        }));
        for j in low[1]..=high[1] {
            for i in low[0]..=high[0] {
                let (x, y) = (f64::from(to_u32(i)), f64::from(to_u32(j)));
                if sides.iter().all(|s| s.touches(x, y)) {
                    visit(self.cell(i, j));
                }
            }
        }
    }

    fn cell(&self, i: usize, j: usize) -> usize {
        let block = self.block[j / BLOCK * self.blocks[0] + i / BLOCK];
        block as usize * BLOCK_CELLS + j % BLOCK * BLOCK + i % BLOCK
    }

    /// Triangles that may lie under (x, y), in the order of the mesh.
    #[inline]
    pub(super) fn candidates(&self, x: f64, y: f64) -> &[u32] {
        let u = (x - self.origin[0]) * self.per_m;
        let v = (y - self.origin[1]) * self.per_m;
        // Not (u < 0): NaN has no triangles either. The upper bound is the block's.
        if !(u >= -SLACK && v >= -SLACK) {
            return &[];
        }
        let (i, j) = (to_index(u), to_index(v));
        if i >= self.blocks[0] * BLOCK || j >= self.blocks[1] * BLOCK {
            return &[];
        }
        let block = self.block[j / BLOCK * self.blocks[0] + i / BLOCK];
        if block == NONE {
            return &[];
        }
        let cell = block as usize * BLOCK_CELLS + j % BLOCK * BLOCK + i % BLOCK;
        &self.entries[self.start[cell] as usize..self.start[cell + 1] as usize]
    }
}

/// The cell width that suits the triangles and keeps within memory.
fn cell_width(
    corners: &impl Fn(&[u32; 3]) -> Corners,
    faces: &[[u32; 3]],
    extent: [f64; 2],
) -> f64 {
    // Σ over triangles of widths, heights and areas of their boxes: the entries at cell width c
    // are about Σ (w/c + 1)(h/c + 1).
    let (mut sides, mut larger, mut areas) = (0.0, 0.0, 0.0);
    for face in faces {
        let [low, high] = bounds(&corners(face));
        let (w, h) = (high[0] - low[0], high[1] - low[1]);
        sides += w + h;
        larger += w.max(h);
        areas += w * h;
    }
    let count = faces.len() as f64;
    let too_many = |cell_m: f64| {
        let entries = areas / (cell_m * cell_m) + sides / cell_m + count;
        let block_m = cell_m * BLOCK as f64;
        let blocks = (extent[0] / block_m + 1.0) * (extent[1] / block_m + 1.0);
        entries > MOST_ENTRIES * count || blocks > MOST_BLOCKS
    };
    // A mesh of no extent (all triangles vertical in one point) still has one cell.
    let mut cell_m = (CELL_SHARE * larger / count).max(1e-9);
    while too_many(cell_m) {
        cell_m *= 1.5;
    }
    cell_m
}

fn bounds(corners: &Corners) -> [[f64; 2]; 2] {
    let least = |k: usize| corners.iter().fold(f64::INFINITY, |m, p| m.min(p[k]));
    let most = |k: usize| corners.iter().fold(f64::NEG_INFINITY, |m, p| m.max(p[k]));
    [[least(0), least(1)], [most(0), most(1)]]
}

/// A side of a triangle as a half plane that holds the triangle: n·p ≥ c.
struct HalfPlane {
    n: [f64; 2],
    c: f64,
}

impl HalfPlane {
    /// Whether the half plane touches the unit cell at (x, y): its furthest corner lies inside.
    fn touches(&self, x: f64, y: f64) -> bool {
        let most = |n: f64, v: f64| {
            if n > 0.0 {
                n * (v + 1.0 + SLACK)
            } else {
                n * (v - SLACK)
            }
        };
        most(self.n[0], x) + most(self.n[1], y) >= self.c
    }
}

fn sides(p: &Corners) -> [HalfPlane; 3] {
    let area =
        (p[1][0] - p[0][0]) * (p[2][1] - p[0][1]) - (p[1][1] - p[0][1]) * (p[2][0] - p[0][0]);
    // A triangle without area is looked for in its whole box.
    let sign = if area > 0.0 {
        1.0
    } else if area < 0.0 {
        -1.0
    } else {
        0.0
    };
    std::array::from_fn(|k| {
        let (a, b) = (p[k], p[(k + 1) % 3]);
        let n = [-sign * (b[1] - a[1]), sign * (b[0] - a[0])];
        HalfPlane {
            n,
            c: n[0] * a[0] + n[1] * a[1],
        }
    })
}
