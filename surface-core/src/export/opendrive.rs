//! The road as ASAM OpenDRIVE 1.7: one road with its plan, heights and lanes.

use std::fmt::Write as _;
use std::path::Path;

use super::draft::{Draft, WriteError, named};
use super::landxml::escaped;
use crate::ribbon::ReferenceLine;

/// Nodes and weights of Gauss's rule of five points on \[0, 1\] (Abramowitz and Stegun, table
/// 25.4): the length of a span of a few decimetres to all digits.
const GAUSS: [[f64; 2]; 5] = [
    [0.046_910_077_030_668, 0.118_463_442_528_095],
    [0.230_765_344_947_158, 0.239_314_335_249_683],
    [0.5, 0.284_444_444_444_444],
    [0.769_234_655_052_842, 0.239_314_335_249_683],
    [0.953_089_922_969_332, 0.118_463_442_528_095],
];

/// A polynomial a + b·ds + c·ds² + d·ds³ from `s_m` on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cubic {
    /// Where it starts, metres.
    pub s_m: f64,
    /// a, b, c, d.
    pub terms: [f64; 4],
}

impl Cubic {
    /// Its value at station `s_m`.
    #[must_use]
    pub fn at(&self, s_m: f64) -> f64 {
        let x = s_m - self.s_m;
        let [a, b, c, d] = self.terms;
        a + x * (b + x * (c + x * d))
    }
}

/// Cubics with continuous slope through equally spaced values; the slope at a value is that
/// between its neighbours. On a closed course the last value is the first.
#[must_use]
pub fn cubics(values: &[f64], step_m: f64, closed: bool) -> Vec<Cubic> {
    let last = values.len() - 1;
    let slope = |k: usize| match k {
        k if closed && (k == 0 || k == last) => (values[1] - values[last - 1]) / (2.0 * step_m),
        0 => (values[1] - values[0]) / step_m,
        k if k == last => (values[last] - values[last - 1]) / step_m,
        k => (values[k + 1] - values[k - 1]) / (2.0 * step_m),
    };
    let one = |k: usize| {
        let (rise, m0, m1) = ((values[k + 1] - values[k]) / step_m, slope(k), slope(k + 1));
        let c = (3.0 * rise - 2.0 * m0 - m1) / step_m;
        let d = (m0 + m1 - 2.0 * rise) / (step_m * step_m);
        Cubic {
            s_m: k as f64 * step_m,
            terms: [values[k], m0, c, d],
        }
    };
    (0..last).map(one).collect()
}

/// The spans of a reference line as OpenDRIVE knows them: exactly the same curve, with s as true
/// arc length.
#[derive(Debug, Clone, PartialEq)]
pub struct Spans {
    /// Station of each knot on the line, metres.
    knots_m: Vec<f64>,
    /// True arc length up to each knot, metres.
    arc_m: Vec<f64>,
}

impl Spans {
    /// Measure the spans of `line`.
    #[must_use]
    pub fn of(line: &ReferenceLine) -> Self {
        let step = line.knot_step_m();
        let count = crate::numeric::to_index(line.length_m() / step + 0.5);
        let speed = |s: f64| {
            let [x, y] = line.jet(s)[1];
            x.hypot(y)
        };
        let mut out = Self {
            knots_m: vec![0.0],
            arc_m: vec![0.0],
        };
        for k in 0..count {
            let from = k as f64 * step;
            let long: f64 = GAUSS
                .iter()
                .map(|[u, w]| w * step * speed(from + u * step))
                .sum();
            out.knots_m.push(from + step);
            out.arc_m.push(out.arc_m[k] + long);
        }
        out
    }

    /// Length of the road, metres.
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.arc_m[self.arc_m.len() - 1]
    }

    /// Station on the line at the way `arc_m` along the road.
    #[must_use]
    pub fn station_m(&self, arc_m: f64) -> f64 {
        let k = self.arc_m.partition_point(|a| *a <= arc_m);
        let k = k.clamp(1, self.arc_m.len() - 1) - 1;
        let share = (arc_m - self.arc_m[k]) / (self.arc_m[k + 1] - self.arc_m[k]);
        self.knots_m[k] + share * (self.knots_m[k + 1] - self.knots_m[k])
    }

    /// A `<geometry>` for every span, local metres.
    fn geometries(&self, line: &ReferenceLine, out: &mut String) {
        for k in 0..self.knots_m.len() - 1 {
            let h = self.knots_m[k + 1] - self.knots_m[k];
            let [r, d, dd] = line.jet(self.knots_m[k]);
            // The second derivative is linear in a span; at its end the next begins.
            let end = line.jet(self.knots_m[k + 1])[2];
            let (speed, hdg) = (d[0].hypot(d[1]), d[1].atan2(d[0]));
            let (c, s) = (d[0] / speed, d[1] / speed);
            let turned = |v: [f64; 2]| [c * v[0] + s * v[1], c * v[1] - s * v[0]];
            let [cu, cv] = turned(dd).map(|v| 0.5 * v * h * h);
            let [du, dv] = turned([end[0] - dd[0], end[1] - dd[1]]).map(|v| v * h * h / 6.0);
            let long = self.arc_m[k + 1] - self.arc_m[k];
            let _ = writeln!(
                out,
                "<geometry s=\"{}\" x=\"{}\" y=\"{}\" hdg=\"{}\" length=\"{}\"><paramPoly3 \
                 aU=\"0\" bU=\"{}\" cU=\"{}\" dU=\"{}\" aV=\"0\" bV=\"0\" cV=\"{}\" dV=\"{}\" \
                 pRange=\"normalized\"/></geometry>",
                self.arc_m[k],
                r[0],
                r[1],
                hdg,
                long,
                speed * h,
                cu,
                du,
                cv,
                dv
            );
        }
    }
}

