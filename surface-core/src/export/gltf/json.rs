//! The JSON chunk: what the bytes of the binary chunk mean.

use serde_json::{Value, json};

use super::tile::{GltfTile, LEVELS_M, Run};
use crate::export::head::MeshHead;
use crate::mesh::ZONE_BRIDGED;

/// glTF's numbers for kinds of data (section 3.6 and 5.1 of the standard).
const FLOAT: u32 = 5126;
const UNSIGNED_SHORT: u32 = 5123;
const UNSIGNED_INT: u32 = 5125;
const VERTICES: u32 = 34962;
const INDICES: u32 = 34963;

/// Collects the parts of the JSON chunk tile by tile.
#[derive(Debug, Default)]
pub(super) struct Scene {
    views: Vec<Value>,
    accessors: Vec<Value>,
    meshes: Vec<Value>,
    nodes: Vec<Value>,
    /// Nodes of each level.
    levels: [Vec<usize>; LEVELS_M.len() + 1],
    errors_m: [f64; LEVELS_M.len()],
    triangles: [u64; LEVELS_M.len() + 1],
}

impl Scene {
    /// Describe a tile whose bytes start at `base` of the binary chunk.
    pub fn add(&mut self, tile: &GltfTile, base: u64) {
        let float = |kind: &str| json!({"componentType": FLOAT, "type": kind});
        let positions = self.accessor(base, tile.positions, VERTICES, float("VEC3"));
        self.accessors[positions]["min"] = json!(tile.low);
        self.accessors[positions]["max"] = json!(tile.high);
        let normals = self.accessor(base, tile.normals, VERTICES, float("VEC3"));
        let sigmas = self.accessor(base, tile.sigmas, VERTICES, float("SCALAR"));
        let attributes = json!({"POSITION": positions, "NORMAL": normals, "_SIGMA": sigmas});
        let kind = if tile.short {
            UNSIGNED_SHORT
        } else {
            UNSIGNED_INT
        };
        let first = self.nodes.len();
        for level in 0..=LEVELS_M.len() {
            let mut primitives = Vec::new();
            for part in tile.parts.iter().filter(|p| p.level == level) {
                let scalar = json!({"componentType": kind, "type": "SCALAR"});
                let indices = self.accessor(base, part.indices, INDICES, scalar);
                self.triangles[level] += part.indices.count as u64 / 3;
                primitives.push(json!({
                    "attributes": attributes,
                    "indices": indices,
                    "material": usize::from(part.zone == ZONE_BRIDGED),
                }));
            }
            let node = self.node(tile, level, primitives);
            self.levels[level].extend(node);
        }
        for (known, found) in self.errors_m.iter_mut().zip(tile.errors_m) {
            *known = known.max(found);
        }
        let coarser: Vec<usize> = (first + 1..self.nodes.len()).collect();
        if coarser.len() == LEVELS_M.len() {
            self.nodes[first]["extensions"] = json!({"MSFT_lod": {"ids": coarser}});
        }
    }

    fn node(&mut self, tile: &GltfTile, level: usize, primitives: Vec<Value>) -> Option<usize> {
        if primitives.is_empty() {
            return None;
        }
        let name = format!("section {} level {level}", tile.section);
        self.meshes
            .push(json!({"name": name, "primitives": primitives}));
        let [east, north, up] = tile.zero_m;
        self.nodes.push(json!({
            "name": name,
            "mesh": self.meshes.len() - 1,
            "translation": [east, up, 0.0 - north],
        }));
        Some(self.nodes.len() - 1)
    }

    fn accessor(&mut self, base: u64, run: Run, target: u32, mut kind: Value) -> usize {
        self.views.push(json!({
            "buffer": 0,
            "byteOffset": base + run.offset as u64,
            "byteLength": run.bytes,
            "target": target,
        }));
        kind["bufferView"] = json!(self.views.len() - 1);
        kind["count"] = json!(run.count);
        self.accessors.push(kind);
        self.accessors.len() - 1
    }

    /// The whole text for a binary chunk of `bytes`.
    pub fn text(&self, head: &MeshHead, bytes: u64) -> String {
        let mut extras = json!({
            "origin": head.origin_m,
            "crs": head.crs,
            "axes": "metres; glTF x is east, y is up, -z is north; add origin (east, north, up)",
        });
        if let Some(note) = head.note {
            extras["texture"] = json!(note);
        }
        let scene = |level: usize| {
            let error_m = level.checked_sub(1).map_or(0.0, |k| self.errors_m[k]);
            let mut extras = extras.clone();
            extras["height_error_m"] = json!(error_m);
            extras["triangles"] = json!(self.triangles[level]);
            json!({"name": format!("level {level}"), "nodes": self.levels[level], "extras": extras})
        };
        let scenes: Vec<Value> = (0..=LEVELS_M.len()).map(scene).collect();
        let file = json!({
            "asset": {
                "version": "2.0",
                "generator": concat!("surface ", env!("CARGO_PKG_VERSION")),
                "extras": extras,
            },
            "extensionsUsed": ["MSFT_lod"],
            "scene": 0,
            "scenes": scenes,
            "nodes": self.nodes,
            "meshes": self.meshes,
            "materials": [
                material("paved", [0.18, 0.18, 0.19, 1.0]),
                material("bridged", [0.75, 0.42, 0.10, 1.0]),
            ],
            "accessors": self.accessors,
            "bufferViews": self.views,
            "buffers": [{"byteLength": bytes}],
        });
        file.to_string()
    }

    /// Triangles of each level, finest first.
    pub fn triangles(&self) -> [u64; LEVELS_M.len() + 1] {
        self.triangles
    }
}

fn material(name: &str, colour: [f64; 4]) -> Value {
    json!({
        "name": name,
        "pbrMetallicRoughness": {
            "baseColorFactor": colour,
            "metallicFactor": 0.0,
            "roughnessFactor": 0.95,
        },
    })
}
