//! From the corners of a polygon to evenly spaced knots of a smooth closed line.
//!
//! The polygon's corners are rounded with arcs; the position along that line is then averaged
//! twice over a window, which turns the jumps of curvature into ramps and keeps the line closed.
//! A window of length L shrinks an arc of radius R by the factor 1 − L²/(12 R²).

use super::whole::to_index;
use serde::{Deserialize, Serialize};

/// A corner of the polygon that a course follows.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Corner {
    /// East, metres from the course's origin.
    pub x_m: f64,
    /// North, metres from the course's origin.
    pub y_m: f64,
    /// Radius of the arc that rounds it, metres.
    pub radius_m: f64,
}

impl Corner {
    /// A corner at (x, y) rounded with this radius.
    #[must_use]
    pub fn new(x_m: f64, y_m: f64, radius_m: f64) -> Self {
        Self { x_m, y_m, radius_m }
    }
}

/// A polygon that cannot be rounded as asked.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum PathError {
    /// Fewer than three corners.
    #[error("a closed course needs at least 3 corners, got {0}")]
    TooFewCorners(usize),
    /// The arcs at both ends of a side need more than its length.
    #[error("the side from corner {side} is {length_m:.2} m long, its arcs take {needed_m:.2} m")]
    ArcsOverlap {
        /// Index of the corner where the side begins.
        side: usize,
        /// Length of the side, metres.
        length_m: f64,
        /// Tangent lengths of its two arcs together, metres.
        needed_m: f64,
    },
}

/// Spacing of the fine samples that are smoothed, metres: arcs of 3 m are then true to 0.02 mm.
const FINE_STEP_M: f64 = 0.02;

/// Knots at even arc length, about `knot_step_m` apart, of the rounded and smoothed polygon.
///
/// The first knot lies in the middle of the first side.
///
/// # Errors
/// When the corners cannot be rounded with their radii.
pub fn knots(
    corners: &[Corner],
    smoothing_m: f64,
    knot_step_m: f64,
) -> Result<Vec<[f64; 2]>, PathError> {
    let pieces = pieces(corners)?;
    let fine = sample(&pieces);
    let half = to_index((smoothing_m / FINE_STEP_M / 2.0).round());
    let smooth = moving_mean(&moving_mean(&fine, half), half);
    Ok(resample(&smooth, knot_step_m))
}

/// A straight or an arc: start, direction, curvature, length.
struct Piece {
    start: [f64; 2],
    heading_rad: f64,
    curvature_per_m: f64,
    length_m: f64,
}

impl Piece {
    fn point(&self, l: f64) -> [f64; 2] {
        let turn = self.curvature_per_m * l;
        // The chord of an arc: length l·sin(turn/2)/(turn/2) at the mean heading.
        let chord = if turn.abs() < 1e-12 {
            l
        } else {
            l * (turn / 2.0).sin() / (turn / 2.0)
        };
        let (sin, cos) = (self.heading_rad + turn / 2.0).sin_cos();
        [self.start[0] + chord * cos, self.start[1] + chord * sin]
    }
}

fn pieces(corners: &[Corner]) -> Result<Vec<Piece>, PathError> {
    let n = corners.len();
    if n < 3 {
        return Err(PathError::TooFewCorners(n));
    }
    let mut out = Vec::with_capacity(2 * n);
    for i in 0..n {
        let (a, b) = (&corners[i], &corners[(i + 1) % n]);
        let (heading, length) = side(a, b);
        let (lead, trail) = (tangent_m(corners, i), tangent_m(corners, (i + 1) % n));
        if lead + trail > length + 1e-9 {
            return Err(PathError::ArcsOverlap {
                side: i,
                length_m: length,
                needed_m: lead + trail,
            });
        }
        let at = |l: f64| [a.x_m + l * heading.cos(), a.y_m + l * heading.sin()];
        let straight = length - lead - trail;
        out.push(Piece {
            start: at(lead),
            heading_rad: heading,
            curvature_per_m: 0.0,
            length_m: straight,
        });
        let turn = turn_rad(corners, (i + 1) % n);
        out.push(Piece {
            start: at(length - trail),
            heading_rad: heading,
            curvature_per_m: turn.signum() / b.radius_m,
            length_m: turn.abs() * b.radius_m,
        });
    }
    Ok(out)
}

