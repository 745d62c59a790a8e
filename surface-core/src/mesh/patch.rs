//! The mesh of one section.

use super::MeshError;
use super::layout::Layout;
use super::mask::NodeMask;
use super::station::RowFrame;
use crate::field::{FieldRows, RailNode, flags};
use crate::numeric::{to_f32, to_u32};

/// Zone of a face on paving that was measured.
pub const ZONE_PAVED: u8 = 1;
/// Zone of a face that has a bridged height at a corner.
pub const ZONE_BRIDGED: u8 = 2;

/// The mesh of one section, from its first row to the first row of the next, both included.
///
/// Vertices stand row by row, from right to left. Neighbouring patches hold the vertices of their
/// common row both, in the same order and bit for bit the same.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Patch {
    /// Which section.
    pub section: usize,
    /// Local x, y, z, metres.
    pub positions_m: Vec<[f64; 3]>,
    /// Unit normals of the fitted surface, upward.
    pub normals: Vec<[f32; 3]>,
    /// Standard deviation of the heights, metres.
    pub sigma_m: Vec<f32>,
    /// Whether the vertex lies on an edge of the road.
    pub on_rail: Vec<bool>,
    /// Triangles as positions in the columns above, anticlockwise from above.
    pub faces: Vec<[u32; 3]>,
    /// What each face is: [`ZONE_PAVED`] or [`ZONE_BRIDGED`].
    pub zones: Vec<u8>,
    /// How many vertices the first row has: they stand first.
    pub first_row_vertices: usize,
    /// How many vertices the last row has: they stand last.
    pub last_row_vertices: usize,
}

/// A node with what a vertex needs.
struct Height {
    z_m: f64,
    sigma_m: f32,
    slopes: [f64; 2],
    flags: u8,
}

impl Patch {
    /// Mesh section `section` from the rows of the field that cover it.
    ///
    /// A function of its arguments alone; the caller runs sections in parallel.
    ///
    /// # Errors
    /// [`MeshError::WrongRows`] when `field` does not cover the section.
    pub fn new(
        layout: &Layout,
        mask: &NodeMask,
        section: usize,
        field: &FieldRows,
    ) -> Result<Self, MeshError> {
        let rows = layout.lattice.section_rows(section);
        let covers = field.first_row <= rows[0] && rows[1] <= field.last_row();
        if !covers || field.lattice != layout.lattice || field.check().is_err() {
            return Err(MeshError::WrongRows {
                section,
                first: rows[0],
                last: rows[1],
                got_first: field.first_row,
                got_last: field.last_row(),
            });
        }
        let mut patch = Self {
            section,
            ..Self::default()
        };
        let (index, bridged) = patch.add_vertices(layout, mask, rows, field);
        patch.add_faces(layout, rows, &index, &bridged);
        Ok(patch)
    }

    /// Add the live vertices; returns where each place went, and whether it is bridged.
    fn add_vertices(
        &mut self,
        layout: &Layout,
        mask: &NodeMask,
        rows: [usize; 2],
        field: &FieldRows,
    ) -> (Vec<u32>, Vec<bool>) {
        let stride = layout.stride();
        let mut index = vec![u32::MAX; (rows[1] - rows[0] + 1) * stride];
        let mut bridged = Vec::new();
        for row in rows[0]..=rows[1] {
            let before = self.positions_m.len();
            for slot in layout.slots(row).filter(|&slot| mask.has(row, slot)) {
                let height = height(field, row, slot);
                index[(row - rows[0]) * stride + slot] = to_u32(self.positions_m.len());
                bridged.push(height.flags & flags::BRIDGED != 0);
                self.on_rail.push(slot == 0 || slot + 1 == stride);
                self.add_vertex(
                    &layout.station(row).frame,
                    layout.slot_t_m(row, slot),
                    &height,
                );
            }
            let count = self.positions_m.len() - before;
            if row == rows[0] {
                self.first_row_vertices = count;
            }
            self.last_row_vertices = count;
        }
        (index, bridged)
    }

    fn add_vertex(&mut self, frame: &RowFrame, t_m: f64, height: &Height) {
        let [x, y] = frame.at(t_m);
        self.positions_m.push([x, y, height.z_m]);
        self.normals.push(normal(frame, t_m, height.slopes));
        self.sigma_m.push(height.sigma_m);
    }

    fn add_faces(&mut self, layout: &Layout, rows: [usize; 2], index: &[u32], bridged: &[bool]) {
        let stride = layout.stride();
        let mut add = |face: [u32; 3]| {
            if face.contains(&u32::MAX) {
                return;
            }
            let zone = if face.iter().any(|&v| bridged[v as usize]) {
                ZONE_BRIDGED
            } else {
                ZONE_PAVED
            };
            self.faces.push(face);
            self.zones.push(zone);
        };
        for row in rows[0]..rows[1] {
            let place = |(r, c): (usize, usize)| index[(r - rows[0]) * stride + c + 1];
            for column in layout.core(row) {
                for triangle in Layout::core_triangles(row, column) {
                    add(triangle.map(place));
                }
            }
        }
        for triangle in &layout.rims[self.section] {
            add(triangle.map(|place| index[place as usize]));
        }
    }
}

fn height(field: &FieldRows, row: usize, slot: usize) -> Height {
    let (local, columns) = (row - field.first_row, field.lattice.columns);
    if slot == 0 || slot > columns {
        let side = if slot == 0 { &field.right } else { &field.left };
        let RailNode {
            z_m,
            sigma_m,
            slope_s,
            slope_t,
            flags,
        } = side[local];
        let slopes = [f64::from(slope_s), f64::from(slope_t)];
        return Height {
            z_m,
            sigma_m,
            slopes,
            flags,
        };
    }
    let k = local * columns + slot - 1;
    Height {
        z_m: field.z_m[k],
        sigma_m: field.sigma_m[k],
        slopes: [f64::from(field.slope_s[k]), f64::from(field.slope_t[k])],
        flags: field.flags[k],
    }
}

/// The upward unit normal where the surface has slopes (∂z/∂s, ∂z/∂t).
///
/// A step ds at t moves (1 − κt) ds along the tangent T, a step dt moves dt along the left normal
/// N, so ∇z = T ∂z/∂s / (1 − κt) + N ∂z/∂t and the normal is (−∇z, 1) / |(−∇z, 1)|.
fn normal(frame: &RowFrame, t_m: f64, slopes: [f64; 2]) -> [f32; 3] {
    let along = slopes[0] / frame.stretch(t_m);
    let (t, n) = (frame.tangent, frame.normal());
    let gradient = [
        along * t[0] + slopes[1] * n[0],
        along * t[1] + slopes[1] * n[1],
    ];
    let length = (1.0 + gradient[0] * gradient[0] + gradient[1] * gradient[1]).sqrt();
    [-gradient[0] / length, -gradient[1] / length, 1.0 / length].map(to_f32)
}
