//! What a chart shows: axes, lines, dots, areas.

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
    pub(super) fn share(&self, v: f64) -> f64 {
        let f = |v: f64| match self.scale {
            Scale::Linear => v,
            Scale::Log => v.max(1e-300).ln(),
        };
        (f(v) - f(self.range[0])) / (f(self.range[1]) - f(self.range[0]))
    }

    pub(super) fn ticks(&self) -> Vec<f64> {
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

pub(super) fn label(v: f64) -> String {
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
