//! The mesh for tools that know no zones: STL, which knows single precision alone, and plain PLY.

use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::draft::{Draft, WriteError, named};
use super::head::MeshHead;
use crate::mesh::MeshSection;
use crate::numeric::to_f32;

/// Coordinates in single precision about a whole-metre zero, and what that loses.
#[derive(Debug, Clone, Copy)]
struct Rounded {
    /// World coordinates of the zero of what is written.
    zero_m: [f64; 3],
    /// From the mesh's zero to that zero.
    shift_m: [f64; 3],
    /// Greatest rounding so far, metres.
    worst_m: f64,
}

impl Rounded {
    fn new(origin_m: [f64; 3], shift_m: [f64; 3]) -> Self {
        Self {
            zero_m: [0, 1, 2].map(|k| origin_m[k] + shift_m[k]),
            shift_m,
            worst_m: 0.0,
        }
    }

    fn of(&mut self, p: [f64; 3]) -> [f32; 3] {
        [0, 1, 2].map(|k| {
            let local = p[k] - self.shift_m[k];
            let rounded = to_f32(local);
            self.worst_m = self.worst_m.max((f64::from(rounded) - local).abs());
            rounded
        })
    }
}

/// Writes a mesh of any length as binary STL.
///
/// Triangles with their normals in single precision, metres, x east, y north, z up, relative to
/// the whole-metre zero that the header names (`origin X Y Z`). STL has no vertices in common, no
/// zones and no σ.
#[derive(Debug)]
pub struct StlWriter {
    path: PathBuf,
    body: Draft,
    rounded: Rounded,
    triangles: u64,
    bytes: Vec<u8>,
}

impl StlWriter {
    /// Begin `path` of a mesh with this head, written about the place `shift_m` from
    /// there (whole metres, near the middle of the course, where single precision is finest).
    ///
    /// # Errors
    /// [`WriteError`] when the draft cannot be made.
    pub fn create(path: &Path, head: &MeshHead, shift_m: [f64; 3]) -> Result<Self, WriteError> {
        let rounded = Rounded::new(head.origin_m, shift_m);
        let [x, y, z] = rounded.zero_m;
        let mut text = format!("surface, metres, origin {x} {y} {z}");
        text.push_str(head.note.map_or("", |_| ", with invented roughness"));
        let mut bytes = text.into_bytes();
        bytes.resize(84, b' ');
        let mut body = Draft::create(named(path, ".part"))?;
        body.put(&bytes)?;
        Ok(Self {
            path: path.to_owned(),
            body,
            rounded,
            triangles: 0,
            bytes: Vec::new(),
        })
    }

    /// Append a section.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn add(&mut self, section: &MeshSection) -> Result<(), WriteError> {
        self.bytes.clear();
        for face in &section.faces {
            let corners = face.map(|v| section.vertices.positions_m[v as usize]);
            let normal = upward_normal(corners).map(to_f32);
            let corners = corners.map(|p| self.rounded.of(p));
            for v in normal.into_iter().chain(corners.into_iter().flatten()) {
                self.bytes.extend_from_slice(&v.to_le_bytes());
            }
            self.bytes.extend_from_slice(&[0, 0]);
        }
        self.triangles += section.faces.len() as u64;
        self.body.put(&self.bytes)
    }

    /// Complete the header and give the file its name; returns the greatest rounding of a
    /// coordinate, metres.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn finish(mut self) -> Result<f64, WriteError> {
        let count = u32::try_from(self.triangles).unwrap_or(u32::MAX);
        self.body.with(|file| {
            file.seek(SeekFrom::Start(80))?;
            file.write_all(&count.to_le_bytes())
        })?;
        self.body.publish(&self.path)?;
        Ok(self.rounded.worst_m)
    }
}

fn upward_normal([a, b, c]: [[f64; 3]; 3]) -> [f64; 3] {
    let (u, v) = (
        [0, 1, 2].map(|k| b[k] - a[k]),
        [0, 1, 2].map(|k| c[k] - a[k]),
    );
    let n = [
        u[1] * v[2] - u[2] * v[1],
        u[2] * v[0] - u[0] * v[2],
        u[0] * v[1] - u[1] * v[0],
    ];
    let length = n.iter().map(|c| c * c).sum::<f64>().sqrt();
    n.map(|c| c / length)
}

/// Writes a mesh of any length as plain binary PLY.
///
/// As `surface.ply`, with `double` coordinates relative to the line `comment origin X Y Z`, and
/// without the zones of faces, at which plain readers stumble.
#[derive(Debug)]
pub struct PlainPlyWriter {
    path: PathBuf,
    body: Draft,
    tail: Draft,
    note: String,
    origin_m: [f64; 3],
    vertices: u64,
    triangles: u64,
    bytes: Vec<u8>,
}

/// Room for the header.
const HEADER_BYTES: usize = 640;

impl PlainPlyWriter {
    /// Begin `path` of a mesh with this head.
    ///
    /// # Errors
    /// [`WriteError`] when the drafts cannot be made.
    pub fn create(path: &Path, head: &MeshHead) -> Result<Self, WriteError> {
        let mut body = Draft::create(named(path, ".part"))?;
        body.put(&[b' '; HEADER_BYTES])?;
        Ok(Self {
            path: path.to_owned(),
            body,
            tail: Draft::create(named(path, ".faces.part"))?,
            note: head.note_line("comment "),
            origin_m: head.origin_m,
            vertices: 0,
            triangles: 0,
            bytes: Vec::new(),
        })
    }

    /// Append a section.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn add(&mut self, section: &MeshSection) -> Result<(), WriteError> {
        self.bytes.clear();
        for v in 0..section.owned {
            let (local, sigma) = (section.vertices.positions_m[v], section.vertices.sigma_m[v]);
            for value in local {
                self.bytes.extend_from_slice(&value.to_le_bytes());
            }
            for value in section.vertices.normals[v].into_iter().chain([sigma]) {
                self.bytes.extend_from_slice(&value.to_le_bytes());
            }
        }
        self.vertices += section.owned as u64;
        self.body.put(&self.bytes)?;
        self.bytes.clear();
        for face in &section.faces {
            self.bytes.push(3);
            for v in face {
                let name = section.names[*v as usize];
                self.bytes.extend_from_slice(&name.to_le_bytes());
            }
        }
        self.triangles += section.faces.len() as u64;
        self.tail.put(&self.bytes)
    }

    /// Join vertices and faces and give the file its name.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn finish(mut self) -> Result<(), WriteError> {
        let [x, y, z] = self.origin_m;
        let start = format!(
            "ply\nformat binary_little_endian 1.0\ncomment origin {x} {y} {z}\n\
             comment metres; x east, y north, z up, relative to origin\n{}",
            self.note
        );
        let (vertices, triangles) = (self.vertices, self.triangles);
        let end = format!(
            "element vertex {vertices}\nproperty double x\nproperty double y\nproperty double z\n\
             property float nx\nproperty float ny\nproperty float nz\nproperty float sigma\n\
             element face {triangles}\nproperty list uchar int vertex_indices\n\
             end_header\n"
        );
        let free = HEADER_BYTES.saturating_sub(start.len() + end.len() + 9);
        let header = format!("{start}comment {}\n{end}", ".".repeat(free));
        self.body.append(&mut self.tail)?;
        self.body.with(|file| {
            file.seek(SeekFrom::Start(0))?;
            file.write_all(header.as_bytes())
        })?;
        self.body.publish(&self.path)
    }
}
