//! Breaklines near a run of rows: what can be seen from where without looking across one.

use super::kernel::REACH;
use super::lattice::Lattice;
use crate::numeric::{ceil_i32, floor_i32, to_index, to_u32};
use crate::zones::{Breakline, Breaklines, VERTEX_STEP_M};

/// Breaklines this far before and after a run of rows are kept with it, in steps of the lattice:
/// what tells the bend looks nearly twice as far as a plane's window, and that lies within [`REACH`].
const MARGIN_STEPS: f64 = 2.0 * REACH as f64;
/// And at least this far, metres: as far as a cell or block looks, whatever the spacing.
const LEAST_MARGIN_M: f64 = 1.0;
/// Laps before and after the first on which lines are looked for: no line has more.
const MOST_LAPS: i32 = 1000;

/// A straight piece of a breakline, in metres from the run's first node.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Segment {
    a: [f64; 2],
    b: [f64; 2],
    line: u32,
    /// Points nearer than this may have come from the face of its step, metres; 0 where it has none.
    face_m: f64,
}

impl Segment {
    fn low(&self, k: usize) -> f64 {
        self.a[k].min(self.b[k])
    }

    fn high(&self, k: usize) -> f64 {
        self.a[k].max(self.b[k])
    }

    fn distance_m(&self, [s, t]: [f64; 2]) -> f64 {
        let (along, to) = (
            [self.b[0] - self.a[0], self.b[1] - self.a[1]],
            [s - self.a[0], t - self.a[1]],
        );
        let square = along[0] * along[0] + along[1] * along[1];
        let share = ((along[0] * to[0] + along[1] * to[1]) / square).clamp(0.0, 1.0);
        (to[0] - share * along[0]).hypot(to[1] - share * along[1])
    }
}

/// Steps higher than this have a face of which points come that tell the height of neither side, metres:
/// beside lower ones points of the face are off by little more than their noise. Kerbs and their ribs
/// have a face, seams none. Chosen, as the next two, with `a_kerb_with_vertical_sides_stands_on_rails`.
const FACE_STEP_M: f64 = 0.008;
/// Points nearer than this to such a step may have come from its face, metres: three times the noise of
/// a point along the beam, and what a breakline itself is off by.
pub(super) const FACE_M: f64 = 0.01;
/// But no more than this share of a step of the lattice, so that the cells along a kerb keep half of
/// their points.
const FACE_STEPS: f64 = 0.25;

#[inline]
fn is_left(a: [f64; 2], b: [f64; 2], p: [f64; 2]) -> bool {
    (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) >= 0.0
}

/// How many laps on lines from `range[0]` to `range[1]` may lie within `rows`, least and most.
fn laps(range: [f64; 2], rows: [f64; 2], length: f64) -> std::ops::RangeInclusive<i32> {
    let least = ceil_i32((rows[0] - range[1]) / length).max(-MOST_LAPS);
    let most = floor_i32((rows[1] - range[0]) / length).min(MOST_LAPS);
    least..=most
}

/// The breaklines near a run of rows.
#[derive(Debug, Clone, Default)]
pub struct Cuts {
    /// In order of their least s.
    segments: Vec<Segment>,
    /// How near to a step points may have come from its face, metres.
    most_face_m: f64,
    near: NearSquares,
}

/// Squares of the run that have a piece of a breakline within a plane's window: most have none, and
/// are told at once.
#[derive(Debug, Clone, Default)]
struct NearSquares {
    side_m: f64,
    /// Squares along s and t.
    size: [usize; 2],
    marked: Vec<bool>,
}

/// Side of a square in steps of the lattice.
const SQUARE_STEPS: f64 = 4.0;

impl NearSquares {
    fn new(segments: &[Segment], lattice: &Lattice, rows: usize) -> Self {
        let side_m = SQUARE_STEPS * lattice.t_step_m;
        let count = |n: usize, step_m: f64| to_index(n as f64 * step_m / side_m) + 1;
        let size = [
            count(rows, lattice.s_step_m),
            count(lattice.columns, lattice.t_step_m),
        ];
        let mut out = Self {
            side_m,
            size,
            marked: vec![false; size[0] * size[1]],
        };
        segments.iter().for_each(|s| out.mark(s));
        out
    }

