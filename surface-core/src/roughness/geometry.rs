//! Crossfall, grade and vertical radius along a wheel path.

/// A vertical radius must be at least V²/K (V in km/h, R in metres): K = 20 in a sag, 15 on a
/// crest, as circuit criteria are quoted in a secondary source. The vertical acceleration at the
/// limit is K/12.96 m/s² at every speed.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct RadiusRule {
    /// Speed, km/h.
    pub speed_km_h: f64,
    /// Least radius of a sag, metres.
    pub sag_m: f64,
    /// Least radius of a crest, metres.
    pub crest_m: f64,
}

impl RadiusRule {
    /// The rule at a speed.
    ///
    /// ```
    /// let rule = surface_core::roughness::RadiusRule::at(200.0);
    /// assert!((rule.sag_m - 2000.0).abs() < 1e-9 && (rule.crest_m - 2666.667).abs() < 1e-3);
    /// ```
    #[must_use]
    pub fn at(speed_km_h: f64) -> Self {
        let square = speed_km_h * speed_km_h;
        Self {
            speed_km_h,
            sag_m: square / 20.0,
            crest_m: square / 15.0,
        }
    }

    /// Whether a curvature (1/m, positive in a sag) breaks the rule.
    #[must_use]
    pub fn broken_by(&self, curvature_per_m: f64) -> bool {
        curvature_per_m * self.sag_m > 1.0 || -curvature_per_m * self.crest_m > 1.0
    }
}

/// Half of the window for grade and curvature, samples.
fn half(step_m: f64, window_m: f64) -> usize {
    crate::numeric::to_index(0.5 * window_m / step_m + 0.5).max(2)
}

/// Least-squares parabola over a window around each sample: grade (m/m) and curvature (1/m), NaN
/// where the window holds a hole or ends.
fn parabolas(z_m: &[f64], step_m: f64, window_m: f64) -> Vec<[f64; 2]> {
    let h = half(step_m, window_m);
    let x = |k: usize| (k as f64 - h as f64) * step_m;
    let n = (2 * h + 1) as f64;
    let moment = |power: i32| (0..=2 * h).map(|k| x(k).powi(power)).sum::<f64>();
    let (s2, s4) = (moment(2), moment(4));
    let spread = s4 - s2 * s2 / n;
    let mut out = vec![[f64::NAN; 2]; z_m.len()];
    for (from, w) in z_m.windows(2 * h + 1).enumerate() {
        // Relative to the middle, so that large heights cost no digits.
        let d = |k: usize| w[k] - w[h];
        let (mut first, mut second, mut sum) = (0.0, 0.0, 0.0);
        for k in 0..=2 * h {
            first += x(k) * d(k);
            second += x(k) * x(k) * d(k);
            sum += d(k);
        }
        out[from + h] = [first / s2, 2.0 * (second - s2 * sum / n) / spread];
    }
    out
}

/// Grade of the profile over windows of `window_m`, m/m; NaN where a window has no answer.
#[must_use]
pub fn grades(z_m: &[f64], step_m: f64, window_m: f64) -> Vec<f64> {
    parabolas(z_m, step_m, window_m)
        .iter()
        .map(|p| p[0])
        .collect()
}

/// Vertical curvature of the profile over windows of `window_m`, 1/m, positive in a sag: the
/// reciprocal of the vertical radius. NaN where a window has no answer.
#[must_use]
pub fn vertical_curvatures_per_m(z_m: &[f64], step_m: f64, window_m: f64) -> Vec<f64> {
    parabolas(z_m, step_m, window_m)
        .iter()
        .map(|p| p[1])
        .collect()
}

/// Crossfall between two wheel paths `track_m` apart, m/m, positive where the left is higher.
#[must_use]
pub fn crossfalls(left_z_m: &[f64], right_z_m: &[f64], track_m: f64) -> Vec<f64> {
    let pairs = left_z_m.iter().zip(right_z_m);
    pairs.map(|(l, r)| (l - r) / track_m).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parabola_on_a_grade_gives_both_back() {
        let z = |k: i32| {
            let x = 0.1 * f64::from(k);
            5e5 + 0.03 * x + 0.5 * x * x / 1500.0
        };
        let profile: Vec<f64> = (0..400).map(z).collect();
        let curvature = vertical_curvatures_per_m(&profile, 0.1, 20.0)[200];
        assert!((1.0 / curvature - 1500.0).abs() < 0.01, "{curvature}");
        let grade = grades(&profile, 0.1, 20.0)[200];
        assert!((grade - (0.03 + 20.0 / 1500.0)).abs() < 1e-8);
        assert!(grades(&profile, 0.1, 20.0)[3].is_nan());
        assert!(RadiusRule::at(200.0).broken_by(curvature));
        assert!(!RadiusRule::at(150.0).broken_by(curvature));
    }
}
