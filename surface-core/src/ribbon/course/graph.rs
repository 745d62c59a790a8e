//! The skeleton as a graph: ends and junctions, and the branches between them.

use std::collections::{BTreeMap, BTreeSet};

use super::cells::{Layout, MAX_GAP_M};
use super::polyline::distance;

/// A leaf branch is a spur of the outline unless it is longer than this many local half widths …
const SPUR_HALF_WIDTHS: f64 = 1.5;
/// … and this many metres. Chosen by the test of a ragged edge.
const SPUR_M: f64 = 2.0;
/// Ends that face each other within this angle of the line between them are joined, as cosine:
/// 50°, a road of 20 m radius over the longest gap.
const FACING_COS: f64 = 0.64;
/// Ends as near as this are joined whatever way they face, metres.
const TOUCHING_M: f64 = 3.0;

/// A place on a branch: where, and how far from there the paving reaches, metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    pub p: [f64; 2],
    pub half_m: f64,
}

/// A branch between two nodes; its path begins at node `ends[0]` and ends at `ends[1]`.
#[derive(Debug, Clone)]
pub(super) struct Branch {
    pub ends: [usize; 2],
    pub path: Vec<Spot>,
    /// Lengths of the gaps that were bridged in it, metres.
    pub bridged_m: Vec<f64>,
}

impl Branch {
    pub fn length_m(&self) -> f64 {
        self.path.windows(2).map(|w| distance(w[0].p, w[1].p)).sum()
    }

    /// Length times what a metre is worth at each spot: how much road it is, m².
    pub fn weight_m2(&self, worth: &dyn Fn(&Spot) -> f64) -> f64 {
        let piece = |w: &[Spot]| distance(w[0].p, w[1].p) * 0.5 * (worth(&w[0]) + worth(&w[1]));
        self.path.windows(2).map(piece).sum()
    }

    fn reversed(mut self) -> Self {
        self.ends.swap(0, 1);
        self.path.reverse();
        self
    }

    /// The place next to an end, `back_m` metres along the branch, and how many spots come before.
    fn spot_from_end(&self, end: usize, back_m: f64) -> (usize, Spot) {
        let at = |k: usize| {
            if end == 0 {
                self.path[k]
            } else {
                self.path[self.path.len() - 1 - k]
            }
        };
        let mut passed = 0.0;
        for k in 1..self.path.len() {
            passed += distance(at(k - 1).p, at(k).p);
            if passed >= back_m {
                return (k, at(k));
            }
        }
        (self.path.len() - 1, at(self.path.len() - 1))
    }
}

/// Branches of the skeleton. Nodes are numbers; a node is there as long as a branch ends in it.
#[derive(Debug, Default)]
pub(super) struct Graph {
    pub branches: Vec<Branch>,
}

impl Graph {
    /// Trace the skeleton's cells (see [`super::skeleton::thin`]) into branches.
    pub fn trace(cells: &[usize], skeleton: &[bool], layout: &Layout, reach: &[f32]) -> Self {
        let mut tracer = Tracer {
            skeleton,
            layout,
            reach,
            nodes: Vec::new(),
            node_of: BTreeMap::new(),
        };
        tracer.find_nodes(cells);
        let mut seen = BTreeSet::new();
        let mut graph = Self::default();
        for node in 0..tracer.nodes.len() {
            tracer.branches_from(node, &mut seen, &mut graph.branches);
        }
        for &k in cells {
            if !tracer.node_of.contains_key(&k) && !seen.contains(&k) {
                let node = tracer.add_node(vec![k]);
                tracer.branches_from(node, &mut seen, &mut graph.branches);
            }
        }
        graph
    }

    /// For every node the branches that end there; a loop counts twice.
    pub fn incidence(&self) -> BTreeMap<usize, Vec<usize>> {
        let mut of = BTreeMap::<usize, Vec<usize>>::new();
        for (k, b) in self.branches.iter().enumerate() {
            b.ends
                .iter()
                .for_each(|&n| of.entry(n).or_default().push(k));
        }
        of
    }

    /// Take off spurs of the outline until none is left; how many were taken.
    pub fn prune(&mut self) -> usize {
        let before = self.branches.len();
        let mut merged = 0;
        loop {
            let of = self.incidence();
            let is_spur: Vec<bool> = self.branches.iter().map(|b| is_spur(b, &of)).collect();
            if !is_spur.contains(&true) {
                return before - self.branches.len() - merged;
            }
            let mut spur = is_spur.iter();
            self.branches.retain(|_| spur.next() == Some(&false));
            merged += self.merge();
        }
    }

