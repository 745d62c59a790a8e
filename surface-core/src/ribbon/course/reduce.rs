//! The graph of branches reduced by rules that lose no best cycle: dead ends go, branches in
//! series become one, of parallel ones the heaviest stays.

use std::collections::BTreeMap;

use super::graph::Graph;

/// One or more branches in a row.
#[derive(Debug, Clone)]
pub(super) struct Link {
    pub ends: [usize; 2],
    pub weight: f64,
    /// Branches walked through, each with whether it is walked backwards.
    pub parts: Vec<(usize, bool)>,
}

impl Link {
    fn reversed(mut self) -> Self {
        self.ends.swap(0, 1);
        self.parts.reverse();
        self.parts.iter_mut().for_each(|p| p.1 = !p.1);
        self
    }

    /// The same link, walked from `node`.
    pub fn from(&self, node: usize) -> Self {
        if self.ends[0] == node {
            self.clone()
        } else {
            self.clone().reversed()
        }
    }
}

/// A closed walk over branches.
#[derive(Debug, Clone)]
pub(super) struct Cycle {
    pub weight: f64,
    pub parts: Vec<(usize, bool)>,
}

/// What is left of the graph (every node has three links or more, no two of them parallel), and
/// the heaviest cycle that the rules closed.
#[derive(Debug, Default)]
pub(super) struct Reduced {
    pub links: Vec<Link>,
    pub best: Option<Cycle>,
}

impl Reduced {
    pub fn of(graph: &Graph, weights: &[f64]) -> Self {
        let links = graph.branches.iter().zip(weights).enumerate();
        let mut reduced = Self {
            links: links
                .map(|(k, (b, &weight))| Link {
                    ends: b.ends,
                    weight,
                    parts: vec![(k, false)],
                })
                .collect(),
            best: None,
        };
        while reduced.take_loops()
            || reduced.take_dead_ends()
            || reduced.join_parallel()
            || reduced.join_series()
        {}
        reduced
    }

    pub fn offer(&mut self, weight: f64, parts: Vec<(usize, bool)>) {
        if self.best.as_ref().is_none_or(|b| weight > b.weight) {
            self.best = Some(Cycle { weight, parts });
        }
    }

    pub fn incidence(&self) -> BTreeMap<usize, Vec<usize>> {
        let mut of = BTreeMap::<usize, Vec<usize>>::new();
        for (k, l) in self.links.iter().enumerate() {
            l.ends
                .iter()
                .for_each(|&n| of.entry(n).or_default().push(k));
        }
        of
    }

    fn take_loops(&mut self) -> bool {
        let (loops, rest): (Vec<_>, Vec<_>) = std::mem::take(&mut self.links)
            .into_iter()
            .partition(|l| l.ends[0] == l.ends[1]);
        self.links = rest;
        let any = !loops.is_empty();
        for l in loops {
            self.offer(l.weight, l.parts);
        }
        any
    }

    fn take_dead_ends(&mut self) -> bool {
        let of = self.incidence();
        let before = self.links.len();
        self.links
            .retain(|l| l.ends.iter().all(|n| of[n].len() > 1));
        self.links.len() < before
    }

    fn join_parallel(&mut self) -> bool {
        let mut heaviest = BTreeMap::<[usize; 2], Link>::new();
        let before = self.links.len();
        for link in std::mem::take(&mut self.links) {
            let key = [
                link.ends[0].min(link.ends[1]),
                link.ends[0].max(link.ends[1]),
            ];
            let Some(other) = heaviest.remove(&key) else {
                heaviest.insert(key, link);
                continue;
            };
            let (there, back) = (other.from(key[0]), link.from(key[1]));
            let parts = there.parts.iter().chain(&back.parts).copied().collect();
            self.offer(other.weight + link.weight, parts);
            heaviest.insert(
                key,
                if link.weight > other.weight {
                    link
                } else {
                    other
                },
            );
        }
        self.links = heaviest.into_values().collect();
        self.links.len() < before
    }

    /// Join the links at the first node that has two.
    fn join_series(&mut self) -> bool {
        let of = self.incidence();
        let Some((&node, at)) = of.iter().find(|(_, at)| at.len() == 2 && at[0] != at[1]) else {
            return false;
        };
        let (a, b) = (at[0].min(at[1]), at[0].max(at[1]));
        let second = self.links.remove(b).from(node);
        let mut first = self.links.remove(a).from(node).reversed();
        first.ends[1] = second.ends[1];
        first.weight += second.weight;
        first.parts.extend(second.parts);
        self.links.push(first);
        true
    }
}
