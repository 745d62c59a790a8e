//! Breaklines of the new state: the old ones outside of changes, those that were found anew inside.

use crate::ribbon::RibbonPoint;
use crate::zones::{Breakline, Breaklines};

/// Old lines less what lies where `is_new` (s, t), and what lies there of the new lines.
///
/// Lines are cut at their vertices, and pieces keep the place of the whole in the order: so rails
/// away from changes stay where they were to the last bit.
#[must_use]
pub fn merge_lines(
    old: &Breaklines,
    new: &Breaklines,
    is_new: &dyn Fn(f64, f64) -> bool,
) -> Breaklines {
    let mut out = Vec::new();
    for (line, rank) in old.with_ranks() {
        let kept = pieces(line, &|p| !is_new(p.s, p.t));
        out.extend(kept.into_iter().map(|piece| (piece, rank)));
    }
    for line in new {
        let found = pieces(line, &|p| is_new(p.s, p.t));
        out.extend(found.into_iter().map(|piece| {
            let rank = piece.range_s_m();
            (piece, rank)
        }));
    }
    Breaklines::ranked(out)
}

/// The stretches of a line whose vertices all are kept.
fn pieces(line: &Breakline, keep: &dyn Fn(&RibbonPoint) -> bool) -> Vec<Breakline> {
    let runs = line.points.chunk_by(|a, b| keep(a) == keep(b));
    let kept = runs.filter(|run| run.len() >= 2 && keep(&run[0]));
    kept.map(|run| Breakline {
        points: run.to_vec(),
        step_m: line.step_m,
        sd_m: line.sd_m,
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(from: f64, to: f64, t: f64) -> Breakline {
        let count = crate::numeric::round_i32((to - from) / 0.25);
        let at = |k: i32| RibbonPoint {
            s: from + 0.25 * f64::from(k),
            t,
        };
        Breakline {
            points: (0..=count).map(at).collect(),
            step_m: 0.004,
            sd_m: 1e-4,
        }
    }

    #[test]
    fn old_lines_end_at_a_change_and_new_ones_stay_within() {
        let old = Breaklines::new(vec![line(0.0, 20.0, 0.0), line(5.0, 6.0, 1.0)]);
        let new = Breaklines::new(vec![line(2.0, 18.0, 0.1)]);
        let merged = merge_lines(&old, &new, &|s, _| (7.9..12.1).contains(&s));
        let ranges: Vec<[f64; 2]> = merged.iter().map(Breakline::range_s_m).collect();
        assert_eq!(
            ranges,
            [[0.0, 7.75], [12.25, 20.0], [5.0, 6.0], [8.0, 12.0]]
        );
        let same = merge_lines(&old, &new, &|_, _| false);
        assert_eq!(same, old);
    }
}
