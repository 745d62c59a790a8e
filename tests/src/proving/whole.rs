//! The only places of the proving ground where a float becomes an integer or loses digits.

/// ⌊v⌋ as i64, saturating. Truncates and corrects, which needs no call into the C library.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
pub fn floor_i64(v: f64) -> i64 {
    let toward_zero = v as i64;
    toward_zero.saturating_sub(i64::from(toward_zero as f64 > v))
}

/// ⌊v⌋ as an index: negative values and NaN give 0.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
pub fn to_index(v: f64) -> usize {
    v as usize
}

/// The nearest i32, saturating.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
pub fn round_i32(v: f64) -> i32 {
    v.round() as i32
}

/// The nearest u16, saturating.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "saturating by contract")]
pub fn to_u16(v: f64) -> u16 {
    v.round() as u16
}

/// `v` in single precision.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "rounding is the purpose")]
pub fn to_f32(v: f64) -> f32 {
    v as f32
}

/// An index as u32, saturating.
#[must_use]
#[inline]
pub fn index_u32(i: usize) -> u32 {
    u32::try_from(i).unwrap_or(u32::MAX)
}

/// `i` modulo `n` as an index.
#[must_use]
#[inline]
#[expect(clippy::cast_possible_truncation, reason = "the remainder is below n")]
pub fn wrap_index(i: i64, n: usize) -> usize {
    i.rem_euclid(n as i64) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn floors_go_down_on_both_sides_of_zero() {
        let values = [-2.0, -1.5, -0.1, 0.0, 0.1, 1.0, 1.9];
        assert_eq!(values.map(floor_i64), [-2, -2, -1, 0, 0, 1, 1]);
        assert_eq!(floor_i64(f64::NEG_INFINITY), i64::MIN);
    }
}
