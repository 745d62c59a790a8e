//! Connected places beyond tolerance.

use super::map::{Cell, CellState, DeviationMap};
use super::why::{Why, decide};

/// A connected place where cloud and surface part beyond tolerance.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Spot {
    /// Rank by severity, from 1.
    pub id: u32,
    /// Where the worst cell is: s, t along a ribbon, or x, y in the plane; metres.
    pub at_m: [f64; 2],
    /// The same place as x and y, metres, in the frame that `place` gave.
    pub xy_m: [f64; 2],
    /// Middle of its extent: s, t or x, y; metres. Not always inside the spot.
    pub middle_m: [f64; 2],
    /// Area of its cells on the ground, m².
    pub area_m2: f64,
    /// Extent along s (or x), metres.
    pub length_m: f64,
    /// Extent along t (or y), metres.
    pub width_m: f64,
    /// Robust mean of the worst cell, signed, metres.
    pub worst_m: f64,
    /// Mean of the cells' robust means by points, signed, metres.
    pub mean_m: f64,
    /// Number of cells.
    pub cells: u32,
    /// Number of points in them.
    pub points: u64,
    /// Why cloud and surface part here.
    pub why: Why,
}

impl Spot {
    /// What spots are ranked by: |worst| · area, m³. A long low error disturbs a wheel for longer,
    /// a deep small one more sharply; the product weighs both.
    #[must_use]
    pub fn severity_m3(&self) -> f64 {
        self.worst_m.abs() * self.area_m2
    }
}

impl DeviationMap {
    /// The spots beyond `tolerance_m`, worst first.
    ///
    /// A spot is a group of cells, joined over sides and corners (and over the start of a lap),
    /// each of whose robust means is beyond the tolerance by more than its own 95 % uncertainty:
    /// a stray point makes no spot, a pothole does. `place` takes (u, v) to x, y (the identity
    /// in the plane, or with the origin added); areas are those of the cells' outlines on the ground.
    #[must_use]
    pub fn spots(&self, tolerance_m: f64, place: &dyn Fn(f64, f64) -> [f64; 2]) -> Vec<Spot> {
        let beyond = |c: &Cell| c.state() == CellState::Judged && c.is_beyond(tolerance_m);
        let seeds: Vec<usize> = (0..self.cells().len())
            .filter(|&k| beyond(&self.cells()[k]))
            .collect();
        let mut free: Vec<bool> = vec![false; self.cells().len()];
        seeds.iter().for_each(|&k| free[k] = true);
        let mut spots: Vec<Spot> = Vec::new();
        for seed in seeds {
            if std::mem::take(&mut free[seed]) {
                spots.push(self.describe(&self.flood(seed, &mut free), place));
            }
        }
        rank(&mut spots);
        spots
    }

    /// The connected group of `seed`, as (unwrapped row, index); clears `free` for its members.
    fn flood(&self, seed: usize, free: &mut [bool]) -> Vec<(i32, usize)> {
        let mut group = vec![(self.row_of(seed), seed)];
        let mut next = 0;
        while let Some(&(row, k)) = group.get(next) {
            next += 1;
            let column = self.cells()[k].column;
            for (dr, dc) in NEIGHBOURS {
                let there = self.wrapped_index(row + dr, column + dc);
                if let Some(j) = there.filter(|&j| std::mem::take(&mut free[j])) {
                    group.push((row + dr, j));
                }
            }
        }
        group
    }

    /// Index of a cell whose row may lie before 0 or past the end of a lap.
    fn wrapped_index(&self, row: i32, column: i32) -> Option<usize> {
        let lap = self.frame().lap_rows();
        self.index(lap.map_or(row, |rows| row.rem_euclid(rows)), column)
    }

    fn describe(&self, group: &[(i32, usize)], place: &dyn Fn(f64, f64) -> [f64; 2]) -> Spot {
        let cells: Vec<Cell> = group.iter().map(|g| self.cells()[g.1]).collect();
        let worst = self.worst_of(group);
        let shape = Shape::of(self, group, place);
        let points: u64 = cells.iter().map(|c| u64::from(c.n)).sum();
        let weighted = |c: &Cell| f64::from(c.n) * f64::from(c.mean_m);
        let at_m = self
            .frame()
            .centre_m(self.row_of(worst), self.cells()[worst].column);
        #[expect(
            clippy::cast_precision_loss,
            reason = "points of a spot are far below 2^53"
        )]
        let mean_m = cells.iter().map(weighted).sum::<f64>() / points as f64;
        Spot {
            id: 0,
            at_m,
            xy_m: place(at_m[0], at_m[1]),
            middle_m: shape.middle_m,
            area_m2: shape.area_m2,
            length_m: shape.length_m,
            width_m: shape.width_m,
            worst_m: f64::from(self.cells()[worst].mean_m),
            mean_m,
            cells: crate::numeric::to_u32(cells.len()),
            points,
            why: decide(&cells, shape.elongation),
        }
    }

    /// Index of the cell with the largest |mean|; of equals the first by index.
    fn worst_of(&self, group: &[(i32, usize)]) -> usize {
        let size = |k: usize| self.cells()[k].mean_m.abs();
        let worse = |&a: &usize, &b: &usize| size(a).total_cmp(&size(b)).then(b.cmp(&a));
        group.iter().map(|g| g.1).max_by(worse).unwrap_or(0)
    }
}

