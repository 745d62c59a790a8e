//! The mesh of the course and its deviation map, section by section.

use std::path::Path;

use super::BuildError;
use super::heights::{NODE_BYTES, POINT_BYTES};
use super::order::{in_order, in_order_within};
use super::params::DeviationPoints;
use crate::cloud::{PackedPoint, TileStore};
use crate::deviation::{
    CellFrame, Closure, DeviationCells, DeviationMap, MapBuilder, SectionCells, SectionPoints,
};
use crate::export::{DeviationLaz, FieldStore, HeldPoint, PlyWriter};
use crate::field::{FieldRows, Lattice, RailNode, SECTION_ROWS};
use crate::mesh::{
    Assembler, Layout, MaskReport, MeshCheck, NodeMask, Patch, PatchIndex, SeamPlan, Seams,
};
use crate::numeric::{round_i32, to_index};
use crate::progress::{Cancelled, Counted, Progress};
use crate::ribbon::{Ribbon, RibbonPoint};
use crate::setups::SetupModels;

/// Width of the cells of the deviation map, metres: a tyre's contact patch, and at a few thousand
/// points a square metre enough points for a verdict of a fraction of a millimetre.
pub(super) const DEVIATION_CELL_M: f64 = 0.25;

/// Which sections there are, and the vertices that each may have.
pub(super) struct Mesher<'a> {
    pub ribbon: &'a Ribbon,
    pub field: &'a FieldStore,
    pub layout: &'a Layout,
    pub mask: NodeMask,
    /// Name of the coordinate system, where the mesh has one.
    pub crs: Option<String>,
    pub seams: Seams,
}

impl<'a> Mesher<'a> {
    /// Decide which nodes of the layout become vertices, and which rails of the plan are laid at
    /// the heights found beside them; `advance` is told of each section and may stop the work.
    pub fn new(
        ribbon: &'a Ribbon,
        field: &'a FieldStore,
        layout: &'a Layout,
        (plan, beside): (&SeamPlan, &[Vec<RailNode>]),
        advance: &mut dyn FnMut(u64) -> Result<(), Cancelled>,
    ) -> Result<(Self, MaskReport), BuildError> {
        let lattice = *layout.lattice();
        let mut mask = NodeMask::new(layout);
        let sections: Vec<usize> = (0..lattice.sections()).collect();
        in_order(
            &sections,
            |&section| field.section_and_next(section).map_err(BuildError::from),
            |_, rows| {
                mask.add(layout, &rows);
                Ok(advance(1)?)
            },
        )?;
        let report = mask.clean(layout)?;
        let seams = Seams::new(layout, &mask, plan, beside);
        Ok((
            Self {
                ribbon,
                field,
                layout,
                mask,
                crs: None,
                seams,
            },
            report,
        ))
    }

    /// The mesh of a section, with the rows of the field that it stands on.
    pub fn patch(&self, section: usize) -> Result<(Patch, FieldRows), BuildError> {
        let rows = self.field.section_and_next(section)?;
        let (layout, mask) = (self.layout, &self.mask);
        let patch = Patch::with_seams(layout, mask, &self.seams, section, &rows)?;
        Ok((patch, rows))
    }

    /// The section that holds station `s`.
    pub fn section_at(&self, s: f64) -> usize {
        let lattice = self.layout.lattice();
        let row = to_index(self.ribbon.line.wrap_s(s) / lattice.s_step_m);
        (row / SECTION_ROWS).min(lattice.sections() - 1)
    }

    /// How far a local point lies over the surface along its normal, metres; `None` where there is
    /// none.
    pub fn distance(&self, place: RibbonPoint, xyz_m: [f64; 3]) -> Result<Option<f64>, BuildError> {
        let (patch, _) = self.patch(self.section_at(place.s))?;
        Ok(PatchIndex::new(&patch).signed_distance(xyz_m))
    }

    /// Mesh every section into `ply`, checked as it streams; and hold the points to it.
    pub fn run(
        &self,
        ply: &Path,
        points: LevelledPoints,
        laz: &mut Option<DeviationLaz>,
        which: (DeviationPoints, f64),
        progress: &mut dyn Progress,
    ) -> Result<(MeshCheck, DeviationMap), BuildError> {
        self.run_seen(ply, points, laz, which, &mut |_| Ok(()), progress)
    }

