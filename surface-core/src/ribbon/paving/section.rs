//! How high does a point lie above what the road inwards of it foretells?
//!
//! A kerb is straight neither over its face nor over its top; but over a few centimetres any road
//! goes on as it came. Grass, and the drop behind a kerb, do not.

use super::refine::Near;
use crate::numeric::median;

/// Width of the strips along the edge whose median heights are the section, metres.
const STRIP_M: f64 = 0.025;
/// A strip is foretold from so many strips inwards of it…
const STRIPS: usize = 4;
/// …of which at least this many hold points enough.
const MIN_STRIPS: usize = 2;
/// Fewest points of a strip.
const MIN_POINTS: usize = 3;
/// Strips of road are allowed to lie this far off, metres: joints, and the foot of a kerb.
const LEAST_ALLOWED_M: f64 = 0.006;
/// Residuals beyond this many times their median size have no say in the slope along the edge.
const STRAY: f64 = 4.0;

/// The points with the road's slope along the edge taken out, learnt from the first `inside`
/// (robust least squares within strips, so that the section does not matter).
pub(super) fn levelled(window: &[Near], inside: usize) -> Vec<Near> {
    let mut out = window.to_vec();
    for _ in 0..2 {
        let slope = slope_along(&out[..inside]);
        out.iter_mut().for_each(|p| p.z -= slope * p.v);
    }
    out
}

fn slope_along(points: &[Near]) -> f64 {
    let mut pairs: Vec<[f64; 2]> = Vec::with_capacity(points.len());
    for strip in strips(points) {
        if let Some(middle) = Middle::of(strip) {
            pairs.extend(strip.iter().map(|p| [p.v - middle.v, p.z - middle.z]));
        }
    }
    let mut size: Vec<f64> = pairs.iter().map(|p| p[1].abs()).collect();
    let limit = STRAY * median(&mut size).unwrap_or(0.0);
    let (mut vv, mut vz) = (0.0, 0.0);
    for [v, z] in pairs.iter().filter(|p| p[1].abs() <= limit) {
        vv += v * v;
        vz += v * z;
    }
    if vv > 0.0 { vz / vv } else { 0.0 }
}

/// Median height of a strip and the mean place of its points.
#[derive(Debug, Clone, Copy)]
struct Middle {
    u: f64,
    v: f64,
    z: f64,
}

impl Middle {
    fn of(strip: &[Near]) -> Option<Self> {
        let mut z: Vec<f64> = strip.iter().map(|p| p.z).collect();
        let n = strip.len() as f64;
        (strip.len() >= MIN_POINTS).then_some(Self {
            u: strip.iter().map(|p| p.u).sum::<f64>() / n,
            v: strip.iter().map(|p| p.v).sum::<f64>() / n,
            z: median(&mut z)?,
        })
    }
}

/// Runs of points (ascending in u) in the same strip.
fn strips(points: &[Near]) -> impl Iterator<Item = &[Near]> {
    let strip = |p: &Near| (p.u / STRIP_M).floor();
    points.chunk_by(move |a, b| strip(a) >= strip(b))
}

/// Height of every point (ascending in u) above the section that the strips inwards of it
/// foretell.
///
/// The first `inside` points are road whatever they do; beyond them a strip that lies off what was
/// foretold by more than road does takes no part, so that behind a drop the road's height is held.
pub(super) fn over_section(points: &[Near], inside: usize) -> Vec<f64> {
    let mut section = Section::default();
    let mut out = Vec::with_capacity(points.len());
    for strip in strips(points) {
        let sure = out.len() < inside;
        section.add(strip, sure, &mut out);
    }
    out
}

/// The section as far as it is known.
#[derive(Default)]
struct Section {
    strips: Vec<Middle>,
    /// How far sure strips lay off what was foretold.
    off: Vec<f64>,
}

