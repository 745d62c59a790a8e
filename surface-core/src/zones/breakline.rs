//! A curve on the road at which its height jumps, and all of them on a course.

use crate::ribbon::RibbonPoint;

/// Vertices of a breakline are at most this far apart, metres.
pub const VERTEX_STEP_M: f64 = 0.25;

/// A curve on the road at which its height jumps.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Breakline {
    /// Vertices in order, (s, t), metres, at most [`VERTEX_STEP_M`] apart; s is unwrapped: on a
    /// closed course a line that runs over the start has s ≥ length or s < 0 in part.
    pub points: Vec<RibbonPoint>,
    /// Mean height left of the line (looking along it) less right of it, metres.
    pub step_m: f64,
    /// Standard deviation of that, metres.
    pub sd_m: f64,
}

impl Breakline {
    /// The least and greatest s of the line, metres; (∞, −∞) without points.
    #[must_use]
    pub fn range_s_m(&self) -> [f64; 2] {
        let mut range = [f64::INFINITY, f64::NEG_INFINITY];
        for p in &self.points {
            range = [range[0].min(p.s), range[1].max(p.s)];
        }
        range
    }

    /// Length of the line in (s, t), metres.
    #[must_use]
    pub fn length_m(&self) -> f64 {
        let ends = self.points.iter().zip(self.points.iter().skip(1));
        ends.map(|(a, b)| (b.s - a.s).hypot(b.t - a.t)).sum()
    }
}

/// All breaklines of a course, in order of their least s.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Breaklines {
    lines: Vec<Breakline>,
    /// Least and greatest s of each line.
    ranges: Vec<[f64; 2]>,
}

impl Breaklines {
    /// Breaklines in order of their least s; lines of fewer than two points are left out.
    #[must_use]
    pub fn new(mut lines: Vec<Breakline>) -> Self {
        lines.retain(|line| line.points.len() >= 2);
        lines.sort_by(|a, b| {
            let (a, b) = (a.range_s_m(), b.range_s_m());
            a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1]))
        });
        let ranges = lines.iter().map(Breakline::range_s_m).collect();
        Self { lines, ranges }
    }

    /// Pieces of lines, each with the least and greatest s that gives it its place in the order:
    /// those of the line that it was cut from, so that what comes after a cut keeps its order.
    /// Pieces of one line follow each other as given; those of fewer than two points are left out.
    #[must_use]
    pub fn ranked(mut pieces: Vec<(Breakline, [f64; 2])>) -> Self {
        pieces.retain(|(line, _)| line.points.len() >= 2);
        let order = |a: [f64; 2], b: [f64; 2]| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1]));
        pieces.sort_by(|(_, a), (_, b)| order(*a, *b));
        let (lines, ranges) = pieces.into_iter().unzip();
        Self { lines, ranges }
    }

    /// The lines in order with the least and greatest s that gives each its place: its own, or
    /// those of the line that it was cut from.
    pub fn with_ranks(&self) -> impl Iterator<Item = (&Breakline, [f64; 2])> {
        self.lines.iter().zip(self.ranges.iter().copied())
    }

    /// The same lines, each moved by whole laps so that its least s lies in 0..`length_m`, the
    /// length of the closed course (to rounding).
    #[must_use]
    pub fn in_first_lap(mut self, length_m: f64) -> Self {
        for (line, range) in self.lines.iter_mut().zip(&self.ranges) {
            let laps = (range[0] / length_m).floor();
            if laps.is_finite() && laps != 0.0 {
                // Rounding may leave a place a hair below 0 at the length itself.
                let least = range[0] - laps * length_m;
                let laps = if least >= length_m { laps + 1.0 } else { laps };
                line.points.iter_mut().for_each(|p| p.s -= laps * length_m);
            }
        }
        Self::new(self.lines)
    }

    /// The least and greatest s of all lines, metres; (∞, −∞) when there are none.
    #[must_use]
    pub fn range_s_m(&self) -> [f64; 2] {
        let widest = |a: [f64; 2], b: &[f64; 2]| [a[0].min(b[0]), a[1].max(b[1])];
        self.ranges
            .iter()
            .fold([f64::INFINITY, f64::NEG_INFINITY], widest)
    }

    /// The lines in order.
    pub fn iter(&self) -> std::slice::Iter<'_, Breakline> {
        self.lines.iter()
    }

    /// How many there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.lines.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.lines.is_empty()
    }

    /// The lines that have a place between two s, in order.
    ///
    /// s is not wrapped: on a closed course ask again on every lap that [`Self::range_s_m`] touches.
    pub fn near(&self, from_s_m: f64, to_s_m: f64) -> impl Iterator<Item = &Breakline> {
        let past = self.ranges.partition_point(|r| r[0] <= to_s_m);
        let early = self.lines[..past].iter().zip(&self.ranges);
        early
            .filter(move |(_, r)| r[1] >= from_s_m)
            .map(|(line, _)| line)
    }
}

