//! The texture over a road: which vertex moves by how much?

use std::collections::BTreeMap;

use super::kernel::Kernel;
use super::spectrum::{TextureError, TextureSpectrum};
use crate::field::Lattice;
use crate::mesh::MeshSection;
use crate::numeric::{ceil_i32, floor_i32, round_i32, to_f32};
use crate::ribbon::{Ribbon, RibbonPoint};

/// Side of the cells that hold a kernel each, in shortest waves: several of them meet in each.
const CELL: f64 = 0.75;
/// Side of the squares that kernels are looked up by, metres.
const SQUARE_M: f64 = 0.5;
/// Kernels are sought no further along a bend's inner side than this times their reach.
const TIGHTEST: f64 = 5.0;

/// A kernel on the road: its number along and across, place, direction and size.
#[derive(Debug, Clone, Copy)]
struct Grain {
    number: [i32; 2],
    xy_m: [f64; 2],
    along: [f64; 2],
    /// Curvature of the road there, 1/m, positive in a left turn.
    bend_per_m: f64,
    weight: f64,
}

/// Invented roughness over a ribbon. What it does to a place depends on spectrum, seed, ribbon and
/// place alone.
#[derive(Debug)]
pub struct Texture<'a> {
    ribbon: &'a Ribbon,
    lattice: Lattice,
    kernel: Kernel,
    seed: u64,
    /// Cells along and across: number, side, first across.
    cells: Cells,
    /// No kernel reaches further than this, metres.
    reach_m: f64,
    /// Kernels bend no more than this, 1/m.
    tightest_per_m: f64,
    /// How far along the line kernels are sought before and after a section, metres.
    margin_m: f64,
}

#[derive(Debug, Clone, Copy)]
struct Cells {
    along: i32,
    side_m: [f64; 2],
    across: [i32; 2],
}

impl<'a> Texture<'a> {
    /// The texture of this spectrum and seed for a mesh over this ribbon and lattice.
    ///
    /// # Errors
    /// [`TextureError::NoRoom`] when the mesh's vertices are too far apart for it.
    pub fn new(
        spectrum: &TextureSpectrum,
        seed: u64,
        ribbon: &'a Ribbon,
        lattice: Lattice,
    ) -> Result<Self, TextureError> {
        let kernel = Kernel::new(spectrum, lattice.s_step_m.max(lattice.t_step_m))?;
        let (line, side_m) = (&ribbon.line, CELL * kernel.shortest_m);
        let along = round_i32(line.length_m() / side_m).max(1);
        let knots = line.knots().len();
        let bends = (0..knots).map(|k| line.curvature_per_m(k as f64 * line.knot_step_m()).abs());
        let bend = bends.fold(0.0, f64::max);
        let tight = (1.0 - bend * ribbon.edges.reach_m()).max(1.0 / TIGHTEST);
        let tightest_per_m = bend / tight;
        let [long, wide] = kernel.reach_m;
        let reach_m = long.hypot(wide + 0.5 * tightest_per_m * long * long);
        let wide_m = ribbon.edges.reach_m() + reach_m;
        Ok(Self {
            ribbon,
            lattice,
            seed,
            cells: Cells {
                along,
                side_m: [line.length_m() / f64::from(along), side_m],
                across: [floor_i32(-wide_m / side_m), ceil_i32(wide_m / side_m)],
            },
            margin_m: reach_m / tight + side_m,
            reach_m,
            tightest_per_m,
            kernel,
        })
    }

    /// Shortest wave in it, metres.
    #[must_use]
    pub fn shortest_m(&self) -> f64 {
        self.kernel.shortest_m
    }

    /// Move the heights of a section's vertices, and turn their normals.
    pub fn apply(&self, section: &mut MeshSection) {
        let grains = self.grains(section.section);
        for v in 0..section.vertices.positions_m.len() {
            let [x, y, z] = section.vertices.positions_m[v];
            let [height, east, north] = self.at([x, y], &grains);
            section.vertices.positions_m[v] = [x, y, z + height];
            let normal = &mut section.vertices.normals[v];
            *normal = turned(*normal, [east, north]);
        }
    }

