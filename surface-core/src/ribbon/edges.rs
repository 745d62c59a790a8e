//! The edges of the paving: between which t lies the road?

use crate::numeric::to_index;

/// Why two edges do not bound a road.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EdgeError {
    /// The two edges have different lengths, or too few samples.
    #[error(
        "{left} samples of the left edge and {right} of the right; both need the same, at least 2"
    )]
    Count {
        /// Samples of the left edge.
        left: usize,
        /// Samples of the right edge.
        right: usize,
    },
    /// The left edge is not to the left of the right one.
    #[error(
        "at s = {s_m:.2} m the left edge (t = {left_m:.3} m) is not left of the right one (t = {right_m:.3} m)"
    )]
    Crossed {
        /// Where, metres.
        s_m: f64,
        /// Left edge there, metres.
        left_m: f64,
        /// Right edge there, metres.
        right_m: f64,
    },
    /// A step that is not a positive number.
    #[error("the step between edge samples is {step_m} m")]
    Step {
        /// The step, metres.
        step_m: f64,
    },
}

/// Distance of both edges from the reference line, sampled along it.
///
/// Sample k is at s = k·`step_m`; between samples a monotone cubic (Fritsch & Butland 1984) keeps
/// the slope continuous and adds no wiggle of its own. A closed ribbon has length/step samples and
/// wraps; an open one has a last sample at its end.
#[derive(Debug, Clone, PartialEq)]
pub struct Edges {
    /// Step of s between samples, metres.
    pub step_m: f64,
    /// t of the left edge, metres.
    pub left_t_m: Vec<f64>,
    /// t of the right edge, metres (less than the left one).
    pub right_t_m: Vec<f64>,
    /// Whether the samples run round a closed course.
    pub closed: bool,
}

impl Edges {
    /// Edges from samples.
    ///
    /// # Errors
    /// [`EdgeError`] when the samples do not bound a road everywhere.
    pub fn new(
        step_m: f64,
        left_t_m: Vec<f64>,
        right_t_m: Vec<f64>,
        closed: bool,
    ) -> Result<Self, EdgeError> {
        let (left, right) = (left_t_m.len(), right_t_m.len());
        if left != right || left < 2 {
            return Err(EdgeError::Count { left, right });
        }
        if !(step_m.is_finite() && step_m > 0.0) {
            return Err(EdgeError::Step { step_m });
        }
        let bounds =
            |k: &usize| left_t_m[*k] > right_t_m[*k] && (left_t_m[*k] - right_t_m[*k]).is_finite();
        if let Some(k) = (0..left).find(|k| !bounds(k)) {
            return Err(EdgeError::Crossed {
                s_m: k as f64 * step_m,
                left_m: left_t_m[k],
                right_m: right_t_m[k],
            });
        }
        Ok(Self {
            step_m,
            left_t_m,
            right_t_m,
            closed,
        })
    }

    /// Both edges at constant distances over `length_m`, a sample about every `step_m`.
    ///
    /// # Errors
    /// [`EdgeError`] when left ≤ right or the step is no positive number.
    pub fn constant(
        length_m: f64,
        closed: bool,
        step_m: f64,
        left_m: f64,
        right_m: f64,
    ) -> Result<Self, EdgeError> {
        let pieces = to_index((length_m / step_m).round()).max(2);
        let samples = if closed { pieces } else { pieces + 1 };
        let step = length_m / pieces as f64;
        Self::new(step, vec![left_m; samples], vec![right_m; samples], closed)
    }

    /// t of the left edge at `s`, metres.
    #[must_use]
    pub fn left_m(&self, s: f64) -> f64 {
        self.sample(&self.left_t_m, s)
    }

    /// t of the right edge at `s`, metres.
    #[must_use]
    pub fn right_m(&self, s: f64) -> f64 {
        self.sample(&self.right_t_m, s)
    }

    /// Greatest distance of an edge from the line, metres.
    #[must_use]
    pub fn reach_m(&self) -> f64 {
        let all = self.left_t_m.iter().chain(&self.right_t_m);
        all.fold(0.0, |m, t| m.max(t.abs()))
    }

    fn sample(&self, values: &[f64], s: f64) -> f64 {
        let n = values.len();
        let mut x = s / self.step_m;
        if self.closed {
            x = x.rem_euclid(n as f64);
        } else {
            x = x.clamp(0.0, (n - 1) as f64);
        }
        let i = to_index(x).min(if self.closed { n - 1 } else { n - 2 });
        let u = x - i as f64;
        let (a, b) = (values[i], values[(i + 1) % n]);
        let rise = b - a;
        let m0 = monotone_slope(self.rise_before(values, i), Some(rise));
        let m1 = monotone_slope(Some(rise), self.rise_before(values, i + 2));
        let v = 1.0 - u;
        a + u * rise + u * v * (v * (m0 - rise) - u * (m1 - rise))
    }

    /// values\[i\] − values\[i−1\], `None` beyond an open end.
    fn rise_before(&self, values: &[f64], i: usize) -> Option<f64> {
        let n = values.len();
        let inside = i >= 1 && i < n;
        (self.closed || inside).then(|| values[i % n] - values[(i + n - 1) % n])
    }
}

/// Slope at a sample between two rises: their harmonic mean, 0 at an extreme.
fn monotone_slope(before: Option<f64>, after: Option<f64>) -> f64 {
    match (before, after) {
        (Some(a), Some(b)) if a * b > 0.0 => 2.0 * a * b / (a + b),
        (Some(_), Some(_)) | (None, None) => 0.0,
        (Some(a), None) | (None, Some(a)) => a,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wavy(closed: bool) -> Edges {
        let left: Vec<f64> = (0..40).map(|k| 5.0 + f64::from(k % 7) * 0.1).collect();
        let right = left.iter().map(|v| v - 9.0).collect();
        Edges::new(0.5, left, right, closed).unwrap()
    }

    #[test]
    fn an_edge_passes_its_samples_without_jumps_in_slope() {
        for closed in [false, true] {
            let edges = wavy(closed);
            for k in 1..39 {
                let s = f64::from(k) * 0.5;
                assert!((edges.left_m(s) - 5.0 - f64::from(k % 7) * 0.1).abs() < 1e-12);
                let slope = |a: f64, b: f64| (edges.left_m(b) - edges.left_m(a)) / (b - a);
                let (before, after) = (slope(s - 1e-5, s), slope(s, s + 1e-5));
                assert!((before - after).abs() < 1e-3, "{s}: {before} {after}");
            }
        }
    }

    #[test]
    fn a_closed_edge_wraps_and_an_open_one_stops() {
        let edges = wavy(true);
        assert!((edges.left_m(20.3) - edges.left_m(0.3)).abs() < 1e-12);
        assert!((edges.left_m(-0.25) - edges.left_m(19.75)).abs() < 1e-12);
        let open = wavy(false);
        assert!((open.right_m(1e9) - open.right_t_m[39]).abs() < 1e-12);
    }

    #[test]
    fn crossed_edges_are_refused_with_their_place() {
        let error = Edges::new(1.0, vec![1.0, 1.0], vec![-1.0, 1.0], false).unwrap_err();
        assert!(matches!(error, EdgeError::Crossed { s_m, .. } if s_m > 0.9));
    }
}
