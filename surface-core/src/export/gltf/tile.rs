//! One section as bytes of the binary chunk.

use crate::mesh::{MeshSection, Simplifier, ZONE_BRIDGED, ZONE_PAVED};
use crate::numeric::to_f32;

/// How far the levels below the full one may lie from its vertices in height, metres: the first is
/// told from the full one by no picture at 10 m (2 mm there is 0.7 of a pixel of 0.3 mrad), the
/// second by none at 50 m.
pub const LEVELS_M: [f64; 2] = [0.002, 0.010];

/// Greatest number of vertices that 16-bit indices reach; 65 535 restarts a strip.
const MOST_SHORT: usize = 65_535;

/// Where a run of bytes stands in a tile, and what it holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Run {
    pub offset: usize,
    pub bytes: usize,
    pub count: usize,
}

/// The triangles of one level and one zone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    pub level: usize,
    pub zone: u8,
    pub indices: Run,
}

/// A section, ready to be written: its vertices relative to a whole metre near its middle, and
/// triangles by level and zone.
#[derive(Debug, Clone, PartialEq)]
pub struct GltfTile {
    pub(super) section: usize,
    pub(super) bytes: Vec<u8>,
    /// Whole metres from the mesh's zero: east, north, up.
    pub(super) zero_m: [f64; 3],
    pub(super) positions: Run,
    pub(super) low: [f32; 3],
    pub(super) high: [f32; 3],
    pub(super) normals: Run,
    pub(super) sigmas: Run,
    pub(super) short: bool,
    pub(super) parts: Vec<Part>,
    /// What each coarser level keeps to, metres.
    pub(super) errors_m: [f64; LEVELS_M.len()],
}

/// x east, y north, z up → x east, y up, z south.
fn turned<T: std::ops::Neg<Output = T>>([x, y, z]: [T; 3]) -> [T; 3] {
    [x, z, -y]
}

impl GltfTile {
    /// Encode a section with its levels; a function of the section alone, so sections go in
    /// parallel.
    #[must_use]
    pub fn of(section: &MeshSection) -> Self {
        let positions = &section.vertices.positions_m;
        let zero_m = middle(positions);
        let mut out = Self {
            section: section.section,
            bytes: Vec::new(),
            zero_m,
            positions: EMPTY,
            low: [f32::INFINITY; 3],
            high: [f32::NEG_INFINITY; 3],
            normals: EMPTY,
            sigmas: EMPTY,
            short: positions.len() <= MOST_SHORT,
            parts: Vec::new(),
            errors_m: [0.0; LEVELS_M.len()],
        };
        out.add_vertices(section);
        out.add_level(0, &section.faces, &section.zones);
        let mut simplifier = Simplifier::new(section);
        for (k, tolerance_m) in LEVELS_M.into_iter().enumerate() {
            let level = simplifier.level(tolerance_m);
            out.errors_m[k] = level.error_m;
            out.add_level(k + 1, &level.faces, &level.zones);
        }
        out
    }

    fn add_vertices(&mut self, section: &MeshSection) {
        let start = self.bytes.len();
        let count = section.vertices.positions_m.len();
        for p in &section.vertices.positions_m {
            let local = turned([0, 1, 2].map(|k| to_f32(p[k] - self.zero_m[k])));
            for (k, v) in local.into_iter().enumerate() {
                self.low[k] = self.low[k].min(v);
                self.high[k] = self.high[k].max(v);
                self.bytes.extend_from_slice(&v.to_le_bytes());
            }
        }
        self.positions = self.run(start, count);
        let start = self.bytes.len();
        for n in &section.vertices.normals {
            let unit = turned(*n);
            unit.iter()
                .for_each(|v| self.bytes.extend_from_slice(&v.to_le_bytes()));
        }
        self.normals = self.run(start, count);
        let start = self.bytes.len();
        for s in &section.vertices.sigma_m {
            self.bytes.extend_from_slice(&s.to_le_bytes());
        }
        self.sigmas = self.run(start, count);
    }

    fn add_level(&mut self, level: usize, faces: &[[u32; 3]], zones: &[u8]) {
        for zone in [ZONE_PAVED, ZONE_BRIDGED] {
            // Zones that later versions may add are paved to whoever does not know them.
            let is = |z: &u8| (*z == ZONE_BRIDGED) == (zone == ZONE_BRIDGED);
            let start = self.bytes.len();
            let mine = faces.iter().zip(zones).filter(|(_, z)| is(z));
            let mut count = 0;
            for v in mine.flat_map(|(f, _)| f) {
                count += 1;
                if let (true, Ok(v)) = (self.short, u16::try_from(*v)) {
                    self.bytes.extend_from_slice(&v.to_le_bytes());
                } else {
                    self.bytes.extend_from_slice(&v.to_le_bytes());
                }
            }
            if count > 0 {
                let indices = self.run(start, count);
                self.parts.push(Part {
                    level,
                    zone,
                    indices,
                });
            }
        }
    }

    /// The bytes since `start`, which end on a multiple of four with what follows.
    fn run(&mut self, start: usize, count: usize) -> Run {
        let bytes = self.bytes.len() - start;
        self.bytes.resize(self.bytes.len().next_multiple_of(4), 0);
        Run {
            offset: start,
            bytes,
            count,
        }
    }
}

const EMPTY: Run = Run {
    offset: 0,
    bytes: 0,
    count: 0,
};

/// The whole metre nearest to the middle of the box around the vertices.
fn middle(positions: &[[f64; 3]]) -> [f64; 3] {
    [0, 1, 2].map(|k| {
        let values = positions.iter().map(|p| p[k]);
        let low = values.clone().fold(f64::INFINITY, f64::min);
        let high = values.fold(f64::NEG_INFINITY, f64::max);
        let middle = (0.5 * (low + high)).round();
        if middle.is_finite() {
            middle + 0.0
        } else {
            0.0
        }
    })
}
