//! A chart: where a value lies on the paper, and what stands around it.

use std::fmt::Write as _;

/// Size of the picture and its margins (left, right, top, bottom), pixels.
const SIZE: [f64; 2] = [960.0, 520.0];
const MARGIN: [f64; 4] = [84.0, 24.0, 44.0, 96.0];
/// Colours that readers with any colour vision tell apart (Okabe and Ito 2008), and dashes for
/// those who print in grey.
const COLOURS: [&str; 5] = ["#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000"];
const DASHES: [&str; 5] = ["", "9 4", "2 3", "9 3 2 3", "14 4"];
/// Colour of bands.
const BAND: &str = "#cfe8dc";
/// Ticks of a linear axis.
const TICKS: f64 = 6.0;

/// How values become lengths.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Evenly.
    Linear,
    /// By their logarithm.
    Log,
}

/// One axis of a chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// What it shows, with its unit.
    pub title: String,
    /// Least and greatest value.
    pub range: [f64; 2],
    /// How values become lengths.
    pub scale: Scale,
}

impl Axis {
    /// Where a value lies, 0 to 1 within the range.
    fn share(&self, v: f64) -> f64 {
        let f = |v: f64| match self.scale {
            Scale::Linear => v,
            Scale::Log => v.max(1e-300).ln(),
        };
        (f(v) - f(self.range[0])) / (f(self.range[1]) - f(self.range[0]))
    }

    fn ticks(&self) -> Vec<f64> {
        let [low, high] = self.range;
        match self.scale {
            Scale::Linear => linear_ticks(low, high),
            Scale::Log => log_ticks(low, high),
        }
    }
}

fn linear_ticks(low: f64, high: f64) -> Vec<f64> {
    let raw = (high - low) / TICKS;
    let power = 10f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .map(|m| m * power)
        .into_iter()
        .find(|s| *s >= raw);
    let step = step.unwrap_or(raw);
    let first = crate::numeric::ceil_i32(low / step - 1e-9);
    let last = crate::numeric::floor_i32(high / step + 1e-9);
    (first..=last).map(|k| f64::from(k) * step).collect()
}

fn log_ticks(low: f64, high: f64) -> Vec<f64> {
    let from = crate::numeric::floor_i32(low.log10());
    let to = crate::numeric::ceil_i32(high.log10());
    let parts: &[f64] = if to - from > 3 {
        &[1.0]
    } else {
        &[1.0, 2.0, 5.0]
    };
    let all = (from..=to).flat_map(|k| parts.iter().map(move |p| p * 10f64.powi(k)));
    all.filter(|v| *v >= low * 0.999 && *v <= high * 1.001)
        .collect()
}

fn label(v: f64) -> String {
    let size = v.abs();
    if size > 0.0 && !(1e-3..1e5).contains(&size) {
        return format!("{v:.0e}");
    }
    let text = format!("{v:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A line of a chart. Values that are not finite part it.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Name in the legend.
    pub name: String,
    /// Points.
    pub points: Vec<[f64; 2]>,
    /// Number of its colour and dash, from 0.
    pub style: usize,
}

/// A ribbon of paper between two lines that have the same places. Values that are not finite part
/// it.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// Name in the legend.
    pub name: String,
    /// Its lower side.
    pub lower: Vec<[f64; 2]>,
    /// Its upper side.
    pub upper: Vec<[f64; 2]>,
}

/// Single values.
#[derive(Debug, Clone, PartialEq)]
pub struct Dots {
    /// Name in the legend.
    pub name: String,
    /// Where they are.
    pub points: Vec<[f64; 2]>,
    /// Number of their colour, from 0.
    pub style: usize,
}

/// A chart with its lines.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    /// Headline.
    pub title: String,
    /// The horizontal axis.
    pub x: Axis,
    /// The vertical axis.
    pub y: Axis,
    /// Grey areas behind the lines: four corners from the lower left one on, counted against the
    /// clock, with a name at the right end.
    pub areas: Vec<(String, [[f64; 2]; 4])>,
    /// Coloured bands behind the dots and lines.
    pub bands: Vec<Band>,
    /// Dots behind the lines.
    pub dots: Vec<Dots>,
    /// Thin straight lines with a name: ends.
    pub rules: Vec<(String, [[f64; 2]; 2])>,
    /// The lines.
    pub lines: Vec<Line>,
}

