//! Coarser triangles of a section that stay within a stated height of the finer ones.
//!
//! Vertices are taken away one by one by drawing them into a neighbour (half-edge collapse, Hoppe
//! 1996, as subset placement), when every vertex taken away so far lies within the tolerance of the
//! new triangle over or under it. Vertices on the section's outline stay, so that neighbouring
//! sections fit at any mix of levels and holes stay holes. Triangles keep their zone, so where
//! zones meet their border moves by a triangle: bridged places of a sparse cloud lie everywhere,
//! and would keep all triangles.

use super::MeshSection;

/// A triangle whose double area is less than this share of its longest side squared is too thin:
/// its least angle would fall under 2°. Held by `coarser_triangles_are_no_slivers`.
const THINNEST: f64 = 0.035;
/// Taking away begins with what matters least: a share of the tolerance that doubles each time.
const FIRST_SHARE: f64 = 0.125;
/// Rounds at each share; few vertices go in later ones.
const ROUNDS: usize = 3;

/// The triangles of one level.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Greatest height between a vertex of the section and these triangles, metres.
    pub error_m: f64,
    /// Triangles over the section's vertices.
    pub faces: Vec<[u32; 3]>,
    /// Their zones.
    pub zones: Vec<u8>,
}

/// Makes coarser levels of one section, each from the last.
#[derive(Debug)]
pub struct Simplifier<'a> {
    positions_m: &'a [[f64; 3]],
    faces: Vec<[u32; 3]>,
    zones: Vec<u8>,
    alive: Vec<bool>,
    /// Triangles around each vertex; empty once it is gone.
    around: Vec<Vec<u32>>,
    /// Vertices that were taken away, by the triangle over or under them.
    held: Vec<Vec<u32>>,
    fixed: Vec<bool>,
}

/// What drawing a vertex into another would make.
struct Collapse {
    error_m: f64,
    faces: Vec<(u32, [u32; 3])>,
    held: Vec<(u32, u32)>,
    gone: Vec<u32>,
}

impl<'a> Simplifier<'a> {
    /// Begin with all triangles of `section`.
    #[must_use]
    pub fn new(section: &'a MeshSection) -> Self {
        let vertices = section.vertices.positions_m.len();
        let mut around = vec![Vec::new(); vertices];
        for (k, face) in section.faces.iter().enumerate() {
            for &v in face {
                around[v as usize].push(crate::numeric::to_u32(k));
            }
        }
        let mut out = Self {
            positions_m: &section.vertices.positions_m,
            faces: section.faces.clone(),
            zones: section.zones.clone(),
            alive: vec![true; section.faces.len()],
            held: vec![Vec::new(); section.faces.len()],
            fixed: Vec::new(),
            around,
        };
        out.fixed = (0..vertices).map(|v| out.stays(v)).collect();
        out
    }

    /// Whether a vertex lies on the outline: then some neighbour is in one triangle with it only.
    fn stays(&self, v: usize) -> bool {
        let star = &self.around[v];
        let others = |f: &u32| {
            self.faces[*f as usize]
                .into_iter()
                .filter(move |&u| u as usize != v)
        };
        let mut ring: Vec<u32> = star.iter().flat_map(others).collect();
        ring.sort_unstable();
        let inside = ring.chunks(2).all(|c| c.len() == 2 && c[0] == c[1]);
        star.is_empty() || !inside
    }

    /// Take away what can go within `tolerance_m` of height.
    #[must_use]
    pub fn level(&mut self, tolerance_m: f64) -> Level {
        let mut share = FIRST_SHARE;
        while share <= 1.0 {
            for _ in 0..ROUNDS {
                if self.round(share * tolerance_m) == 0 {
                    break;
                }
            }
            share *= 2.0;
        }
        let live = |k: &usize| self.alive[*k];
        Level {
            error_m: self.error_m(),
            faces: (0..self.faces.len())
                .filter(live)
                .map(|k| self.faces[k])
                .collect(),
            zones: (0..self.faces.len())
                .filter(live)
                .map(|k| self.zones[k])
                .collect(),
        }
    }

    /// One round over all vertices, none of which has a neighbour that went in the same round:
    /// triangles then grow evenly. Returns how many went.
    fn round(&mut self, tolerance_m: f64) -> usize {
        let mut rests = self.fixed.clone();
        let mut gone = 0;
        for v in 0..self.around.len() {
            if rests[v] || self.around[v].is_empty() {
                continue;
            }
            let Some(best) = self.best(v, tolerance_m) else {
                continue;
            };
            for &f in &self.around[v] {
                for u in self.faces[f as usize] {
                    rests[u as usize] = true;
                }
            }
            self.apply(v, best);
            gone += 1;
        }
        gone
    }

    fn best(&self, v: usize, tolerance_m: f64) -> Option<Collapse> {
        let mut ring: Vec<u32> = self.around[v]
            .iter()
            .flat_map(|&f| self.faces[f as usize])
            .filter(|&u| u as usize != v)
            .collect();
        ring.sort_unstable();
        ring.dedup();
        let mut best: Option<Collapse> = None;
        for &u in &ring {
            let limit = best.as_ref().map_or(tolerance_m, |b| b.error_m);
            let found = self.collapse(v, u, &ring, limit);
            if let Some(found) = found
                && best.as_ref().is_none_or(|b| found.error_m < b.error_m)
            {
                best = Some(found);
            }
        }
        best
    }

