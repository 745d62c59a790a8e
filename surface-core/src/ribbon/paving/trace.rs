//! The edge of the whole length at once: dynamic programming over the stations.

/// Cost of an edge that moves sideways, per metre of t: one cell of 0.05 m costs a fifth of what a
/// clear cell says, a real change of width by a metre is paid for within a station or two.
const MOVE_COST_PER_M: f64 = 10.0;

/// The candidate (number of cells inside the edge) at every station that maximises the sum of the
/// scores minus the cost of moving from station to station. A closed course is run through twice
/// and the middle lap taken, so that its start has a past.
///
/// `scores[k]` belongs to station k; all have the same length. O(stations · candidates): the
/// moving cost is a two-way running maximum (distance transform, Felzenszwalb & Huttenlocher 2012).
pub(super) fn best_path(scores: &[Vec<f32>], cell_m: f64, closed: bool) -> Vec<usize> {
    let n = scores.len();
    let Some(candidates) = scores.first().map(Vec::len) else {
        return Vec::new();
    };
    let laps = if closed { 2 } else { 1 };
    let cost = MOVE_COST_PER_M * cell_m;
    let mut came: Vec<Vec<u16>> = Vec::with_capacity(laps * n);
    let mut total = vec![0.0_f64; candidates];
    for k in 0..laps * n {
        let (moved, from) = with_moves(&total, cost);
        came.push(from);
        total = moved;
        for (t, s) in total.iter_mut().zip(&scores[k % n]) {
            *t += f64::from(*s);
        }
    }
    let path = walk_back(&total, &came);
    if closed {
        // Stations n/2 .. n of the second half lie far from both ends of the double lap.
        (0..n)
            .map(|k| if k < n / 2 { path[n + k] } else { path[k] })
            .collect()
    } else {
        path
    }
}

/// Best predecessor of each candidate under |i − j|·cost.
fn with_moves(total: &[f64], cost: f64) -> (Vec<f64>, Vec<u16>) {
    let mut best = total.to_vec();
    let mut from: Vec<u16> = (0..=u16::MAX).take(total.len()).collect();
    for j in 1..best.len() {
        if best[j - 1] - cost > best[j] {
            best[j] = best[j - 1] - cost;
            from[j] = from[j - 1];
        }
    }
    for j in (1..best.len()).rev() {
        if best[j] - cost > best[j - 1] {
            best[j - 1] = best[j] - cost;
            from[j - 1] = from[j];
        }
    }
    (best, from)
}

fn walk_back(total: &[f64], came: &[Vec<u16>]) -> Vec<usize> {
    let mut at = (0..total.len())
        .max_by(|&a, &b| total[a].total_cmp(&total[b]).then(b.cmp(&a)))
        .unwrap_or(0);
    let mut path = vec![0; came.len()];
    for (k, from) in came.iter().enumerate().rev() {
        path[k] = at;
        at = usize::from(from[at]);
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    fn peak(at: usize, height: f32) -> Vec<f32> {
        (0..40u8)
            .map(|j| height * -(f32::from(j) - at as f32).abs())
            .collect()
    }

    #[test]
    fn a_lone_false_peak_is_passed_over_and_a_lasting_change_followed() {
        let scores: Vec<_> = (0..60)
            .map(|k| match k {
                10 => peak(30, 0.6),
                k if k < 40 => peak(12, 1.0),
                _ => peak(20, 1.0),
            })
            .collect();
        let path = best_path(&scores, 0.05, false);
        assert!(path[..40].iter().all(|&j| j == 12), "{path:?}");
        assert!(path[40..].iter().all(|&j| j == 20), "{path:?}");
    }

    #[test]
    fn a_closed_path_knows_its_other_end() {
        let mut scores = vec![peak(12, 1.0); 30];
        scores[0] = vec![0.0; 40];
        scores[1] = vec![0.0; 40];
        assert!(best_path(&scores, 0.05, true).iter().all(|&j| j == 12));
    }
}
