//! What the holes of the surface leave of the rails, and which cells those cross.

use std::collections::BTreeSet;

use super::super::layout::Layout;
use super::super::mask::NodeMask;
use super::plan::{Ground, HALF_GAP_M, LOOK_M, SeamPair, SeamPlan, distance};
use crate::field::SECTION_ROWS;
use crate::numeric::{floor_i32, round_i32};

/// Cells within this of a breakline are triangulated anew, metres: rails in a right-angled bend
/// reach 7 mm, and 5 mm of room.
const CELL_REACH_M: f64 = 0.012;
/// Nodes nearer than this share of a step to a breakline are left out.
const CLEARANCE_STEPS: f64 = 0.2;
/// Nodes that cannot be left out keep this far from a breakline, metres: 4 mm from a rail.
const LEAST_CLEARANCE_M: f64 = HALF_GAP_M + 0.004;
/// Nodes on a border row are left out when nearer than this to a rail's crossing, metres.
const ROW_CLEARANCE_M: f64 = 0.015;
/// Fewest segments of rails worth having.
const FEWEST: usize = 3;

/// A stretch of a chain with rails: pairs `from..=to`; the first and last are single points.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Piece {
    pub chain: usize,
    pub from: usize,
    pub to: usize,
}

/// The cells and nodes that the pieces take.
#[derive(Debug, Default)]
pub(super) struct Taken {
    /// Cells triangulated anew, as (gap, column).
    pub cells: BTreeSet<(usize, usize)>,
    /// Nodes left out, as (row, column).
    pub nodes: BTreeSet<(usize, usize)>,
}

/// Decides where rails run.
pub(super) struct Clipper<'a> {
    pub ground: Ground<'a>,
    pub mask: &'a NodeMask,
    pub plan: &'a SeamPlan,
    /// Which segments of each chain may have rails.
    pub good: Vec<Vec<bool>>,
}

impl<'a> Clipper<'a> {
    /// `known` tells whether a pair (chain, place) has heights on both sides.
    pub fn new(
        layout: &'a Layout,
        mask: &'a NodeMask,
        plan: &'a SeamPlan,
        known: &dyn Fn(usize, usize) -> bool,
    ) -> Self {
        let mut clipper = Self {
            ground: Ground { layout },
            mask,
            plan,
            good: Vec::new(),
        };
        for (chain, pairs) in plan.chains.iter().enumerate() {
            let good = |k: usize| {
                let mut taken = Taken::default();
                known(chain, k)
                    && known(chain, k + 1)
                    && clipper.take(&pairs[k], &pairs[k + 1], &mut taken).is_some()
            };
            let good = (0..pairs.len() - 1).map(good).collect();
            clipper.good.push(good);
        }
        clipper
    }

    /// The stretches with rails. None begins or ends on a border row.
    pub fn pieces(&self) -> Vec<Piece> {
        let mut out = Vec::new();
        for (chain, good) in self.good.iter().enumerate() {
            let mut k = 0;
            while k < good.len() {
                let end = (k..good.len()).find(|&i| !good[i]).unwrap_or(good.len());
                out.extend(self.piece(chain, k, end));
                k = end + 1;
            }
        }
        out
    }

    fn piece(&self, chain: usize, mut from: usize, mut to: usize) -> Option<Piece> {
        let pairs = &self.plan.chains[chain];
        while from < to && pairs[from].row.is_some() {
            from += 1;
        }
        while from < to && pairs[to].row.is_some() {
            to -= 1;
        }
        (from + FEWEST <= to).then_some(Piece { chain, from, to })
    }

    /// Everything that the pieces take.
    pub fn taken(&self, pieces: &[Piece]) -> Taken {
        let mut taken = Taken::default();
        for piece in pieces {
            let pairs = &self.plan.chains[piece.chain];
            for k in piece.from..piece.to {
                // It was asked before, when the segment was found good.
                let _ = self.take(&pairs[k], &pairs[k + 1], &mut taken);
            }
        }
        taken
    }

    /// Good segments (chain, place) that take cells of a section, wherever they lie themselves.
    pub fn takers(&self, section: usize) -> Vec<(usize, usize)> {
        let [first, last] = self.ground.layout.lattice().section_rows(section);
        let mut out = Vec::new();
        for (chain, good) in self.good.iter().enumerate() {
            let pairs = &self.plan.chains[chain];
            for k in (0..good.len()).filter(|&k| good[k]) {
                let mut taken = Taken::default();
                let _ = self.take(&pairs[k], &pairs[k + 1], &mut taken);
                if taken.cells.range((first, 0)..(last, 0)).next().is_some() {
                    out.push((chain, k));
                }
            }
        }
        out
    }

