//! Vectors in the plane as `[f64; 2]`.

/// a + b.
#[must_use]
#[inline]
pub fn add(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [a[0] + b[0], a[1] + b[1]]
}

/// a − b.
#[must_use]
#[inline]
pub fn sub(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [a[0] - b[0], a[1] - b[1]]
}

/// k·a.
#[must_use]
#[inline]
pub fn scale(a: [f64; 2], k: f64) -> [f64; 2] {
    [a[0] * k, a[1] * k]
}

/// a·b.
#[must_use]
#[inline]
pub fn dot(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

/// a × b: positive when b points to the left of a.
#[must_use]
#[inline]
pub fn cross(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[1] - a[1] * b[0]
}

/// |a|.
#[must_use]
#[inline]
pub fn norm(a: [f64; 2]) -> f64 {
    dot(a, a).sqrt()
}

/// |a − b|.
#[must_use]
#[inline]
pub fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    norm(sub(a, b))
}

/// a turned a quarter to the left.
#[must_use]
#[inline]
pub fn left_of(a: [f64; 2]) -> [f64; 2] {
    [-a[1], a[0]]
}

/// The way from a to b: a + k·(b − a).
#[must_use]
#[inline]
pub fn between(a: [f64; 2], b: [f64; 2], k: f64) -> [f64; 2] {
    [a[0] + k * (b[0] - a[0]), a[1] + k * (b[1] - a[1])]
}
