//! The reference line as a chain of chords.

use crate::numeric::to_f32;
use crate::ribbon::ReferenceLine;

/// Decimals of a value of the core data: what ten characters hold with a sign, and single
/// precision too below 1.
const DECIMALS_PER_UNIT: f64 = 1e7;

/// A value as both the text and the binary file can hold it, so that both mean the same: rounded
/// to seven decimals, then to single precision.
#[must_use]
pub fn single(v: f64) -> f64 {
    f64::from(to_f32((v * DECIMALS_PER_UNIT).round() / DECIMALS_PER_UNIT))
}

/// A chain of chords of one length whose corners lie on a reference line.
#[derive(Debug, Clone, PartialEq)]
pub struct Chords {
    /// Length of every chord, metres.
    pub du_m: f64,
    /// Station of each corner on the line, metres.
    pub s_m: Vec<f64>,
    /// Heading of the chord that ends at each corner, radians; NaN at the first.
    pub phi_rad: Vec<f64>,
    /// First and last corner as the headings lead to them, local metres.
    pub ends_m: [[f64; 2]; 2],
}

impl Chords {
    /// Walk along `line` in chords of `du_m` as far as they fit.
    ///
    /// Every heading is rounded to what the file keeps and aims from where the rounded headings
    /// have led, so that errors do not add up: no corner is off the line by more than one
    /// rounding.
    #[must_use]
    pub fn along(line: &ReferenceLine, du_m: f64) -> Self {
        let start = line.point(0.0);
        let (mut at, mut s) = (start, 0.0);
        let mut out = Self {
            du_m,
            s_m: vec![0.0],
            phi_rad: vec![f64::NAN],
            ends_m: [start, start],
        };
        while let Some(next_s) = next(line, at, s, du_m) {
            let to = line.point(next_s);
            let phi = single((to[1] - at[1]).atan2(to[0] - at[0]));
            at = [at[0] + du_m * phi.cos(), at[1] + du_m * phi.sin()];
            s = next_s;
            out.s_m.push(s);
            out.phi_rad.push(phi);
        }
        out.ends_m[1] = at;
        out
    }
}

/// Where the line has left `at` by `du_m`; `None` past its end.
fn next(line: &ReferenceLine, at: [f64; 2], s: f64, du_m: f64) -> Option<f64> {
    let end = line.length_m();
    let mut next = s + du_m;
    for _ in 0..8 {
        // The last point of a closed line is its first.
        let p = line.point(next.min(end));
        let far = (p[0] - at[0]).hypot(p[1] - at[1]);
        next += du_m - far;
        if next > end {
            return None;
        }
    }
    Some(next)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn circle() -> ReferenceLine {
        let n = 600;
        let at = |k: usize| {
            let a = std::f64::consts::TAU * k as f64 / 600.0;
            [50.0 * a.cos(), 50.0 * a.sin()]
        };
        let step = std::f64::consts::TAU * 50.0 / 600.0;
        ReferenceLine::through((0..n).map(at).collect(), step, true).unwrap()
    }

    #[test]
    fn chords_of_one_length_stay_on_the_line_for_a_whole_lap() {
        let line = circle();
        let chords = Chords::along(&line, 0.1);
        let mut at = chords.ends_m[0];
        for (s, phi) in chords.s_m.iter().zip(&chords.phi_rad).skip(1) {
            at = [at[0] + 0.1 * phi.cos(), at[1] + 0.1 * phi.sin()];
            let p = line.point(*s);
            // A rounding of 1e-7 rad over 0.1 m.
            assert!((at[0] - p[0]).hypot(at[1] - p[1]) < 3e-8);
        }
        let end = chords.ends_m[1];
        assert!((at[0] - end[0]).hypot(at[1] - end[1]) < 1e-12);
        // 314.159 m in chords: κ²du²/24 longer arcs, and less than one chord is left.
        let left = line.length_m() - chords.s_m.last().unwrap();
        assert!((0.0..0.1).contains(&left), "{left}");
        assert_eq!(chords.s_m.len(), 3142);
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "the same number is meant")]
    fn rounded_values_survive_text_and_single_precision() {
        for v in [0.012_345_678_9, -3.012_345_678_9, 0.299_999_99, -0.5] {
            let kept = single(v);
            assert_eq!(f64::from(to_f32(kept)), kept);
            let text: f64 = format!("{kept:10.7}").parse().unwrap();
            assert!((text - kept).abs() < 1.3e-7 && (kept - v).abs() < 1.8e-7);
        }
    }
}