const NEIGHBOURS: [(i32, i32); 8] = [
    (-1, -1),
    (-1, 0),
    (-1, 1),
    (0, -1),
    (0, 1),
    (1, -1),
    (1, 0),
    (1, 1),
];

/// Worst first; of equals the one further back along the course comes later.
fn rank(spots: &mut [Spot]) {
    spots.sort_by(|a, b| {
        let severity = b.severity_m3().total_cmp(&a.severity_m3());
        let place = || {
            a.at_m[0]
                .total_cmp(&b.at_m[0])
                .then(a.at_m[1].total_cmp(&b.at_m[1]))
        };
        severity.then_with(place)
    });
    for (id, spot) in (1..).zip(spots) {
        spot.id = id;
    }
}

/// Size and form of a group of cells.
struct Shape {
    middle_m: [f64; 2],
    area_m2: f64,
    length_m: f64,
    width_m: f64,
    /// Ratio of the principal axes of inertia, at least 1.
    elongation: f64,
}

impl Shape {
    fn of(
        map: &DeviationMap,
        group: &[(i32, usize)],
        place: &dyn Fn(f64, f64) -> [f64; 2],
    ) -> Self {
        let mut area_m2 = 0.0;
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        let mut moments = Moments::default();
        let lap_m = map.frame().extent_m().map_or(0.0, |(a, b)| b - a);
        for &(row, k) in group {
            let (u, v) = (
                map.frame().row_m(map.row_of(k)),
                map.frame().column_m(map.cells()[k].column),
            );
            area_m2 += quad_area_m2([(u.0, v.0), (u.1, v.0), (u.1, v.1), (u.0, v.1)], place);
            let turn = map
                .frame()
                .lap_rows()
                .map_or(0, |rows| row.div_euclid(rows));
            let shift = f64::from(turn) * lap_m;
            low = [low[0].min(u.0 + shift), low[1].min(v.0)];
            high = [high[0].max(u.1 + shift), high[1].max(v.1)];
            moments.add([0.5 * (u.0 + u.1) + shift, 0.5 * (v.0 + v.1)]);
        }
        let elongation = moments.elongation(map.frame().cell_m());
        let middle = 0.5 * (low[0] + high[0]);
        let start_m = map.frame().extent_m().map_or(0.0, |e| e.0);
        let on_lap = start_m + (middle - start_m).rem_euclid(lap_m);
        let u = if map.frame().lap_rows().is_some() {
            on_lap
        } else {
            middle
        };
        Self {
            middle_m: [u, 0.5 * (low[1] + high[1])],
            area_m2,
            length_m: high[0] - low[0],
            width_m: high[1] - low[1],
            elongation,
        }
    }
}

fn quad_area_m2(corners: [(f64, f64); 4], place: &dyn Fn(f64, f64) -> [f64; 2]) -> f64 {
    let [a, b, c, d] = corners.map(|(u, v)| place(u, v));
    0.5 * ((c[0] - a[0]) * (d[1] - b[1]) - (d[0] - b[0]) * (c[1] - a[1])).abs()
}

#[derive(Default)]
struct Moments {
    origin: Option<[f64; 2]>,
    n: f64,
    sum: [f64; 2],
    square: [f64; 3],
}

impl Moments {
    fn add(&mut self, p: [f64; 2]) {
        let o = *self.origin.get_or_insert(p);
        let [x, y] = [p[0] - o[0], p[1] - o[1]];
        self.n += 1.0;
        self.sum = [self.sum[0] + x, self.sum[1] + y];
        self.square = [
            self.square[0] + x * x,
            self.square[1] + x * y,
            self.square[2] + y * y,
        ];
    }

    /// √(λ₁/λ₂) of the second moments of square cells `cell_m` wide.
    fn elongation(&self, cell_m: f64) -> f64 {
        let [mx, my] = self.sum.map(|s| s / self.n);
        let own = cell_m * cell_m / 12.0;
        let a = self.square[0] / self.n - mx * mx + own;
        let b = self.square[1] / self.n - mx * my;
        let c = self.square[2] / self.n - my * my + own;
        let (half, root) = (0.5 * (a + c), (0.25 * (a - c) * (a - c) + b * b).sqrt());
        ((half + root) / (half - root).max(own * 1e-6)).sqrt()
    }
}

#[cfg(test)]
#[path = "spots_tests.rs"]
mod tests;