    /// Height and its slopes east and north at a place.
    fn at(&self, [x, y]: [f64; 2], grains: &Squares) -> [f64; 3] {
        let mut out = [0.0; 3];
        let reach = self.reach_m;
        let [left, right] = [x - reach, x + reach].map(|x| floor_i32(x / SQUARE_M));
        let [low, high] = [y - reach, y + reach].map(|y| floor_i32(y / SQUARE_M));
        for column in left..=right {
            for (_, grains) in grains.range((column, low)..=(column, high)) {
                for g in grains {
                    let (dx, dy) = (x - g.xy_m[0], y - g.xy_m[1]);
                    let [c, s] = g.along;
                    let u = dx * c + dy * s;
                    // Kernels follow the bend: straight ones would let waves that are steep across
                    // the road pass for long ones along it.
                    let v = dy * c - dx * s - 0.5 * g.bend_per_m * u * u;
                    if let Some([h, hu, hv]) = self.kernel.at(u, v) {
                        let hu = hu - hv * g.bend_per_m * u;
                        out[0] += g.weight * h;
                        out[1] += g.weight * (hu * c - hv * s);
                        out[2] += g.weight * (hu * s + hv * c);
                    }
                }
            }
        }
        out
    }

    /// All kernels that reach a section, by square, each square's in the order of their numbers.
    fn grains(&self, section: usize) -> Squares {
        let rows = self.lattice.section_rows(section);
        let [from, to] = rows.map(|row| row as f64 * self.lattice.s_step_m);
        let first = floor_i32((from - self.margin_m) / self.cells.side_m[0]);
        let last = floor_i32((to + self.margin_m) / self.cells.side_m[0]);
        // On a short lap both ends may meet: once round is all there is.
        let closed = self.ribbon.line.is_closed();
        let last = if closed {
            last.min(first + self.cells.along - 1)
        } else {
            last
        };
        let mut all: Vec<Grain> = Vec::new();
        for i in first..=last {
            let name = if closed {
                i.rem_euclid(self.cells.along)
            } else {
                i
            };
            let across = self.cells.across[0]..self.cells.across[1];
            all.extend(across.filter_map(|j| self.grain([name, j])));
        }
        all.sort_by_key(|g| g.number);
        let mut out = Squares::new();
        for grain in all {
            let square = grain.xy_m.map(|v| floor_i32(v / SQUARE_M));
            out.entry((square[0], square[1])).or_default().push(grain);
        }
        out
    }

    /// The kernel of a cell; none where the cell lies beyond the centre of its bend.
    fn grain(&self, number: [i32; 2]) -> Option<Grain> {
        let mut draw = Draw::new(self.seed, number);
        let [ds, dt] = self.cells.side_m;
        let s = (f64::from(number[0]) + draw.unit()) * ds;
        let t = (f64::from(number[1]) + draw.unit()) * dt;
        let line = &self.ribbon.line;
        // Beyond an open end the road goes straight on.
        let on_line = if line.is_closed() {
            s
        } else {
            s.clamp(0.0, line.length_m())
        };
        let along = line.tangent(on_line);
        let foot = line.to_local(RibbonPoint { s: on_line, t });
        let bend = line.curvature_per_m(on_line);
        let share = 1.0 - t * bend;
        let most = self.tightest_per_m;
        let weight = draw.normal() * (ds * dt * share.max(0.0)).sqrt();
        (share > 0.0).then_some(Grain {
            number,
            xy_m: [0, 1].map(|k| foot[k] + (s - on_line) * along[k]),
            along,
            bend_per_m: (bend / share).clamp(-most, most),
            weight,
        })
    }
}

/// Kernels by square.
type Squares = BTreeMap<(i32, i32), Vec<Grain>>;

/// A unit normal after heights got these slopes besides.
fn turned(normal: [f32; 3], slopes: [f64; 2]) -> [f32; 3] {
    let [x, y, z] = normal.map(f64::from);
    // Normals point upward; one that is not there stays as it is.
    if z <= 0.0 {
        return normal;
    }
    let n = [x / z - slopes[0], y / z - slopes[1], 1.0];
    let length = n.iter().map(|c| c * c).sum::<f64>().sqrt();
    n.map(|c| to_f32(c / length))
}

/// Numbers that a cell draws, the same for the same cell and seed (SplitMix64; Steele, Lea and
/// Flood 2014).
struct Draw(u64);

impl Draw {
    fn new(seed: u64, number: [i32; 2]) -> Self {
        let mut out = Self(seed);
        for n in number {
            out.0 = out.next() ^ u64::from(n.cast_unsigned());
        }
        out
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From 0 to 1.
    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Mean 0, variance 1, by the sum of four even numbers: no function of a library that another
    /// machine may round otherwise.
    fn normal(&mut self) -> f64 {
        let sum: f64 = (0..4).map(|_| self.unit()).sum();
        (sum - 2.0) * 3f64.sqrt()
    }
}
