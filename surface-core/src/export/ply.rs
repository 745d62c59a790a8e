//! The mesh as binary PLY, written as it comes.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::draft::{Draft, WriteError, named};
use crate::mesh::{MeshSink, Patch};

/// Writes a mesh of any size as binary little-endian PLY.
///
/// Vertices are `double x y z` relative to the origin, `float nx ny nz`, `float sigma` (metres);
/// faces a `uchar`-counted list of `int vertex_indices` and `uchar zone`. The header carries
/// `comment origin X Y Z`: add it to get world coordinates.
///
/// Vertices go to `NAME.part`, faces to `NAME.faces.part`; [`PlyWriter::finish`] joins them and
/// gives the file its name. A writer that is dropped before leaves nothing behind.
#[derive(Debug)]
pub struct PlyWriter {
    path: PathBuf,
    origin_m: [f64; 3],
    crs: String,
    body: Draft,
    tail: Draft,
    vertices: u64,
    faces: u64,
    bytes: Vec<u8>,
}

/// Room for the header; what the text leaves free is filled by a comment.
const HEADER_BYTES: usize = 1024;
/// Letters (of four bytes at most) of a coordinate system's name that the header has room for.
const MOST_CRS_LETTERS: usize = 80;

impl PlyWriter {
    /// Begin the file `path` of a mesh relative to `origin_m`.
    ///
    /// # Errors
    /// [`WriteError`] when the drafts cannot be made beside it.
    pub fn create(path: &Path, origin_m: [f64; 3]) -> Result<Self, WriteError> {
        let mut body = Draft::create(named(path, ".part"))?;
        let tail = Draft::create(named(path, ".faces.part"))?;
        body.with(|file| file.write_all(&[b' '; HEADER_BYTES]))?;
        Ok(Self {
            path: path.to_owned(),
            origin_m,
            crs: String::new(),
            body,
            tail,
            vertices: 0,
            faces: 0,
            bytes: Vec::new(),
        })
    }

    /// Name the coordinate system of the origin: one line `comment crs NAME` of the header.
    #[must_use]
    pub fn with_crs(mut self, name: Option<&str>) -> Self {
        // A comment ends with its line, and the header has its size.
        let printed = name.unwrap_or_default().chars().filter(|c| !c.is_control());
        self.crs = printed.take(MOST_CRS_LETTERS).collect();
        self
    }

    /// Join vertices and faces and give the file its name.
    ///
    /// # Errors
    /// [`WriteError`] when writing or renaming fails; then there is no file.
    pub fn finish(mut self) -> Result<(), WriteError> {
        let header = header(self.origin_m, &self.crs, self.vertices, self.faces);
        self.body.append(&mut self.tail)?;
        self.body.with(|file| {
            file.seek(SeekFrom::Start(0))?;
            file.write_all(&header)
        })?;
        self.body.publish(&self.path)
    }
}

impl MeshSink for PlyWriter {
    type Error = WriteError;

    fn vertices(&mut self, patch: &Patch, count: usize) -> Result<(), WriteError> {
        self.bytes.clear();
        for v in 0..count {
            self.bytes.extend_from_slice(&vertex_record(patch, v));
        }
        self.vertices += count as u64;
        self.body.put(&self.bytes)
    }

    fn faces(&mut self, faces: &[[u32; 3]], zones: &[u8]) -> Result<(), WriteError> {
        self.bytes.clear();
        for (face, &zone) in faces.iter().zip(zones) {
            self.bytes.push(3);
            for v in face {
                self.bytes.extend_from_slice(&v.to_le_bytes());
            }
            self.bytes.push(zone);
        }
        self.faces += faces.len() as u64;
        self.tail.put(&self.bytes)
    }
}

/// Bytes of a vertex in the file.
const VERTEX_BYTES: usize = 40;

