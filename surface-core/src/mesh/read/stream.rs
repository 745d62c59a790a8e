//! The mesh of a build, section by section: what does one stretch hold, however long the course is?

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::error::MeshReadError;
use super::ply;
use super::section::{MeshSection, VertexColumns};
use super::source::Source;
use super::walk::SectionWalk;
use crate::cloud::ply_layout::{Encoding, Kind, Number, Order, PlyLayout, Property};
use crate::field::Lattice;
use crate::ribbon::Ribbon;

/// Bytes that are read at once.
const BUFFER: usize = 1 << 18;

/// Reads the mesh that a build left in `surface.ply` one section after another.
///
/// Memory is that of three sections: the one that is handed out, the next (whose first row closes
/// it) and, on a closed course, the first. A vertex belongs to the section of its station, a
/// triangle to that of its first vertex; vertices of the next section that triangles need stand
/// behind a section's own, so neighbours hold their common border both, bit for bit.
#[derive(Debug)]
pub struct SectionReader {
    file: PathBuf,
    origin_m: [f64; 3],
    vertices: Vertices,
    faces: Faces,
    current: Option<Group>,
    next: Option<Group>,
    /// The first group of a closed course, which its last triangles come back to.
    first: Option<Group>,
    closed: bool,
}

/// The vertices of one section, and the number of the first of them.
#[derive(Debug, Clone, Default)]
struct Group {
    section: usize,
    first_name: u32,
    columns: VertexColumns,
}

impl Group {
    /// Where the vertex stands among the columns.
    fn place(&self, name: u32) -> Option<usize> {
        let k = name.checked_sub(self.first_name)? as usize;
        (k < self.columns.positions_m.len()).then_some(k)
    }
}

impl SectionReader {
    /// Open the mesh `file` of a build with this ribbon and lattice.
    ///
    /// # Errors
    /// [`MeshReadError`] when the file cannot be read or is not laid out as a build's mesh is.
    pub fn open(file: &Path, ribbon: &Ribbon, lattice: Lattice) -> Result<Self, MeshReadError> {
        let io = |source| MeshReadError::Io {
            file: file.to_owned(),
            source,
        };
        let open = || File::open(file).map(|f| BufReader::with_capacity(BUFFER, f));
        let mut head = Source::new(open().map_err(io)?, file);
        let layout = ply::layout(&mut head)?;
        let counts = check(&head, &layout)?;
        let start = head.byte();
        let (mut body, mut tail) = (open().map_err(io)?, open().map_err(io)?);
        body.seek(SeekFrom::Start(start)).map_err(io)?;
        let behind = start + counts[0] * VERTEX_BYTES;
        tail.seek(SeekFrom::Start(behind)).map_err(io)?;
        let mut out = Self {
            file: file.to_owned(),
            origin_m: layout.origin_m,
            vertices: Vertices {
                reader: body,
                left: counts[0],
                walk: SectionWalk::new(ribbon, layout.origin_m, lattice),
                ahead: None,
                name: 0,
            },
            faces: Faces {
                reader: tail,
                left: counts[1],
                ahead: None,
            },
            current: None,
            next: None,
            first: None,
            closed: lattice.closed,
        };
        out.current = out.group()?;
        out.next = out.group()?;
        out.first = out.current.clone().filter(|_| out.closed);
        Ok(out)
    }

    /// World coordinates of the zero of all positions.
    #[must_use]
    pub fn origin_m(&self) -> [f64; 3] {
        self.origin_m
    }

    fn group(&mut self) -> Result<Option<Group>, MeshReadError> {
        let file = &self.file;
        self.vertices.group().map_err(|e| broken(file, e))
    }

    /// The next section that has vertices; `None` after the last.
    ///
    /// # Errors
    /// [`MeshReadError`] when the file ends too soon or its triangles are in another order.
    #[expect(
        clippy::should_implement_trait,
        reason = "an iterator of results would go on after an error"
    )]
    pub fn next(&mut self) -> Result<Option<MeshSection>, MeshReadError> {
        let Some(group) = self.current.take() else {
            return self.end();
        };
        let end = group.first_name as usize + group.columns.positions_m.len();
        let mut faces = Vec::new();
        let mut zones = Vec::new();
        loop {
            let face = self.faces.peek();
            let Some((face, zone)) = face.map_err(|e| broken(&self.file, e))? else {
                break;
            };
            if face.iter().all(|&v| v as usize >= end) {
                break;
            }
            faces.push(face);
            zones.push(zone);
            self.faces.ahead = None;
        }
        let section = self.join(group, faces, zones)?;
        self.current = self.next.take();
        self.next = self.group()?;
        Ok(Some(section))
    }

    /// All triangles must have found their section.
    fn end(&mut self) -> Result<Option<MeshSection>, MeshReadError> {
        match self.faces.peek().map_err(|e| broken(&self.file, e))? {
            None => Ok(None),
            Some((face, _)) => Err(self.disorder(face)),
        }
    }

    fn disorder(&self, face: [u32; 3]) -> MeshReadError {
        MeshReadError::Syntax {
            file: self.file.clone(),
            place: super::Place::Byte(0),
            expected: "expected triangles in the order of the course, as `surface fit` writes them",
            found: format!("triangle {face:?}"),
        }
    }

    /// A section of its own vertices and those that its triangles borrow.
    fn join(
        &self,
        group: Group,
        faces: Vec<[u32; 3]>,
        zones: Vec<u8>,
    ) -> Result<MeshSection, MeshReadError> {
        let owned = group.columns.positions_m.len();
        let mut borrowed: BTreeMap<u32, u32> = BTreeMap::new();
        for &v in faces
            .iter()
            .flatten()
            .filter(|&&v| group.place(v).is_none())
        {
            borrowed.insert(v, 0);
        }
        let mut out = MeshSection {
            section: group.section,
            names: (group.first_name..).take(owned).collect(),
            owned,
            vertices: group.columns.clone(),
            faces: Vec::with_capacity(faces.len()),
            zones,
        };
        for (&name, place) in &mut borrowed {
            let from = [self.next.as_ref(), self.first.as_ref()];
            let found = from
                .into_iter()
                .flatten()
                .find_map(|g| Some((g, g.place(name)?)));
            let Some((lender, k)) = found else {
                return Err(self.disorder([name; 3]));
            };
            *place = crate::numeric::to_u32(out.names.len());
            out.names.push(name);
            out.vertices.push_from(&lender.columns, k);
        }
        let local = |v: u32| match v.checked_sub(group.first_name) {
            Some(k) if (k as usize) < owned => k,
            _ => borrowed.get(&v).copied().unwrap_or(0),
        };
        out.faces.extend(faces.iter().map(|f| f.map(local)));
        Ok(out)
    }
}

