//! Several charts of one kind on one sheet.

use std::fmt::Write as _;

use super::axes::Chart;
use super::draw::{Drawing, escaped, name_of, paper};

/// Room for the headline at the top and for the legend at the foot, pixels.
const HEAD: f64 = 44.0;
const FOOT: f64 = 36.0;
/// Where text begins, pixels.
const LEFT: f64 = 20.0;
/// Size of the charts' headlines, pixels: the longest of an event takes 450 of a chart's 460 in a
/// wide face (DejaVu Sans).
const TITLE: f64 = 12.0;

/// Charts with the same lines below and beside each other, with one legend.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Headline.
    pub title: String,
    /// Charts beside each other.
    pub columns: usize,
    /// Size of each, pixels.
    pub size: [f64; 2],
    /// The charts, row by row.
    pub charts: Vec<Chart>,
}

impl Sheet {
    /// The picture as SVG text.
    #[must_use]
    pub fn to_svg(&self) -> String {
        let columns = self.columns.max(1);
        let rows = self.charts.len().div_ceil(columns);
        let wide = columns as f64 * self.size[0];
        let high = HEAD + rows as f64 * self.size[1] + FOOT;
        let mut out = paper([wide, high]);
        let _ = writeln!(
            out,
            "<text x=\"{LEFT}\" y=\"28\" font-size=\"17\">{}</text>",
            escaped(&self.title)
        );
        for (k, chart) in self.charts.iter().enumerate() {
            let (row, column) = (k / columns, k % columns);
            let (x, y) = (
                column as f64 * self.size[0],
                HEAD + row as f64 * self.size[1],
            );
            let _ = writeln!(out, "<g transform=\"translate({x} {y})\">");
            self.drawing(chart, k).draw(&mut out);
            out.push_str("</g>\n");
        }
        // A chart beside a hole may lack the dots that the others have.
        let dotted = self.charts.iter().find(|chart| !chart.dots.is_empty());
        if let Some(shown) = dotted.or(self.charts.first()) {
            let at = [LEFT, high - 0.5 * FOOT];
            self.drawing(shown, 0).legend(at, &mut out);
        }
        out.push_str("</svg>\n");
        out
    }

    fn drawing<'a>(&self, chart: &'a Chart, k: usize) -> Drawing<'a> {
        Drawing {
            chart,
            size: self.size,
            title_x: LEFT,
            title_size: TITLE,
            legend: false,
            id: format!("{}{k}", name_of(&self.title)),
        }
    }
}
