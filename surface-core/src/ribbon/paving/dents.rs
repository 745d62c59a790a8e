//! Short dents in an edge: a vehicle or a marshal on the road beside it, not the road's own shape.

/// Dents up to this long are no shape of a road, metres: longer than a car, shorter than any
/// change of width that is driven.
const LONGEST_DENT_M: f64 = 8.0;
/// Dents at least this deep count, metres: deeper than the notch between two kerbs of a metre.
const LEAST_DENT_M: f64 = 1.3;
/// Beside a dent the edge is taken again where it is this near to its closing, metres.
const DENT_RIM_M: f64 = 0.1;

/// Which stations lie in a dent of `out_m` (distance outwards from the line, `step_m` apart).
///
/// A morphological closing (greatest over a window, then least) fills what is narrower than the
/// window; where it lifts the edge by more than a kerb the whole dip is a dent.
pub(super) fn dents(out_m: &[f64], step_m: f64, closed: bool) -> Vec<bool> {
    let half = crate::numeric::to_index(0.5 * LONGEST_DENT_M / step_m);
    let raised = over_window(out_m, half, closed, f64::max);
    let filled = over_window(&raised, half, closed, f64::min);
    let depth: Vec<f64> = filled.iter().zip(out_m).map(|(f, o)| f - o).collect();
    let mut marked = vec![false; out_m.len()];
    for k in (0..out_m.len()).filter(|&k| depth[k] > LEAST_DENT_M) {
        mark_dip(&depth, k, closed, &mut marked);
    }
    marked
}

/// Mark the dip around its deep station `k`, to its rim on both sides.
fn mark_dip(depth: &[f64], k: usize, closed: bool, marked: &mut [bool]) {
    let n = depth.len();
    for forwards in [true, false] {
        let mut at = k;
        for _ in 0..n {
            if depth[at] <= DENT_RIM_M {
                break;
            }
            marked[at] = true;
            at = match (forwards, closed) {
                (true, true) => (at + 1) % n,
                (false, true) => (at + n - 1) % n,
                (true, false) if at + 1 < n => at + 1,
                (false, false) if at > 0 => at - 1,
                _ => break,
            };
        }
    }
}

fn over_window(v: &[f64], half: usize, closed: bool, pick: fn(f64, f64) -> f64) -> Vec<f64> {
    let n = v.len();
    let half = half.min(n / 2);
    let at = |k: usize| {
        if closed {
            Some(k % n)
        } else {
            k.checked_sub(n).filter(|&j| j < n)
        }
    };
    // Counted from one turn ahead, so that no index is negative.
    let window = |k: usize| (n + k - half..=n + k + half).filter_map(at).map(|j| v[j]);
    (0..n)
        .map(|k| window(k).reduce(pick).unwrap_or(v[k]))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn edge(at: impl Fn(f64) -> f64) -> Vec<f64> {
        (0..400).map(|k| at(f64::from(k) * 0.25)).collect()
    }

    #[test]
    fn a_dent_of_a_cars_length_is_marked_across_the_closure_too() {
        let dent = |s: f64| if !(3.0..98.0).contains(&s) { 2.5 } else { 5.5 };
        let marked = dents(&edge(dent), 0.25, true);
        assert_eq!(marked.iter().filter(|m| **m).count(), 20);
        assert!(marked[0] && marked[399] && !marked[200]);
    }

    #[test]
    fn a_kerb_a_notch_between_kerbs_and_a_real_narrowing_stay() {
        let shape = |s: f64| match s {
            s if (10.0..25.0).contains(&s) || (29.0..45.0).contains(&s) => 6.5,
            s if s > 70.0 => 3.5,
            _ => 5.5,
        };
        assert!(dents(&edge(shape), 0.25, false).iter().all(|m| !m));
    }
}
