//! Heights across the road where some are missing.

/// Holes between two heights become straight lines; how many values were filled.
pub(in crate::build) fn carry_over(z: &mut [f64]) -> usize {
    let mut filled = 0;
    let mut last: Option<usize> = None;
    for k in 0..z.len() {
        if !z[k].is_finite() {
            continue;
        }
        if let Some(from) = last.filter(|from| k - from > 1) {
            let (a, b) = (z[from], z[k]);
            for (j, z) in z[from + 1..k].iter_mut().enumerate() {
                *z = a + (b - a) * (j + 1) as f64 / (k - from) as f64;
                filled += 1;
            }
        }
        last = Some(k);
    }
    filled
}

/// Values that are still missing, at both ends, become what `straight` says.
pub(super) fn filled_ends(z: &mut [f64], straight: impl Fn(usize) -> f64) {
    for (k, z) in z.iter_mut().enumerate() {
        if !z.is_finite() {
            *z = straight(k);
        }
    }
}

/// Least squares of the heights there are: height at t = 0, and slope; level with one height
/// only, `None` with none.
pub(in crate::build) fn straight_line(t_m: &[f64], z_m: &[f64]) -> Option<[f64; 2]> {
    let there = || t_m.iter().zip(z_m).filter(|(_, z)| z.is_finite());
    let n = there().count() as f64;
    if n == 0.0 {
        return None;
    }
    let t0 = there().map(|(t, _)| t).sum::<f64>() / n;
    let z0 = there().map(|(_, z)| z).sum::<f64>() / n;
    let (mut tt, mut tz) = (0.0, 0.0);
    for (t, z) in there() {
        tt += (t - t0) * (t - t0);
        tz += (t - t0) * (z - z0);
    }
    let slope = if tt > 0.0 { tz / tt } else { 0.0 };
    Some([z0 - slope * t0, slope])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_holes_between_heights_are_filled() {
        let n = f64::NAN;
        let mut z = [n, 1.0, n, n, 4.0, n];
        assert_eq!(carry_over(&mut z), 2);
        assert!(z[0].is_nan() && z[5].is_nan());
        assert_eq!(z[1..5], [1.0, 2.0, 3.0, 4.0]);
        filled_ends(&mut z, |k| 10.0 * k as f64);
        assert_eq!((z[0], z[5]), (0.0, 50.0));
    }

    #[test]
    fn the_straight_line_passes_over_what_is_missing() {
        let t = [-2.0, -1.0, 0.0, 1.0];
        let line = straight_line(&t, &[1.0, f64::NAN, 2.0, 2.5]).unwrap();
        assert!((line[0] - 2.0).abs() < 1e-12 && (line[1] - 0.5).abs() < 1e-12);
        assert_eq!(straight_line(&t, &[f64::NAN; 4]), None);
        assert_eq!(straight_line(&t[..1], &[3.0]), Some([3.0, 0.0]));
    }
}
