//! A picture to draw on: filled shapes, smooth lines and text, nothing that knows of roads.

use std::io::Write;

use noto_sans_mono_bitmap::{FontWeight, RasterHeight, get_raster, get_raster_width};

use super::colour::Rgb;
use crate::numeric::{ceil_i32, floor_i32, round_i32, to_u8};

/// How large a pixel is on paper: 300 to an inch, so that a page's width of 2400 is 203 mm.
const PRINTED: png::PixelDimensions = png::PixelDimensions {
    xppu: 11_811,
    yppu: 11_811,
    unit: png::Unit::Meter,
};

/// Letter sizes, pixels from line to line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Size {
    Normal,
    Large,
    Title,
}

/// How letters look.
#[derive(Debug, Clone, Copy)]
pub(super) struct Style {
    pub size: Size,
    pub bold: bool,
    pub colour: Rgb,
}

impl Style {
    fn raster(self) -> (FontWeight, RasterHeight) {
        let weight = if self.bold {
            FontWeight::Bold
        } else {
            FontWeight::Regular
        };
        let height = match self.size {
            Size::Normal => RasterHeight::Size20,
            Size::Large => RasterHeight::Size24,
            Size::Title => RasterHeight::Size32,
        };
        (weight, height)
    }

    /// Height of a line, pixels.
    pub fn height(self) -> f64 {
        match self.size {
            Size::Normal => 20.0,
            Size::Large => 24.0,
            Size::Title => 32.0,
        }
    }

    /// Width of `text`, pixels.
    pub fn width(self, text: &str) -> f64 {
        let (weight, height) = self.raster();
        let letters = crate::numeric::to_u32(text.chars().count());
        f64::from(letters) * f64::from(crate::numeric::to_u32(get_raster_width(weight, height)))
    }
}

/// Pixels in rows from the top, three bytes each. Coordinates are pixels, x to the right, y down;
/// pixel (i, j) covers `[i, i + 1) × [j, j + 1)`. What falls outside is not drawn.
#[derive(Debug, Clone)]
pub struct Canvas {
    width: usize,
    height: usize,
    rgb: Vec<u8>,
}

impl Canvas {
    pub(super) fn new(width: usize, height: usize, paper: Rgb) -> Self {
        Self {
            width,
            height,
            rgb: paper.repeat(width * height),
        }
    }

    /// Width, pixels.
    #[must_use]
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height, pixels.
    #[must_use]
    pub fn height(&self) -> usize {
        self.height
    }

    /// Colour of a pixel; `None` outside.
    #[must_use]
    pub fn pixel(&self, x: usize, y: usize) -> Option<Rgb> {
        let at = 3 * (y * self.width + x);
        (x < self.width && y < self.height)
            .then(|| [self.rgb[at], self.rgb[at + 1], self.rgb[at + 2]])
    }