impl<'a> IntoIterator for &'a Breaklines {
    type Item = &'a Breakline;
    type IntoIter = std::slice::Iter<'a, Breakline>;

    fn into_iter(self) -> Self::IntoIter {
        self.lines.iter()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn along(from: f64, to: f64) -> Breakline {
        let at = |s| RibbonPoint { s, t: 1.0 };
        Breakline {
            points: vec![at(from), at(to)],
            step_m: 0.005,
            sd_m: 0.0002,
        }
    }

    #[test]
    fn lines_come_in_order_and_by_the_stretch_that_they_touch() {
        let lone = Breakline {
            points: vec![RibbonPoint { s: 0.0, t: 0.0 }],
            ..along(0.0, 1.0)
        };
        let lines = Breaklines::new(vec![along(9.0, 5.0), along(1.0, 20.0), lone]);
        assert_eq!((lines.len(), lines.is_empty()), (2, false));
        let starts = |from, to| -> Vec<f64> {
            let near = lines.near(from, to);
            near.map(|l| l.range_s_m()[0]).collect()
        };
        assert_eq!(starts(-5.0, 0.5), [0.0; 0]);
        assert_eq!(starts(2.0, 3.0), [1.0]);
        assert_eq!(starts(6.0, 7.0), [1.0, 5.0]);
        assert_eq!(starts(9.5, 30.0), [1.0]);
        assert!(Breaklines::default().is_empty());
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "exact small cases")]
    fn lines_on_any_lap_come_onto_the_first() {
        let lines = Breaklines::new(vec![along(-7.0, -5.0), along(25.0, 33.0), along(9.0, 12.0)]);
        assert_eq!(lines.range_s_m(), [-7.0, 33.0]);
        let ranges: Vec<[f64; 2]> = (&lines.in_first_lap(10.0))
            .into_iter()
            .map(Breakline::range_s_m)
            .collect();
        assert_eq!(ranges, [[3.0, 5.0], [5.0, 13.0], [9.0, 12.0]]);
        for s in [-1e-18, 1e-18, -3.0 * 6000.05, 6000.05] {
            let moved = Breaklines::new(vec![along(s, s + 1.0)]).in_first_lap(6000.05);
            assert!((-1e-9..6000.05).contains(&moved.range_s_m()[0]), "{s}");
        }
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "exact small cases")]
    fn pieces_of_a_cut_line_keep_their_place_before_younger_lines() {
        let whole = [0.0, 200.0];
        let pieces = vec![
            (along(50.0, 150.0), [50.0, 150.0]),
            (along(0.0, 100.0), whole),
            (along(110.0, 200.0), whole),
        ];
        let lines = Breaklines::ranked(pieces);
        let starts: Vec<f64> = lines.iter().map(|l| l.range_s_m()[0]).collect();
        assert_eq!(starts, [0.0, 110.0, 50.0]);
        assert_eq!(lines.near(105.0, 106.0).count(), 3);
        assert_eq!(lines.with_ranks().nth(1).unwrap().1, whole);
    }

    #[test]
    fn length_is_measured_along_the_line() {
        assert!((along(9.0, 5.0).length_m() - 4.0).abs() < 1e-12);
    }
}
