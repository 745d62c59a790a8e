//! Heights along a wheel path, with holes where there is no surface.

use crate::numeric::to_index;

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
    /// Index of its first sample that counts in the profile; on a closed lap the others may run on
    /// over the end of the profile.
    pub first: usize,
    /// Samples before that one that only let filters settle (taken from the end of a closed lap).
    pub lead: usize,
    /// Samples after its last one that only let what lies before be answered (taken from the start
    /// of a closed lap).
    pub tail: usize,
    /// The heights, lead first and tail last, metres.
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
        let most = to_index(CARRIED_M / self.step_m + 0.5);
        let first = self.z_m.iter().position(|z| z.is_finite());
        match first.filter(|_| self.closed) {
            None => carry_over(&self.z_m, most),
            // From a height, round the lap, to the same height: a hole at the start is as any other.
            Some(first) => {
                let lap = [&self.z_m[first..], &self.z_m[..=first]].concat();
                let mut out = carry_over(&lap, most);
                out.pop();
                out.rotate_right(first);
                out
            }
        }
    }

    /// Stretches without a hole wider than 0.3 m. A whole closed lap is one run, with `lead_m` of
    /// its end before its start and `tail_m` of its start after its end; on a closed lap with a hole
    /// the stretch over the start is one run, whose samples go on from the last to the first.
    #[must_use]
    pub fn runs(&self, lead_m: f64, tail_m: f64) -> Vec<Run> {
        let z = self.carried_over();
        if self.closed && z.iter().all(|v| v.is_finite()) {
            let samples = |way_m: f64| to_index(way_m / self.step_m).min(z.len());
            let (lead, tail) = (samples(lead_m), samples(tail_m));
            let (before, after) = (&z[z.len() - lead..], &z[..tail]);
            return vec![Run {
                first: 0,
                lead,
                tail,
                z_m: [before, &z, after].concat(),
            }];
        }
        // A closed lap is walked from just after a hole, so that its start parts no run.
        let hole = z.iter().position(|v| !v.is_finite());
        let from = hole.filter(|_| self.closed).unwrap_or(0);
        let mut out: Vec<Run> = Vec::new();
        let mut open = false;
        for first in (from..z.len()).chain(0..from) {
            let v = z[first];
            match (v.is_finite(), open) {
                (true, false) => out.push(Run {
                    first,
                    lead: 0,
                    tail: 0,
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
        assert!((profile.coverage() - 34.0 / 40.0).abs() < 1e-12);
        // Over the start of a closed lap a run goes on.
        let runs = profile.runs(1.0, 0.0);
        assert_eq!((runs.len(), runs[0].first, runs[0].z_m.len()), (1, 25, 35));
        assert!((runs[0].z_m[14] - 39.0).abs() < 1e-12 && runs[0].z_m[15].abs() < 1e-12);
        assert!((runs[0].z_m[20] - 5.0).abs() < 1e-12);
        let open = Profile {
            closed: false,
            ..profile
        };
        let runs = open.runs(1.0, 0.0);
        assert_eq!((runs.len(), runs[0].first, runs[1].first), (2, 0, 25));
    }

    #[test]
    fn a_narrow_hole_at_the_start_of_a_lap_is_carried_over_too() {
        let mut z_m = vec![2.0; 40];
        z_m[0] = f64::NAN;
        z_m[39] = f64::NAN;
        let closed = Profile {
            step_m: 0.1,
            z_m,
            closed: true,
        };
        assert!(
            closed
                .carried_over()
                .iter()
                .all(|z| (z - 2.0).abs() < 1e-12)
        );
        assert_eq!(closed.runs(1.0, 0.5)[0].z_m.len(), 55);
        let open = Profile {
            closed: false,
            ..closed
        };
        assert!(open.carried_over()[0].is_nan());
    }

    #[test]
    fn a_whole_lap_leads_in_from_its_own_end() {
        let z_m: Vec<f64> = (0..40).map(f64::from).collect();
        let run = &Profile {
            step_m: 0.1,
            z_m,
            closed: true,
        }
        .runs(1.0, 0.0)[0];
        assert_eq!((run.lead, run.z_m.len()), (10, 50));
        assert!((run.z_m[0] - 30.0).abs() < 1e-12 && (run.z_m[10]).abs() < 1e-12);
    }
}