    /// Write as PNG, 8 bits a channel, sRGB.
    ///
    /// # Errors
    /// What the encoder or `out` says.
    pub fn write_png<W: Write>(&self, out: W) -> Result<(), png::EncodingError> {
        let side = |n: usize| crate::numeric::to_u32(n);
        let mut encoder = png::Encoder::new(out, side(self.width), side(self.height));
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_compression(png::Compression::Fast);
        encoder.set_source_srgb(png::SrgbRenderingIntent::Perceptual);
        encoder.set_pixel_dims(Some(PRINTED));
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&self.rgb)?;
        writer.finish()
    }

    /// Set a pixel.
    pub(super) fn set(&mut self, x: i32, y: i32, colour: Rgb) {
        self.blend(x, y, colour, 1.0);
    }

    /// Lay a colour over a pixel, `cover` 0..=1.
    fn blend(&mut self, x: i32, y: i32, colour: Rgb, cover: f64) {
        let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y)) else {
            return;
        };
        if x >= self.width || y >= self.height || cover <= 0.0 {
            return;
        }
        let at = 3 * (y * self.width + x);
        for (old, new) in self.rgb[at..at + 3].iter_mut().zip(colour) {
            let (a, b) = (f64::from(*old), f64::from(new));
            *old = to_u8(a + (b - a) * cover.min(1.0));
        }
    }

    /// Fill from (x0, y0) to (x1, y1), to the nearest pixel.
    pub(super) fn rect(&mut self, from: [f64; 2], to: [f64; 2], colour: Rgb) {
        for y in round_i32(from[1])..round_i32(to[1]) {
            for x in round_i32(from[0])..round_i32(to[0]) {
                self.set(x, y, colour);
            }
        }
    }

    /// Outline of a rectangle, one pixel wide.
    pub(super) fn frame(&mut self, from: [f64; 2], to: [f64; 2], colour: Rgb) {
        let corners = [from, [to[0], from[1]], to, [from[0], to[1]], from];
        self.polyline(
            &corners.map(|p| [p[0].round() + 0.5, p[1].round() + 0.5]),
            1.0,
            colour,
        );
    }

    /// Lay `colour` wherever `inside` (signed distance to the shape's border in pixels, positive
    /// inside) covers a pixel, within a box.
    fn shape(
        &mut self,
        low: [f64; 2],
        high: [f64; 2],
        colour: Rgb,
        inside: &dyn Fn(f64, f64) -> f64,
    ) {
        let limit = |v: f64, n: usize| round_i32(v).clamp(0, i32::try_from(n).unwrap_or(i32::MAX));
        let (y0, y1) = (floor_i32(low[1]) - 1, ceil_i32(high[1]) + 1);
        let (x0, x1) = (floor_i32(low[0]) - 1, ceil_i32(high[0]) + 1);
        for y in limit(f64::from(y0), self.height)..limit(f64::from(y1), self.height) {
            for x in limit(f64::from(x0), self.width)..limit(f64::from(x1), self.width) {
                let cover = inside(f64::from(x) + 0.5, f64::from(y) + 0.5) + 0.5;
                self.blend(x, y, colour, cover.clamp(0.0, 1.0));
            }
        }
    }

    /// A smooth line.
    pub(super) fn line(&mut self, a: [f64; 2], b: [f64; 2], width: f64, colour: Rgb) {
        let d = [b[0] - a[0], b[1] - a[1]];
        let length2 = (d[0] * d[0] + d[1] * d[1]).max(1e-12);
        let inside = |x: f64, y: f64| {
            let along = ((x - a[0]) * d[0] + (y - a[1]) * d[1]) / length2;
            let k = along.clamp(0.0, 1.0);
            0.5 * width - (x - a[0] - k * d[0]).hypot(y - a[1] - k * d[1])
        };
        let pad = 0.5 * width;
        let low = [a[0].min(b[0]) - pad, a[1].min(b[1]) - pad];
        self.shape(
            low,
            [a[0].max(b[0]) + pad, a[1].max(b[1]) + pad],
            colour,
            &inside,
        );
    }

    /// Smooth lines from point to point.
    pub(super) fn polyline(&mut self, points: &[[f64; 2]], width: f64, colour: Rgb) {
        points
            .windows(2)
            .for_each(|p| self.line(p[0], p[1], width, colour));
    }

    /// The outline of a box with round corners, whose line has its middle at `half` from the
    /// centre; a circle where both halves are equal.
    pub(super) fn ring(&mut self, centre: [f64; 2], half: [f64; 2], width: f64, colour: Rgb) {
        let round = half[0].min(half[1]);
        let inside = |x: f64, y: f64| {
            let beyond = |v: f64, k: usize| ((v - centre[k]).abs() - half[k] + round).max(0.0);
            0.5 * width - (beyond(x, 0).hypot(beyond(y, 1)) - round).abs()
        };
        let corner = |sign: f64| [0, 1].map(|k| centre[k] + sign * (half[k] + width));
        self.shape(corner(-1.0), corner(1.0), colour, &inside);
    }

    /// A filled triangle.
    pub(super) fn triangle(&mut self, p: [[f64; 2]; 3], colour: Rgb) {
        let area =
            (p[1][0] - p[0][0]) * (p[2][1] - p[0][1]) - (p[2][0] - p[0][0]) * (p[1][1] - p[0][1]);
        let inside = |x: f64, y: f64| {
            let side = |k: usize| {
                let (a, b) = (p[k], p[(k + 1) % 3]);
                let d = [b[0] - a[0], b[1] - a[1]];
                area.signum() * (d[0] * (y - a[1]) - d[1] * (x - a[0])) / d[0].hypot(d[1]).max(1e-9)
            };
            side(0).min(side(1)).min(side(2))
        };
        let low = [0, 1].map(|k| p[0][k].min(p[1][k]).min(p[2][k]));
        let high = [0, 1].map(|k| p[0][k].max(p[1][k]).max(p[2][k]));
        self.shape(low, high, colour, &inside);
    }

    /// Text whose first letter's box has its upper left corner at `at`. A letter that the font
    /// lacks is drawn as a question mark.
    pub(super) fn text(&mut self, at: [f64; 2], style: Style, text: &str) {
        let (weight, height) = style.raster();
        let (mut x, y) = (round_i32(at[0]), round_i32(at[1]));
        for letter in text.chars() {
            let raster =
                get_raster(letter, weight, height).or_else(|| get_raster('?', weight, height));
            let Some(raster) = raster else { continue };
            for (row, dy) in raster.rows().zip(0..) {
                for (&cover, dx) in row.iter().zip(0..) {
                    self.blend(x + dx, y + dy, style.colour, f64::from(cover) / 255.0);
                }
            }
            x += i32::try_from(raster.width()).unwrap_or(0);
        }
    }

    /// Text around which a line of `halo` keeps it legible on any ground.
    pub(super) fn text_with_halo(&mut self, at: [f64; 2], style: Style, text: &str, halo: Rgb) {
        for dy in -2..=2 {
            for dx in -2..=2 {
                let there = [at[0] + f64::from(dx), at[1] + f64::from(dy)];
                self.text(
                    there,
                    Style {
                        colour: halo,
                        ..style
                    },
                    text,
                );
            }
        }
        self.text(at, style, text);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHITE: Rgb = [255; 3];
    const BLACK: Rgb = [0; 3];

    fn ink(canvas: &Canvas) -> f64 {
        canvas
            .rgb
            .iter()
            .map(|&v| 1.0 - f64::from(v) / 255.0)
            .sum::<f64>()
            / 3.0
    }

    #[test]
    fn shapes_lay_down_their_area_in_ink() {
        // Half-pixel smoothing is exact on straight sides and within a pixel on round ones.
        let mut canvas = Canvas::new(100, 100, WHITE);
        canvas.rect([10.0, 10.0], [30.0, 25.0], BLACK);
        assert!((ink(&canvas) - 300.0).abs() < 1e-9);
        let mut canvas = Canvas::new(100, 100, WHITE);
        canvas.ring([50.0, 50.0], [20.0, 20.0], 3.0, BLACK);
        assert!((ink(&canvas) - 377.0).abs() < 4.0, "{}", ink(&canvas));
        let mut canvas = Canvas::new(100, 100, WHITE);
        canvas.triangle([[10.0, 10.0], [90.0, 20.0], [40.0, 80.0]], BLACK);
        assert!((ink(&canvas) - 2650.0).abs() < 8.0, "{}", ink(&canvas));
        let mut canvas = Canvas::new(100, 100, WHITE);
        canvas.line([10.0, 10.0], [90.0, 70.0], 4.0, BLACK);
        assert!((ink(&canvas) - 412.0).abs() < 6.0, "{}", ink(&canvas));
    }

    #[test]
    fn drawing_outside_changes_nothing_and_does_not_fail() {
        let mut canvas = Canvas::new(10, 10, WHITE);
        let style = Style {
            size: Size::Title,
            bold: true,
            colour: BLACK,
        };
        canvas.text([-500.0, 3.0], style, "far away");
        canvas.rect([20.0, -5.0], [1e3, 1e3], BLACK);
        canvas.ring([-1e6, 1e6], [3.0, 9.0], 2.0, BLACK);
        assert!(ink(&canvas).abs() < 1e-12);
    }

    #[test]
    fn letters_are_as_wide_as_announced_and_unknown_ones_are_marked() {
        let style = Style {
            size: Size::Normal,
            bold: false,
            colour: BLACK,
        };
        let mut canvas = Canvas::new(400, 30, WHITE);
        canvas.text([0.0, 0.0], style, "±5 mm² \u{4e16}");
        let width = round_i32(style.width("±5 mm² ?"));
        let inked = |x: i32| {
            (0..30).any(|y| canvas.pixel(usize::try_from(x).unwrap(), y).unwrap() != WHITE)
        };
        assert!((width - 11..width).any(inked) && !(width..400).any(inked));
    }

    #[test]
    fn a_png_reads_back_pixel_for_pixel() {
        let mut canvas = Canvas::new(31, 17, [7, 8, 9]);
        canvas.ring([15.0, 8.0], [5.0, 4.0], 3.0, [200, 30, 40]);
        let mut bytes = Vec::new();
        canvas.write_png(&mut bytes).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes))
            .read_info()
            .unwrap();
        let mut back = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut back).unwrap();
        assert_eq!((info.width, info.height, back), (31, 17, canvas.rgb));
        let dims = reader.info().pixel_dims.unwrap();
        let inch_m = 0.0254;
        assert!((f64::from(dims.xppu) * inch_m - 300.0).abs() < 0.01 && dims.xppu == dims.yppu);
    }
}
