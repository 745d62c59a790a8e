//! Lines that were found twice.

use std::collections::HashMap;

use super::breakline::Breakline;
use super::squares::Squares;
use crate::ribbon::RibbonPoint;

/// Lines nearer than this to a longer one are the same line, metres.
const SAME_M: f64 = 0.05;
/// And when they point the same way to this, as a cosine.
const SAME_WAY: f64 = 0.87;
/// What is left of a line between doubled stretches is a line of its own when this long, metres.
const LEAST_M: f64 = 0.5;
/// In its middle a line is cut where it is doubled over this length and more, metres: two that
/// cross at a small angle stay whole.
const LEAST_DOUBLED_M: f64 = 0.5;
/// Side of a square of the index, metres.
const SQUARE_M: f64 = 0.5;

/// Lines without the stretches that run along a longer one; the longest come first. On a closed
/// course of length `period_m` lines are the same on any lap.
pub(super) fn without_doubles(lines: Vec<Breakline>, period_m: Option<f64>) -> Vec<Breakline> {
    let mut kept = Kept {
        squares: Squares::new(SQUARE_M, period_m),
        period_m,
        pairs: HashMap::new(),
    };
    let mut out: Vec<Breakline> = Vec::new();
    for line in lines {
        let first = out.len();
        for own in alone(&line.points, &kept.doubled(&line.points)) {
            out.push(Breakline {
                points: line.points[own].to_vec(),
                ..line
            });
        }
        out[first..].iter().for_each(|line| kept.add(line));
    }
    out
}

/// Straight pieces of the lines that are kept, by the squares they touch.
struct Kept {
    squares: Squares,
    period_m: Option<f64>,
    pairs: HashMap<[i32; 2], Vec<[RibbonPoint; 2]>>,
}

impl Kept {
    fn add(&mut self, line: &Breakline) {
        for pair in line.points.windows(2) {
            let low = [pair[0].s.min(pair[1].s), pair[0].t.min(pair[1].t)];
            let high = [pair[0].s.max(pair[1].s), pair[0].t.max(pair[1].t)];
            let touched = self
                .squares
                .touching(low.map(|v| v - SAME_M), high.map(|v| v + SAME_M));
            for key in touched {
                self.pairs.entry(key).or_default().push([pair[0], pair[1]]);
            }
        }
    }

    /// Which places of a line run along a line that is kept.
    fn doubled(&self, points: &[RibbonPoint]) -> Vec<bool> {
        let last = points.len().saturating_sub(1);
        let place = |k: usize| {
            let (a, b) = (&points[k.saturating_sub(1)], &points[(k + 1).min(last)]);
            self.runs_along(&points[k], [b.s - a.s, b.t - a.t])
        };
        (0..points.len()).map(place).collect()
    }

    fn runs_along(&self, p: &RibbonPoint, way: [f64; 2]) -> bool {
        let near = self.pairs.get(&self.squares.of([p.s, p.t]));
        near.is_some_and(|pairs| pairs.iter().any(|pair| self.is_beside(pair, p, way)))
    }

    fn is_beside(&self, [a, b]: &[RibbonPoint; 2], p: &RibbonPoint, way: [f64; 2]) -> bool {
        let along = [b.s - a.s, b.t - a.t];
        let long = along[0].hypot(along[1]).max(f64::MIN_POSITIVE);
        let ahead = p.s - a.s;
        let ahead = self
            .period_m
            .map_or(ahead, |length| ahead - length * (ahead / length).round());
        let away = [ahead, p.t - a.t];
        let l = (away[0] * along[0] + away[1] * along[1]) / long;
        let n = (away[1] * along[0] - away[0] * along[1]) / long;
        let cosine = (way[0] * along[0] + way[1] * along[1]) / (long * way[0].hypot(way[1]));
        n.abs() < SAME_M && (-1e-9..=long).contains(&l) && cosine > SAME_WAY
    }
}