    /// The same; `see` is shown every section's mesh in order.
    pub fn run_seen(
        &self,
        ply: &Path,
        points: LevelledPoints,
        laz: &mut Option<DeviationLaz>,
        which: (DeviationPoints, f64),
        see: &mut dyn FnMut(&Patch) -> Result<(), BuildError>,
        progress: &mut dyn Progress,
    ) -> Result<(MeshCheck, DeviationMap), BuildError> {
        let lattice = *self.layout.lattice();
        let sections: Vec<usize> = (0..lattice.sections()).collect();
        let count = |section: usize| points.count(section);
        let all = sections.iter().map(|&k| count(k)).sum();
        progress.stage("mesh and hold", all, Counted::Points);
        let frame = self.cell_frame(&lattice)?;
        let cells = DeviationCells::new(frame.clone());
        let mut map = MapBuilder::new(frame);
        let writer =
            PlyWriter::create(ply, self.ribbon.frame.origin_m)?.with_crs(self.crs.as_deref());
        let mut assembler = Assembler::new(lattice.sections(), lattice.closed, writer);
        in_order_within(
            &sections,
            (&|&section| self.load(section, points), points.flight_bytes),
            |&section| self.section(section, points, &cells, which),
            |&section, done| {
                see(&done.patch)?;
                assembler.add(&done.patch)?;
                map.push(done.cells);
                if let Some(laz) = laz {
                    laz.add(&done.kept)?;
                }
                Ok(progress.advance(count(section))?)
            },
        )?;
        let (check, writer) = assembler.finish()?;
        writer.finish()?;
        Ok((check, map.finish()))
    }

    /// Bytes that a section takes while it is meshed and held, about.
    fn load(&self, section: usize, points: LevelledPoints) -> u64 {
        let nodes = (SECTION_ROWS * self.layout.lattice().columns) as u64;
        points.count(section) * POINT_BYTES + nodes * NODE_BYTES
    }

    pub fn cell_frame(&self, lattice: &Lattice) -> Result<CellFrame, BuildError> {
        let borders: Vec<f64> = (0..=lattice.sections())
            .map(|k| match k {
                0 => 0.0,
                _ => lattice.section_rows(k - 1)[1] as f64 * lattice.s_step_m,
            })
            .collect();
        let closure = if lattice.closed {
            Closure::Closed
        } else {
            Closure::Open
        };
        Ok(CellFrame::ribbon(&borders, closure, DEVIATION_CELL_M)?)
    }

    fn section(
        &self,
        section: usize,
        points: LevelledPoints,
        cells: &DeviationCells,
        which: (DeviationPoints, f64),
    ) -> Result<Held, BuildError> {
        let (patch, rows) = self.patch(section)?;
        let held = self.hold(section, points, &patch)?;
        let ground = Ground::new(&rows);
        let across = self.across(&rows);
        let cells = cells.section(&SectionPoints {
            key: (i32::try_from(section).unwrap_or(i32::MAX), 0),
            u_m: &held.s,
            v_m: &held.t,
            d_m: &held.d,
            intensity: &held.intensity,
            across_m: across,
            ground: &|s, t| ground.at(s, t),
        })?;
        let kept = self.kept(&held, which);
        Ok(Held { patch, cells, kept })
    }

    /// The points whose station lies in this section, with their distances.
    fn hold(
        &self,
        section: usize,
        points: LevelledPoints,
        patch: &Patch,
    ) -> Result<Columns, BuildError> {
        let packed = self.packed(section, points)?;
        if packed.points.is_empty() {
            return Ok(Columns::default());
        }
        let index = PatchIndex::new(patch);
        Ok(self.held(&packed, points.setups, &index, |_, _| true))
    }

    /// Give s, t and distance of the section's points that have a surface and that `wanted` asks
    /// for by s and t.
    pub fn near(
        &self,
        section: usize,
        points: LevelledPoints,
        index: &PatchIndex,
        wanted: impl Fn(f64, f64) -> bool,
        take: &mut dyn FnMut(f64, f64, f64),
    ) -> Result<(), BuildError> {
        let packed = self.packed(section, points)?;
        let held = self.held(&packed, points.setups, index, wanted);
        let columns = held.s.iter().zip(&held.t).zip(&held.d);
        columns
            .filter(|(_, d)| d.is_finite())
            .for_each(|((&s, &t), &d)| take(s, t, d));
        Ok(())
    }

    /// The points kept with a section, and with the next: those of the last half row are there.
    fn packed(&self, section: usize, points: LevelledPoints) -> Result<Packed, BuildError> {
        let lattice = self.layout.lattice();
        let store = points.points;
        let key = |k: usize| (i32::try_from(k).unwrap_or(i32::MAX), 0);
        let mut points: Vec<PackedPoint> = Vec::new();
        store.read(key(section), &mut points)?;
        let next = if section + 1 < lattice.sections() {
            section + 1
        } else {
            0
        };
        let own = points.len();
        if next != 0 || lattice.closed {
            store.read(key(next), &mut points)?;
        }
        if !lattice.closed && section + 1 == lattice.sections() {
            store.read(key(section + 1), &mut points)?;
        }
        Ok(Packed {
            section,
            points,
            own,
        })
    }

