//! Polylines as plain points: length, even spacing, smoothing.

/// Distance between two points.
pub(super) fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// Length, with the closing piece if `closed`.
pub(super) fn length(line: &[[f64; 2]], closed: bool) -> f64 {
    let open: f64 = line.windows(2).map(|w| distance(w[0], w[1])).sum();
    match (closed, line.first(), line.last()) {
        (true, Some(&a), Some(&b)) => open + distance(a, b),
        _ => open,
    }
}

/// Twice the signed area is positive for a counter-clockwise ring; this is the area.
pub(super) fn signed_area(ring: &[[f64; 2]]) -> f64 {
    let Some(&origin) = ring.first() else {
        return 0.0;
    };
    let rel = |p: [f64; 2]| [p[0] - origin[0], p[1] - origin[1]];
    let pairs = ring.iter().zip(ring.iter().cycle().skip(1));
    pairs
        .map(|(&a, &b)| (rel(a), rel(b)))
        .map(|(a, b)| 0.5 * (a[0] * b[1] - a[1] * b[0]))
        .sum()
}

/// Points spaced evenly along the line, about `step` apart; the first point is kept, and the last
/// of an open line. A closed line does not repeat its first point.
pub(super) fn resample(line: &[[f64; 2]], closed: bool, step: f64) -> Vec<[f64; 2]> {
    let total = length(line, closed);
    let Some(&first) = line.first() else {
        return Vec::new();
    };
    if total <= 0.0 {
        return vec![first];
    }
    let pieces = crate::numeric::to_index((total / step).round()).max(if closed { 3 } else { 1 });
    let count = if closed { pieces } else { pieces + 1 };
    let mut walker = Walker::new(line, closed);
    (0..count)
        .map(|k| walker.at(total * k as f64 / pieces as f64))
        .collect()
}

/// Walks along a polyline with growing distance.
struct Walker<'a> {
    line: &'a [[f64; 2]],
    pieces: usize,
    piece: usize,
    passed: f64,
}

impl<'a> Walker<'a> {
    fn new(line: &'a [[f64; 2]], closed: bool) -> Self {
        let pieces = if closed { line.len() } else { line.len() - 1 };
        Self {
            line,
            pieces,
            piece: 0,
            passed: 0.0,
        }
    }

    fn ends(&self) -> ([f64; 2], [f64; 2]) {
        (
            self.line[self.piece],
            self.line[(self.piece + 1) % self.line.len()],
        )
    }

    /// The point `s` along the line; `s` must not be smaller than in the call before.
    fn at(&mut self, s: f64) -> [f64; 2] {
        loop {
            let (a, b) = self.ends();
            let d = distance(a, b);
            if self.passed + d >= s || self.piece + 1 >= self.pieces {
                let f = if d > 0.0 {
                    ((s - self.passed) / d).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                return [a[0] + f * (b[0] - a[0]), a[1] + f * (b[1] - a[1])];
            }
            self.passed += d;
            self.piece += 1;
        }
    }
}

/// Mean of the neighbours weighted by a bell of standard deviation `sigma` points. The bell is cut
/// to the shorter side near the ends of an open line, so that the ends stay where they are.
pub(super) fn smooth(line: &[[f64; 2]], closed: bool, sigma: f64) -> Vec<[f64; 2]> {
    let x = smooth_values(
        &line.iter().map(|p| p[0]).collect::<Vec<_>>(),
        closed,
        sigma,
    );
    let y = smooth_values(
        &line.iter().map(|p| p[1]).collect::<Vec<_>>(),
        closed,
        sigma,
    );
    x.into_iter().zip(y).map(|(x, y)| [x, y]).collect()
}

/// [`smooth`] for one value a point.
pub(super) fn smooth_values(values: &[f64], closed: bool, sigma: f64) -> Vec<f64> {
    let n = values.len();
    let reach = crate::numeric::to_index((3.0 * sigma).ceil()).min(n.saturating_sub(1) / 2);
    (0..n)
        .map(|k| {
            let r = if closed {
                reach
            } else {
                reach.min(k).min(n - 1 - k)
            };
            let (mut sum, mut weight) = (values[k], 1.0);
            for d in 1..=r {
                let w = (-0.5 * (d as f64 / sigma).powi(2)).exp();
                sum += w * (values[(k + d) % n] + values[(k + n - d) % n]);
                weight += 2.0 * w;
            }
            sum / weight
        })
        .collect()
}

/// Unit tangents by central differences; (1, 0) where neighbours coincide.
pub(super) fn tangents(line: &[[f64; 2]], closed: bool) -> Vec<[f64; 2]> {
    let n = line.len();
    (0..n)
        .map(|k| {
            let (a, b) = if closed {
                (line[(k + n - 1) % n], line[(k + 1) % n])
            } else {
                (line[k.saturating_sub(1)], line[(k + 1).min(n - 1)])
            };
            let d = distance(a, b);
            if d > 0.0 {
                [(b[0] - a[0]) / d, (b[1] - a[1]) / d]
            } else {
                [1.0, 0.0]
            }
        })
        .collect()
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "exact small cases")]
mod tests {
    use super::*;

    const SQUARE: [[f64; 2]; 4] = [[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]];

    #[test]
    fn a_closed_square_is_walked_round_in_even_steps() {
        let points = resample(&SQUARE, true, 2.5);
        assert_eq!(points.len(), 16);
        assert_eq!(points[4], [10.0, 0.0]);
        assert_eq!(points[15], [0.0, 2.5]);
        assert!((signed_area(&points) - 100.0).abs() < 1e-9);
    }

    #[test]
    fn an_open_line_keeps_both_ends() {
        let points = resample(&SQUARE, false, 4.0);
        assert_eq!(
            (points[0], points[points.len() - 1]),
            (SQUARE[0], SQUARE[3])
        );
        let smoothed = smooth(&points, false, 2.0);
        assert_eq!(
            (smoothed[0], smoothed[points.len() - 1]),
            (SQUARE[0], SQUARE[3])
        );
    }

    #[test]
    fn smoothing_a_circle_shrinks_it_by_half_sigma_squared_over_radius() {
        let circle: Vec<[f64; 2]> = (0..628)
            .map(|k| f64::from(k) / 628.0 * std::f64::consts::TAU)
            .map(|a| [100.0 * a.cos(), 100.0 * a.sin()])
            .collect();
        let smoothed = smooth(&circle, true, 4.0);
        let shrink = 100.0 - smoothed[17][0].hypot(smoothed[17][1]);
        // σ = 4 points of 1 m, cut at 3 σ (which takes 3 % off the variance): ½·16·0.97/100.
        assert!((shrink - 0.0777).abs() < 0.003, "{shrink}");
    }
}
