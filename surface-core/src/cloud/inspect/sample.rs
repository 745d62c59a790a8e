//! A sample of a stream, evenly spread over it and never larger than a bound.

/// Values kept at most.
const MOST: usize = 65_536;

/// Every n-th value, n doubling whenever the sample is full.
#[derive(Debug, Clone)]
pub(super) struct Sample<T> {
    kept: Vec<T>,
    step: u64,
    seen: u64,
}

impl<T: Copy> Sample<T> {
    pub fn new() -> Self {
        Self {
            kept: Vec::new(),
            step: 1,
            seen: 0,
        }
    }

    /// Take part of the next `n` values; `at(k)` is the k-th of them.
    pub fn add(&mut self, n: usize, at: impl Fn(usize) -> T) {
        let end = self.seen + n as u64;
        let mut next = self.seen.next_multiple_of(self.step);
        while next < end {
            if self.kept.len() == MOST {
                self.halve();
                next = next.next_multiple_of(self.step);
                continue;
            }
            let k = usize::try_from(next - self.seen).unwrap_or(usize::MAX);
            self.kept.push(at(k));
            next += self.step;
        }
        self.seen = end;
    }

    fn halve(&mut self) {
        let mut index = 0;
        self.kept.retain(|_| {
            index += 1;
            index % 2 == 1
        });
        self.step *= 2;
    }

    pub fn values(&self) -> &[T] {
        &self.kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sample_is_even_whatever_the_size_of_the_batches() {
        let sampled = |batch: usize| {
            let mut sample = Sample::new();
            (0..300_000).step_by(batch).for_each(|from| {
                sample.add(batch.min(300_000 - from), |k| from + k);
            });
            sample.values().to_vec()
        };
        let whole = sampled(300_000);
        assert!(whole.len() > 30_000 && whole.len() <= MOST);
        assert!(whole.windows(2).all(|w| w[1] - w[0] == 8) && whole[0] == 0);
        assert_eq!(sampled(7), whole);
    }
}
