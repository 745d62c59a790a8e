//! The course in the graph of branches: its heaviest cycle, and its longest path.

use std::collections::{BTreeMap, BTreeSet};

use super::graph::Graph;
use super::reduce::{Cycle, Link, Reduced};

/// Steps of the search for the heaviest cycle among what the reduction leaves: a second or so.
/// Real courses leave nothing or a handful of nodes.
const STEPS_MAX: usize = 2_000_000;

/// The heaviest simple cycle, and whether the search for it was cut short.
///
/// A graph made of branches in series and parallel, which a course with a pit lane and islands is,
/// is solved by [`Reduced::of`] alone; what is left is searched from every node.
pub(super) fn heaviest_cycle(graph: &Graph, weights: &[f64]) -> (Option<Cycle>, bool) {
    let mut reduced = Reduced::of(graph, weights);
    let of = reduced.incidence();
    let links = std::mem::take(&mut reduced.links);
    let mut search = Search {
        links: &links,
        of: &of,
        out: &mut reduced,
        on: BTreeSet::new(),
        walked: Vec::new(),
        steps: 0,
    };
    for &start in of.keys() {
        search.from(start, start, 0.0);
    }
    let cut = search.steps >= STEPS_MAX;
    (reduced.best, cut)
}

/// Depth-first search over simple cycles whose lowest node is the start.
struct Search<'a> {
    links: &'a [Link],
    of: &'a BTreeMap<usize, Vec<usize>>,
    out: &'a mut Reduced,
    on: BTreeSet<usize>,
    /// Links walked, each with the node it was entered from.
    walked: Vec<(usize, usize)>,
    steps: usize,
}

impl Search<'_> {
    fn from(&mut self, start: usize, at: usize, weight: f64) {
        let of = self.of;
        for &k in &of[&at] {
            self.steps += 1;
            if self.steps >= STEPS_MAX {
                return;
            }
            let link = &self.links[k];
            let next = if link.ends[0] == at {
                link.ends[1]
            } else {
                link.ends[0]
            };
            if next == start && self.walked.len() >= 2 {
                self.close(k, at, weight + link.weight);
            } else if next > start && !self.on.contains(&next) {
                self.on.insert(next);
                self.walked.push((k, at));
                self.from(start, next, weight + link.weight);
                self.walked.pop();
                self.on.remove(&next);
            }
        }
    }

    fn close(&mut self, last: usize, at: usize, weight: f64) {
        if self.out.best.as_ref().is_some_and(|b| b.weight >= weight) {
            return;
        }
        let all = self.walked.iter().copied().chain([(last, at)]);
        let parts = all
            .flat_map(|(k, node)| self.links[k].from(node).parts)
            .collect();
        self.out.offer(weight, parts);
    }
}

/// The heaviest of the shortest paths between dead ends (between any nodes if there are none).
pub(super) fn longest_path(graph: &Graph, weights: &[f64]) -> Option<Cycle> {
    let of = graph.incidence();
    let mut ends: Vec<usize> = of
        .iter()
        .filter(|(_, b)| b.len() == 1)
        .map(|(&n, _)| n)
        .collect();
    if ends.is_empty() {
        ends = of.keys().copied().collect();
    }
    let lengths: Vec<f64> = graph
        .branches
        .iter()
        .map(super::graph::Branch::length_m)
        .collect();
    let mut best: Option<Cycle> = None;
    for (k, &start) in ends.iter().enumerate() {
        let tree = shortest_tree(graph, &of, &lengths, start);
        for &end in ends.iter().skip(k) {
            let Some(parts) = path_to(graph, &tree, start, end) else {
                continue;
            };
            let weight = parts.iter().map(|p| weights[p.0]).sum();
            if !parts.is_empty() && best.as_ref().is_none_or(|b| weight > b.weight) {
                best = Some(Cycle { weight, parts });
            }
        }
    }
    best
}

/// For every node reached from `start` the branch it was entered by (Dijkstra on a small graph).
fn shortest_tree(
    graph: &Graph,
    of: &BTreeMap<usize, Vec<usize>>,
    lengths: &[f64],
    start: usize,
) -> BTreeMap<usize, usize> {
    let mut entered = BTreeMap::new();
    let mut done = BTreeSet::new();
    // Distances are not negative, so their bits sort as they do.
    let mut open = BTreeSet::from([(0u64, start, usize::MAX)]);
    while let Some((bits, node, by)) = open.pop_first() {
        if !done.insert(node) {
            continue;
        }
        if by != usize::MAX {
            entered.insert(node, by);
        }
        for &k in &of[&node] {
            let next = other_end(graph, k, node);
            if !done.contains(&next) {
                open.insert(((f64::from_bits(bits) + lengths[k]).to_bits(), next, k));
            }
        }
    }
    entered
}

