//! Heights along a wheel path, with holes where there is no surface.

/// Holes up to this wide are carried over by a straight line before anything is computed, metres:
/// a tyre's contact patch and a little more.
const CARRIED_M: f64 = 0.3;

/// Heights along a path at equal steps.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Distance of samples, metres.
    pub step_m: f64,
    /// Heights, metres; NaN where there is none.
    pub z_m: Vec<f64>,
    /// Whether the last sample is followed by the first.
    pub closed: bool,
}

/// A stretch of a profile without a hole.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// Index of its first sample that counts in the profile.
    pub first: usize,
    /// Samples before that one that only let filters settle (taken from the end of a closed lap).
    pub lead: usize,
    /// The heights, lead first, metres.
    pub z_m: Vec<f64>,
}

impl Profile {
    /// Share of samples that have a height.
    #[must_use]
    pub fn coverage(&self) -> f64 {
        let there = self.z_m.iter().filter(|z| z.is_finite()).count();
        there as f64 / self.z_m.len().max(1) as f64
    }

    /// The heights with narrow holes carried over.
    #[must_use]
    pub fn carried_over(&self) -> Vec<f64> {
        carry_over(
            &self.z_m,
            crate::numeric::to_index(CARRIED_M / self.step_m + 0.5),
        )
    }

    /// Stretches without a hole wider than 0.3 m. A whole closed lap is one run, with `lead_m` of
    /// its end before its start.
    #[must_use]
    pub fn runs(&self, lead_m: f64) -> Vec<Run> {
        let z = self.carried_over();
        if self.closed && z.iter().all(|v| v.is_finite()) {
            let lead = crate::numeric::to_index(lead_m / self.step_m).min(z.len());
            let z_m = z[z.len() - lead..].iter().chain(&z).copied().collect();
            return vec![Run {
                first: 0,
                lead,
                z_m,
            }];
        }
        let mut out: Vec<Run> = Vec::new();
        let mut open = false;
        for (first, &v) in z.iter().enumerate() {
            match (v.is_finite(), open) {
                (true, false) => out.push(Run {
                    first,
                    lead: 0,
                    z_m: vec![v],
                }),
                (true, true) => {
                    if let Some(run) = out.last_mut() {
                        run.z_m.push(v);
                    }
                }
                (false, _) => {}
            }
            open = v.is_finite();
        }
        out
    }
}

/// Holes of up to `most` samples between two heights become a straight line.
pub(crate) fn carry_over(z_m: &[f64], most: usize) -> Vec<f64> {
    let mut out = z_m.to_vec();
    let mut last: Option<usize> = None;
    for k in 0..out.len() {
        if !out[k].is_finite() {
            continue;
        }
        if let Some(l) = last.filter(|l| k - l > 1 && k - l - 1 <= most) {
            let (a, b) = (out[l], out[k]);
            for (i, v) in out[l + 1..k].iter_mut().enumerate() {
                *v = a + (b - a) * (i + 1) as f64 / (k - l) as f64;
            }
        }
        last = Some(k);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn narrow_holes_are_carried_over_and_wide_ones_part_runs() {
        let mut z_m: Vec<f64> = (0..40).map(f64::from).collect();
        z_m[5] = f64::NAN;
        z_m[20..25].fill(f64::NAN);
        let profile = Profile {
            step_m: 0.1,
            z_m,
            closed: true,
        };
        let runs = profile.runs(1.0);
        assert_eq!((runs.len(), runs[1].first), (2, 25));
        assert!((runs[0].z_m[5] - 5.0).abs() < 1e-12);
        assert!((profile.coverage() - 34.0 / 40.0).abs() < 1e-12);
    }

    #[test]
    fn a_whole_lap_leads_in_from_its_own_end() {
        let z_m: Vec<f64> = (0..40).map(f64::from).collect();
        let run = &Profile {
            step_m: 0.1,
            z_m,
            closed: true,
        }
        .runs(1.0)[0];
        assert_eq!((run.lead, run.z_m.len()), (10, 50));
        assert!((run.z_m[0] - 30.0).abs() < 1e-12 && (run.z_m[10]).abs() < 1e-12);
    }
}