    /// Drawing `v` into `u`, when that leaves a clean sheet within `limit_m`.
    fn collapse(&self, v: usize, u: u32, ring: &[u32], limit_m: f64) -> Option<Collapse> {
        let star = &self.around[v];
        let has = |f: &u32| self.faces[*f as usize].contains(&u);
        let (gone, kept): (Vec<u32>, Vec<u32>) = star.iter().copied().partition(has);
        if gone.len() != 2 || self.shared_neighbours(u, ring) != 2 {
            return None;
        }
        let name = crate::numeric::to_u32(v);
        let moved = |f: &u32| {
            let face = self.faces[*f as usize].map(|w| if w == name { u } else { w });
            self.sound(face).then_some((*f, face))
        };
        let faces: Option<Vec<(u32, [u32; 3])>> = kept.iter().map(moved).collect();
        let mut out = Collapse {
            error_m: 0.0,
            faces: faces?,
            held: Vec::new(),
            gone,
        };
        let over = star.iter().flat_map(|&f| &self.held[f as usize]);
        for &point in over.chain([&name]) {
            let (face, error_m) = self.over(point, &out.faces)?;
            if error_m > limit_m {
                return None;
            }
            out.error_m = out.error_m.max(error_m);
            out.held.push((face, point));
        }
        Some(out)
    }

    /// How many of `ring` are neighbours of `u`: two, or the sheet would fold onto itself.
    fn shared_neighbours(&self, u: u32, ring: &[u32]) -> usize {
        let near = |w: &&u32| {
            let star = &self.around[u as usize];
            star.iter().any(|&f| self.faces[f as usize].contains(w))
        };
        ring.iter().filter(|&&w| w != u).filter(near).count()
    }

    /// Whether a triangle is anticlockwise from above, and no sliver.
    fn sound(&self, face: [u32; 3]) -> bool {
        let [a, b, c] = face.map(|v| self.positions_m[v as usize]);
        let side = |p: [f64; 3], q: [f64; 3]| [q[0] - p[0], q[1] - p[1]];
        let (ab, bc, ca) = (side(a, b), side(b, c), side(c, a));
        let double_area = ab[0] * bc[1] - ab[1] * bc[0];
        let long = |s: [f64; 2]| s[0] * s[0] + s[1] * s[1];
        double_area > THINNEST * long(ab).max(long(bc)).max(long(ca))
    }

    /// The triangle over or under a vertex that was taken away, and the height between them.
    fn over(&self, point: u32, faces: &[(u32, [u32; 3])]) -> Option<(u32, f64)> {
        let p = self.positions_m[point as usize];
        let mut best: Option<(u32, f64, f64)> = None;
        for &(name, face) in faces {
            let (least, z) = self.weigh(p, face);
            if best.is_none_or(|(_, known, _)| least > known) {
                best = Some((name, least, (z - p[2]).abs()));
            }
        }
        best.map(|(name, _, error_m)| (name, error_m))
    }