fn broken(file: &Path, source: std::io::Error) -> MeshReadError {
    match source.kind() {
        std::io::ErrorKind::UnexpectedEof => MeshReadError::Truncated {
            file: file.to_owned(),
            place: super::Place::Byte(0),
            what: "its vertices or faces",
        },
        _ => MeshReadError::Io {
            file: file.to_owned(),
            source,
        },
    }
}

/// Bytes of a vertex: three doubles, three floats of the normal, σ.
const VERTEX_BYTES: u64 = 40;
const FACE_BYTES: usize = 14;

/// The counts of vertices and faces of a file that is laid out as a build's mesh.
fn check<R: std::io::BufRead>(
    source: &Source<'_, R>,
    layout: &PlyLayout,
) -> Result<[u64; 2], MeshReadError> {
    let vertex = ["x", "y", "z", "nx", "ny", "nz", "sigma"];
    let is = |p: &Property, name: &str, kind| p.name == name && p.kind == kind;
    let number = |k: usize| Kind::Scalar(if k < 3 { Number::F64 } else { Number::F32 });
    let corner = Kind::List {
        count: Number::U8,
        item: Number::I32,
    };
    if let [v, f] = &layout.elements[..]
        && layout.encoding == Encoding::Binary(Order::Little)
        && (v.name.as_str(), f.name.as_str()) == ("vertex", "face")
        && v.properties.len() == vertex.len()
        && (0..vertex.len()).all(|k| is(&v.properties[k], vertex[k], number(k)))
        && let [corners, zone] = &f.properties[..]
        && is(corners, "vertex_indices", corner)
        && is(zone, "zone", Kind::Scalar(Number::U8))
        && v.count.max(f.count) < u64::from(u32::MAX)
    {
        return Ok([v.count, f.count]);
    }
    Err(source.syntax(
        "expected the mesh as `surface fit` writes it (binary, x y z nx ny nz sigma, zone)",
        "another layout",
    ))
}

#[derive(Debug)]
struct Vertices {
    reader: BufReader<File>,
    left: u64,
    walk: SectionWalk,
    ahead: Option<(usize, [u8; 40])>,
    name: u32,
}

impl Vertices {
    fn peek(&mut self) -> std::io::Result<Option<(usize, [u8; 40])>> {
        if self.ahead.is_none() && self.left > 0 {
            let mut bytes = [0; 40];
            std::io::Read::read_exact(&mut self.reader, &mut bytes)?;
            self.left -= 1;
            let at = [f64_at(&bytes, 0), f64_at(&bytes, 8)];
            self.ahead = Some((self.walk.section_of(at), bytes));
        }
        Ok(self.ahead)
    }

    /// The vertices up to the next change of section.
    fn group(&mut self) -> std::io::Result<Option<Group>> {
        let Some((section, _)) = self.peek()? else {
            return Ok(None);
        };
        let mut out = Group {
            section,
            first_name: self.name,
            columns: VertexColumns::default(),
        };
        while let Some((_, bytes)) = self.peek()?.filter(|(s, _)| *s == section) {
            out.columns
                .positions_m
                .push([0, 8, 16].map(|k| f64_at(&bytes, k)));
            out.columns
                .normals
                .push([24, 28, 32].map(|k| f32_at(&bytes, k)));
            out.columns.sigma_m.push(f32_at(&bytes, 36));
            self.ahead = None;
            self.name += 1;
        }
        Ok(Some(out))
    }
}

#[derive(Debug)]
struct Faces {
    reader: BufReader<File>,
    left: u64,
    ahead: Option<([u32; 3], u8)>,
}

impl Faces {
    fn peek(&mut self) -> std::io::Result<Option<([u32; 3], u8)>> {
        if self.ahead.is_none() && self.left > 0 {
            let mut bytes = [0; FACE_BYTES];
            std::io::Read::read_exact(&mut self.reader, &mut bytes)?;
            self.left -= 1;
            let corner =
                |k: usize| u32::from_le_bytes([bytes[k], bytes[k + 1], bytes[k + 2], bytes[k + 3]]);
            self.ahead = Some(([1, 5, 9].map(corner), bytes[13]));
        }
        Ok(self.ahead)
    }
}

fn f64_at(bytes: &[u8; 40], at: usize) -> f64 {
    let mut out = [0; 8];
    out.copy_from_slice(&bytes[at..at + 8]);
    f64::from_le_bytes(out)
}

fn f32_at(bytes: &[u8; 40], at: usize) -> f32 {
    let mut out = [0; 4];
    out.copy_from_slice(&bytes[at..at + 4]);
    f32::from_le_bytes(out)
}
