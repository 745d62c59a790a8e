//! The rails of the whole course, and the triangles around them.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use rayon::prelude::*;

use super::super::layout::Layout;
use super::super::mask::NodeMask;
use super::super::patch::normal;
use super::pieces::{Clipper, Piece, Taken};
use super::plan::{Ground, SeamPair, SeamPlan, distance};
use super::region::{Bad, Region};
use crate::field::{RailNode, SECTION_ROWS};
use crate::numeric::to_u32;

/// Rails within this of a bad triangle are given up, metres.
const GIVEN_UP_M: f64 = 0.6;

/// A vertex of a rail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in super::super) struct SeamVertex {
    /// Local x, y.
    pub at_m: [f64; 2],
    /// Metres left of the line.
    pub t_m: f64,
    pub z_m: f64,
    pub sigma_m: f32,
    pub normal: [f32; 3],
    pub flags: u8,
}

/// What rails make of one section.
#[derive(Debug, Clone, PartialEq, Default)]
pub(in super::super) struct SectionSeams {
    /// Vertices off the border rows.
    pub inner: Vec<SeamVertex>,
    /// Vertices on the first row, from right to left.
    pub first: Vec<SeamVertex>,
    /// Vertices on the last row, from right to left.
    pub last: Vec<SeamVertex>,
    /// Cells (gap, column) that are not cut along their diagonals.
    pub cells: BTreeSet<(usize, usize)>,
    /// Triangles instead: places of the section; rail vertices are numbered on after those, inner
    /// ones first, then those of the first and of the last row.
    pub triangles: Vec<[u32; 3]>,
}

impl SectionSeams {
    pub fn vertices(&self) -> impl Iterator<Item = &SeamVertex> {
        self.inner.iter().chain(&self.first).chain(&self.last)
    }
}

/// How much of the breaklines became rails.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct SeamReport {
    /// Length of the breaklines given, metres of (s, t).
    pub given_m: f64,
    /// Length along which the mesh has two rails, metres of (s, t).
    pub railed_m: f64,
    /// Stretches of rails.
    pub pieces: u64,
    /// Vertices of rails.
    pub vertices: u64,
    /// Nodes of the lattice left out since they were too near.
    pub nodes_left_out: u64,
}

/// The rails of a course, ready for its patches.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Seams {
    sections: Vec<SectionSeams>,
    /// Nodes (row, column) that are left out.
    nodes: BTreeSet<(usize, usize)>,
    report: SeamReport,
}

impl Seams {
    /// Lay rails where `plan` may, the surface has no hole and both sides have a height.
    ///
    /// `heights` are those of the plan's places, by section ([`SeamPlan::places`]). The result
    /// depends on nothing but the arguments. Where triangles would come out badly the rails are
    /// given up; the report tells the length that is left.
    #[must_use]
    pub fn new(
        layout: &Layout,
        mask: &NodeMask,
        plan: &SeamPlan,
        heights: &[Vec<RailNode>],
    ) -> Self {
        if plan.is_empty() {
            let given_m = plan.given_m;
            return Self {
                report: SeamReport {
                    given_m,
                    ..SeamReport::default()
                },
                ..Self::default()
            };
        }
        let heights = Heights::new(plan, heights);
        let known = |chain: usize, k: usize| heights.is_known(chain, k);
        let mut clipper = Clipper::new(layout, mask, plan, &known);
        loop {
            let pieces = clipper.pieces();
            let taken = clipper.taken(&pieces);
            let builder = Builder {
                ground: Ground { layout },
                plan,
                heights: &heights,
                pieces: &pieces,
                taken: &taken,
            };
            match builder.sections() {
                Ok(sections) => return builder.finish(sections),
                Err(bad) => give_up_near(&mut clipper, layout, &bad),
            }
        }
    }

    /// What is special about a section; `None` when nothing is.
    pub(in super::super) fn section(&self, section: usize) -> Option<&SectionSeams> {
        self.sections.get(section).filter(|s| !s.cells.is_empty())
    }