/// The stretches of a line that are not doubled and long enough to be lines.
fn alone(points: &[RibbonPoint], doubled: &[bool]) -> Vec<std::ops::Range<usize>> {
    let length = |own: std::ops::Range<usize>| -> f64 {
        let pairs = points[own].windows(2);
        pairs
            .map(|p| (p[1].s - p[0].s).hypot(p[1].t - p[0].t))
            .sum()
    };
    let mut out: Vec<std::ops::Range<usize>> = Vec::new();
    let (mut k, mut from) = (0, 0);
    while k < points.len() {
        let to = k + doubled[k..]
            .iter()
            .take_while(|d| **d == doubled[k])
            .count();
        let at_end = k == 0 || to == points.len();
        if doubled[k] && (at_end || length(k..to) >= LEAST_DOUBLED_M) {
            out.push(from..k);
            from = to;
        }
        k = to;
    }
    out.push(from..points.len());
    out.retain(|own| own.len() > 1 && length(own.clone()) >= LEAST_M);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A line from s to s at t(s), vertices 0.25 m apart along s.
    fn line(from: f64, to: f64, t: impl Fn(f64) -> f64) -> Breakline {
        let count = crate::numeric::to_index(((to - from) / 0.25).round());
        let at = |k: usize| {
            let s = from + 0.25 * k as f64;
            RibbonPoint { s, t: t(s) }
        };
        Breakline {
            points: (0..=count).map(at).collect(),
            step_m: 0.005,
            sd_m: 0.0002,
        }
    }

    fn ranges(lines: &[Breakline]) -> Vec<[f64; 2]> {
        lines.iter().map(Breakline::range_s_m).collect()
    }

    #[test]
    fn a_double_on_another_lap_is_a_double() {
        let lines = vec![line(5990.0, 6010.0, |_| 1.0), line(0.0, 9.0, |_| 1.02)];
        assert_eq!(without_doubles(lines.clone(), None).len(), 2);
        let kept = without_doubles(lines, Some(6000.0));
        assert_eq!(ranges(&kept), [[5990.0, 6010.0]]);
        let early = vec![line(-10.0, 10.0, |_| 1.0), line(5991.0, 6003.0, |_| 1.02)];
        assert_eq!(without_doubles(early, Some(6000.0)).len(), 1);
    }

    #[test]
    fn what_sticks_out_of_a_longer_line_stays_and_what_is_doubled_goes() {
        let long = line(0.0, 30.0, |_| 1.0);
        // Beside it in its middle, apart at both ends.
        let bowed = line(5.0, 25.0, |s| {
            1.02 + 0.1 * ((s - 15.0).abs() - 4.0).max(0.0)
        });
        let kept = without_doubles(vec![long.clone(), bowed], None);
        assert_eq!(kept.len(), 3, "{:?}", ranges(&kept));
        assert!(
            kept[1..]
                .iter()
                .all(|l| l.points.iter().all(|p| (p.t - 1.0) >= 0.05))
        );
        assert!((kept[1].length_m() + kept[2].length_m() - 11.4).abs() < 0.6);
        // The other way round, or well apart, it is another line; so is one that crosses.
        let mut back = line(5.0, 25.0, |_| 1.02);
        back.points.reverse();
        let crossing = line(5.0, 15.0, |s| 1.0 + 0.3 * (s - 10.0));
        let apart = line(5.0, 24.0, |_| 1.06);
        let all = vec![long, back, apart, crossing];
        assert_eq!(without_doubles(all.clone(), None), all);
    }

    #[test]
    fn thousands_of_lines_take_no_time_for_every_pair() {
        // 24 km: every pair would be 10¹⁰ looks.
        let lines: Vec<Breakline> = (0..24)
            .map(|k| line(0.0, 1000.0, move |_| 0.5 * f64::from(k)))
            .collect();
        assert_eq!(without_doubles(lines, Some(1000.5)).len(), 24);
    }
}
