//! What every file of triangles says of itself.

/// The zero of a mesh, its coordinate system, and what a reader must know of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeshHead<'a> {
    /// World coordinates of the mesh's zero, metres.
    pub origin_m: [f64; 3],
    /// Name of the coordinate system.
    pub crs: Option<&'a str>,
    /// What is not as measured, as one line.
    pub note: Option<&'a str>,
}

impl MeshHead<'_> {
    /// The note without breaks of line, behind `mark`; nothing without one.
    pub(super) fn note_line(&self, mark: &str) -> String {
        let line = |note: &str| format!("{mark}{}\n", note.replace(['\n', '\r'], " "));
        self.note.map_or_else(String::new, line)
    }
}
