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

#[cfg(test)]
mod tests {
    use super::*;

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