    /// How far from a marked square its breakline is at most, metres.
    fn reach_m(&self) -> f64 {
        REACH as f64 / SQUARE_STEPS * self.side_m
    }

    fn mark(&mut self, segment: &Segment) {
        let range = |k: usize| {
            let at = |m: f64| floor_i32(m / self.side_m);
            let from = at(segment.low(k) - self.reach_m());
            let to = at(segment.high(k) + self.reach_m()).saturating_add(1);
            let [from, to] = [from, to].map(|n| usize::try_from(n).unwrap_or(0));
            from.min(self.size[k])..to.min(self.size[k])
        };
        let across = range(1);
        for row in range(0) {
            let first = row * self.size[1];
            self.marked[first + across.start..first + across.end].fill(true);
        }
    }

    /// Whether no piece is within `reach_m` of a place for certain.
    #[inline]
    fn none_within(&self, at: [f64; 2], reach_m: f64) -> bool {
        let [row, column] = at.map(|m| usize::try_from(floor_i32(m / self.side_m)));
        match (row, column) {
            (Ok(row), Ok(column)) if row < self.size[0] && column < self.size[1] => {
                reach_m <= self.reach_m() && !self.marked[row * self.size[1] + column]
            }
            _ => false,
        }
    }
}

impl Cuts {
    /// The breaklines near `rows` rows from `first_row` on (unwrapped: on a closed course it may
    /// be negative), on whatever lap of a closed course they are given.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "rows are far below 2^53")]
    pub fn near_rows(lines: &Breaklines, lattice: &Lattice, first_row: i64, rows: usize) -> Self {
        let zero = [first_row as f64 * lattice.s_step_m, lattice.column_t_m(0)];
        let margin = (MARGIN_STEPS * lattice.s_step_m.max(lattice.t_step_m)).max(LEAST_MARGIN_M);
        let from = zero[0] - margin;
        let to = zero[0] + rows as f64 * lattice.s_step_m + margin;
        let length = lattice.rows as f64 * lattice.s_step_m;
        let laps = if lattice.closed {
            laps(lines.range_s_m(), [from, to], length)
        } else {
            0..=0
        };
        let step_m = lattice.s_step_m.min(lattice.t_step_m);
        let mut cuts = Self {
            most_face_m: FACE_M.min(FACE_STEPS * step_m),
            ..Self::default()
        };
        let mut number = 0;
        for turn in laps.map(|lap| f64::from(lap) * length) {
            for line in lines.near(from - turn, to - turn) {
                cuts.add(
                    line,
                    number,
                    [zero[0] - turn, zero[1]],
                    [from - turn, to - turn],
                );
                number += 1;
            }
        }
        let low = |s: &Segment| s.low(0);
        cuts.segments.sort_by(|a, b| low(a).total_cmp(&low(b)));
        cuts.near = NearSquares::new(&cuts.segments, lattice, rows);
        cuts
    }

    /// Add the pieces of a line between two s, none longer than a vertex step.
    fn add(&mut self, line: &Breakline, number: u32, zero: [f64; 2], [from, to]: [f64; 2]) {
        let face_m = if line.step_m.abs() > FACE_STEP_M {
            self.most_face_m
        } else {
            0.0
        };
        for (p, q) in line.points.iter().zip(line.points.iter().skip(1)) {
            let (p, q) = ([p.s, p.t], [q.s, q.t]);
            let outside = p[0].max(q[0]) < from || p[0].min(q[0]) > to;
            let length = (q[0] - p[0]).hypot(q[1] - p[1]);
            if outside || !length.is_finite() || length == 0.0 {
                continue;
            }
            let count = floor_i32(length / VERTEX_STEP_M).max(0) + 1;
            let at = |k: i32| {
                let share = f64::from(k) / f64::from(count);
                [0, 1].map(|d| p[d] + share * (q[d] - p[d]) - zero[d])
            };
            self.segments.extend((0..count).map(|k| Segment {
                a: at(k),
                b: at(k + 1),
                line: number,
                face_m,
            }));
        }
    }

