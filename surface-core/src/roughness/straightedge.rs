//! How deep is the road under a straightedge laid along it?

/// Length of the straightedge, metres (EN 13036-7:2003: 3 m).
pub const STRAIGHTEDGE_M: f64 = 3.0;

/// The largest gap under a straightedge and where it is.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Gap {
    /// Way along the path, metres.
    pub x_m: f64,
    /// Depth, metres.
    pub depth_m: f64,
}

/// Samples that a straightedge of `length_m` spans, less one.
pub(super) fn span(step_m: f64, length_m: f64) -> usize {
    crate::numeric::to_index(length_m / step_m + 0.5).max(2)
}

/// Largest gap under an edge that rests on samples `0..=n`: on their upper hull, as it touches
/// wherever it is laid. Index and depth.
fn deepest(z_m: &[f64], hull: &mut Vec<usize>) -> (usize, f64) {
    hull.clear();
    for k in 0..z_m.len() {
        while hull.len() >= 2 {
            let (a, b) = (hull[hull.len() - 2], hull[hull.len() - 1]);
            let turn = (z_m[b] - z_m[a]) * (k - a) as f64 - (z_m[k] - z_m[a]) * (b - a) as f64;
            if turn > 0.0 {
                break;
            }
            hull.pop();
        }
        hull.push(k);
    }
    let mut best = (0, 0.0);
    for pair in hull.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let slope = (z_m[b] - z_m[a]) / (b - a) as f64;
        for k in a + 1..b {
            let gap = z_m[a] + slope * (k - a) as f64 - z_m[k];
            if gap > best.1 {
                best = (k, gap);
            }
        }
    }
    best
}

/// The largest gap at every position of a straightedge that is pushed along a profile, sample by
/// sample: the edge rests on the profile's upper hull below it. Sine of amplitude a and wavelength
/// L ≥ 3 m: a(1 − cos(3π/L)).
///
/// Positions with a hole under the edge have no answer. Empty for profiles shorter than the edge.
#[must_use]
pub fn straightedge_gaps(z_m: &[f64], step_m: f64) -> Vec<Option<Gap>> {
    let n = span(step_m, STRAIGHTEDGE_M);
    let mut hull = Vec::with_capacity(n + 1);
    let one = |(from, window): (usize, &[f64])| {
        if window.iter().any(|v| !v.is_finite()) {
            return None;
        }
        let (k, depth_m) = deepest(window, &mut hull);
        let x_m = (from + k) as f64 * step_m;
        Some(Gap { x_m, depth_m })
    };
    z_m.windows(n + 1).enumerate().map(one).collect()
}

/// What a rolling straightedge reads: how far the middle lies below (positive) the chord of its
/// two ends, at the middle of each position. `x_m` is the middle.
#[must_use]
pub fn rolling_gaps(z_m: &[f64], step_m: f64) -> Vec<Gap> {
    let half = span(step_m, STRAIGHTEDGE_M) / 2;
    let one = |(from, w): (usize, &[f64])| Gap {
        x_m: (from + half) as f64 * step_m,
        depth_m: 0.5 * (w[0] + w[2 * half]) - w[half],
    };
    z_m.windows(2 * half + 1).enumerate().map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The hull by its definition: at each sample the highest chord over it.
    fn slow(z: &[f64]) -> f64 {
        let mut worst = 0.0f64;
        for k in 0..z.len() {
            for a in 0..=k {
                for b in k..z.len() {
                    let f = if b > a {
                        (k - a) as f64 / (b - a) as f64
                    } else {
                        0.0
                    };
                    worst = worst.max(z[a] + f * (z[b] - z[a]) - z[k]);
                }
            }
        }
        worst
    }

    #[test]
    fn the_hull_is_that_of_all_chords() {
        let mut seed = 1u64;
        let mut next = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 40) as f64 / 1e7
        };
        for _ in 0..50 {
            let z: Vec<f64> = (0..31).map(|_| next()).collect();
            let found = straightedge_gaps(&z, 0.1);
            assert!((found[0].unwrap().depth_m - slow(&z)).abs() < 1e-12);
        }
    }

    #[test]
    fn a_hole_gives_no_answer_and_a_plane_no_gap() {
        let mut z: Vec<f64> = (0..100).map(|k| 0.02 * f64::from(k)).collect();
        assert!(
            straightedge_gaps(&z, 0.1)
                .iter()
                .flatten()
                .all(|g| g.depth_m < 1e-12)
        );
        z[50] = f64::NAN;
        assert!(straightedge_gaps(&z, 0.1)[30].is_none());
        assert!(straightedge_gaps(&z[..20], 0.1).is_empty());
    }
}