    /// Whether other rails make the same of a section: the same vertices, triangles and nodes left
    /// out.
    #[must_use]
    pub fn is_same(&self, other: &Self, section: usize) -> bool {
        let rows = section * SECTION_ROWS..(section + 1) * SECTION_ROWS + 1;
        let nodes = |of: &Self| {
            let own = of.nodes.range((rows.start, 0)..(rows.end, 0));
            own.copied().collect::<Vec<_>>()
        };
        match (self.section(section), other.section(section)) {
            (None, None) => true,
            // The last row of a closed course is its first; a section that ends there is compared
            // in all that was left out.
            (Some(a), Some(b)) if section + 1 == self.sections.len() => {
                a == b && self.nodes == other.nodes
            }
            (Some(a), Some(b)) => a == b && nodes(self) == nodes(other),
            _ => false,
        }
    }

    /// Whether the node at (wrapped row, slot) is left out.
    pub(in super::super) fn leaves_out(&self, row: usize, slot: usize) -> bool {
        slot > 0 && self.nodes.contains(&(row, slot - 1))
    }

    /// How much of the breaklines became rails.
    #[must_use]
    pub fn report(&self) -> SeamReport {
        self.report
    }
}

/// Give up rails near what went wrong: those of its section, or where it has none left, all that
/// take cells there from a neighbour, or all there are. Something is given up, so that this ends.
pub(super) fn give_up_near(clipper: &mut Clipper, layout: &Layout, bad: &[(usize, Bad)]) {
    let mut changed = false;
    for b in bad {
        changed |= give_up(clipper, layout, *b);
    }
    if changed {
        return;
    }
    let takers: Vec<(usize, usize)> = bad
        .iter()
        .flat_map(|&(section, _)| clipper.takers(section))
        .collect();
    if takers.is_empty() {
        clipper.good.iter_mut().for_each(|good| good.fill(false));
    }
    for (chain, k) in takers {
        clipper.good[chain][k] = false;
    }
}

/// Mark the segments near what went wrong, all of the section when none is near; whether any was
/// good before.
fn give_up(clipper: &mut Clipper, layout: &Layout, (section, bad): (usize, Bad)) -> bool {
    let ground = Ground { layout };
    let plan = clipper.plan;
    let mut found = false;
    for everywhere in [false, true] {
        if found {
            break;
        }
        for (pairs, good) in plan.chains.iter().zip(&mut clipper.good) {
            for (k, good) in good.iter_mut().enumerate() {
                let hit = section_of(&ground, &pairs[k], &pairs[k + 1]) == Some(section)
                    && match bad {
                        Bad::Near(p) if !everywhere => ground
                            .place(pairs[k].middle)
                            .is_some_and(|q| distance(p, q) < GIVEN_UP_M),
                        _ => true,
                    };
                found |= hit && *good;
                *good &= !hit;
            }
        }
    }
    found
}

fn section_of(ground: &Ground, a: &SeamPair, b: &SeamPair) -> Option<usize> {
    let (gap, _) = ground.gap(0.5 * (a.middle[0] + b.middle[0]))?;
    Some(gap / SECTION_ROWS)
}

/// Heights of pairs.
struct Heights {
    by_pair: Vec<Vec<[RailNode; 2]>>,
}

impl Heights {
    fn new(plan: &SeamPlan, heights: &[Vec<RailNode>]) -> Self {
        let none = [RailNode::VOID; 2];
        let mut by_pair: Vec<Vec<[RailNode; 2]>> = plan
            .chains
            .iter()
            .map(|pairs| vec![none; pairs.len()])
            .collect();
        for (section, found) in heights.iter().enumerate() {
            for (&(chain, k), pair) in plan.pairs_of(section).iter().zip(found.chunks_exact(2)) {
                by_pair[chain as usize][k as usize] = [pair[0], pair[1]];
            }
        }
        Self { by_pair }
    }