    /// Whether no breakline is near the rows.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.segments.is_empty()
    }

    /// What may stand between (s, t) and places within `reach_m` of it; `None` when nothing does.
    pub(super) fn around(&self, at: [f64; 2], reach_m: f64) -> Option<Sight> {
        if self.segments.is_empty() || self.near.none_within(at, reach_m) {
            return None;
        }
        // Segments are a vertex step long at most.
        let first = self
            .segments
            .partition_point(|s| s.low(0) < at[0] - reach_m - VERTEX_STEP_M - 1e-9);
        let near = self.segments[first..]
            .iter()
            .take_while(|s| s.low(0) <= at[0] + reach_m)
            .filter(|s| {
                (0..2).all(|k| s.low(k) <= at[k] + reach_m && s.high(k) >= at[k] - reach_m)
            });
        let wall = |s: &Segment| (*s, is_left(s.a, s.b, at));
        let walls: Vec<(Segment, bool)> = near.map(wall).collect();
        (!walls.is_empty()).then_some(Sight { from: at, walls })
    }

    /// The cells of a run (row-major, `columns` a row) that a breakline or its face may cross, in order.
    pub(super) fn cells(&self, lattice: &Lattice, rows: usize, columns: usize) -> Vec<usize> {
        let range = |low: f64, high: f64, step: f64, n: usize| {
            let index = |v: f64| usize::try_from(floor_i32(v / step + 0.5)).unwrap_or(0);
            let past = usize::try_from(floor_i32(high / step + 0.5).saturating_add(1)).unwrap_or(0);
            index(low).min(n)..past.min(n)
        };
        let mut out = Vec::new();
        for s in &self.segments {
            let [along, across] = [0, 1].map(|k| [s.low(k) - s.face_m, s.high(k) + s.face_m]);
            for row in range(along[0], along[1], lattice.s_step_m, rows) {
                let across = range(across[0], across[1], lattice.t_step_m, columns);
                out.extend(across.map(|column| row * columns + column));
            }
        }
        out.sort_unstable();
        out.dedup();
        out
    }
}

/// What stands around a place.
#[derive(Debug)]
pub(super) struct Sight {
    from: [f64; 2],
    /// Segments, and whether the place lies left of each.
    walls: Vec<(Segment, bool)>,
}

impl Sight {
    /// Whether nothing stands between the place and `to`.
    #[inline]
    pub fn sees(&self, to: [f64; 2]) -> bool {
        !self.walls.iter().any(|wall| self.is_behind(wall, to))
    }

    /// Whether the piece from the place to `to` crosses a wall. What lies on a line counts as left
    /// of it, so that a look through a vertex crosses one of its two segments.
    #[inline]
    fn is_behind(&self, (wall, left): &(Segment, bool), to: [f64; 2]) -> bool {
        is_left(wall.a, wall.b, to) != *left
            && is_left(self.from, to, wall.a) != is_left(self.from, to, wall.b)
    }

    /// Whether a point at `to` tells the height of the place's own side.
    #[inline]
    pub fn tells(&self, to: [f64; 2]) -> bool {
        self.sees(to) && !self.is_on_face(to)
    }

    /// Whether a place may lie on the face of a step.
    pub fn is_on_face(&self, at: [f64; 2]) -> bool {
        let mut walls = self.walls.iter();
        walls.any(|(wall, _)| wall.face_m > 0.0 && wall.distance_m(at) < wall.face_m)
    }

    /// The line, of those that stand between the place and `to`, with the least number.
    pub fn hidden_by(&self, to: [f64; 2]) -> Option<u32> {
        let hiding = self.walls.iter().filter(|wall| self.is_behind(wall, to));
        hiding.map(|(wall, _)| wall.line).min()
    }
}