    /// Join branches that meet in a node of two; how many nodes went.
    pub fn merge(&mut self) -> usize {
        let mut merged = 0;
        let mut of = self.incidence();
        let nodes: Vec<usize> = of.keys().copied().collect();
        let mut gone = vec![false; self.branches.len()];
        for node in nodes {
            let [a, b] = of[&node][..] else { continue };
            if a == b {
                continue;
            }
            let (keep, drop) = (a.min(b), a.max(b));
            let joined = join(&self.branches[keep], &self.branches[drop], node);
            for at in of.entry(joined.ends[1]).or_default() {
                if *at == drop {
                    *at = keep;
                }
            }
            self.branches[keep] = joined;
            gone[drop] = true;
            of.remove(&node);
            merged += 1;
        }
        let mut gone = gone.iter();
        self.branches.retain(|_| gone.next() == Some(&false));
        merged
    }

    /// Draw dead ends out to where the paving ends: their last half width, bent by the corners of
    /// the outline, is replaced by a straight piece.
    pub fn extend_ends(&mut self, is_paved: &dyn Fn([f64; 2]) -> bool, step_m: f64) {
        let of = self.incidence();
        for branch in &mut self.branches {
            for end in 0..2 {
                if of[&branch.ends[end]].len() == 1 {
                    extend(branch, end, is_paved, step_m);
                }
            }
        }
    }

    /// Join dead ends that face each other over at most [`MAX_GAP_M`]; how many were joined.
    pub fn bridge(&mut self) -> usize {
        let ends = self.dead_ends();
        let mut pairs = Vec::new();
        for (k, a) in ends.iter().enumerate() {
            for (m, b) in ends.iter().enumerate().skip(k + 1) {
                if let Some(gap) = gap_between(a, b) {
                    pairs.push((gap, k, m));
                }
            }
        }
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
        let mut taken = BTreeSet::new();
        let mut count = 0;
        for (gap, k, m) in pairs {
            if taken.contains(&k) || taken.contains(&m) {
                continue;
            }
            taken.extend([k, m]);
            self.branches.push(Branch {
                ends: [ends[k].node, ends[m].node],
                path: vec![ends[k].spot, ends[m].spot],
                bridged_m: vec![gap],
            });
            count += 1;
        }
        self.merge();
        count
    }

    fn dead_ends(&self) -> Vec<DeadEnd> {
        let of = self.incidence();
        let mut ends = Vec::new();
        for branch in &self.branches {
            for end in 0..2 {
                if of[&branch.ends[end]].len() == 1 {
                    ends.push(DeadEnd::of(branch, end));
                }
            }
        }
        ends
    }
}

struct DeadEnd {
    node: usize,
    spot: Spot,
    /// Unit direction outwards.
    outward: [f64; 2],
}

impl DeadEnd {
    fn of(branch: &Branch, end: usize) -> Self {
        let spot = if end == 0 {
            branch.path[0]
        } else {
            branch.path[branch.path.len() - 1]
        };
        let (_, inner) = branch.spot_from_end(end, heading_base_m(spot));
        Self {
            node: branch.ends[end],
            spot,
            outward: unit(inner.p, spot.p),
        }
    }
}

/// Length over which an end's heading is taken, metres.
fn heading_base_m(spot: Spot) -> f64 {
    (2.0 * spot.half_m).max(5.0)
}

fn unit(from: [f64; 2], to: [f64; 2]) -> [f64; 2] {
    let d = distance(from, to).max(f64::MIN_POSITIVE);
    [(to[0] - from[0]) / d, (to[1] - from[1]) / d]
}

fn gap_between(a: &DeadEnd, b: &DeadEnd) -> Option<f64> {
    let gap = distance(a.spot.p, b.spot.p);
    let along = unit(a.spot.p, b.spot.p);
    let facing = |o: [f64; 2], sign: f64| sign * (o[0] * along[0] + o[1] * along[1]) > FACING_COS;
    let joined =
        gap <= TOUCHING_M || gap <= MAX_GAP_M && facing(a.outward, 1.0) && facing(b.outward, -1.0);
    joined.then_some(gap)
}

