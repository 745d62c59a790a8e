//! Vertices that lie on an edge without being its end.

use std::collections::HashMap;

/// A vertex nearer to a border edge than this, in plan, lies on it: 1 µm, and …
const ON_EDGE_M: f64 = 1e-6;
/// … this share of the edge's length, for meshes that were stored in single precision.
const ON_EDGE_SHARE: f64 = 1e-5;
/// Further apart in height than this are two surfaces one above the other, not a crack.
const CRACK_HEIGHT_M: f64 = 0.2;

/// How many border vertices lie on a border edge (`[from, to]`) that they do not belong to.
pub(super) fn hanging_vertices(positions_m: &[[f64; 3]], border: &[[u32; 2]]) -> u64 {
    let mut vertices: Vec<u32> = border.iter().flatten().copied().collect();
    vertices.sort_unstable();
    vertices.dedup();
    let Some(&first) = vertices.first() else {
        return 0;
    };
    let buckets = Buckets::new(positions_m, &vertices, positions_m[first as usize], border);
    let mut hanging = Vec::new();
    for &[a, b] in border {
        let ends = [positions_m[a as usize], positions_m[b as usize]];
        buckets.near(ends, |v| {
            if v != a && v != b && lies_on(positions_m[v as usize], ends) {
                hanging.push(v);
            }
        });
    }
    hanging.sort_unstable();
    hanging.dedup();
    hanging.len() as u64
}

/// Vertices by square of the plan.
struct Buckets {
    origin: [f64; 3],
    per_m: f64,
    squares: HashMap<(i32, i32), Vec<u32>>,
}

impl Buckets {
    fn new(
        positions_m: &[[f64; 3]],
        vertices: &[u32],
        origin: [f64; 3],
        border: &[[u32; 2]],
    ) -> Self {
        let length = |&[a, b]: &[u32; 2]| {
            let (p, q) = (positions_m[a as usize], positions_m[b as usize]);
            (p[0] - q[0]).hypot(p[1] - q[1])
        };
        let mean = border.iter().map(length).sum::<f64>() / border.len() as f64;
        let mut buckets = Self {
            origin,
            per_m: 1.0 / mean.max(ON_EDGE_M),
            squares: HashMap::new(),
        };
        for &v in vertices {
            let square = buckets.square(positions_m[v as usize], 0.0);
            buckets.squares.entry(square).or_default().push(v);
        }
        buckets
    }

    fn square(&self, p: [f64; 3], shift: f64) -> (i32, i32) {
        let index =
            |k: usize| crate::numeric::floor_i32((p[k] + shift - self.origin[k]) * self.per_m);
        (index(0), index(1))
    }

    /// Visit the vertices in the squares that the box of an edge touches.
    fn near(&self, ends: [[f64; 3]; 2], mut visit: impl FnMut(u32)) {
        let reach = tolerance(ends);
        let (a, b) = (
            self.square(least(ends), -reach),
            self.square(most(ends), reach),
        );
        for i in a.0..=b.0 {
            for j in a.1..=b.1 {
                if let Some(vertices) = self.squares.get(&(i, j)) {
                    vertices.iter().for_each(|&v| visit(v));
                }
            }
        }
    }
}

fn least([a, b]: [[f64; 3]; 2]) -> [f64; 3] {
    [a[0].min(b[0]), a[1].min(b[1]), 0.0]
}

fn most([a, b]: [[f64; 3]; 2]) -> [f64; 3] {
    [a[0].max(b[0]), a[1].max(b[1]), 0.0]
}

fn tolerance([a, b]: [[f64; 3]; 2]) -> f64 {
    ON_EDGE_M + ON_EDGE_SHARE * (a[0] - b[0]).hypot(a[1] - b[1])
}

fn lies_on(p: [f64; 3], ends: [[f64; 3]; 2]) -> bool {
    let [a, b] = ends;
    let (along, to) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
    let length2 = along[0] * along[0] + along[1] * along[1];
    let share = (to[0] * along[0] + to[1] * along[1]) / length2;
    let share = if length2 > 0.0 {
        share.clamp(0.0, 1.0)
    } else {
        0.0
    };
    let off = (to[0] - share * along[0]).hypot(to[1] - share * along[1]);
    let height = p[2] - a[2] - share * (b[2] - a[2]);
    off <= tolerance(ends) && height.abs() <= CRACK_HEIGHT_M
}