    /// Take the cells and nodes along a segment; `None` where something is in the way.
    fn take(&self, a: &SeamPair, b: &SeamPair, taken: &mut Taken) -> Option<()> {
        let length = distance(a.middle, b.middle);
        let count = floor_i32(length / LOOK_M).max(0) + 1;
        for k in 0..=count {
            let share = f64::from(k) / f64::from(count);
            let at = [0, 1].map(|d| a.middle[d] + share * (b.middle[d] - a.middle[d]));
            self.take_cells(at, taken)?;
            self.take_node(at, [a, b], taken)?;
        }
        for pair in [a, b].into_iter().filter(|p| p.row.is_some()) {
            self.take_row_nodes(pair, taken)?;
        }
        Some(())
    }

    fn take_cells(&self, [s, t]: [f64; 2], taken: &mut Taken) -> Option<()> {
        let (gap, _) = self.ground.gap(s)?;
        let reach = CELL_REACH_M / self.ground.stretch(gap, t);
        let lattice = self.ground.layout.lattice();
        let column = |t: f64| {
            let c = floor_i32(t / lattice.t_step_m) - lattice.first_column;
            usize::try_from(c).ok()
        };
        for gap in [self.ground.gap(s - reach)?.0, self.ground.gap(s + reach)?.0] {
            for c in [column(t - CELL_REACH_M)?, column(t + CELL_REACH_M)?] {
                self.take_cell(gap, c, taken)?;
            }
        }
        Some(())
    }

    fn take_cell(&self, gap: usize, column: usize, taken: &mut Taken) -> Option<()> {
        self.is_sound(gap, column).then(|| {
            taken.cells.insert((gap, column));
        })
    }

    /// Whether a cell is a square of the lattice without a hole in a corner.
    fn is_sound(&self, gap: usize, column: usize) -> bool {
        let corner = |row: usize, c: usize| self.mask.has(row, c + 1);
        self.ground.layout.core(gap).contains(&column)
            && corner(gap, column)
            && corner(gap, column + 1)
            && corner(gap + 1, column)
            && corner(gap + 1, column + 1)
    }

    /// Leave out the node at a place if it is too near.
    fn take_node(&self, [s, t]: [f64; 2], ends: [&SeamPair; 2], taken: &mut Taken) -> Option<()> {
        let lattice = self.ground.layout.lattice();
        let row = round_i32(s / lattice.s_step_m);
        let column = round_i32(t / lattice.t_step_m);
        let off = [
            s - f64::from(row) * lattice.s_step_m,
            t - f64::from(column) * lattice.t_step_m,
        ];
        let (gap, _) = self.ground.gap(s)?;
        let far = (off[0] * self.ground.stretch(gap, t)).hypot(off[1]);
        if far > CLEARANCE_STEPS * lattice.t_step_m {
            return Some(());
        }
        // The middle of a gap is clear of rounding.
        let (row, _) = self.ground.gap((f64::from(row) + 0.5) * lattice.s_step_m)?;
        let column = usize::try_from(column - lattice.first_column).ok()?;
        let at_row = ends.iter().any(|p| p.row == Some(row));
        if !row.is_multiple_of(SECTION_ROWS) && self.take_around(row, column, taken) {
            return Some(());
        }
        (at_row || far > LEAST_CLEARANCE_M).then_some(())
    }

    /// Leave out a node if all four cells around it can be triangulated anew.
    fn take_around(&self, row: usize, column: usize, taken: &mut Taken) -> bool {
        let (Some(before), Some(right)) = (self.gap_before(row), column.checked_sub(1)) else {
            return false;
        };
        let cells = [before, row].map(|gap| [(gap, right), (gap, column)]);
        let sound = cells.iter().flatten().all(|&(g, c)| self.is_sound(g, c));
        if sound {
            taken.cells.extend(cells.iter().flatten());
            taken.nodes.insert((row, column));
        }
        sound
    }

    fn gap_before(&self, row: usize) -> Option<usize> {
        let lattice = self.ground.layout.lattice();
        let last = lattice.closed.then_some(lattice.rows - 1);
        if row == 0 { last } else { Some(row - 1) }
    }

    /// Leave out the nodes of a border row that are near the rails' crossing.
    fn take_row_nodes(&self, pair: &SeamPair, taken: &mut Taken) -> Option<()> {
        let row = pair.row?;
        let lattice = self.ground.layout.lattice();
        let low = pair.left[1].min(pair.right[1]) - ROW_CLEARANCE_M;
        let high = pair.left[1].max(pair.right[1]) + ROW_CLEARANCE_M;
        let index = |t: f64| floor_i32(t / lattice.t_step_m) - lattice.first_column;
        for column in index(low) + 1..=index(high) {
            let column = usize::try_from(column).ok()?;
            self.take_around(row, column, taken).then_some(())?;
        }
        // The rails' feet on the row lie in cells that are triangulated anew.
        let before = self.gap_before(row)?;
        for t in [low, high] {
            let column = usize::try_from(index(t)).ok()?;
            self.take_cell(before, column, taken)?;
            self.take_cell(row, column, taken)?;
        }
        Some(())
    }
}