    /// Those of a section's points that `wanted` asks for, with their distances.
    fn held(
        &self,
        packed: &Packed,
        setups: &SetupModels,
        index: &PatchIndex,
        wanted: impl Fn(f64, f64) -> bool,
    ) -> Columns {
        let lattice = self.layout.lattice();
        let [from, to] = lattice
            .section_rows(packed.section)
            .map(|r| r as f64 * lattice.s_step_m);
        let is_end = !lattice.closed && packed.section + 1 == lattice.sections();
        let mut out = Columns::default();
        for (k, point) in packed.points.iter().enumerate() {
            let [s, t, z] = point.metres();
            let last_row_of_all = k >= packed.own && is_end;
            let here = (from..to).contains(&s) || (last_row_of_all && s >= from);
            if here && wanted(s, t) && !setups.left_out(point.setup) {
                let [x, y] = self.ribbon.line.to_local(RibbonPoint { s, t });
                let z = z - setups.correction_m(point.setup, [x, y]);
                let d = index.signed_distance([x, y, z]).unwrap_or(f64::NAN);
                out.push([s.min(to - 1e-9), t, d], [x, y, z], point);
            }
        }
        out
    }

    pub fn across(&self, rows: &FieldRows) -> (f64, f64) {
        let mut out = (f64::INFINITY, f64::NEG_INFINITY);
        for local in 0..rows.rows {
            let s = self
                .ribbon
                .line
                .wrap_s(rows.lattice.row_s_m(rows.first_row + local));
            out.0 = out.0.min(self.ribbon.edges.right_m(s));
            out.1 = out.1.max(self.ribbon.edges.left_m(s));
        }
        out
    }

    fn kept(&self, held: &Columns, (which, tolerance_m): (DeviationPoints, f64)) -> Vec<HeldPoint> {
        let wanted = |d: f64| match which {
            DeviationPoints::All => d.is_finite(),
            DeviationPoints::Beyond => d.abs() > tolerance_m,
            DeviationPoints::None => false,
        };
        (0..held.d.len())
            .filter(|&k| wanted(held.d[k]))
            .map(|k| held.point(k))
            .collect()
    }
}

/// The points of the road, with what is taken off each setup's heights.
#[derive(Debug, Clone, Copy)]
pub(super) struct LevelledPoints<'a> {
    pub points: &'a TileStore,
    pub setups: &'a SetupModels,
    /// Memory for the sections that are under way.
    pub flight_bytes: u64,
}

impl LevelledPoints<'_> {
    /// How many points a section has.
    fn count(&self, section: usize) -> u64 {
        let key = (i32::try_from(section).unwrap_or(i32::MAX), 0);
        self.points.count(key)
    }
}

struct Held {
    patch: Patch,
    cells: SectionCells,
    /// Points that go to `deviation.laz`.
    kept: Vec<HeldPoint>,
}

/// Points kept with a section, `own` of them, and then with the next.
struct Packed {
    section: usize,
    points: Vec<PackedPoint>,
    own: usize,
}

#[derive(Default)]
struct Columns {
    s: Vec<f64>,
    t: Vec<f64>,
    d: Vec<f64>,
    xyz: Vec<[f64; 3]>,
    intensity: Vec<u16>,
    setup: Vec<u16>,
}

impl Columns {
    fn point(&self, k: usize) -> HeldPoint {
        HeldPoint {
            xyz_m: self.xyz[k],
            d_m: self.d[k],
            intensity: self.intensity[k],
            setup: self.setup[k],
        }
    }

    fn push(&mut self, std: [f64; 3], xyz: [f64; 3], point: &PackedPoint) {
        self.s.push(std[0]);
        self.t.push(std[1]);
        self.d.push(std[2]);
        self.xyz.push(xyz);
        self.intensity.push(point.intensity);
        self.setup.push(point.setup);
    }
}

/// What the field says of the ground at a place of the section.
struct Ground<'a> {
    rows: &'a FieldRows,
    s0: f64,
    t0: f64,
}

impl<'a> Ground<'a> {
    fn new(rows: &'a FieldRows) -> Self {
        let s0 = rows.first_row as f64 * rows.lattice.s_step_m;
        Self {
            rows,
            s0,
            t0: rows.lattice.column_t_m(0),
        }
    }

    /// The marks of the nearest node with a height within a step; `None` where there is none.
    fn at(&self, s: f64, t: f64) -> Option<u8> {
        let row = round_i32((s - self.s0) / self.rows.lattice.s_step_m).max(0);
        let column = round_i32((t - self.t0) / self.rows.lattice.t_step_m).max(0);
        let (row, column) = (to_index(f64::from(row)), to_index(f64::from(column)));
        let near = |r: usize, c: usize| self.rows.node(self.rows.first_row + r, c).map(|n| n.flags);
        near(row.min(self.rows.rows - 1), column)
            .or_else(|| column.checked_sub(1).and_then(|c| near(row, c)))
            .or_else(|| near(row, column + 1))
    }
}
