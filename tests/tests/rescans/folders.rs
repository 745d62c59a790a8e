//! What build folders hold, read without our own readers where bytes count.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use surface_core::report::ChangeReport;
use surface_core::ribbon::Ribbon;

/// Blending reaches so far from a change, metres: ten, and the margin of what is new.
pub const REACH_M: f64 = 10.5;

/// Files of a tree by path in it.
pub fn files(dir: &Path) -> HashMap<PathBuf, Vec<u8>> {
    let mut out = HashMap::new();
    let mut waiting = vec![dir.to_owned()];
    while let Some(at) = waiting.pop() {
        for entry in std::fs::read_dir(at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                waiting.push(path);
            } else {
                let name = path.strip_prefix(dir).unwrap().to_owned();
                out.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    out
}

/// The records of a `surface.ply`.
pub struct Records {
    /// x, y, z as doubles, normal and σ in single precision.
    pub vertices: Vec<[u8; 40]>,
    /// A count of three, three indices, the zone.
    pub faces: Vec<[u8; 14]>,
}

impl Records {
    pub fn read(dir: &Path) -> Self {
        let bytes = std::fs::read(dir.join("surface.ply")).unwrap();
        let head = String::from_utf8_lossy(&bytes[..1024]).into_owned();
        let count = |element: &str| -> usize {
            let mut lines = head.lines();
            let found = lines.find_map(|l| l.strip_prefix(element)).unwrap();
            found.trim().parse().unwrap()
        };
        let (vertices, faces) = bytes[1024..].split_at(40 * count("element vertex"));
        assert_eq!(faces.len(), 14 * count("element face"));
        Self {
            vertices: vertices.as_chunks().0.to_vec(),
            faces: faces.as_chunks().0.to_vec(),
        }
    }
}

/// Coordinate 0 to 2 of a vertex record.
pub fn coordinate(record: &[u8; 40], axis: usize) -> f64 {
    f64::from_le_bytes(record[8 * axis..8 * axis + 8].try_into().unwrap())
}

/// A vertex' place in plan, metres from the origin.
pub fn place(record: &[u8; 40]) -> [f64; 2] {
    [0, 1].map(|axis| coordinate(record, axis))
}

/// Corners and zone of a face record.
pub fn corners(face: &[u8; 14]) -> ([u32; 3], u8) {
    let at = |k: usize| u32::from_le_bytes(face[1 + 4 * k..5 + 4 * k].try_into().unwrap());
    assert_eq!(face[0], 3);
    ([at(0), at(1), at(2)], face[13])
}

/// How far a place (s, t) lies outside of what a change reaches, metres.
pub fn off(ribbon: &Ribbon, change: &ChangeReport, [s, t]: [f64; 2]) -> f64 {
    let [[from_s, to_s], [from_t, to_t]] = change.reach_m;
    let length = ribbon.line.length_m();
    let s = s + ((from_s - s) / length).round() * length;
    let beyond = |v: f64, a: f64, b: f64| (a - v).max(v - b).max(0.0);
    beyond(s, from_s, to_s).hypot(beyond(t, from_t, to_t))
}