    fn is_known(&self, chain: usize, k: usize) -> bool {
        let sides = &self.by_pair[chain][k];
        sides
            .iter()
            .all(|s| s.z_m.is_finite() && s.slope_s.is_finite() && s.slope_t.is_finite())
    }

    /// The height of a side; of the middle where rails end, which is between both.
    fn of(&self, chain: usize, k: usize, side: Side) -> RailNode {
        let [left, right] = self.by_pair[chain][k];
        match side {
            Side::Left => left,
            Side::Right => right,
            Side::End => RailNode {
                z_m: 0.5 * (left.z_m + right.z_m),
                sigma_m: left.sigma_m.max(right.sigma_m),
                slope_s: 0.5 * (left.slope_s + right.slope_s),
                slope_t: 0.5 * (left.slope_t + right.slope_t),
                flags: left.flags | right.flags,
            },
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
enum Side {
    Left,
    Right,
    End,
}

/// A vertex of rails: chain, pair, side.
type Key = (usize, usize, Side);

struct Builder<'a> {
    ground: Ground<'a>,
    plan: &'a SeamPlan,
    heights: &'a Heights,
    pieces: &'a [Piece],
    taken: &'a Taken,
}

/// Vertices and edges of the rails in one section, by key.
#[derive(Default)]
struct Rails {
    inner: Vec<Key>,
    edges: Vec<[Key; 2]>,
}

impl Builder<'_> {
    fn sections(&self) -> Result<Vec<SectionSeams>, Vec<(usize, Bad)>> {
        let count = self.ground.layout.lattice().sections();
        let mut rails: Vec<Rails> = (0..count).map(|_| Rails::default()).collect();
        self.pieces
            .iter()
            .for_each(|piece| self.add_piece(piece, &mut rails));
        let rows = self.border_vertices();
        let built: Vec<Result<SectionSeams, (usize, Bad)>> = rails
            .par_iter()
            .enumerate()
            .map(|(section, rails)| self.section(section, rails, &rows))
            .collect();
        let bad: Vec<(usize, Bad)> = built
            .iter()
            .filter_map(|b| b.as_ref().err().copied())
            .collect();
        if bad.is_empty() {
            Ok(built.into_iter().flatten().collect())
        } else {
            Err(bad)
        }
    }

    fn sides(piece: &Piece, k: usize) -> [Side; 2] {
        if k == piece.from || k == piece.to {
            [Side::End; 2]
        } else {
            [Side::Left, Side::Right]
        }
    }

    fn add_piece(&self, piece: &Piece, rails: &mut [Rails]) {
        let pairs = &self.plan.chains[piece.chain];
        let mut add_pair = |section: usize, k: usize| {
            let mut keys = Self::sides(piece, k)
                .map(|side| (piece.chain, k, side))
                .to_vec();
            keys.dedup();
            rails[section].inner.extend(keys);
        };
        let own = pairs.iter().enumerate().take(piece.to + 1).skip(piece.from);
        for (k, pair) in own.filter(|(_, pair)| pair.row.is_none()) {
            if let Some((gap, _)) = self.ground.gap(pair.middle[0]) {
                add_pair(gap / SECTION_ROWS, k);
            }
        }
        for k in piece.from..piece.to {
            let Some(section) = section_of(&self.ground, &pairs[k], &pairs[k + 1]) else {
                continue;
            };
            let (a, b) = (Self::sides(piece, k), Self::sides(piece, k + 1));
            for side in 0..2 {
                let ends = [(piece.chain, k, a[side]), (piece.chain, k + 1, b[side])];
                rails[section].edges.push(ends);
            }
        }
    }

    /// The rails' vertices on border rows, from right to left.
    fn border_vertices(&self) -> BTreeMap<usize, Vec<Key>> {
        let mut rows: BTreeMap<usize, Vec<Key>> = BTreeMap::new();
        for piece in self.pieces {
            for k in piece.from + 1..piece.to {
                if let Some(row) = self.plan.chains[piece.chain][k].row {
                    let keys = [Side::Left, Side::Right].map(|side| (piece.chain, k, side));
                    rows.entry(row).or_default().extend(keys);
                }
            }
        }
        for keys in rows.values_mut() {
            keys.sort_unstable_by(|&a, &b| self.at(a)[1].total_cmp(&self.at(b)[1]).then(a.cmp(&b)));
        }
        rows
    }

    fn at(&self, (chain, k, side): Key) -> [f64; 2] {
        let pair = &self.plan.chains[chain][k];
        match side {
            Side::Left => pair.left,
            Side::Right => pair.right,
            Side::End => pair.middle,
        }
    }

    fn section(
        &self,
        section: usize,
        rails: &Rails,
        rows: &BTreeMap<usize, Vec<Key>>,
    ) -> Result<SectionSeams, (usize, Bad)> {
        let layout = self.ground.layout;
        let [first, last] = layout.lattice().section_rows(section);
        let of_row = |row: usize| {
            rows.get(&layout.lattice().wrap(row))
                .cloned()
                .unwrap_or_default()
        };
        let keys = [rails.inner.clone(), of_row(first), of_row(last)];
        let vertices = |k: usize| keys[k].iter().map(|&key| self.vertex(key)).collect();
        let mut seams = SectionSeams {
            inner: vertices(0),
            first: vertices(1),
            last: vertices(2),
            cells: self
                .taken
                .cells
                .range((first, 0)..(last, 0))
                .copied()
                .collect(),
            triangles: Vec::new(),
        };
        if seams.cells.is_empty() {
            return Ok(seams);
        }
        let names = to_u32((last - first + 1) * layout.stride())..;
        let name: HashMap<Key, u32> = keys.iter().flatten().copied().zip(names).collect();
        let edge = |[a, b]: &[Key; 2]| Some([*name.get(a)?, *name.get(b)?]);
        let edges: Option<Vec<[u32; 2]>> = rails.edges.iter().map(edge).collect();
        let edges = edges.ok_or((section, Bad::Everywhere))?;
        let region = Region::new(layout, self.taken, section, &seams);
        seams.triangles = region.triangulate(&edges).map_err(|bad| (section, bad))?;
        Ok(seams)
    }

    fn vertex(&self, key: Key) -> SeamVertex {
        let [s, t] = self.at(key);
        let pair = &self.plan.chains[key.0][key.1];
        let gap = self.ground.gap(s).map_or(0, |g| g.0);
        let frame = &self.ground.layout.station(pair.row.unwrap_or(gap)).frame;
        let at_m = match pair.row {
            Some(_) => frame.at(t),
            None => self.ground.place([s, t]).unwrap_or([f64::NAN; 2]),
        };
        let height = self.heights.of(key.0, key.1, key.2);
        let slopes = [f64::from(height.slope_s), f64::from(height.slope_t)];
        SeamVertex {
            at_m,
            t_m: t,
            z_m: height.z_m,
            sigma_m: height.sigma_m,
            normal: normal(frame, t, slopes),
            flags: height.flags,
        }
    }

    fn finish(&self, sections: Vec<SectionSeams>) -> Seams {
        let length = |piece: &Piece| -> f64 {
            let pairs = &self.plan.chains[piece.chain][piece.from..=piece.to];
            let ends = pairs.iter().zip(&pairs[1..]);
            ends.map(|(a, b)| distance(a.middle, b.middle)).sum()
        };
        let count = |s: &SectionSeams| (s.inner.len() + s.first.len()) as u64;
        Seams {
            report: SeamReport {
                given_m: self.plan.given_m,
                railed_m: self.pieces.iter().map(length).sum(),
                pieces: self.pieces.len() as u64,
                vertices: sections.iter().map(count).sum(),
                nodes_left_out: self.taken.nodes.len() as u64,
            },
            sections,
            nodes: self.taken.nodes.clone(),
        }
    }
}