/// The shape of one cross section beside its superelevation: heights at equally spaced t.
#[derive(Debug, Clone, PartialEq)]
pub struct Shape {
    /// The first t, metres.
    pub from_m: f64,
    /// Distance between heights, metres.
    pub step_m: f64,
    /// Heights over the superelevated plane, metres, from right to left.
    pub heights_m: Vec<f64>,
}

impl Shape {
    /// Height at `t_m`: straight between heights, and beyond them as at the end.
    #[must_use]
    pub fn at(&self, t_m: f64) -> f64 {
        let last = self.heights_m.len() - 1;
        let x = ((t_m - self.from_m) / self.step_m).clamp(0.0, last as f64);
        let k = crate::numeric::to_index(x).min(last.saturating_sub(1));
        let next = self.heights_m[(k + 1).min(last)];
        self.heights_m[k] + (x - k as f64) * (next - self.heights_m[k])
    }

    fn write(&self, s_m: f64, out: &mut String) {
        for (k, a) in self.heights_m.iter().enumerate() {
            let next = self.heights_m.get(k + 1).copied().unwrap_or(*a);
            let _ = writeln!(
                out,
                "<shape s=\"{s_m}\" t=\"{}\" a=\"{a:.6}\" b=\"{:.6}\" c=\"0\" d=\"0\"/>",
                self.from_m + k as f64 * self.step_m,
                (next - a) / self.step_m
            );
        }
    }
}

/// A road, ready to be written.
#[derive(Debug, Clone)]
pub struct OpenDriveRoad<'a> {
    /// The reference line.
    pub line: &'a ReferenceLine,
    /// Its spans.
    pub spans: &'a Spans,
    /// World coordinates of the zero of all coordinates, metres.
    pub origin_m: [f64; 3],
    /// The coordinate system as PROJ knows it: well-known text or `EPSG:…`.
    pub crs: Option<String>,
    /// Least and greatest local x, y of the road.
    pub box_m: [[f64; 2]; 2],
    /// Distance of cross sections, metres.
    pub step_m: f64,
    /// Height of the reference line.
    pub elevation: Vec<Cubic>,
    /// Roll of the cross sections, radians, the left side up.
    pub superelevation: Vec<Cubic>,
    /// Cross sections at every `step_m`.
    pub shapes: Vec<Shape>,
    /// Middle of the paving, left of the line.
    pub lane_offset: Vec<Cubic>,
    /// Half of its width.
    pub half_width: Vec<Cubic>,
}