fn is_spur(branch: &Branch, of: &BTreeMap<usize, Vec<usize>>) -> bool {
    let degree = |end: usize| of[&branch.ends[end]].len();
    let root = match (degree(0), degree(1)) {
        (1, d) if d >= 3 => branch.path[branch.path.len() - 1],
        (d, 1) if d >= 3 => branch.path[0],
        _ => return false,
    };
    branch.length_m() < SPUR_HALF_WIDTHS * root.half_m + SPUR_M
}

/// `a` and `b` as one branch through `node`.
fn join(a: &Branch, b: &Branch, node: usize) -> Branch {
    let mut joined = if a.ends[1] == node {
        a.clone()
    } else {
        a.clone().reversed()
    };
    let next = if b.ends[0] == node {
        b.clone()
    } else {
        b.clone().reversed()
    };
    joined.ends[1] = next.ends[1];
    joined.path.extend(&next.path[1..]);
    joined.bridged_m.extend(&next.bridged_m);
    joined
}

fn extend(branch: &mut Branch, end: usize, is_paved: &dyn Fn([f64; 2]) -> bool, step_m: f64) {
    let half_m = branch.path[branch.path.len() / 2].half_m;
    if branch.length_m() < 4.0 * half_m {
        return;
    }
    if end == 0 {
        branch.path.reverse();
    }
    let (cut, _) = branch.spot_from_end(1, half_m);
    branch.path.truncate(branch.path.len() - cut);
    let tip = branch.path[branch.path.len() - 1];
    let (_, inner) = branch.spot_from_end(1, heading_base_m(tip));
    let outward = unit(inner.p, tip.p);
    let limit = crate::numeric::to_index(4.0 * half_m / step_m);
    let mut at = tip;
    for _ in 0..limit {
        let next = [at.p[0] + step_m * outward[0], at.p[1] + step_m * outward[1]];
        if !is_paved(next) {
            break;
        }
        at = Spot {
            p: next,
            half_m: tip.half_m,
        };
        branch.path.push(at);
    }
    if end == 0 {
        branch.path.reverse();
    }
}

struct Tracer<'a> {
    skeleton: &'a [bool],
    layout: &'a Layout,
    reach: &'a [f32],
    /// Cells of each node: one end, or touching junction cells.
    nodes: Vec<Vec<usize>>,
    node_of: BTreeMap<usize, usize>,
}

