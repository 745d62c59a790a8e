//! A chart on paper: where a value lies, and what stands around it.

use std::fmt::Write as _;

use super::axes::{Band, Chart, Dots, Line, label};

/// Size of a chart that is a picture of its own, pixels.
const SIZE: [f64; 2] = [960.0, 520.0];
/// Room left, right, at the top and at the bottom with a legend; the legend's part of the last.
const MARGIN: [f64; 4] = [84.0, 24.0, 44.0, 96.0];
const LEGEND: f64 = 40.0;
/// Colours that readers with any colour vision tell apart (Okabe and Ito 2008), and dashes for
/// those who print in grey. Classes (`s0` to `s4`, `ink`, `paper`, `grid`, `band`, `area0`,
/// `area1`) let a page in dark set its own.
const COLOURS: [&str; 5] = ["#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000"];
const DASHES: [&str; 5] = ["", "9 4", "2 3", "9 3 2 3", "14 4"];
/// Colour of bands.
const BAND: &str = "#cfe8dc";

/// A chart with its place on the paper.
#[derive(Debug)]
pub(super) struct Drawing<'a> {
    pub chart: &'a Chart,
    /// Pixels.
    pub size: [f64; 2],
    pub title_x: f64,
    pub title_size: f64,
    /// Whether its legend is drawn with it.
    pub legend: bool,
    /// Its name among all that may stand in one page.
    pub id: String,
}

/// The head of a picture and its paper.
pub(super) fn paper([w, h]: [f64; 2]) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" \
         height=\"{h}\" font-family=\"sans-serif\" font-size=\"13\">\n\
         <rect width=\"{w}\" height=\"{h}\" class=\"paper\" fill=\"white\"/>\n"
    )
}

/// A name made of a title's letters.
pub(super) fn name_of(title: &str) -> String {
    let letters = title.chars().filter(char::is_ascii_alphanumeric);
    format!("c{}", letters.collect::<String>())
}

impl Chart {
    /// The picture as SVG text.
    #[must_use]
    pub fn to_svg(&self) -> String {
        let mut out = paper(SIZE);
        let drawing = Drawing {
            chart: self,
            size: SIZE,
            title_x: MARGIN[0],
            title_size: 17.0,
            legend: true,
            id: name_of(&self.title),
        };
        drawing.draw(&mut out);
        out.push_str("</svg>\n");
        out
    }
}

/// Room of an entry of the legend, pixels.
fn entry_width(name: &str) -> f64 {
    56.0 + 7.6 * name.chars().count() as f64
}

pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

