//! Order statistics without sorting.

use super::plane::MAD_TO_SIGMA;

/// Median of χ² with one degree of freedom: the median square of unit normal noise.
pub const MEDIAN_CHI2: f64 = 0.454_936;

/// The value below which a share `q` (0..=1) of `values` lies: order statistic ⌊q·(n−1)⌋ and
/// the next one, linearly between (the default of R and numpy). Reorders `values`; `None` when
/// empty. Expected O(n).
pub fn quantile(values: &mut [f64], q: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let place = q.clamp(0.0, 1.0) * last as f64;
    let k = super::to_index(place).min(last);
    let (_, &mut low, above) = values.select_nth_unstable_by(k, f64::total_cmp);
    let share = place - k as f64;
    let next = above.iter().copied().fold(f64::INFINITY, f64::min);
    Some(if share > 0.0 && next.is_finite() {
        low + share * (next - low)
    } else {
        low
    })
}

/// The median; the mean of the two middle values of an even number. Reorders `values`.
pub fn median(values: &mut [f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Median absolute deviation from `centre`, times 1.4826: estimates the standard deviation of
/// normal noise and ignores up to half of strays. Overwrites `values` with the deviations.
pub fn mad_sigma(values: &mut [f64], centre: f64) -> Option<f64> {
    values.iter_mut().for_each(|v| *v = (*v - centre).abs());
    median(values).map(|m| m * MAD_TO_SIGMA)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_interpolate_between_order_statistics() {
        let mut v = [4.0, 1.0, 3.0, 2.0];
        assert_eq!(median(&mut v), Some(2.5));
        assert_eq!(quantile(&mut v, 0.25), Some(1.75));
        assert_eq!(quantile(&mut v, 1.0), Some(4.0));
        assert_eq!(median(&mut []), None);
        assert_eq!(median(&mut [7.0]), Some(7.0));
    }

    #[test]
    fn the_mad_ignores_a_stray() {
        let mut v = [1.0, 2.0, 3.0, 4.0, 1e9];
        assert_eq!(mad_sigma(&mut v, 3.0), Some(MAD_TO_SIGMA));
    }
}