/// Vertex `v` of a patch as it stands in the file: x, y, z, normal, σ.
#[must_use]
pub fn vertex_record(patch: &Patch, v: usize) -> [u8; VERTEX_BYTES] {
    let mut out = [0; VERTEX_BYTES];
    for (k, c) in patch.positions_m[v].iter().enumerate() {
        out[8 * k..8 * k + 8].copy_from_slice(&c.to_le_bytes());
    }
    let floats = patch.normals[v].iter().chain([&patch.sigma_m[v]]);
    for (k, c) in floats.enumerate() {
        out[24 + 4 * k..28 + 4 * k].copy_from_slice(&c.to_le_bytes());
    }
    out
}

/// The vertices of a finished file of ours, in order.
#[derive(Debug)]
pub struct VertexRecords {
    path: PathBuf,
    file: std::io::BufReader<File>,
    bytes: Vec<u8>,
}

impl VertexRecords {
    /// Open a file that [`PlyWriter`] wrote.
    ///
    /// # Errors
    /// [`WriteError`] when it cannot be opened.
    pub fn open(path: &Path) -> Result<Self, WriteError> {
        let error = |source| WriteError {
            path: path.to_owned(),
            source,
        };
        let mut file = std::io::BufReader::with_capacity(1 << 18, File::open(path).map_err(error)?);
        file.seek(SeekFrom::Start(HEADER_BYTES as u64))
            .map_err(error)?;
        Ok(Self {
            path: path.to_owned(),
            file,
            bytes: Vec::new(),
        })
    }

    /// The name of the coordinate system that the header has, if any.
    ///
    /// # Errors
    /// [`WriteError`] when the header cannot be read.
    pub fn crs(&self) -> Result<Option<String>, WriteError> {
        let error = |source| WriteError {
            path: self.path.clone(),
            source,
        };
        let mut head = vec![0; HEADER_BYTES];
        let mut file = File::open(&self.path).map_err(error)?;
        file.read_exact(&mut head).map_err(error)?;
        let head = String::from_utf8_lossy(&head).into_owned();
        let name = head.lines().find_map(|l| l.strip_prefix("comment crs "));
        Ok(name.map(str::to_owned))
    }

    /// Whether the next `count` vertices are the first of `patch`, byte for byte.
    ///
    /// # Errors
    /// [`WriteError`] when the file ends before.
    pub fn next_are(&mut self, patch: &Patch, count: usize) -> Result<bool, WriteError> {
        self.bytes.resize(count * VERTEX_BYTES, 0);
        self.file
            .read_exact(&mut self.bytes)
            .map_err(|source| WriteError {
                path: self.path.clone(),
                source,
            })?;
        let records = self.bytes.chunks_exact(VERTEX_BYTES).enumerate();
        Ok(records
            .into_iter()
            .all(|(v, record)| record == vertex_record(patch, v)))
    }
}