impl Drawing<'_> {
    /// Left, right, top and bottom of the frame.
    fn frame(&self) -> [f64; 4] {
        let bottom = if self.legend {
            MARGIN[3]
        } else {
            MARGIN[3] - LEGEND
        };
        [
            MARGIN[0],
            self.size[0] - MARGIN[1],
            MARGIN[2],
            self.size[1] - bottom,
        ]
    }

    /// Where a value lies, a hair outside of the frame at most.
    fn place(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [left, right, top, bottom] = self.frame();
        let inside = |v: f64| v.clamp(-0.02, 1.02);
        [
            left + (right - left) * inside(self.chart.x.share(x)),
            bottom - (bottom - top) * inside(self.chart.y.share(y)),
        ]
    }

    fn clip(&self) -> String {
        format!("clip-path=\"url(#{})\"", self.id)
    }

    /// Everything but the paper.
    pub fn draw(&self, out: &mut String) {
        let [left, right, top, bottom] = self.frame();
        let _ = writeln!(
            out,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\">{}</text>\n\
             <clipPath id=\"{}\"><rect x=\"{left}\" y=\"{top}\" width=\"{}\" height=\"{}\"/></clipPath>",
            self.title_x,
            top - 18.0,
            self.title_size,
            escaped(&self.chart.title),
            self.id,
            right - left,
            bottom - top
        );
        self.areas(out);
        self.chart.bands.iter().for_each(|b| self.band(b, out));
        self.grid(out);
        self.chart.dots.iter().for_each(|d| self.dots(d, out));
        self.rules(out);
        self.chart.lines.iter().for_each(|l| self.line(l, out));
        if self.legend {
            self.legend([MARGIN[0], self.size[1] - 22.0], out);
        }
    }

    fn areas(&self, out: &mut String) {
        for (k, (_, polygon)) in self.chart.areas.iter().enumerate() {
            let fill = ["#f2f2f2", "#e2e2e2"][k % 2];
            let points: Vec<String> = polygon
                .iter()
                .map(|p| self.place(*p))
                .map(|[x, y]| format!("{x:.1},{y:.1}"))
                .collect();
            let _ = writeln!(
                out,
                "<polygon {} class=\"area{}\" fill=\"{fill}\" points=\"{}\"/>",
                self.clip(),
                k % 2,
                points.join(" ")
            );
        }
        // On top of all areas, at their right end: polygons run left, right, right, left.
        for (name, polygon) in &self.chart.areas {
            let [low, high] = [polygon[1], polygon[2]].map(|p| self.place(p)[1]);
            let _ = writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" class=\"faint\" fill=\"#555555\">{}</text>",
                self.size[0] - MARGIN[1] - 6.0,
                0.5 * (low + high) + 1.0,
                escaped(name)
            );
        }
    }

    fn grid(&self, out: &mut String) {
        let [left, right, top, bottom] = self.frame();
        for v in self.chart.x.ticks() {
            let x = self.place([v, self.chart.y.range[0]])[0];
            let _ = writeln!(
                out,
                "<path d=\"M{x:.1} {top}V{bottom}\" class=\"grid\" stroke=\"#c8c8c8\" stroke-width=\"0.7\"/>\
                 <text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
                bottom + 18.0,
                label(v)
            );
        }
        for v in self.chart.y.ticks() {
            let y = self.place([self.chart.x.range[0], v])[1];
            let _ = writeln!(
                out,
                "<path d=\"M{left} {y:.1}H{right}\" class=\"grid\" stroke=\"#c8c8c8\" stroke-width=\"0.7\"/>\
                 <text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                left - 6.0,
                y + 4.0,
                label(v)
            );
        }
        let _ = writeln!(
            out,
            "<rect x=\"{left}\" y=\"{top}\" width=\"{}\" height=\"{}\" fill=\"none\" class=\"ink\" stroke=\"black\"/>\n\
             <text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{}</text>\n\
             <text transform=\"translate(20 {}) rotate(-90)\" text-anchor=\"middle\">{}</text>",
            right - left,
            bottom - top,
            0.5 * (left + right),
            bottom + 40.0,
            escaped(&self.chart.x.title),
            0.5 * (top + bottom),
            escaped(&self.chart.y.title)
        );
    }

    fn rules(&self, out: &mut String) {
        for (name, ends) in &self.chart.rules {
            let [[ax, ay], [bx, by]] = ends.map(|p| self.place(p));
            let _ = writeln!(
                out,
                "<path {} d=\"M{ax:.1} {ay:.1}L{bx:.1} {by:.1}\" class=\"ink\" stroke=\"#444444\" \
                 stroke-dasharray=\"4 3\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" class=\"faint\" fill=\"#333333\">{}</text>",
                self.clip(),
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
                "<polygon {} class=\"band\" fill=\"{BAND}\" points=\"{}\"/>",
                self.clip(),
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
        let k = dots.style % COLOURS.len();
        let _ = writeln!(
            out,
            "<path {} d=\"{d}\" fill=\"none\" class=\"s{k}\" stroke=\"{}\" \
             stroke-width=\"3\" stroke-linecap=\"round\" stroke-opacity=\"0.45\"/>",
            self.clip(),
            COLOURS[k]
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
            "<path {} d=\"{d}\" fill=\"none\" class=\"s{k}\" stroke=\"{}\" stroke-width=\"2\" \
             stroke-dasharray=\"{}\"/>",
            self.clip(),
            COLOURS[k],
            DASHES[k]
        );
    }

    /// What the lines, bands and dots are, in a row that begins at a place.
    pub fn legend(&self, [mut x, y]: [f64; 2], out: &mut String) {
        for line in &self.chart.lines {
            let k = line.style % COLOURS.len();
            let _ = writeln!(
                out,
                "<path d=\"M{x} {y}h34\" class=\"s{k}\" stroke=\"{}\" stroke-width=\"2.5\" stroke-dasharray=\"{}\"/>\
                 <text x=\"{}\" y=\"{}\">{}</text>",
                COLOURS[k],
                DASHES[k],
                x + 40.0,
                y + 4.0,
                escaped(&line.name)
            );
            x += entry_width(&line.name);
        }
        for band in &self.chart.bands {
            let _ = writeln!(
                out,
                "<rect x=\"{x}\" y=\"{}\" width=\"34\" height=\"14\" class=\"band\" fill=\"{BAND}\"/>\
                 <text x=\"{}\" y=\"{}\">{}</text>",
                y - 7.0,
                x + 40.0,
                y + 4.0,
                escaped(&band.name)
            );
            x += entry_width(&band.name);
        }
        for dots in self.chart.dots.iter().filter(|d| !d.points.is_empty()) {
            let k = dots.style % COLOURS.len();
            let _ = writeln!(
                out,
                "<circle cx=\"{}\" cy=\"{y}\" r=\"2\" class=\"s{k}\" fill=\"none\" stroke=\"{}\" \
                 stroke-width=\"2\"/><text x=\"{}\" y=\"{}\">{}</text>",
                x + 28.0,
                COLOURS[k],
                x + 40.0,
                y + 4.0,
                escaped(&dots.name)
            );
            x += entry_width(&dots.name);
        }
    }
}
