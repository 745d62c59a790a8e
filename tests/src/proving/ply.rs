//! A minimal reader of meshes in binary little-endian PLY, and their height at (x, y).
//!
//! It knows what a surface mesh needs and no more: vertices with x, y, z, faces of three
//! corners, and `comment origin X Y Z`. It shares no code with what writes such files.

use super::whole::{index_u32, to_index};
use std::path::Path;

/// A mesh that cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum PlyError {
    /// The file cannot be read.
    #[error("cannot read the mesh")]
    Io(#[from] std::io::Error),
    /// The header is not one that this reader knows.
    #[error("unexpected header line {0:?}")]
    Header(String),
    /// The file ends early.
    #[error("the file ends after {0} bytes")]
    Short(usize),
    /// A face that is not a triangle, or with a corner that does not exist.
    #[error("face {0} is not a triangle of existing vertices")]
    Face(usize),
}

/// A triangle mesh.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PlyMesh {
    /// What vertices are relative to, metres.
    pub origin_m: [f64; 3],
    /// Vertices, metres from the origin.
    pub vertices_m: Vec<[f64; 3]>,
    /// Their standard deviations, metres, where the file has a property `sigma`; else zero.
    pub sigma_m: Vec<f64>,
    /// Corners of triangles.
    pub triangles: Vec<[u32; 3]>,
}

/// Reads a mesh file.
///
/// # Errors
/// When it cannot be read or is not such a mesh.
pub fn read_ply(path: &Path) -> Result<PlyMesh, PlyError> {
    parse_ply(&std::fs::read(path)?)
}

/// Parses a mesh file's bytes.
///
/// # Errors
/// When they are not such a mesh.
pub fn parse_ply(bytes: &[u8]) -> Result<PlyMesh, PlyError> {
    let (header, at) = Header::parse(bytes)?;
    let mut cursor = Cursor { bytes, at };
    let mut mesh = PlyMesh {
        origin_m: header.origin_m,
        ..PlyMesh::default()
    };
    for element in &header.elements {
        for i in 0..element.count {
            let values = cursor.record(element)?;
            match element.name.as_str() {
                "vertex" => {
                    mesh.vertices_m.push(values.position);
                    mesh.sigma_m.push(values.sigma_m);
                }
                "face" => mesh
                    .triangles
                    .push(values.corners.ok_or(PlyError::Face(i))?),
                _ => {}
            }
        }
    }
    let n = mesh.vertices_m.len();
    let bad = mesh
        .triangles
        .iter()
        .position(|t| t.iter().any(|&v| v as usize >= n));
    bad.map_or(Ok(mesh), |i| Err(PlyError::Face(i)))
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Scalar {
    Signed(usize),
    Unsigned(usize),
    Float,
    Double,
}

impl Scalar {
    fn named(name: &str) -> Option<Self> {
        Some(match name {
            "char" | "int8" => Self::Signed(1),
            "short" | "int16" => Self::Signed(2),
            "int" | "int32" => Self::Signed(4),
            "uchar" | "uint8" => Self::Unsigned(1),
            "ushort" | "uint16" => Self::Unsigned(2),
            "uint" | "uint32" => Self::Unsigned(4),
            "float" | "float32" => Self::Float,
            "double" | "float64" => Self::Double,
            _ => return None,
        })
    }

    fn size(self) -> usize {
        match self {
            Self::Signed(n) | Self::Unsigned(n) => n,
            Self::Float => 4,
            Self::Double => 8,
        }
    }
}

#[derive(Debug)]
enum Property {
    Value(String, Scalar),
    List(Scalar, Scalar),
}

#[derive(Debug)]
struct Element {
    name: String,
    count: usize,
    properties: Vec<Property>,
}

#[derive(Debug, Default)]
struct Header {
    origin_m: [f64; 3],
    elements: Vec<Element>,
}

impl Header {
    fn parse(bytes: &[u8]) -> Result<(Self, usize), PlyError> {
        let mut header = Self::default();
        let mut at = 0;
        loop {
            let rest = &bytes[at..];
            let end = rest
                .iter()
                .position(|&b| b == b'\n')
                .ok_or(PlyError::Short(bytes.len()))?;
            let line = String::from_utf8_lossy(&rest[..end]).trim().to_owned();
            at += end + 1;
            if line == "end_header" {
                return Ok((header, at));
            }
            header.line(&line).ok_or(PlyError::Header(line))?;
        }
    }

    fn line(&mut self, line: &str) -> Option<()> {
        let words: Vec<&str> = line.split_whitespace().collect();
        match words.as_slice() {
            ["ply"] | ["format", "binary_little_endian", "1.0"] => {}
            ["comment", "origin", x, y, z] => {
                self.origin_m = [x.parse().ok()?, y.parse().ok()?, z.parse().ok()?];
            }
            ["comment" | "obj_info", ..] => {}
            ["element", name, count] => self.elements.push(Element {
                name: (*name).to_owned(),
                count: count.parse().ok()?,
                properties: Vec::new(),
            }),
            ["property", "list", count, value, _] => {
                let list = Property::List(Scalar::named(count)?, Scalar::named(value)?);
                self.elements.last_mut()?.properties.push(list);
            }
            ["property", kind, name] => {
                let value = Property::Value((*name).to_owned(), Scalar::named(kind)?);
                self.elements.last_mut()?.properties.push(value);
            }
            _ => return None,
        }
        Some(())
    }
}

#[derive(Default)]
struct Record {
    position: [f64; 3],
    sigma_m: f64,
    corners: Option<[u32; 3]>,
}

struct Cursor<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Cursor<'_> {
    fn record(&mut self, element: &Element) -> Result<Record, PlyError> {
        let mut record = Record::default();
        for property in &element.properties {
            match property {
                Property::Value(name, scalar) => {
                    let value = self.scalar(*scalar)?;
                    if let Some(i) = ["x", "y", "z"].iter().position(|n| n == name) {
                        record.position[i] = value;
                    } else if name == "sigma" {
                        record.sigma_m = value;
                    }
                }
                Property::List(count, scalar) => {
                    let n = to_index(self.scalar(*count)?);
                    let list: Result<Vec<f64>, _> = (0..n).map(|_| self.scalar(*scalar)).collect();
                    let corners = list?
                        .iter()
                        .map(|&v| index_u32(to_index(v)))
                        .collect::<Vec<_>>();
                    record.corners = record.corners.or(corners.try_into().ok());
                }
            }
        }
        Ok(record)
    }

    fn scalar(&mut self, scalar: Scalar) -> Result<f64, PlyError> {
        let end = self.at + scalar.size();
        let raw = self
            .bytes
            .get(self.at..end)
            .ok_or(PlyError::Short(self.bytes.len()))?;
        self.at = end;
        let mut wide = [0_u8; 8];
        wide[..raw.len()].copy_from_slice(raw);
        let low = u64::from_le_bytes(wide);
        Ok(match scalar {
            Scalar::Unsigned(_) => low as f64,
            Scalar::Signed(n) => {
                let shift = 64 - 8 * n;
                ((low << shift).cast_signed() >> shift) as f64
            }
            Scalar::Float => f64::from(f32::from_le_bytes([wide[0], wide[1], wide[2], wide[3]])),
            Scalar::Double => f64::from_le_bytes(wide),
        })
    }
}