    /// The least weight of `p` in a triangle (negative outside), and the triangle's height there.
    fn weigh(&self, p: [f64; 3], face: [u32; 3]) -> (f64, f64) {
        let [a, b, c] = face.map(|v| self.positions_m[v as usize]);
        let cross = |q: [f64; 3], r: [f64; 3]| {
            (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])
        };
        let [u, v, w] = [cross(b, c), cross(c, a), cross(a, b)];
        let area = u + v + w;
        let z = (u * a[2] + v * b[2] + w * c[2]) / area;
        (u.min(v).min(w) / area, z)
    }

    fn apply(&mut self, v: usize, collapse: Collapse) {
        for &f in &collapse.gone {
            self.alive[f as usize] = false;
            self.held[f as usize].clear();
            for u in self.faces[f as usize] {
                if u as usize != v {
                    self.around[u as usize].retain(|&g| g != f);
                }
            }
        }
        let target = |face: [u32; 3], old: [u32; 3]| face.into_iter().find(|w| !old.contains(w));
        for (f, face) in collapse.faces {
            let old = self.faces[f as usize];
            if let Some(u) = target(face, old) {
                self.around[u as usize].push(f);
            }
            self.faces[f as usize] = face;
            self.held[f as usize].clear();
        }
        for (f, point) in collapse.held {
            self.held[f as usize].push(point);
        }
        self.around[v].clear();
    }

    fn error_m(&self) -> f64 {
        let mut worst: f64 = 0.0;
        for (k, points) in self.held.iter().enumerate() {
            for &point in points {
                let p = self.positions_m[point as usize];
                worst = worst.max((self.weigh(p, self.faces[k]).1 - p[2]).abs());
            }
        }
        worst
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::VertexColumns;
    use std::collections::BTreeMap;

    /// A square sheet of n × n cells of 0.1 m with the given height.
    fn sheet(n: u32, z: impl Fn(f64, f64) -> f64) -> MeshSection {
        let mut vertices = VertexColumns::default();
        for i in 0..=n {
            for k in 0..=n {
                let (x, y) = (0.1 * f64::from(k), 0.1 * f64::from(i));
                vertices.positions_m.push([x, y, z(x, y)]);
                vertices.normals.push([0.0, 0.0, 1.0]);
                vertices.sigma_m.push(0.0);
            }
        }
        let at = |i: u32, k: u32| i * (n + 1) + k;
        let mut faces = Vec::new();
        for i in 0..n {
            for k in 0..n {
                let [a, b, c, d] = [at(i, k), at(i, k + 1), at(i + 1, k + 1), at(i + 1, k)];
                faces.extend([[a, b, c], [a, c, d]]);
            }
        }
        let count = vertices.positions_m.len();
        MeshSection {
            section: 0,
            names: (0..).take(count).collect(),
            owned: count,
            vertices,
            zones: vec![1; faces.len()],
            faces,
        }
    }

    fn waves(x: f64, y: f64) -> f64 {
        0.004 * (3.0 * x).sin() + 0.003 * (5.0 * y + x).cos()
    }

    /// Every directed edge once, and the area of the whole.
    fn check(section: &MeshSection, level: &Level, area_m2: f64) {
        let mut edges: BTreeMap<[u32; 2], u32> = BTreeMap::new();
        let mut sum = 0.0;
        for f in &level.faces {
            for [a, b] in [[f[0], f[1]], [f[1], f[2]], [f[2], f[0]]] {
                *edges.entry([a, b]).or_default() += 1;
            }
            let [a, b, c] = f.map(|v| section.vertices.positions_m[v as usize]);
            sum += 0.5 * ((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]));
        }
        assert!(edges.values().all(|&n| n == 1));
        assert!((sum - area_m2).abs() < 1e-9, "{sum}");
    }

    #[test]
    fn a_plane_keeps_little_but_its_outline() {
        let section = sheet(40, |x, y| 0.02 * x - 0.01 * y);
        let level = Simplifier::new(&section).level(1e-6);
        check(&section, &level, 16.0);
        // 160 vertices on the outline need 158 triangles.
        assert!(level.faces.len() < 400, "{}", level.faces.len());
        assert!(level.error_m < 1e-12);
    }

    #[test]
    fn coarser_levels_stay_within_their_height_and_keep_the_outline() {
        let section = sheet(60, waves);
        let mut simplifier = Simplifier::new(&section);
        let mut last = section.faces.len();
        for tolerance_m in [0.0005, 0.002] {
            let level = simplifier.level(tolerance_m);
            check(&section, &level, 36.0);
            assert!(level.error_m <= tolerance_m && level.error_m > 0.2 * tolerance_m);
            assert!(level.faces.len() < last / 2, "{}", level.faces.len());
            last = level.faces.len();
            let used: std::collections::BTreeSet<u32> =
                level.faces.iter().flatten().copied().collect();
            let rim = |v: &u32| [v / 61, v % 61].iter().any(|k| *k == 0 || *k == 60);
            assert!((0..61 * 61).filter(rim).all(|v| used.contains(&v)));
            // The stated error is that of a search over all triangles.
            let found = (0..61 * 61u32).map(|v| {
                let p = section.vertices.positions_m[v as usize];
                let over = level.faces.iter().map(|f| simplifier.weigh(p, *f));
                let best = over.max_by(|a, b| a.0.total_cmp(&b.0)).unwrap();
                (best.1 - p[2]).abs()
            });
            let worst = found.fold(0.0, f64::max);
            assert!(worst <= level.error_m + 1e-9, "{worst}");
        }
    }

    #[test]
    fn coarser_triangles_are_no_slivers() {
        let section = sheet(60, waves);
        let level = Simplifier::new(&section).level(0.003);
        for f in &level.faces {
            let [a, b, c] = f.map(|v| section.vertices.positions_m[v as usize]);
            let angle = |p: [f64; 3], q: [f64; 3], r: [f64; 3]| {
                let (u, v) = ([q[0] - p[0], q[1] - p[1]], [r[0] - p[0], r[1] - p[1]]);
                (u[0] * v[1] - u[1] * v[0]).atan2(u[0] * v[0] + u[1] * v[1])
            };
            let least = angle(a, b, c).min(angle(b, c, a)).min(angle(c, a, b));
            assert!(least.to_degrees() > 1.9, "{}", least.to_degrees());
        }
    }

    #[test]
    fn triangles_keep_their_zone_and_both_zones_stay() {
        let mut section = sheet(20, waves);
        for (k, zone) in section.zones.iter_mut().enumerate() {
            *zone = 1 + u8::from(k < 200);
        }
        let level = Simplifier::new(&section).level(0.002);
        check(&section, &level, 4.0);
        assert_eq!(level.zones.len(), level.faces.len());
        assert!(level.zones.contains(&1) && level.zones.contains(&2));
    }
}
