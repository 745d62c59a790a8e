//! Round numbers for ticks and bars.

/// The largest of 1, 2 or 5 times a power of ten that is not above `limit`.
pub(super) fn round_below(limit: f64) -> f64 {
    let limit = limit.max(1e-9);
    let power = 10f64.powf(limit.log10().floor());
    [5.0, 2.0]
        .map(|k| k * power)
        .into_iter()
        .find(|&v| v <= limit * (1.0 + 1e-12))
        .unwrap_or(power)
}

/// A number without needless zeros, at most three digits after the point.
pub(super) fn plain(v: f64) -> String {
    let text = format!("{v:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A count for people: 950, 12.3 k, 4.56 M.
pub(super) fn count(n: u64) -> String {
    #[expect(clippy::cast_precision_loss, reason = "three digits are shown")]
    let v = n as f64;
    match n {
        0..10_000 => n.to_string(),
        10_000..1_000_000 => format!("{:.1} k", v / 1e3),
        _ => format!("{:.1} M", v / 1e6),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_at_1_2_or_5_times_a_power_of_ten() {
        for (limit, round) in [
            (1.0, 1.0),
            (1.9, 1.0),
            (49.0, 20.0),
            (50.0, 50.0),
            (0.03, 0.02),
        ] {
            assert!(
                (round_below(limit) - round).abs() < 1e-12 * round,
                "{limit}"
            );
        }
    }

    #[test]
    fn numbers_are_short() {
        assert_eq!(
            [plain(5.0), plain(2.5), plain(0.1254)],
            ["5", "2.5", "0.125"]
        );
        assert_eq!(
            [count(950), count(12_345), count(4_560_000)],
            ["950", "12.3 k", "4.6 M"]
        );
    }
}