fn other_end(graph: &Graph, branch: usize, node: usize) -> usize {
    let [a, b] = graph.branches[branch].ends;
    if a == node { b } else { a }
}

fn path_to(
    graph: &Graph,
    tree: &BTreeMap<usize, usize>,
    start: usize,
    end: usize,
) -> Option<Vec<(usize, bool)>> {
    let mut parts = Vec::new();
    let mut at = end;
    while at != start {
        let branch = *tree.get(&at)?;
        parts.push((branch, graph.branches[branch].ends[0] == at));
        at = other_end(graph, branch, at);
    }
    parts.reverse();
    Some(parts)
}

#[cfg(test)]
mod tests {
    use super::super::graph::{Branch, Spot};
    use super::*;

    /// Branches of unit half width, given as (node, node, length).
    fn graph(of: &[(usize, usize, f64)]) -> (Graph, Vec<f64>) {
        let spot = |x: f64| Spot {
            p: [x, 0.0],
            half_m: 1.0,
        };
        let branch = |&(a, b, l): &(usize, usize, f64)| Branch {
            ends: [a, b],
            path: vec![spot(0.0), spot(l)],
            bridged_m: Vec::new(),
        };
        let graph = Graph {
            branches: of.iter().map(branch).collect(),
        };
        let weights = graph
            .branches
            .iter()
            .map(|b| b.weight_m2(&|s| s.half_m))
            .collect();
        (graph, weights)
    }

    /// Parts must follow each other from node to node and end where they began.
    fn assert_closed(graph: &Graph, parts: &[(usize, bool)]) {
        let ends = |&(k, back): &(usize, bool)| {
            let [a, b] = graph.branches[k].ends;
            if back { (b, a) } else { (a, b) }
        };
        for (p, q) in parts.iter().zip(parts.iter().cycle().skip(1)) {
            assert_eq!(ends(p).1, ends(q).0, "{parts:?}");
        }
    }

    #[test]
    fn a_course_with_pit_lane_and_spur_takes_the_straight_and_not_the_pit_lane() {
        let (g, w) = graph(&[(0, 1, 500.0), (1, 0, 90.0), (0, 1, 100.0), (1, 2, 300.0)]);
        let (cycle, cut) = heaviest_cycle(&g, &w);
        let cycle = cycle.unwrap();
        assert_closed(&g, &cycle.parts);
        assert!(!cut && (cycle.weight - 600.0).abs() < 1e-9);
    }

    #[test]
    fn a_net_that_no_rule_reduces_is_searched_and_agrees_with_the_known_answer() {
        // The edges of a tetrahedron: the best cycle is the four-edge one without the two lightest
        // opposite edges.
        let (g, w) = graph(&[
            (0, 1, 10.0),
            (1, 2, 11.0),
            (2, 3, 12.0),
            (3, 0, 13.0),
            (0, 2, 5.0),
            (1, 3, 6.0),
        ]);
        let (cycle, _) = heaviest_cycle(&g, &w);
        let cycle = cycle.unwrap();
        assert_closed(&g, &cycle.parts);
        assert!((cycle.weight - 46.0).abs() < 1e-9);
    }

    #[test]
    fn thirty_islands_in_a_row_are_no_trouble() {
        let mut of = Vec::new();
        for k in 0..30 {
            of.extend([(k, (k + 1) % 30, 20.0), (k, (k + 1) % 30, 21.0)]);
        }
        let (g, w) = graph(&of);
        let (cycle, cut) = heaviest_cycle(&g, &w);
        assert!(!cut && (cycle.unwrap().weight - 630.0).abs() < 1e-9);
    }

    #[test]
    fn the_longest_path_of_a_tree_runs_between_its_farthest_ends() {
        let (g, w) = graph(&[
            (0, 1, 5.0),
            (1, 2, 7.0),
            (1, 3, 9.0),
            (3, 4, 1.0),
            (3, 5, 2.0),
        ]);
        let path = longest_path(&g, &w).unwrap();
        assert_eq!(path.parts, [(1, true), (2, false), (4, false)]);
        assert!(heaviest_cycle(&g, &w).0.is_none());
    }
}