/// The header, exactly [`HEADER_BYTES`] long.
fn header(origin_m: [f64; 3], crs: &str, vertices: u64, faces: u64) -> Vec<u8> {
    let [x, y, z] = origin_m;
    let crs = match crs {
        "" => String::new(),
        name => format!("comment crs {name}\n"),
    };
    let start = format!(
        "ply\nformat binary_little_endian 1.0\ncomment origin {x} {y} {z}\n{crs}\
         comment metres; x east, y north, z up, relative to origin; sigma is the standard \
         deviation of z; zone 1 paved, 2 bridged\n"
    );
    let end = format!(
        "element vertex {vertices}\nproperty double x\nproperty double y\nproperty double z\n\
         property float nx\nproperty float ny\nproperty float nz\nproperty float sigma\n\
         element face {faces}\nproperty list uchar int vertex_indices\nproperty uchar zone\n\
         end_header\n"
    );
    // "comment " and the line's end take nine bytes.
    let free = HEADER_BYTES.saturating_sub(start.len() + end.len() + 9);
    format!("{start}comment {}\n{end}", ".".repeat(free)).into_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::File;

    use crate::mesh::{MeshColumns, SurfaceMesh};

    fn patch() -> Patch {
        Patch {
            positions_m: vec![[0.0, 0.0, 1.0], [1.0, 0.0, 2.0], [0.0, 1.0, 3.0]],
            normals: vec![[0.0, 0.0, 1.0]; 3],
            sigma_m: vec![0.5; 3],
            ..Patch::default()
        }
    }

    #[test]
    fn a_file_appears_only_when_it_is_whole() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("m.ply");
        let names = || {
            let mut names: Vec<_> = std::fs::read_dir(dir.path())
                .unwrap()
                .map(|e| e.unwrap().file_name())
                .collect();
            names.sort();
            names
        };
        let mut writer = PlyWriter::create(&path, [1.0, 2.0, 3.0]).unwrap();
        writer.vertices(&patch(), 3).unwrap();
        assert_eq!(names(), ["m.ply.faces.part", "m.ply.part"]);
        drop(writer);
        assert_eq!(names(), [""; 0]);
        let mut writer = PlyWriter::create(&path, [1.0, 2.0, 3.0]).unwrap();
        writer.vertices(&patch(), 3).unwrap();
        writer.faces(&[[0, 1, 2]], &[1]).unwrap();
        writer.finish().unwrap();
        assert_eq!(names(), ["m.ply"]);
        let bytes = std::fs::read(&path).unwrap();
        // Three vertices of 40 bytes and a face of 14.
        assert_eq!(bytes.len(), HEADER_BYTES + 3 * 40 + 14);
        assert_eq!(&bytes[HEADER_BYTES - 11..HEADER_BYTES], b"end_header\n");
        assert_eq!(bytes[HEADER_BYTES..][16..24], 1.0f64.to_le_bytes());
        assert_eq!(
            bytes[HEADER_BYTES + 120..],
            [3, 0, 0, 0, 0, 1, 0, 0, 0, 2, 0, 0, 0, 1]
        );
    }

    #[test]
    fn what_was_written_is_read_back_bit_for_bit() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("m.ply");
        let origin_m = [400_000.0, 5_500_000.0, 200.0];
        let mut writer = PlyWriter::create(&path, origin_m).unwrap();
        let mut columns = MeshColumns {
            origin_m,
            ..MeshColumns::default()
        };
        let mut second = patch();
        second.positions_m[1] = [0.1 + 0.2, 1.0 / 3.0, -1e-7];
        for (patch, face) in [(patch(), [0, 1, 2]), (second, [1, 4, 5])] {
            writer.vertices(&patch, 3).unwrap();
            writer.faces(&[face], &[2]).unwrap();
            let Ok(()) = columns.vertices(&patch, 3);
            let Ok(()) = columns.faces(&[face], &[2]);
        }
        writer.finish().unwrap();
        let file = std::io::BufReader::new(File::open(&path).unwrap());
        assert_eq!(
            SurfaceMesh::read(file, &path).unwrap().into_columns(),
            columns
        );
    }

    #[test]
    fn the_header_is_of_one_length_and_keeps_every_digit_of_the_origin() {
        for (origin, count) in [([0.0; 3], 0), ([-499_999.0, 5_572_093.0, -120.0], u64::MAX)] {
            for crs in ["", "Invented grid", &"\u{10348}".repeat(MOST_CRS_LETTERS)] {
                let header = String::from_utf8(header(origin, crs, count, count)).unwrap();
                assert_eq!(header.len(), HEADER_BYTES);
                let [x, y, z] = origin;
                assert!(header.contains(&format!("comment origin {x} {y} {z}\n")));
                let named = header.contains(&format!("\ncomment crs {crs}\n"));
                assert_eq!(named, !crs.is_empty());
            }
        }
    }

    #[test]
    fn the_name_of_the_coordinate_system_stays_on_its_line() {
        let dir = tempfile::tempdir().unwrap();
        let writer = PlyWriter::create(&dir.path().join("m.ply"), [0.0; 3]).unwrap();
        let writer = writer.with_crs(Some("grid\nelement vertex 7"));
        assert_eq!(writer.crs, "gridelement vertex 7");
    }

    #[test]
    fn a_folder_that_does_not_exist_is_named() {
        let error = PlyWriter::create(Path::new("no/such/folder/m.ply"), [0.0; 3]).unwrap_err();
        assert!(
            error.to_string().starts_with("no/such/folder/m.ply.part: "),
            "{error}"
        );
    }
}
