//! The false discovery rate: of all that is called changed, how much may be chance?
//!
//! Benjamini & Hochberg 1995 (J. R. Statist. Soc. B 57): of m tests the k with the smallest
//! p-values are discoveries, k the largest number with p_(k) ≤ q·k/m. Holds for tests that depend
//! on each other positively (Benjamini & Yekutieli 2001), as neighbouring cells do.

/// Which of the tests are discoveries at a false discovery rate of `q`; values that are no numbers
/// are none and do not count.
///
/// ```
/// use surface_core::rescan::discoveries;
/// let p = [0.01, 0.04, 0.03, 0.5];
/// assert_eq!(discoveries(&p, 0.05), [true, false, false, false]);
/// ```
#[must_use]
pub fn discoveries(p: &[f64], q: f64) -> Vec<bool> {
    let limit = limit(p, q);
    p.iter()
        .map(|&p| limit.is_some_and(|limit| p <= limit))
        .collect()
}

/// The largest p-value that is a discovery at `q`; `None` when there is none.
fn limit(p: &[f64], q: f64) -> Option<f64> {
    let known = || p.iter().copied().filter(|p| !p.is_nan());
    limit_among(known().filter(|p| *p <= q).collect(), known().count(), q)
}

/// The same of `tests` tests of which those of `q` and less are `small`: no other is a discovery.
pub(super) fn limit_among(mut small: Vec<f64>, tests: usize, q: f64) -> Option<f64> {
    small.sort_unstable_by(f64::total_cmp);
    let kept = |&k: &usize| small[k] <= q * (k + 1) as f64 / tests as f64;
    (0..small.len()).rev().find(kept).map(|k| small[k])
}

/// Every test's smallest rate at which it is a discovery: min over j ≥ k of p_(j)·m/j, at most 1.
#[must_use]
pub fn adjusted_p(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).filter(|&k| !p[k].is_nan()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let mut out = vec![f64::NAN; p.len()];
    let mut least = 1.0f64;
    for (rank, &k) in order.iter().enumerate().rev() {
        least = least.min(p[k] * order.len() as f64 / (rank + 1) as f64);
        out[k] = least;
    }
    out
}