/// Finds the height of a mesh at (x, y).
#[derive(Debug, Clone)]
pub struct MeshHeights {
    vertices: Vec<[f64; 3]>,
    triangles: Vec<[u32; 3]>,
    low: [f64; 2],
    size: [usize; 2],
    starts: Vec<u32>,
    lists: Vec<u32>,
}

/// Side of the cells that triangles are looked up in, metres.
const CELL_M: f64 = 0.5;

impl MeshHeights {
    /// Prepares a mesh for questions in coordinates relative to `origin_m`.
    #[must_use]
    pub fn new(mesh: &PlyMesh, origin_m: [f64; 3]) -> Self {
        let shift = [0, 1, 2].map(|i| mesh.origin_m[i] - origin_m[i]);
        let vertices: Vec<[f64; 3]> = mesh
            .vertices_m
            .iter()
            .map(|v| [0, 1, 2].map(|i| v[i] + shift[i]))
            .collect();
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for v in &vertices {
            low = [low[0].min(v[0]), low[1].min(v[1])];
            high = [high[0].max(v[0]), high[1].max(v[1])];
        }
        let size = [0, 1].map(|i| to_index((high[i] - low[i]) / CELL_M) + 1);
        let (starts, lists) = (Vec::new(), Vec::new());
        let mut heights = Self {
            vertices,
            triangles: mesh.triangles.clone(),
            low,
            size,
            starts,
            lists,
        };
        heights.sort_into_cells();
        heights
    }

    fn sort_into_cells(&mut self) {
        let mut starts = vec![0_u32; self.size[0] * self.size[1] + 1];
        for triangle in &self.triangles {
            self.each_cell(triangle, |cell| starts[cell + 1] += 1);
        }
        for i in 1..starts.len() {
            starts[i] += starts[i - 1];
        }
        let mut lists = vec![0_u32; starts.last().map_or(0, |&n| n as usize)];
        let mut next = starts.clone();
        for (i, triangle) in self.triangles.iter().enumerate() {
            self.each_cell(triangle, |cell| {
                lists[next[cell] as usize] = index_u32(i);
                next[cell] += 1;
            });
        }
        (self.starts, self.lists) = (starts, lists);
    }

