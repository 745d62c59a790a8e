//! The ribbon unrolled in rows: s to the right, the left edge on top.

use super::canvas::{Canvas, Size, Style};
use super::page::{MARGIN, MapPicture, WIDTH, pixels};
use super::paint::{FAINT, HAIR, INK, Layer, Paint, Palette};
use super::rings::{self, Ring};
use super::scale::plain;
use crate::numeric::{ceil_i32, round_i32};

/// Left end of the rows, pixels: room for the letters that name the sides.
const LEFT: f64 = MARGIN + 40.0;
/// Pixels from one band to the next for tick labels and rings.
const BETWEEN: f64 = 72.0;
/// Heading above the rows, pixels.
pub(super) const HEADING: f64 = 76.0;
/// Lengths of a row that are tried, metres; below 100 only for a course that one row holds.
const ROW_M: [f64; 6] = [25.0, 50.0, 100.0, 200.0, 400.0, 800.0];
/// The rows together shall not be taller than this, pixels: a course of 4 km comes in rows of
/// 200 m, one of 7 km in rows of 400 m.
const TALLEST: f64 = 5600.0;
/// A tick each so many metres, or a tenth of a row where that is longer.
const TICK_M: f64 = 20.0;

const HEAD: Style = Style {
    size: Size::Large,
    bold: true,
    colour: INK,
};
const LABEL: Style = Style {
    size: Size::Normal,
    bold: false,
    colour: INK,
};
const SIDE: Style = Style {
    size: Size::Normal,
    bold: true,
    colour: FAINT,
};

/// How the course is cut into rows.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rows {
    from_m: f64,
    to_m: f64,
    row_m: f64,
    rows: i32,
    /// Pixels a metre.
    scale: f64,
    /// What is shown across, right to left, metres.
    across_m: (f64, f64),
}

impl Rows {
    /// `None` for a map of the plane or without cells.
    pub fn new(picture: &MapPicture<'_>) -> Option<Self> {
        let (from_m, to_m) = picture.map.frame().extent_m()?;
        let (first, last) = picture.map.column_range()?;
        let column = |k| picture.map.frame().column_m(k);
        let across_m = (column(first).0, column(last).1);
        let layout = |row_m: f64| Self {
            from_m,
            to_m,
            row_m,
            rows: ceil_i32((to_m - from_m) / row_m - 1e-9).max(1),
            scale: (WIDTH - MARGIN - LEFT) / row_m,
            across_m,
        };
        let whole = |rows: &Self| rows.row_m >= 100.0 || rows.rows == 1;
        let fits = |rows: &Self| whole(rows) && rows.height() <= TALLEST;
        let mut layouts = ROW_M.iter().map(|&row_m| layout(row_m));
        Some(layouts.find(fits).unwrap_or_else(|| layout(ROW_M[5])))
    }

    pub fn height(&self) -> f64 {
        HEADING + f64::from(self.rows) * self.pitch()
    }

    pub(super) fn pitch(&self) -> f64 {
        self.band() + BETWEEN
    }

    /// Height of the road's band, pixels.
    fn band(&self) -> f64 {
        (self.across_m.1 - self.across_m.0) * self.scale
    }

    /// Pixel of (s, t) in row `row`, the row's band starting at y = 0.
    pub(super) fn at(&self, row: i32, s: f64, t: f64) -> [f64; 2] {
        let start = self.from_m + f64::from(row) * self.row_m;
        [
            LEFT + (s - start) * self.scale,
            (self.across_m.1 - t) * self.scale,
        ]
    }

    pub(super) fn row_of(&self, s: f64) -> i32 {
        crate::numeric::floor_i32((s - self.from_m) / self.row_m).clamp(0, self.rows - 1)
    }

    /// Part of the course in a row, metres.
    fn part(&self, row: i32) -> (f64, f64) {
        let start = self.from_m + f64::from(row) * self.row_m;
        (start, (start + self.row_m).min(self.to_m))
    }

    pub fn draw(&self, canvas: &mut Canvas, picture: &MapPicture<'_>, palette: &Palette, top: f64) {
        canvas.line([MARGIN, top + 6.0], [WIDTH - MARGIN, top + 6.0], 1.0, HAIR);
        let text = format!("Unrolled ribbon, {} m a row", plain(self.row_m));
        canvas.text([MARGIN, top + 22.0], HEAD, &text);
        let note = "s to the right in the direction of travel; L left, R right; equal scale along and across";
        let note_at = [MARGIN + HEAD.width(&text) + 40.0, top + 26.0];
        canvas.text(
            note_at,
            Style {
                colour: FAINT,
                ..LABEL
            },
            note,
        );
        let y = |row: i32| (top + HEADING + f64::from(row) * self.pitch()).round();
        self.cells(canvas, picture, palette, &y);
        for row in 0..self.rows {
            self.ticks(canvas, row, y(row));
            self.edges(canvas, picture, row, y(row));
        }
        rings::draw(canvas, &self.rings(picture, &y));
    }

