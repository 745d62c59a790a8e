//! Connected parts by union-find.

/// Disjoint sets of the numbers 0..n; a set's root is its least member.
#[derive(Debug, Clone, Default)]
pub(super) struct Parts {
    parent: Vec<u32>,
}

impl Parts {
    pub(super) fn new(count: usize) -> Self {
        let mut parts = Self::default();
        parts.grow(count);
        parts
    }

    /// Make room for the numbers below `count`, each a set of its own.
    pub(super) fn grow(&mut self, count: usize) {
        let from = self.parent.len();
        self.parent
            .extend((from..count).map(crate::numeric::to_u32));
    }

    /// The least member of the set of `v`. Halves the path on the way (Tarjan & van Leeuwen 1984).
    pub(super) fn root(&mut self, mut v: u32) -> u32 {
        while self.parent[v as usize] != v {
            let above = self.parent[self.parent[v as usize] as usize];
            self.parent[v as usize] = above;
            v = above;
        }
        v
    }

    /// Unite the sets of `a` and `b`.
    pub(super) fn join(&mut self, a: u32, b: u32) {
        let (a, b) = (self.root(a), self.root(b));
        // The smaller root stays, so that roots do not depend on the order of joins.
        self.parent[a.max(b) as usize] = a.min(b);
    }

    /// How many sets there are.
    pub(super) fn count(&self) -> usize {
        let own = self.parent.iter().zip(0u32..);
        own.filter(|&(&parent, v)| parent == v).count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn joined_numbers_share_the_least_root() {
        let mut parts = Parts::new(6);
        parts.join(4, 5);
        parts.join(5, 2);
        assert_eq!(parts.root(4), 2);
        assert_eq!(parts.count(), 4);
    }
}
