//! What the check found.

/// What is true of a mesh, and what is wrong with it.
///
/// Angles are measured in plan, where the triangulation is made. A triangle counts as a rail
/// triangle when a corner lies on an edge of the road; for a mesh without that knowledge
/// ([`MeshCheck::of`]) when a corner lies on the border of the mesh.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct MeshCheck {
    /// Vertices.
    pub vertices: u64,
    /// Triangles.
    pub faces: u64,
    /// Edges.
    pub edges: u64,
    /// Edges with a triangle on one side only.
    pub border_edges: u64,
    /// Closed lines that those edges form: 1 around an open course, 2 around a closed one, and
    /// one around each hole.
    pub border_loops: u64,
    /// Connected parts.
    pub parts: u64,
    /// V − E + F.
    pub euler: i64,
    /// Handles that the sheet has: (2·parts − loops − euler) / 2; 0 for a road.
    pub handles: i64,
    /// Area in plan, m².
    pub area_m2: f64,
    /// Longest edge in plan, metres.
    pub longest_edge_m: f64,
    /// Least angle of all triangles, degrees (60 when there are none).
    pub least_angle_deg: f64,
    /// Least angle of triangles that touch no rail, degrees.
    pub least_angle_off_rails_deg: f64,
    /// Defect: triangles off the rails with an angle under 15°.
    pub slivers: u64,
    /// Defect: triangles of less than 0.01 mm² in plan, or with a corner twice.
    pub degenerate_faces: u64,
    /// Defect: triangles that face down.
    pub flipped_faces: u64,
    /// Defect: triangles with the same corners as another.
    pub duplicate_faces: u64,
    /// Defect: edges with more than two triangles.
    pub crowded_edges: u64,
    /// Defect: edges whose two triangles run along them in the same direction.
    pub twisted_edges: u64,
    /// Defect: vertices whose triangles do not form one fan.
    pub pinches: u64,
    /// Defect: vertices that lie on a border edge without being its end: T-junctions and cracks.
    pub hanging_vertices: u64,
    /// Defect: vertices without a triangle.
    pub loose_vertices: u64,
    /// Defect: vertices that two patches share but do not place alike.
    pub unlike_border_vertices: u64,
    /// Defect: vertices with a number that is not finite, or a normal that is not an upward unit
    /// vector.
    pub bad_vertices: u64,
}

impl MeshCheck {
    /// Whether the mesh is one clean sheet: some faces, one part, no handle, no defect.
    #[must_use]
    pub fn is_valid(&self) -> bool {
        self.faces > 0
            && self.parts == 1
            && self.handles == 0
            && self.defects().iter().all(|&(_, count)| count == 0)
    }

    /// What is wrong with the mesh, in words; `None` for one clean sheet.
    #[must_use]
    pub fn defects_doubt(&self) -> Option<String> {
        if self.is_valid() {
            return None;
        }
        let found = self.defects().into_iter().filter(|&(_, count)| count > 0);
        let mut parts: Vec<String> = found.map(|(name, n)| format!("{n} {name}")).collect();
        if self.parts != 1 {
            parts.push(format!("{} parts", self.parts));
        }
        if self.handles != 0 {
            parts.push(format!("{} handles", self.handles));
        }
        Some(format!(
            "the mesh is not one clean sheet, do not drive on it: {}",
            parts.join(", ")
        ))
    }

    /// The defects by name, with their counts.
    #[must_use]
    pub fn defects(&self) -> [(&'static str, u64); 11] {
        [
            ("slivers", self.slivers),
            ("degenerate faces", self.degenerate_faces),
            ("flipped faces", self.flipped_faces),
            ("duplicate faces", self.duplicate_faces),
            ("crowded edges", self.crowded_edges),
            ("twisted edges", self.twisted_edges),
            ("pinches", self.pinches),
            ("hanging vertices", self.hanging_vertices),
            ("loose vertices", self.loose_vertices),
            ("unlike border vertices", self.unlike_border_vertices),
            ("bad vertices", self.bad_vertices),
        ]
    }

    /// Holes in the surface: border loops but the outer ones (one of an open course, two of a
    /// closed one).
    #[must_use]
    pub fn holes(&self, closed: bool) -> u64 {
        self.border_loops.saturating_sub(1 + u64::from(closed))
    }
}