fn side(a: &Corner, b: &Corner) -> (f64, f64) {
    let (dx, dy) = (b.x_m - a.x_m, b.y_m - a.y_m);
    (dy.atan2(dx), dx.hypot(dy))
}

/// Change of heading at a corner, −π to π, left positive.
fn turn_rad(corners: &[Corner], i: usize) -> f64 {
    let n = corners.len();
    let (into, _) = side(&corners[(i + n - 1) % n], &corners[i]);
    let (out, _) = side(&corners[i], &corners[(i + 1) % n]);
    (out - into + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU) - std::f64::consts::PI
}

fn tangent_m(corners: &[Corner], i: usize) -> f64 {
    corners[i].radius_m * (turn_rad(corners, i).abs() / 2.0).tan()
}

/// Points at even arc length, from the middle of the first side.
fn sample(pieces: &[Piece]) -> Vec<[f64; 2]> {
    let total: f64 = pieces.iter().map(|p| p.length_m).sum();
    let count = to_index((total / FINE_STEP_M).round());
    let step = total / count as f64;
    let (mut piece, mut begin) = (0, 0.0);
    let mut out = Vec::with_capacity(count);
    for i in 0..count {
        let l = pieces[0].length_m / 2.0 + i as f64 * step;
        while l - begin > pieces[piece].length_m {
            begin += pieces[piece].length_m;
            piece = (piece + 1) % pieces.len();
        }
        out.push(pieces[piece].point(l - begin));
    }
    out
}

/// Periodic mean over 2·half + 1 neighbours.
fn moving_mean(points: &[[f64; 2]], half: usize) -> Vec<[f64; 2]> {
    let n = points.len();
    let at = |i: usize| points[i % n];
    let mut sum = [0.0; 2];
    for i in 0..=2 * half {
        let p = at(i + n - half);
        sum = [sum[0] + p[0], sum[1] + p[1]];
    }
    let count = (2 * half + 1) as f64;
    let mut out = Vec::with_capacity(n);
    for i in 0..n {
        out.push([sum[0] / count, sum[1] / count]);
        let (add, drop) = (at(i + half + 1), at(i + n - half));
        sum = [sum[0] + add[0] - drop[0], sum[1] + add[1] - drop[1]];
    }
    out
}

/// Points at even distance along a closed polyline.
fn resample(points: &[[f64; 2]], step_m: f64) -> Vec<[f64; 2]> {
    let n = points.len();
    let chord = |i: usize| {
        let (a, b) = (points[i], points[(i + 1) % n]);
        (b[0] - a[0]).hypot(b[1] - a[1])
    };
    let total: f64 = (0..n).map(chord).sum();
    let count = to_index((total / step_m).round()).max(4);
    let (mut i, mut begin) = (0, 0.0);
    let mut out = Vec::with_capacity(count);
    for k in 0..count {
        let l = total * k as f64 / count as f64;
        while i + 1 < n && begin + chord(i) < l {
            begin += chord(i);
            i += 1;
        }
        let (a, b, f) = (points[i], points[(i + 1) % n], (l - begin) / chord(i));
        out.push([a[0] + f * (b[0] - a[0]), a[1] + f * (b[1] - a[1])]);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square() -> Vec<Corner> {
        [(0.0, 0.0), (40.0, 0.0), (40.0, 40.0), (0.0, 40.0)]
            .map(|(x, y)| Corner::new(x, y, 10.0))
            .to_vec()
    }

    #[test]
    fn a_rounded_square_without_smoothing_has_the_length_of_its_sides_and_arcs() {
        let points = knots(&square(), 0.0, 0.05).unwrap();
        let n = points.len();
        let length: f64 = (0..n)
            .map(|i| {
                (points[(i + 1) % n][0] - points[i][0]).hypot(points[(i + 1) % n][1] - points[i][1])
            })
            .sum();
        let exact = 4.0 * 20.0 + std::f64::consts::TAU * 10.0;
        // Chords of 5 cm on 10 m lose 1e-6 of the length.
        assert!((length - exact).abs() < 1e-3, "{length} {exact}");
    }

    #[test]
    fn arcs_that_need_more_than_their_side_are_refused_with_the_numbers() {
        let mut corners = square();
        corners[1].radius_m = 35.0;
        let error = knots(&corners, 2.0, 0.5).unwrap_err();
        assert!(
            matches!(error, PathError::ArcsOverlap { side: 0, .. }),
            "{error}"
        );
    }
}
