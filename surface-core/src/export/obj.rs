//! The mesh as Wavefront OBJ with its MTL.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::draft::{Draft, WriteError, named};
use super::head::MeshHead;
use crate::mesh::{MeshSection, ZONE_BRIDGED};

/// Colours of the zones, for viewers.
const MATERIALS: &str = "# zones of the surface\n\
    newmtl paved\nKa 0 0 0\nKd 0.46 0.46 0.47\nKs 0 0 0\nillum 1\n\n\
    newmtl bridged\nKa 0 0 0\nKd 0.88 0.68 0.35\nKs 0 0 0\nillum 1\n";

/// Writes a mesh of any length as OBJ text, metres, x east, y north, z up, relative to the line
/// `# origin X Y Z`: five decimals, so nothing is off by more than 0.005 mm.
///
/// One group a section and zone (`section_0012_paved`), the zone as its material. Triangles of a
/// section come after the vertices of the next, which they share, so that no triangle speaks of a
/// vertex that is yet to come (but for the last of a closed course, which come back to the first).
#[derive(Debug)]
pub struct ObjWriter {
    path: PathBuf,
    body: Draft,
    materials: Draft,
    /// Triangles of the last section.
    waiting: String,
    text: String,
    sections: usize,
}

/// Where the materials of the OBJ file `path` go: beside it, with the ending `mtl`.
#[must_use]
pub fn materials_path(path: &Path) -> PathBuf {
    path.with_extension("mtl")
}

impl ObjWriter {
    /// Begin `path` and the materials beside it.
    ///
    /// # Errors
    /// [`WriteError`] when the drafts cannot be made.
    pub fn create(path: &Path, head: &MeshHead) -> Result<Self, WriteError> {
        let beside = materials_path(path);
        let mut out = Self {
            path: path.to_owned(),
            body: Draft::create(named(path, ".part"))?,
            materials: Draft::create(named(&beside, ".part"))?,
            waiting: String::new(),
            text: String::new(),
            sections: 0,
        };
        let [x, y, z] = head.origin_m;
        let library = beside.file_name().unwrap_or_default().to_string_lossy();
        let mut text =
            format!("# metres; x east, y north, z up, relative to origin\n# origin {x} {y} {z}\n");
        if let Some(crs) = head.crs {
            let _ = writeln!(text, "# crs {}", crs.replace(['\n', '\r'], " "));
        }
        text.push_str(&head.note_line("# "));
        let _ = writeln!(text, "mtllib {library}");
        out.body.put(text.as_bytes())?;
        out.materials.put(MATERIALS.as_bytes())?;
        Ok(out)
    }

    /// Append a section.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn add(&mut self, section: &MeshSection) -> Result<(), WriteError> {
        self.text.clear();
        let vertices = &section.vertices;
        for v in 0..section.owned {
            let [x, y, z] = vertices.positions_m[v];
            let [a, b, c] = vertices.normals[v];
            let _ = writeln!(self.text, "v {x:.5} {y:.5} {z:.5}\nvn {a:.5} {b:.5} {c:.5}");
        }
        self.text.push_str(&std::mem::take(&mut self.waiting));
        faces(section, &mut self.waiting);
        self.sections += 1;
        self.body.put(self.text.as_bytes())
    }

    /// Give both files their names.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn finish(mut self) -> Result<(), WriteError> {
        self.body.put(self.waiting.as_bytes())?;
        self.materials.publish(&materials_path(&self.path))?;
        self.body.publish(&self.path)
    }
}

fn faces(section: &MeshSection, out: &mut String) {
    for (bridged, zone) in [(false, "paved"), (true, "bridged")] {
        let mine = |k: &usize| (section.zones[*k] == ZONE_BRIDGED) == bridged;
        let mut faces = (0..section.faces.len()).filter(mine).peekable();
        if faces.peek().is_none() {
            continue;
        }
        let _ = writeln!(
            out,
            "g section_{:04}_{zone}\nusemtl {zone}",
            section.section
        );
        for k in faces {
            let [a, b, c] = section.faces[k].map(|v| u64::from(section.names[v as usize]) + 1);
            let _ = writeln!(out, "f {a}//{a} {b}//{b} {c}//{c}");
        }
    }
}
