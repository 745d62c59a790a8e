//! How near to the truth are edges: distance, completeness and correctness.
//!
//! Completeness is the share of the truth's length that lies within a tolerance of what was
//! found, correctness the share of what was found that lies within it of the truth (Heipke,
//! Mayer, Wiedemann and Jamet 1997, "Evaluation of automatic road extraction").

use super::whole::{floor_i64, to_index};
use std::collections::HashMap;

/// Edges nearer than this to each other are the same, metres.
pub const MATCH_M: f64 = 0.10;
/// Lines are compared at places this far apart, metres.
const STEP_M: f64 = 0.1;
/// Distances are found up to this, metres; anything further counts as this far.
const REACH_M: f64 = 4.0;

/// How near found edges are to the truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgeScore {
    /// 95 % of the found length lies within this of the truth, metres.
    pub p95_m: f64,
    /// Root mean square distance of what was found, metres.
    pub rmse_m: f64,
    /// Share of the truth that was found.
    pub completeness: f64,
    /// Share of what was found that is true.
    pub correctness: f64,
}

/// A line by its vertices; closed when the last segment back to the first vertex belongs to it.
#[derive(Debug, Clone, Copy)]
pub struct Polyline<'a> {
    /// Its vertices, metres.
    pub vertices: &'a [[f64; 2]],
    /// Whether it is closed.
    pub closed: bool,
}

impl Polyline<'_> {
    fn segments(&self) -> impl Iterator<Item = [[f64; 2]; 2]> + '_ {
        let n = self.vertices.len();
        let count = if self.closed { n } else { n.saturating_sub(1) };
        (0..count).map(move |i| [self.vertices[i], self.vertices[(i + 1) % n]])
    }

    fn places(&self) -> Vec<[f64; 2]> {
        let places = self.places_with_lengths(STEP_M);
        places.map(|(place, _)| place).collect()
    }

    /// Places at most `step_m` apart, each with the length that it stands for.
    pub(super) fn places_with_lengths(
        &self,
        step_m: f64,
    ) -> impl Iterator<Item = ([f64; 2], f64)> + '_ {
        self.segments().flat_map(move |[a, b]| {
            let d = [b[0] - a[0], b[1] - a[1]];
            let length = d[0].hypot(d[1]);
            let count = to_index((length / step_m).ceil()).max(1);
            let at = move |i: usize| (i as f64 + 0.5) / count as f64;
            let place = move |i: usize| [a[0] + at(i) * d[0], a[1] + at(i) * d[1]];
            (0..count).map(move |i| (place(i), length / count as f64))
        })
    }
}

/// Holds found edges against true ones; nothing when either is empty.
#[must_use]
pub fn score_edges(found: &[Polyline], truth: &[Polyline]) -> Option<EdgeScore> {
    let distances = |from: &[Polyline], to: &[Polyline]| -> Vec<f64> {
        let index = SegmentIndex::of(to);
        from.iter()
            .flat_map(Polyline::places)
            .map(|p| index.distance_m(p))
            .collect()
    };
    let (mut out, back) = (distances(found, truth), distances(truth, found));
    if out.is_empty() || back.is_empty() {
        return None;
    }
    let share = |d: &[f64]| d.iter().filter(|d| **d <= MATCH_M).count() as f64 / d.len() as f64;
    let (correctness, completeness) = (share(&out), share(&back));
    let rmse_m = (out.iter().map(|d| d * d).sum::<f64>() / out.len() as f64).sqrt();
    let at = to_index(0.95 * (out.len() - 1) as f64);
    let (_, p95, _) = out.select_nth_unstable_by(at, f64::total_cmp);
    Some(EdgeScore {
        p95_m: *p95,
        rmse_m,
        completeness,
        correctness,
    })
}

/// Segments by the cells that they pass near.
pub(super) struct SegmentIndex {
    cells: HashMap<(i64, i64), Vec<[[f64; 2]; 2]>>,
}

impl SegmentIndex {
    pub fn of(lines: &[Polyline]) -> Self {
        let mut cells: HashMap<_, Vec<_>> = HashMap::new();
        for segment in lines.iter().flat_map(Polyline::segments) {
            let range = |k: usize| {
                let (a, b) = (segment[0][k], segment[1][k]);
                (cell(a.min(b) - REACH_M), cell(a.max(b) + REACH_M))
            };
            let ((x0, x1), (y0, y1)) = (range(0), range(1));
            for key in (x0..=x1).flat_map(|x| (y0..=y1).map(move |y| (x, y))) {
                cells.entry(key).or_default().push(segment);
            }
        }
        Self { cells }
    }

    /// Distance to the nearest segment, metres; at most [`REACH_M`].
    pub fn distance_m(&self, p: [f64; 2]) -> f64 {
        let near = self
            .cells
            .get(&(cell(p[0]), cell(p[1])))
            .map_or(&[][..], Vec::as_slice);
        near.iter()
            .map(|s| segment_distance_m(p, s))
            .fold(REACH_M, f64::min)
    }
}

fn cell(v: f64) -> i64 {
    floor_i64(v / REACH_M)
}

fn segment_distance_m(p: [f64; 2], [a, b]: &[[f64; 2]; 2]) -> f64 {
    let (d, e) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
    let length2 = d[0] * d[0] + d[1] * d[1];
    let f = if length2 > 0.0 {
        ((e[0] * d[0] + e[1] * d[1]) / length2).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (e[0] - f * d[0]).hypot(e[1] - f * d[1])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_moved_by_thirty_millimetres_is_complete_and_correct_at_that_distance() {
        let truth = [[0.0, 0.0], [50.0, 0.0]];
        let found = [[0.0, 0.03], [50.0, 0.03]];
        let line = |vertices| Polyline {
            vertices,
            closed: false,
        };
        let got = score_edges(&[line(&found)], &[line(&truth)]).unwrap();
        assert!((got.p95_m - 0.03).abs() < 1e-12 && (got.rmse_m - 0.03).abs() < 1e-12);
        assert!(got.completeness >= 1.0 && got.correctness >= 1.0);
    }

    #[test]
    fn half_a_line_found_with_a_false_one_of_equal_length_is_half_complete_and_half_correct() {
        let truth = [[0.0, 0.0], [50.0, 0.0]];
        let (half, wrong) = ([[0.0, 0.0], [25.0, 0.0]], [[0.0, 9.0], [25.0, 9.0]]);
        let line = |vertices| Polyline {
            vertices,
            closed: false,
        };
        let got = score_edges(&[line(&half), line(&wrong)], &[line(&truth)]).unwrap();
        // One place more or less within the tolerance of the end of the half.
        assert!((got.completeness - 0.5).abs() < 0.005 && (got.correctness - 0.5).abs() < 1e-9);
        assert!((got.p95_m - REACH_M).abs() < 1e-12);
    }

    #[test]
    fn a_closed_line_has_the_segment_back_to_its_first_vertex() {
        let square = [[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]];
        let places = |closed| {
            Polyline {
                vertices: &square,
                closed,
            }
            .places()
            .len()
        };
        assert_eq!((places(true), places(false)), (400, 300));
    }
}