/// Room of an entry of the legend, pixels.
fn entry_width(name: &str) -> f64 {
    56.0 + 7.6 * name.chars().count() as f64
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

impl Chart {
    fn place(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let wide = SIZE[0] - MARGIN[0] - MARGIN[1];
        let high = SIZE[1] - MARGIN[2] - MARGIN[3];
        let inside = |v: f64| v.clamp(-0.02, 1.02);
        [
            MARGIN[0] + wide * inside(self.x.share(x)),
            MARGIN[2] + high * (1.0 - inside(self.y.share(y))),
        ]
    }

    /// The picture as SVG text.
    #[must_use]
    pub fn to_svg(&self) -> String {
        let [w, h] = SIZE;
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" \
             height=\"{h}\" font-family=\"sans-serif\" font-size=\"13\">\n\
             <rect width=\"{w}\" height=\"{h}\" fill=\"white\"/>\n\
             <text x=\"{}\" y=\"26\" font-size=\"17\">{}</text>\n",
            MARGIN[0],
            escaped(&self.title)
        );
        let (inner_w, inner_h) = (w - MARGIN[0] - MARGIN[1], h - MARGIN[2] - MARGIN[3]);
        let _ = writeln!(
            out,
            "<clipPath id=\"c\"><rect x=\"{}\" y=\"{}\" width=\"{inner_w}\" height=\"{inner_h}\"/></clipPath>",
            MARGIN[0], MARGIN[2]
        );
        self.areas(&mut out);
        self.bands.iter().for_each(|b| self.band(b, &mut out));
        self.grid(&mut out);
        self.dots.iter().for_each(|d| self.dots(d, &mut out));
        self.rules(&mut out);
        self.lines.iter().for_each(|l| self.line(l, &mut out));
        self.legend(&mut out);
        out.push_str("</svg>\n");
        out
    }

    fn areas(&self, out: &mut String) {
        for (k, (_, polygon)) in self.areas.iter().enumerate() {
            let fill = ["#f2f2f2", "#e2e2e2"][k % 2];
            let points: Vec<String> = polygon
                .iter()
                .map(|p| self.place(*p))
                .map(|[x, y]| format!("{x:.1},{y:.1}"))
                .collect();
            let _ = writeln!(
                out,
                "<polygon clip-path=\"url(#c)\" fill=\"{fill}\" points=\"{}\"/>",
                points.join(" ")
            );
        }
        // On top of all areas, at their right end: polygons run left, right, right, left.
        for (name, polygon) in &self.areas {
            let [low, high] = [polygon[1], polygon[2]].map(|p| self.place(p)[1]);
            let _ = writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"#555555\">{}</text>",
                SIZE[0] - MARGIN[1] - 6.0,
                0.5 * (low + high) + 1.0,
                escaped(name)
            );
        }
    }

    fn grid(&self, out: &mut String) {
        let (left, right) = (MARGIN[0], SIZE[0] - MARGIN[1]);
        let (top, bottom) = (MARGIN[2], SIZE[1] - MARGIN[3]);
        for v in self.x.ticks() {
            let x = self.place([v, self.y.range[0]])[0];
            let _ = writeln!(
                out,
                "<path d=\"M{x:.1} {top}V{bottom}\" stroke=\"#c8c8c8\" stroke-width=\"0.7\"/>\
                 <text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
                bottom + 18.0,
                label(v)
            );
        }
        for v in self.y.ticks() {
            let y = self.place([self.x.range[0], v])[1];
            let _ = writeln!(
                out,
                "<path d=\"M{left} {y:.1}H{right}\" stroke=\"#c8c8c8\" stroke-width=\"0.7\"/>\
                 <text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                left - 6.0,
                y + 4.0,
                label(v)
            );
        }
        let _ = writeln!(
            out,
            "<rect x=\"{left}\" y=\"{top}\" width=\"{}\" height=\"{}\" fill=\"none\" stroke=\"black\"/>\n\
             <text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{}</text>\n\
             <text transform=\"translate(20 {}) rotate(-90)\" text-anchor=\"middle\">{}</text>",
            right - left,
            bottom - top,
            0.5 * (left + right),
            bottom + 40.0,
            escaped(&self.x.title),
            0.5 * (top + bottom),
            escaped(&self.y.title)
        );
    }

    fn rules(&self, out: &mut String) {
        for (name, ends) in &self.rules {
            let [[ax, ay], [bx, by]] = ends.map(|p| self.place(p));
            let _ = writeln!(
                out,
                "<path clip-path=\"url(#c)\" d=\"M{ax:.1} {ay:.1}L{bx:.1} {by:.1}\" stroke=\"#444444\" \
                 stroke-dasharray=\"4 3\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" fill=\"#333333\">{}</text>",
                ax + 5.0,
                ay.min(by) + 14.0,
                escaped(name)
            );
        }
    }

    fn band(&self, band: &Band, out: &mut String) {
        let there = |k: &usize| band.lower[*k][1].is_finite() && band.upper[*k][1].is_finite();
        let all: Vec<usize> = (0..band.lower.len().min(band.upper.len()))
            .filter(there)
            .collect();
        for run in all.chunk_by(|a, b| a + 1 == *b) {
            let upper = run.iter().map(|&k| band.upper[k]);
            let around = upper.chain(run.iter().rev().map(|&k| band.lower[k]));
            let corners: Vec<String> = around
                .map(|p| self.place(p))
                .map(|[x, y]| format!("{x:.1},{y:.1}"))
                .collect();
            let _ = writeln!(
                out,
                "<polygon clip-path=\"url(#c)\" fill=\"{BAND}\" points=\"{}\"/>",
                corners.join(" ")
            );
        }
    }

    /// A path of points that are drawn with round ends: far shorter than a circle each.
    fn dots(&self, dots: &Dots, out: &mut String) {
        let mut d = String::new();
        for p in &dots.points {
            let [x, y] = self.place(*p);
            let _ = write!(d, "M{x:.1} {y:.1}h0");
        }
        let _ = writeln!(
            out,
            "<path clip-path=\"url(#c)\" d=\"{d}\" fill=\"none\" stroke=\"{}\" \
             stroke-width=\"3\" stroke-linecap=\"round\" stroke-opacity=\"0.45\"/>",
            COLOURS[dots.style % COLOURS.len()]
        );
    }

    fn line(&self, line: &Line, out: &mut String) {
        let mut d = String::new();
        let mut pen_down = false;
        for p in &line.points {
            if !(p[0].is_finite() && p[1].is_finite()) {
                pen_down = false;
                continue;
            }
            let [x, y] = self.place(*p);
            let _ = write!(d, "{}{x:.1} {y:.1}", if pen_down { "L" } else { "M" });
            pen_down = true;
        }
        let k = line.style % COLOURS.len();
        let _ = writeln!(
            out,
            "<path clip-path=\"url(#c)\" d=\"{d}\" fill=\"none\" stroke=\"{}\" stroke-width=\"2\" \
             stroke-dasharray=\"{}\"/>",
            COLOURS[k], DASHES[k]
        );
    }

    fn legend(&self, out: &mut String) {
        let mut x = MARGIN[0];
        let y = SIZE[1] - 22.0;
        for line in &self.lines {
            let k = line.style % COLOURS.len();
            let _ = writeln!(
                out,
                "<path d=\"M{x} {y}h34\" stroke=\"{}\" stroke-width=\"2.5\" stroke-dasharray=\"{}\"/>\
                 <text x=\"{}\" y=\"{}\">{}</text>",
                COLOURS[k],
                DASHES[k],
                x + 40.0,
                y + 4.0,
                escaped(&line.name)
            );
            x += entry_width(&line.name);
        }
        for band in &self.bands {
            let _ = writeln!(
                out,
                "<rect x=\"{x}\" y=\"{}\" width=\"34\" height=\"14\" fill=\"{BAND}\"/>\
                 <text x=\"{}\" y=\"{}\">{}</text>",
                y - 7.0,
                x + 40.0,
                y + 4.0,
                escaped(&band.name)
            );
            x += entry_width(&band.name);
        }
        for dots in self.dots.iter().filter(|d| !d.points.is_empty()) {
            let _ = writeln!(
                out,
                "<circle cx=\"{}\" cy=\"{y}\" r=\"3\" fill=\"{}\"/>\
                 <text x=\"{}\" y=\"{}\">{}</text>",
                x + 28.0,
                COLOURS[dots.style % COLOURS.len()],
                x + 40.0,
                y + 4.0,
                escaped(&dots.name)
            );
            x += entry_width(&dots.name);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_numbers_inside_the_range() {
        assert_eq!(linear_ticks(0.0, 650.0), [0.0, 200.0, 400.0, 600.0]);
        assert_eq!(log_ticks(0.1, 10.0), [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0]);
        assert_eq!(
            (label(0.05), label(4e-6)),
            ("0.05".to_owned(), "4e-6".to_owned())
        );
    }
}