impl OpenDriveRoad<'_> {
    /// Write the road to `path`.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails; then a file that was there is as it was.
    pub fn write(&self, path: &Path) -> Result<(), WriteError> {
        let mut file = Draft::create(named(path, ".part"))?;
        let mut text = String::new();
        self.header(&mut text);
        let mut put = |text: &mut String| {
            let done = file.put(text.as_bytes());
            text.clear();
            done
        };
        text.push_str("<planView>\n");
        self.spans.geometries(self.line, &mut text);
        text.push_str("</planView>\n<elevationProfile>\n");
        self.elevation
            .iter()
            .for_each(|c| element("elevation", "s", c, &mut text));
        text.push_str("</elevationProfile>\n<lateralProfile>\n");
        self.superelevation
            .iter()
            .for_each(|c| element("superelevation", "s", c, &mut text));
        put(&mut text)?;
        for (k, shape) in self.shapes.iter().enumerate() {
            shape.write(k as f64 * self.step_m, &mut text);
            put(&mut text)?;
        }
        text.push_str("</lateralProfile>\n<lanes>\n");
        self.lane_offset
            .iter()
            .for_each(|c| element("laneOffset", "s", c, &mut text));
        self.lane_section(&mut text);
        text.push_str("</lanes>\n</road>\n</OpenDRIVE>\n");
        put(&mut text)?;
        file.publish(path)
    }

    fn header(&self, out: &mut String) {
        let [[west, south], [east, north]] = self.box_m;
        let [x, y, z] = self.origin_m;
        let _ = write!(
            out,
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<OpenDRIVE>\n\
             <header revMajor=\"1\" revMinor=\"7\" name=\"road\" version=\"1.00\" \
             north=\"{north:.3}\" south=\"{south:.3}\" east=\"{east:.3}\" west=\"{west:.3}\" \
             vendor=\"surface {}\">\n",
            env!("CARGO_PKG_VERSION")
        );
        if let Some(crs) = &self.crs {
            let _ = writeln!(
                out,
                "<geoReference><![CDATA[{}]]></geoReference>",
                crs.replace("]]>", "")
            );
        }
        let _ = write!(
            out,
            "<offset x=\"{x}\" y=\"{y}\" z=\"{z}\" hdg=\"0\"/>\n</header>\n\
             <road name=\"{}\" length=\"{}\" id=\"1\" junction=\"-1\" rule=\"RHT\">\n",
            escaped("road"),
            self.spans.length_m()
        );
        if self.line.is_closed() {
            out.push_str(
                "<link><predecessor elementType=\"road\" elementId=\"1\" contactPoint=\"end\"/>\
                 <successor elementType=\"road\" elementId=\"1\" contactPoint=\"start\"/></link>\n",
            );
        }
    }

    fn lane_section(&self, out: &mut String) {
        out.push_str("<laneSection s=\"0\">\n");
        for (side, id) in [("left", 1), ("right", -1)] {
            if id < 0 {
                out.push_str("<center><lane id=\"0\" type=\"none\" level=\"false\"/></center>\n");
            }
            let _ = writeln!(
                out,
                "<{side}><lane id=\"{id}\" type=\"driving\" level=\"false\">"
            );
            if self.line.is_closed() {
                let _ = writeln!(
                    out,
                    "<link><predecessor id=\"{id}\"/><successor id=\"{id}\"/></link>"
                );
            }
            self.half_width
                .iter()
                .for_each(|c| element("width", "sOffset", c, out));
            let _ = writeln!(out, "</lane></{side}>");
        }
        out.push_str("</laneSection>\n");
    }
}

fn element(name: &str, station: &str, cubic: &Cubic, out: &mut String) {
    let [a, b, c, d] = cubic.terms;
    let _ = writeln!(
        out,
        "<{name} {station}=\"{}\" a=\"{a:.9}\" b=\"{b:.9}\" c=\"{c:.9}\" d=\"{d:.9}\"/>",
        cubic.s_m
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cubics_pass_their_values_with_one_slope_on_either_side() {
        let values: Vec<f64> = (0..20).map(|k| (0.7 * f64::from(k)).sin()).collect();
        let all = cubics(&values, 0.5, false);
        for (k, pair) in all.windows(2).enumerate() {
            let s = pair[1].s_m;
            assert!((pair[0].at(s) - values[k + 1]).abs() < 1e-12);
            let slope = |c: &Cubic, h: f64| (c.at(s + h) - c.at(s)) / h;
            assert!((slope(&pair[0], -1e-6) - slope(&pair[1], 1e-6)).abs() < 1e-5);
        }
        let ring: Vec<f64> = (0..=20)
            .map(|k| (std::f64::consts::TAU * f64::from(k) / 20.0).sin())
            .collect();
        let all = cubics(&ring, 1.0, true);
        // The slope over the closure is that of a sine there.
        assert!((all[0].terms[1] - ring[1]).abs() < 1e-12);
    }

    #[test]
    fn spans_have_the_line_s_true_length() {
        let n = 200;
        let at = |k: usize| {
            let a = std::f64::consts::TAU * k as f64 / 200.0;
            [30.0 * a.cos(), 30.0 * a.sin()]
        };
        let step = std::f64::consts::TAU * 30.0 / 200.0;
        let line = ReferenceLine::through((0..n).map(at).collect(), step, true).unwrap();
        let spans = Spans::of(&line);
        // The spline of a circle bends off it by parts of a million.
        assert!((spans.length_m() - std::f64::consts::TAU * 30.0).abs() < 1e-4);
        assert!((spans.station_m(0.5 * spans.length_m()) - 0.5 * line.length_m()).abs() < 1e-6);
    }

    #[test]
    fn a_shape_is_straight_between_its_heights_and_level_beyond() {
        let shape = Shape {
            from_m: -1.0,
            step_m: 0.5,
            heights_m: vec![0.0, 0.1, 0.3],
        };
        for (t, z) in [(-2.0, 0.0), (-0.75, 0.05), (-0.25, 0.2), (5.0, 0.3)] {
            assert!((shape.at(t) - z).abs() < 1e-12);
        }
    }
}