    fn each_cell(&self, triangle: &[u32; 3], mut visit: impl FnMut(usize)) {
        let corners = triangle.map(|v| self.vertices[v as usize]);
        let range = |k: usize| {
            let values = corners.map(|c| c[k]);
            let low = values.iter().copied().fold(f64::INFINITY, f64::min);
            let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            to_index((low - self.low[k]) / CELL_M)..=to_index((high - self.low[k]) / CELL_M)
        };
        for y in range(1) {
            range(0).for_each(|x| visit(y * self.size[0] + x));
        }
    }

    /// The mesh's height at (x, y), the highest where triangles lie above each other.
    #[must_use]
    pub fn height_m(&self, x: f64, y: f64) -> Option<f64> {
        let (u, v) = ((x - self.low[0]) / CELL_M, (y - self.low[1]) / CELL_M);
        if !(u >= 0.0 && v >= 0.0) || to_index(u) >= self.size[0] || to_index(v) >= self.size[1] {
            return None;
        }
        let cell = to_index(v) * self.size[0] + to_index(u);
        let list = &self.lists[self.starts[cell] as usize..self.starts[cell + 1] as usize];
        let height = |&i: &u32| {
            let corners = self.triangles[i as usize].map(|v| self.vertices[v as usize]);
            height_in(corners, x, y)
        };
        list.iter().filter_map(height).max_by(f64::total_cmp)
    }
}

/// Height of a triangle at (x, y) by barycentric coordinates; its border belongs to it.
fn height_in([a, b, c]: [[f64; 3]; 3], x: f64, y: f64) -> Option<f64> {
    const SLACK: f64 = 1e-9;
    let cross = |p: [f64; 3], q: [f64; 3]| (p[0] - x) * (q[1] - y) - (p[1] - y) * (q[0] - x);
    let (wa, wb, wc) = (cross(b, c), cross(c, a), cross(a, b));
    let area = wa + wb + wc;
    let inside = |w: f64| w / area >= -SLACK;
    (area.abs() > 1e-14 && inside(wa) && inside(wb) && inside(wc))
        .then(|| (wa * a[2] + wb * b[2] + wc * c[2]) / area)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square_ply() -> Vec<u8> {
        let mut bytes = b"ply\nformat binary_little_endian 1.0\ncomment origin 100 200 10\n\
            element vertex 4\nproperty double x\nproperty double y\nproperty double z\n\
            property float sigma\nelement face 2\nproperty list uchar int vertex_indices\n\
            property uchar zone\nend_header\n"
            .to_vec();
        for v in [
            [0.0, 0.0, 0.0],
            [2.0, 0.0, 2.0],
            [2.0, 2.0, 2.0],
            [0.0, 2.0, 0.0],
        ] {
            v.iter().for_each(|c: &f64| bytes.extend(c.to_le_bytes()));
            bytes.extend(0.5_f32.to_le_bytes());
        }
        for t in [[0, 1, 2], [0, 2, 3]] {
            bytes.push(3);
            t.iter().for_each(|i: &i32| bytes.extend(i.to_le_bytes()));
            bytes.push(1);
        }
        bytes
    }

    #[test]
    fn a_mesh_is_read_and_has_the_height_of_its_planes() {
        let mesh = parse_ply(&square_ply()).unwrap();
        assert_eq!((mesh.vertices_m.len(), mesh.triangles.len()), (4, 2));
        let heights = MeshHeights::new(&mesh, [90.0, 200.0, 0.0]);
        assert!((heights.height_m(10.5, 1.3).unwrap() - 10.5).abs() < 1e-12);
        assert!((heights.height_m(12.0, 2.0).unwrap() - 12.0).abs() < 1e-12);
        assert_eq!(heights.height_m(12.1, 1.0), None);
        assert_eq!(heights.height_m(0.5, 1.0), None);
    }

    #[test]
    fn a_mesh_that_ends_early_or_names_missing_vertices_is_refused() {
        let bytes = square_ply();
        assert!(matches!(
            parse_ply(&bytes[..bytes.len() - 1]),
            Err(PlyError::Short(_))
        ));
        let mut wrong = bytes.clone();
        let last = wrong.len() - 5;
        wrong[last] = 9;
        assert!(matches!(parse_ply(&wrong), Err(PlyError::Face(1))));
        assert!(matches!(
            parse_ply(b"ply\nformat ascii 1.0\nend_header\n"),
            Err(PlyError::Header(_))
        ));
    }
}
