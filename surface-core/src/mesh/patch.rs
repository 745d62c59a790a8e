//! The mesh of one section.

use super::MeshError;
use super::layout::Layout;
use super::mask::NodeMask;
use super::seams::{SeamVertex, Seams, SectionSeams};
use super::station::RowFrame;
use crate::field::{FieldRows, RailNode, flags};
use crate::numeric::{to_f32, to_u32};

/// Zone of a face on paving that was measured.
pub const ZONE_PAVED: u8 = 1;
/// Zone of a face that has a bridged height at a corner.
pub const ZONE_BRIDGED: u8 = 2;

/// The mesh of one section, from its first row to the first row of the next, both included.
///
/// Vertices stand row by row, from right to left; those of rails along breaklines that lie on no
/// border row stand before the last row. Neighbouring patches hold the vertices of their
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
    /// Whether the vertex lies on an edge of the road, or on a rail along a breakline.
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
        Self::with_seams(layout, mask, &Seams::default(), section, field)
    }

    /// [`Patch::new`] with rails along breaklines.
    ///
    /// # Errors
    /// As [`Patch::new`].
    pub fn with_seams(
        layout: &Layout,
        mask: &NodeMask,
        seams: &Seams,
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
        let (index, bridged) = patch.add_vertices(layout, mask, seams, rows, field);
        patch.add_faces(layout, seams.section(section), rows, &index, &bridged);
        Ok(patch)
    }

    /// Add the live vertices; returns where each place went (rail vertices after the places), and
    /// whether it is bridged.
    fn add_vertices(
        &mut self,
        layout: &Layout,
        mask: &NodeMask,
        seams: &Seams,
        rows: [usize; 2],
        field: &FieldRows,
    ) -> (Vec<u32>, Vec<bool>) {
        let own = seams.section(self.section);
        let places = (rows[1] - rows[0] + 1) * layout.stride();
        let mut out = Placed {
            index: vec![u32::MAX; places + own.map_or(0, |own| own.vertices().count())],
            bridged: Vec::new(),
        };
        for row in rows[0]..=rows[1] {
            let before = self.positions_m.len();
            let on_row = match own {
                Some(own) if row == rows[0] => (&own.first[..], places + own.inner.len()),
                Some(own) if row == rows[1] => {
                    let rest = own.inner.iter().zip(places..);
                    rest.for_each(|(v, place)| self.add_seam(v, place, &mut out));
                    (&own.last[..], places + own.inner.len() + own.first.len())
                }
                _ => (&[][..], 0),
            };
            let before = if row == rows[1] {
                self.positions_m.len()
            } else {
                before
            };
            let wrapped = layout.lattice.wrap(row);
            let live = |slot: &usize| {
                mask.has(row, *slot) && (own.is_none() || !seams.leaves_out(wrapped, *slot))
            };
            let mut seam = on_row.0.iter().zip(on_row.1..).peekable();
            for slot in layout.slots(row).filter(live) {
                let t_m = layout.slot_t_m(row, slot);
                while let Some((v, place)) = seam.next_if(|(v, _)| v.t_m < t_m) {
                    self.add_seam(v, place, &mut out);
                }
                let place = (row - rows[0]) * layout.stride() + slot;
                self.add_node(layout, field, (row, slot), place, &mut out);
            }
            seam.for_each(|(v, place)| self.add_seam(v, place, &mut out));
            let count = self.positions_m.len() - before;
            if row == rows[0] {
                self.first_row_vertices = count;
            }
            self.last_row_vertices = count;
        }
        (out.index, out.bridged)
    }

    fn add_node(
        &mut self,
        layout: &Layout,
        field: &FieldRows,
        (row, slot): (usize, usize),
        place: usize,
        out: &mut Placed,
    ) {
        let height = height(field, row, slot);
        out.put(place, self.positions_m.len(), height.flags);
        self.on_rail.push(slot == 0 || slot + 1 == layout.stride());
        let frame = &layout.station(row).frame;
        self.add_vertex(frame, layout.slot_t_m(row, slot), &height);
    }

    fn add_seam(&mut self, vertex: &SeamVertex, place: usize, out: &mut Placed) {
        out.put(place, self.positions_m.len(), vertex.flags);
        self.on_rail.push(true);
        let [x, y] = vertex.at_m;
        self.positions_m.push([x, y, vertex.z_m]);
        self.normals.push(vertex.normal);
        self.sigma_m.push(vertex.sigma_m);
    }

    fn add_vertex(&mut self, frame: &RowFrame, t_m: f64, height: &Height) {
        let [x, y] = frame.at(t_m);
        self.positions_m.push([x, y, height.z_m]);
        self.normals.push(normal(frame, t_m, height.slopes));
        self.sigma_m.push(height.sigma_m);
    }

    fn add_faces(
        &mut self,
        layout: &Layout,
        seams: Option<&SectionSeams>,
        rows: [usize; 2],
        index: &[u32],
        bridged: &[bool],
    ) {
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
            let whole = |&column: &usize| seams.is_none_or(|s| !s.cells.contains(&(row, column)));
            for column in layout.core(row).filter(whole) {
                for triangle in Layout::core_triangles(row, column) {
                    add(triangle.map(place));
                }
            }
        }
        let along_seams = seams.iter().flat_map(|s| &s.triangles);
        for triangle in layout.rims[self.section].iter().chain(along_seams) {
            add(triangle.map(|place| index[place as usize]));
        }
    }
}

/// Where the places of a section went among its vertices.
struct Placed {
    index: Vec<u32>,
    bridged: Vec<bool>,
}

impl Placed {
    fn put(&mut self, place: usize, vertex: usize, marks: u8) {
        self.index[place] = to_u32(vertex);
        self.bridged.push(marks & flags::BRIDGED != 0);
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
pub(super) fn normal(frame: &RowFrame, t_m: f64, slopes: [f64; 2]) -> [f32; 3] {
    let along = slopes[0] / frame.stretch(t_m);
    let (t, n) = (frame.tangent, frame.normal());
    let gradient = [
        along * t[0] + slopes[1] * n[0],
        along * t[1] + slopes[1] * n[1],
    ];
    let length = (1.0 + gradient[0] * gradient[0] + gradient[1] * gradient[1]).sqrt();
    [-gradient[0] / length, -gradient[1] / length, 1.0 / length].map(to_f32)
}