    fn cells(
        &self,
        canvas: &mut Canvas,
        picture: &MapPicture<'_>,
        palette: &Palette,
        y: &dyn Fn(i32) -> f64,
    ) {
        let size = (pixels(WIDTH), pixels(self.band()));
        let mut layers: Vec<Layer> = (0..self.rows).map(|_| Layer::new(size.0, size.1)).collect();
        for (r, cells) in picture.map.rows() {
            let (s0, s1) = picture.map.frame().row_m(r);
            let both = [self.row_of(s0), self.row_of(s1 - 1e-9)];
            for &row in if both[0] == both[1] {
                &both[..1]
            } else {
                &both[..]
            } {
                let Some(layer) = usize::try_from(row).ok().and_then(|k| layers.get_mut(k)) else {
                    continue;
                };
                let part = self.part(row);
                for cell in cells {
                    let (t0, t1) = picture.map.frame().column_m(cell.column);
                    let a = self.at(row, s0.max(part.0), t1);
                    let b = self.at(row, s1.min(part.1), t0);
                    fill(layer, a, b, Paint::of(cell));
                }
            }
        }
        for (layer, row) in layers.iter().zip(0..) {
            layer.lay_on(canvas, [0, round_i32(y(row))], palette);
        }
    }

    /// Edge lines and the letters that name the sides.
    fn edges(&self, canvas: &mut Canvas, picture: &MapPicture<'_>, row: i32, top: f64) {
        let (from, to) = self.part(row);
        let steps = ceil_i32((to - from) * self.scale / 4.0).max(1);
        let at = |k: i32| from + (to - from) * f64::from(k) / f64::from(steps);
        if let Some(edges) = &picture.edges {
            for side in [0, 1] {
                let point = |k: i32| {
                    let [right, left] = edges(at(k).min(self.to_m - 1e-6));
                    let [x, y] = self.at(row, at(k), [right, left][side]);
                    [x, y + top]
                };
                let line: Vec<[f64; 2]> = (0..=steps).map(point).collect();
                canvas.polyline(&line, 2.0, INK);
            }
        }
        canvas.text([LEFT - 28.0, top], SIDE, "L");
        canvas.text([LEFT - 28.0, top + self.band() - SIDE.height()], SIDE, "R");
    }

    /// A tick each 20 m below the band, with s in metres.
    fn ticks(&self, canvas: &mut Canvas, row: i32, top: f64) {
        let (from, to) = self.part(row);
        let step = TICK_M.min(self.row_m / 5.0).max(self.row_m / 10.0);
        let y = top + self.band();
        for k in ceil_i32(from / step - 1e-9)..=crate::numeric::floor_i32(to / step + 1e-9) {
            let s = f64::from(k) * step;
            let x = self.at(row, s, 0.0)[0];
            canvas.line([x, y + 3.0], [x, y + 11.0], 1.5, FAINT);
            let text = plain(s);
            let first = (s - from).abs() < 1e-9;
            let text = if first { format!("s {text} m") } else { text };
            let left = if first { 0.0 } else { 0.5 * LABEL.width(&text) };
            canvas.text(
                [x - left, y + 13.0],
                Style {
                    bold: first,
                    ..LABEL
                },
                &text,
            );
        }
    }

    fn rings(&self, picture: &MapPicture<'_>, top: &dyn Fn(i32) -> f64) -> Vec<Ring> {
        let ring = |spot: &crate::deviation::Spot| {
            let [s, t] = spot.middle_m;
            let row = self.row_of(s);
            let [x, y] = self.at(row, s, t);
            let half = |size_m: f64| (0.5 * self.scale * size_m + 7.0).max(13.0);
            Ring {
                id: spot.id,
                centre: [x, y + top(row)],
                half: [half(spot.length_m), half(spot.width_m)],
            }
        };
        picture.listed().iter().map(ring).collect()
    }
}

fn fill(layer: &mut Layer, a: [f64; 2], b: [f64; 2], paint: Paint) {
    for y in round_i32(a[1])..round_i32(b[1]).max(round_i32(a[1]) + 1) {
        for x in round_i32(a[0])..round_i32(b[0]).max(round_i32(a[0]) + 1) {
            layer.put(x, y, paint);
        }
    }
}