impl Section {
    /// Heights of a strip's points above the section, and the section taken on by it.
    fn add(&mut self, strip: &[Near], sure: bool, out: &mut Vec<f64>) {
        let own = Middle::of(strip);
        let from = self.strips.len().saturating_sub(STRIPS);
        let recent = &self.strips[from..];
        if recent.len() < MIN_STRIPS {
            let z = own.map_or(strip[0].z, |m| m.z);
            out.extend(strip.iter().map(|p| p.z - z));
            self.strips.extend(own);
            return;
        }
        let foretold = straight_through(recent);
        // A face of a kerb is soon at its end: no rise is drawn out further than this.
        let far = recent[recent.len() - 1].u + STRIP_M * STRIPS as f64 / 2.0;
        let height = |u: f64| foretold.0 + foretold.1 * u.min(far);
        out.extend(strip.iter().map(|p| p.z - height(p.u)));
        let Some(own) = own else { return };
        let off = (own.z - height(own.u)).abs();
        if sure {
            self.off.push(off);
            self.strips.push(own);
        } else if off <= self.allowed() {
            self.strips.push(own);
        }
    }

    /// How far a strip of road may lie off what was foretold.
    fn allowed(&self) -> f64 {
        let size = median(&mut self.off.clone()).unwrap_or(0.0);
        (STRAY * size).max(LEAST_ALLOWED_M)
    }
}

/// z = a + b·u through middles by least squares.
fn straight_through(middles: &[Middle]) -> (f64, f64) {
    let n = middles.len() as f64;
    let (mu, mz) = middles
        .iter()
        .fold((0.0, 0.0), |(u, z), m| (u + m.u / n, z + m.z / n));
    let (mut uu, mut uz) = (0.0, 0.0);
    for m in middles {
        uu += (m.u - mu) * (m.u - mu);
        uz += (m.u - mu) * (m.z - mz);
    }
    let b = if uu > 0.0 { uz / uu } else { 0.0 };
    (mz - b * mu, b)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A window of 1000 points a metre, ascending in u, 0.6 m long, on a slope of 5 % along it.
    fn window(height: impl Fn(f64, f64) -> f64) -> Vec<Near> {
        let at = |k: i32| {
            let k = f64::from(k);
            let (u, v) = (k * 1e-3, 0.6 * (k * 0.618).fract() - 0.3);
            let z = height(u, (k * 0.414).fract() - 0.5) + 0.05 * v;
            let bright = 100.0;
            Near { u, v, z, bright }
        };
        (-800..800).map(at).collect()
    }

    fn worst(above: &[f64]) -> f64 {
        above.iter().fold(0.0, |a, b| a.max(b.abs()))
    }

    #[test]
    fn a_low_kerb_goes_on_as_it_came_and_behind_its_drop_the_height_is_held() {
        // Face of 0.21 m, 13 mm high, level top of 0.09 m, 38 mm down to even soil.
        let kerb = |u: f64, dice: f64| {
            let x = ((u + 0.3) / 0.21).clamp(0.0, 1.0);
            let road = 0.013 * x * x * (3.0 - 2.0 * x);
            (if u < 0.0 { road } else { -0.025 }) + 0.004 * dice
        };
        let points = window(kerb);
        let above = over_section(&levelled(&points, 600), 600);
        // Half the spread of 4 mm, a median's error of the same size, and the bend of the face.
        assert!(worst(&above[..800]) < 0.009, "{}", worst(&above[..800]));
        assert!(above[800..].iter().all(|z| (-0.055..-0.025).contains(z)));
    }

    #[test]
    fn a_hidden_strip_behind_the_edge_does_not_hide_the_drop() {
        let mut points = window(|u, _| if u < 0.0 { 0.0 } else { -0.06 });
        points.retain(|p| !(0.0..0.5).contains(&p.u));
        let above = over_section(&levelled(&points, 600), 600);
        assert!(above[800..].iter().all(|z| *z < -0.05));
    }
}