impl Tracer<'_> {
    fn neighbours(&self, k: usize) -> impl Iterator<Item = usize> {
        self.layout
            .ring(k)
            .into_iter()
            .filter(|&n| self.skeleton[n])
    }

    fn add_node(&mut self, cells: Vec<usize>) -> usize {
        let node = self.nodes.len();
        self.node_of.extend(cells.iter().map(|&k| (k, node)));
        self.nodes.push(cells);
        node
    }

    fn find_nodes(&mut self, cells: &[usize]) {
        for &k in cells {
            if self.node_of.contains_key(&k) {
                continue;
            }
            match self.neighbours(k).count() {
                1 => {
                    self.add_node(vec![k]);
                }
                0 | 2 => {}
                _ => {
                    let cluster = self.cluster(k);
                    self.add_node(cluster);
                }
            }
        }
    }

    /// Junction cells that touch each other.
    fn cluster(&self, start: usize) -> Vec<usize> {
        let mut cells = vec![start];
        let mut next = 0;
        while let Some(&k) = cells.get(next) {
            next += 1;
            for n in self.neighbours(k) {
                if self.neighbours(n).count() > 2 && !cells.contains(&n) {
                    cells.push(n);
                }
            }
        }
        cells
    }

    fn spot(&self, k: usize) -> Spot {
        // The outline runs half a cell before the first cell outside.
        let half_m = (f64::from(self.reach[k]) - 0.5) * self.layout.cell_m;
        Spot {
            p: self.layout.centre(k),
            half_m,
        }
    }

    /// The middle of a node's cells, with the reach of its best cell.
    fn node_spot(&self, node: usize) -> Spot {
        let n = self.nodes[node].len() as f64;
        let mut middle = Spot {
            p: [0.0; 2],
            half_m: 0.0,
        };
        for s in self.nodes[node].iter().map(|&k| self.spot(k)) {
            middle.p = [middle.p[0] + s.p[0] / n, middle.p[1] + s.p[1] / n];
            middle.half_m = middle.half_m.max(s.half_m);
        }
        middle
    }

    fn branches_from(&self, node: usize, seen: &mut BTreeSet<usize>, out: &mut Vec<Branch>) {
        for &from in &self.nodes[node] {
            for first in self.neighbours(from) {
                match self.node_of.get(&first) {
                    Some(&other) if other > node => out.push(self.touching(node, other)),
                    Some(_) => {}
                    None if seen.contains(&first) => {}
                    None => out.extend(self.walk(node, from, first, seen)),
                }
            }
        }
    }

    /// Two nodes side by side.
    fn touching(&self, a: usize, b: usize) -> Branch {
        let path = vec![self.node_spot(a), self.node_spot(b)];
        Branch {
            ends: [a, b],
            path,
            bridged_m: Vec::new(),
        }
    }

    /// Follow the line of cells from `from` over `first` to the next node.
    fn walk(
        &self,
        node: usize,
        from: usize,
        first: usize,
        seen: &mut BTreeSet<usize>,
    ) -> Option<Branch> {
        let mut path = vec![self.node_spot(node)];
        let (mut before, mut at) = (from, first);
        let end = loop {
            if let Some(&end) = self.node_of.get(&at) {
                break end;
            }
            seen.insert(at);
            path.push(self.spot(at));
            let next = self.neighbours(at).find(|&n| n != before)?;
            (before, at) = (at, next);
        };
        path.push(self.node_spot(end));
        // A cell beside a cluster that touches two of its cells is no branch.
        let is_real = end != node || path.len() > 4;
        is_real.then(|| Branch {
            ends: [node, end],
            path,
            bridged_m: Vec::new(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::morphology::distance_to;
    use super::super::skeleton::thin;
    use super::*;

    fn graph_of(inside: impl Fn(f64, f64) -> bool) -> (Graph, Vec<bool>, Layout) {
        let layout = Layout {
            cell_m: 0.5,
            i0: -2,
            j0: -2,
            width: 244,
            height: 244,
        };
        let mut mask: Vec<bool> = (0..layout.len())
            .map(|k| layout.centre(k))
            .map(|p| {
                (0.0..120.0).contains(&p[0]) && (0.0..120.0).contains(&p[1]) && inside(p[0], p[1])
            })
            .collect();
        let paved = mask.clone();
        let reach = distance_to(&mask, layout.width, false);
        let cells = thin(&mut mask, &layout);
        (Graph::trace(&cells, &mask, &layout, &reach), paved, layout)
    }

    #[test]
    fn a_ring_with_a_slip_road_has_three_branches_after_pruning() {
        let ring = |x: f64, y: f64| ((x - 60.0).hypot(y - 60.0) - 45.0).abs() < 5.0;
        let chord = |x: f64, y: f64| (x - 60.0).abs() < 3.0 && (y - 60.0).abs() < 45.0;
        let (mut graph, _, _) = graph_of(|x, y| ring(x, y) || chord(x, y));
        graph.prune();
        let mut lengths: Vec<f64> = graph.branches.iter().map(Branch::length_m).collect();
        lengths.sort_by(f64::total_cmp);
        // Half a ring of radius 45 m is 141 m; walking along cells is up to 8 % longer.
        assert!(
            lengths.len() == 3 && (lengths[0] - 90.0).abs() < 8.0,
            "{lengths:?}"
        );
        assert!((lengths[2] - 146.0).abs() < 12.0, "{lengths:?}");
    }

    #[test]
    fn the_ends_of_a_bar_with_a_ragged_edge_are_drawn_to_where_the_paving_ends() {
        let ragged = |x: f64| 4.0 + 1.5 * f64::from(u8::from(x.rem_euclid(9.0) < 2.0));
        let (mut graph, paved, layout) =
            graph_of(|x, y| (10.0..110.0).contains(&x) && (y - 60.0).abs() < ragged(x));
        graph.prune();
        graph.extend_ends(&|p| layout.locate(p).is_some_and(|k| paved[k]), 0.5);
        let [bar] = &graph.branches[..] else {
            panic!("{} branches", graph.branches.len())
        };
        let mut x = [bar.path[0].p[0], bar.path[bar.path.len() - 1].p[0]];
        x.sort_by(f64::total_cmp);
        assert!(
            (x[0] - 10.0).abs() < 1.5 && (x[1] - 110.0).abs() < 1.5,
            "{x:?}"
        );
    }
}
