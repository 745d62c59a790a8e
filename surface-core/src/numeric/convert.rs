//! The only places where a float becomes an integer or loses digits.
//!
//! All saturate at the target's range and send NaN to 0 (the language's `as` rule), so a caller
//! that has checked its range loses nothing and one that has not cannot wrap around.

/// ⌊v⌋ as i32, saturating.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
pub fn floor_i32(v: f64) -> i32 {
    // Cut off and put right: without SSE4.1 `floor` is a call that no loop is vectorised over.
    let whole = v as i32;
    whole.saturating_sub(i32::from(v < f64::from(whole)))
}

/// ⌈v⌉ as i32, saturating.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
pub fn ceil_i32(v: f64) -> i32 {
    let whole = v as i32;
    whole.saturating_add(i32::from(v > f64::from(whole)))
}

/// The whole number nearest to `v` (halves away from zero) as i32, saturating.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
pub fn round_i32(v: f64) -> i32 {
    let whole = v as i32;
    let rest = v - f64::from(whole);
    let up = whole.saturating_add(i32::from(rest >= 0.5));
    up.saturating_sub(i32::from(rest <= -0.5))
}

/// ⌊v⌋ as an index: negative values and NaN give 0.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
pub fn to_index(v: f64) -> usize {
    v as usize
}

/// `v` rounded to single precision.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "rounding is the purpose")]
pub fn to_f32(v: f64) -> f32 {
    v as f32
}

/// The nearest byte, saturating.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
pub fn to_u8(v: f64) -> u8 {
    v.round() as u8
}

/// The nearest u16, saturating.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
pub fn to_u16(v: f64) -> u16 {
    v.round() as u16
}

/// A count as u32, saturating at `u32::MAX`.
#[must_use]
#[inline]
pub fn to_u32(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
    fn cutting_off_and_putting_right_is_what_the_library_does() {
        let halves = (-2001..2001).map(|k| 0.5 * f64::from(k));
        let edges = [
            0.499_999_999_999_999_94,
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            2_147_483_646.5,
            2_147_483_647.5,
            -2_147_483_648.5,
            -0.0,
            1e300,
        ];
        let near = |v: f64| [v, v.next_down(), v.next_up()];
        for v in halves.chain(edges).flat_map(near) {
            assert_eq!(floor_i32(v), v.floor() as i32, "{v}");
            assert_eq!(ceil_i32(v), v.ceil() as i32, "{v}");
            assert_eq!(round_i32(v), v.round() as i32, "{v}");
        }
    }

    #[test]
    fn conversions_saturate_instead_of_wrapping() {
        assert_eq!(floor_i32(-0.5), -1);
        assert_eq!(floor_i32(1e300), i32::MAX);
        assert_eq!(round_i32(f64::NAN), 0);
        assert_eq!(ceil_i32(2.1), 3);
        assert_eq!(to_index(-3.0), 0);
        assert_eq!(to_u8(300.0), 255);
        assert_eq!(to_u16(-1.0), 0);
        assert_eq!(to_u32(usize::MAX), u32::MAX);
    }
}