/// The points of a cell that its node does not see: beyond a breakline that crosses the cell.
///
/// Offsets are from the cell's node, as in [`super::CellSums`]; parts add up alike.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CellPart {
    /// The cell, row-major in its run.
    pub cell: u32,
    /// Σ of the weights 1/σ_z², 1/m².
    pub w: f64,
    /// Σ w · (s − s of the node).
    pub ws: f64,
    /// Σ w · (t − t of the node).
    pub wt: f64,
    /// Σ w · z.
    pub wz: f64,
    /// Points that count.
    pub n: u32,
    /// Points set aside as not road.
    pub set_aside: u32,
}

impl CellPart {
    pub(super) fn of(cell: usize) -> Self {
        Self {
            cell: to_u32(cell),
            ..Self::default()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ribbon::RibbonPoint;

    fn line(points: &[[f64; 2]]) -> Breakline {
        Breakline {
            points: points.iter().map(|&[s, t]| RibbonPoint { s, t }).collect(),
            step_m: 0.005,
            sd_m: 0.0002,
        }
    }

    #[test]
    fn a_line_hides_what_lies_beyond_it_and_nothing_beside_its_end() {
        let lattice = Lattice::new([0.1, 0.1], 200, -20..21, false).unwrap();
        let lines = Breaklines::new(vec![line(&[[5.0, 0.0], [7.0, 0.0], [7.0, -1.0]])]);
        let cuts = Cuts::near_rows(&lines, &lattice, 40, 40);
        // From s = 4, t = −2: the line begins 1 m on and 2 m to the left.
        let sight = cuts.around([2.0, 2.05], 1.2).unwrap();
        assert!(!sight.sees([2.0, 1.95]) && sight.sees([2.6, 2.3]));
        assert_eq!(sight.hidden_by([2.1, 1.9]), Some(0));
        let beside = cuts.around([0.9, 2.05], 0.5).unwrap();
        assert!(beside.sees([0.9, 1.95]));
        // Through the corner itself: hidden, not let through between the two segments.
        assert!(!cuts.around([2.9, 1.9], 0.5).unwrap().sees([3.1, 2.1]));
        assert!(cuts.around([1.0, 0.4], 0.5).is_none());
    }

    #[test]
    fn at_wide_spacings_lines_are_kept_as_far_as_a_window_looks() {
        let lattice = Lattice::new([1.0, 1.0], 400, -20..21, false).unwrap();
        let lines = Breaklines::new(vec![line(&[[135.0, -5.0], [135.0, 5.0]])]);
        let cuts = Cuts::near_rows(&lines, &lattice, 0, 128);
        let sight = cuts.around([127.0, 20.0], 8.5).unwrap();
        assert!(!sight.sees([136.0, 20.0]));
        let lines = Breaklines::new(vec![line(&[[150.0, -5.0], [150.0, 5.0]])]);
        assert!(Cuts::near_rows(&lines, &lattice, 0, 128).is_empty());
    }

    #[test]
    fn steps_over_eight_millimetres_have_a_face_that_tells_nothing() {
        let on_face = |step_m: f64, spacing_m: f64, off_m: f64| {
            let lattice = Lattice::new([spacing_m; 2], 500, -20..21, false).unwrap();
            let kerb = Breakline {
                step_m,
                ..line(&[[0.5, 0.003], [1.5, 0.003]])
            };
            let cuts = Cuts::near_rows(&Breaklines::new(vec![kerb]), &lattice, 0, 100);
            let t = 0.003 - lattice.column_t_m(0);
            let sight = cuts.around([1.0, t - 0.02], 0.1).unwrap();
            sight.is_on_face([1.0, t + off_m])
        };
        assert!(on_face(0.05, 0.1, 0.009) && on_face(0.05, 0.1, -0.009));
        assert!(on_face(-0.05, 0.1, 0.009) && !on_face(0.05, 0.1, 0.011));
        assert!(!on_face(0.007, 0.1, 0.0) && on_face(0.009, 0.1, 0.0));
        // A quarter of a step of a finer lattice at most.
        assert!(on_face(0.05, 0.02, 0.004) && !on_face(0.05, 0.02, 0.006));
    }

    #[test]
    fn a_line_far_off_the_lattice_is_near_nothing() {
        let lattice = Lattice::new([0.1, 0.1], 200, -20..21, false).unwrap();
        let lines = Breaklines::new(vec![line(&[[5.0, 1e9], [5.1, 1e9]])]);
        let cuts = Cuts::near_rows(&lines, &lattice, 0, 128);
        assert!(!cuts.is_empty() && cuts.around([5.0, 1.0], 0.5).is_none());
        assert!(cuts.cells(&lattice, 128, 41).is_empty());
    }

    #[test]
    fn what_is_told_at_once_is_what_every_piece_tells() {
        let lattice = Lattice::new([0.1, 0.098], 200, -20..21, false).unwrap();
        let lines = Breaklines::new(vec![
            line(&[[5.0, 0.0], [7.0, 0.3], [7.0, -1.0]]),
            line(&[[6.2, 1.7], [9.0, 1.9]]),
        ]);
        let cuts = Cuts::near_rows(&lines, &lattice, 40, 60);
        let all = Cuts {
            near: NearSquares {
                marked: vec![true; cuts.near.marked.len()],
                ..cuts.near.clone()
            },
            ..cuts.clone()
        };
        let (mut told, mut none) = (0, 0);
        for k in 0..4000u32 {
            let at = [
                -0.5 + 0.1037 * f64::from(k % 67),
                -0.3 + 0.0731 * f64::from(k / 67),
            ];
            for reach_m in [0.15, 0.5, 0.78, 1.1] {
                let (quick, slow) = (cuts.around(at, reach_m), all.around(at, reach_m));
                assert_eq!(quick.is_some(), slow.is_some(), "{at:?} {reach_m}");
                told += u32::from(cuts.near.none_within(at, reach_m));
                none += u32::from(slow.is_none());
            }
        }
        assert!(3 * told > none && told < none, "{told} of {none}");
    }

    #[test]
    fn a_line_over_the_start_is_found_from_both_ends_of_a_closed_course() {
        let lattice = Lattice::new([0.1, 0.1], 300, -20..21, true).unwrap();
        let lines = Breaklines::new(vec![line(&[[29.5, 0.0], [30.5, 0.0]])]);
        for (first_row, s) in [(0, 0.2), (256, 30.2 - 25.6), (-8, 1.0)] {
            let cuts = Cuts::near_rows(&lines, &lattice, first_row, 40);
            let sight = cuts.around([s, 2.05], 0.2).unwrap();
            assert!(!sight.sees([s, 1.95]), "{first_row}");
        }
        // Known lines may come on any lap.
        for lap in [-3.0, -1.0, 1.0, 2.0, 5.0] {
            let s = 30.0 * lap;
            let lines = Breaklines::new(vec![line(&[[s + 29.5, 0.0], [s + 30.5, 0.0]])]);
            for (first_row, s) in [(0, 0.2), (256, 30.2 - 25.6), (-8, 1.0)] {
                let cuts = Cuts::near_rows(&lines, &lattice, first_row, 40);
                assert!(!cuts.is_empty(), "{lap} {first_row}");
                let sight = cuts.around([s, 2.05], 0.2).unwrap();
                assert!(!sight.sees([s, 1.95]), "{lap} {first_row}");
            }
        }
        let cuts = Cuts::near_rows(&lines, &lattice, 0, 40);
        let cells = cuts.cells(&lattice, 40, 41);
        // Rows 0 to 5 in the column of t = 0.
        assert_eq!(cells, (0..=5).map(|row| row * 41 + 20).collect::<Vec<_>>());
    }
}
