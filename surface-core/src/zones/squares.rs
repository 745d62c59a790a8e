//! Squares of (s, t), to find what is near by; round a closed course they meet without a remnant.

use crate::numeric::floor_i32;

/// Squares of one size.
#[derive(Debug, Clone, Copy)]
pub(super) struct Squares {
    sides_m: [f64; 2],
    /// Squares in a lap of a closed course.
    around: Option<i32>,
}

impl Squares {
    /// Squares with sides of `side_m`; on a closed course of `period_m` stretched along s so that
    /// a whole number goes round: a last square cut short would be stepped over by its neighbours.
    pub fn new(side_m: f64, period_m: Option<f64>) -> Self {
        let around = period_m.map(|length| floor_i32(length / side_m).max(1));
        let lap = around.zip(period_m);
        Self {
            sides_m: [lap.map_or(side_m, |(n, l)| l / f64::from(n)), side_m],
            around,
        }
    }

    /// The square of a place; s on any lap.
    #[inline]
    pub fn of(&self, [s, t]: [f64; 2]) -> [i32; 2] {
        let row = floor_i32(s / self.sides_m[0]);
        let row = self.around.map_or(row, |n| row.rem_euclid(n));
        [row, floor_i32(t / self.sides_m[1])]
    }

    /// The squares that a box from its low to its high corner touches, each once.
    pub fn touching(&self, low: [f64; 2], high: [f64; 2]) -> Vec<[i32; 2]> {
        let index = |v: f64, k: usize| floor_i32(v / self.sides_m[k]);
        let (from, to) = (index(low[0], 0), index(high[0], 0));
        let to = self
            .around
            .map_or(to, |n| to.min(from.saturating_add(n - 1)));
        let wrap = |row: i32| self.around.map_or(row, |n| row.rem_euclid(n));
        (from..=to)
            .flat_map(|row| {
                let columns = index(low[1], 1)..=index(high[1], 1);
                columns.map(move |column| [wrap(row), column])
            })
            .collect()
    }

    /// The squares within `reach_m` of a place along s and t, each once.
    pub fn around(&self, [s, t]: [f64; 2], reach_m: f64) -> Vec<[i32; 2]> {
        self.touching([s - reach_m, t - reach_m], [s + reach_m, t + reach_m])
    }
}

/// Numbers by square, as a table over the box of the squares that have any: for whoever asks once for
/// each point.
#[derive(Debug, Clone, Default)]
pub(super) struct Lists {
    low: [i32; 2],
    /// Squares of the box along s and t.
    sides: [usize; 2],
    /// Numbers of square k of the box: `starts[k]..starts[k + 1]` in `numbers`.
    starts: Vec<u32>,
    numbers: Vec<u32>,
}

impl Lists {
    /// The lists of these numbers with their squares; in a square in the order in which they come here.
    pub fn new(found: &[([i32; 2], u32)]) -> Self {
        let bound = |axis: usize, best: fn(i32, i32) -> i32| {
            found.iter().map(|(square, _)| square[axis]).reduce(best)
        };
        let [low, high] = [i32::min as fn(i32, i32) -> i32, i32::max]
            .map(|best| [0, 1].map(|axis| bound(axis, best).unwrap_or(0)));
        let sides = [0, 1].map(|axis| usize::try_from(high[axis] - low[axis] + 1).unwrap_or(0));
        let mut lists = Self {
            low,
            sides,
            starts: vec![0; sides[0] * sides[1] + 1],
            numbers: vec![0; found.len()],
        };
        lists.fill(found);
        lists
    }

    fn fill(&mut self, found: &[([i32; 2], u32)]) {
        for (square, _) in found {
            if let Some(slot) = self.slot(*square) {
                self.starts[slot + 1] += 1;
            }
        }
        for k in 1..self.starts.len() {
            self.starts[k] += self.starts[k - 1];
        }
        let mut next = self.starts.clone();
        for &(square, number) in found {
            if let Some(slot) = self.slot(square) {
                self.numbers[next[slot] as usize] = number;
                next[slot] += 1;
            }
        }
    }

    #[inline]
    fn slot(&self, square: [i32; 2]) -> Option<usize> {
        let place = |axis: usize| usize::try_from(square[axis].checked_sub(self.low[axis])?).ok();
        let (row, column) = (place(0)?, place(1)?);
        (row < self.sides[0] && column < self.sides[1]).then(|| row * self.sides[1] + column)
    }

    /// The numbers of a square.
    #[inline]
    pub fn at(&self, square: [i32; 2]) -> &[u32] {
        let Some(slot) = self.slot(square) else {
            return &[];
        };
        &self.numbers[self.starts[slot] as usize..self.starts[slot + 1] as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_square_has_its_numbers_in_order_and_others_have_none() {
        let found = [
            ([3, -2], 0),
            ([5, 7], 1),
            ([3, -2], 2),
            ([4, 0], 3),
            ([3, -2], 4),
        ];
        let lists = Lists::new(&found);
        assert_eq!(lists.at([3, -2]), [0, 2, 4]);
        assert_eq!(lists.at([5, 7]), [1]);
        assert_eq!(lists.at([4, 0]), [3]);
        for none in [
            [3, -3],
            [3, 8],
            [2, 0],
            [6, 0],
            [4, 1],
            [i32::MAX, i32::MAX],
        ] {
            assert!(lists.at(none).is_empty(), "{none:?}");
        }
        assert!(Lists::new(&[]).at([0, 0]).is_empty());
        assert!(Lists::default().at([0, 0]).is_empty());
    }

    #[test]
    fn what_is_near_is_found_over_the_start_of_any_lap() {
        // 6000.05 m is no multiple of the side: squares of 0.5 m would leave one of 0.05 m.
        for length in [6000.05, 6000.0, 1.7, 0.3] {
            let squares = Squares::new(0.5, Some(length));
            for k in -40..40 {
                let s = 0.0125 * f64::from(k) + 1e-4;
                let near = squares.around([s, 1.0], 0.236);
                for away in [-0.235, -0.1, 0.0, 0.04, 0.235] {
                    for lap in [-1.0, 0.0, 2.0] {
                        let own = squares.of([s + away + lap * length, 1.0]);
                        assert!(near.contains(&own), "{length}: {s} and {away} on");
                    }
                }
                let mut once = near.clone();
                once.sort_unstable();
                once.dedup();
                assert_eq!(once.len(), near.len());
            }
        }
    }
}
