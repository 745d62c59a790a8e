//! The plan: the map as it lies on the ground, north up.

use super::canvas::{Canvas, Size, Style};
use super::page::{HEADER, MARGIN, MapPicture, pixels};
use super::paint::{FAINT, INK, Layer, PAPER, Paint, Palette};
use super::rings::{self, Ring};
use super::scale::{plain, round_below};
use super::table;
use crate::numeric::{ceil_i32, floor_i32};

/// Place for the plan: left, top, width, tallest, pixels.
const LEFT: f64 = MARGIN;
const TOP: f64 = HEADER + 10.0;
const WIDE: f64 = table::LEFT - MARGIN - 60.0;
const TALLEST: f64 = 1500.0;
const SHORTEST: f64 = 420.0;
/// Empty border inside, pixels: room for labels beside the course.
const PAD: f64 = 70.0;
/// Samples a pixel on each axis when cells are laid down: at 2 no pixel inside a cell is missed.
const SAMPLES: f64 = 2.0;

/// Largest radius of a ring, pixels: a long spot is found by its colour.
const LARGEST: f64 = 60.0;

const LABEL: Style = Style {
    size: Size::Normal,
    bold: false,
    colour: INK,
};
const START: Style = Style {
    size: Size::Normal,
    bold: true,
    colour: INK,
};

/// From metres to pixels.
pub(super) struct Plan {
    /// West and north end, metres.
    corner_m: [f64; 2],
    scale: f64,
    height: f64,
    /// Pixels by which the course is moved to the middle.
    shift: f64,
}

impl Plan {
    pub fn new(picture: &MapPicture<'_>) -> Self {
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for_outline(picture, &mut |p| {
            low = [low[0].min(p[0]), low[1].min(p[1])];
            high = [high[0].max(p[0]), high[1].max(p[1])];
        });
        if low[0] > high[0] {
            (low, high) = ([0.0; 2], [1.0; 2]);
        }
        let size = [high[0] - low[0], high[1] - low[1]].map(|v| v.max(0.5));
        let scale = ((WIDE - 2.0 * PAD) / size[0]).min((TALLEST - 2.0 * PAD) / size[1]);
        let height = (size[1] * scale + 2.0 * PAD).max(SHORTEST);
        Self {
            corner_m: [low[0], high[1]],
            scale,
            height,
            shift: 0.5 * (WIDE - 2.0 * PAD - size[0] * scale),
        }
    }

    pub fn height(&self) -> f64 {
        self.height + 30.0
    }

    pub(super) fn at(&self, p: [f64; 2]) -> [f64; 2] {
        [
            LEFT + PAD + self.shift + (p[0] - self.corner_m[0]) * self.scale,
            TOP + PAD + (self.corner_m[1] - p[1]) * self.scale,
        ]
    }

    pub fn draw(&self, canvas: &mut Canvas, picture: &MapPicture<'_>, palette: &Palette) {
        self.cells(canvas, picture, palette);
        self.edges(canvas, picture);
        if picture.map.frame().is_ribbon() {
            self.course_labels(canvas, picture);
        }
        rings::draw(canvas, &self.rings(picture));
        self.north(canvas);
        self.scale_bar(canvas);
    }

    fn cells(&self, canvas: &mut Canvas, picture: &MapPicture<'_>, palette: &Palette) {
        let size = (pixels(LEFT + WIDE), pixels(TOP + self.height));
        let mut layer = Layer::new(size.0, size.1);
        for (row, cells) in picture.map.rows().filter(|r| !r.1.is_empty()) {
            let (u0, u1) = picture.map.frame().row_m(row);
            let base = [u0, u1].map(|u| {
                let (p, q) = ((picture.place)(u, 0.0), (picture.place)(u, 1.0));
                (self.at(p), self.at(q))
            });
            for cell in cells {
                let v = picture.map.frame().column_m(cell.column);
                splat(&mut layer, &base, v, Paint::of(cell));
            }
        }
        layer.lay_on(canvas, [0, 0], palette);
    }

    fn edges(&self, canvas: &mut Canvas, picture: &MapPicture<'_>) {
        let (Some(edges), Some((from, to))) = (&picture.edges, picture.map.frame().extent_m())
        else {
            return;
        };
        let steps = ceil_i32((to - from) * self.scale / 4.0).clamp(1, 100_000);
        for side in [0, 1] {
            let point = |k: i32| {
                let s = from + (to - from - 1e-6) * f64::from(k) / f64::from(steps);
                let [right, left] = edges(s);
                self.at((picture.place)(s, [right, left][side]))
            };
            let line: Vec<[f64; 2]> = (0..=steps).map(point).collect();
            // A map of a part of the course shows the edges of that part.
            for shown in line.split(|p| !self.holds(*p)) {
                canvas.polyline(shown, 1.0, FAINT);
            }
        }
    }

    fn holds(&self, [x, y]: [f64; 2]) -> bool {
        (LEFT..LEFT + WIDE).contains(&x) && (TOP..TOP + self.height).contains(&y)
    }

    /// The start with the direction of travel, and s at round distances beside the course.
    fn course_labels(&self, canvas: &mut Canvas, picture: &MapPicture<'_>) {
        let Some((from, to)) = picture.map.frame().extent_m() else {
            return;
        };
        let half = self.half_width_m(picture);
        let step = round_below((to - from) / 8.0);
        for k in ceil_i32(from / step)..=floor_i32((to - 0.4 * step) / step) {
            let s = f64::from(k) * step;
            if s > from + 1e-9 {
                self.mark(canvas, picture, s, half, &format!("{} m", plain(s)), LABEL);
            }
        }
        self.mark(canvas, picture, from, half, "start", START);
        self.direction(canvas, picture, from, half);
    }

    fn half_width_m(&self, picture: &MapPicture<'_>) -> f64 {
        let (first, last) = picture.map.column_range().unwrap_or((0, 0));
        let column = |k| picture.map.frame().column_m(k);
        column(first).0.abs().max(column(last).1.abs())
    }

    /// A short line across the left edge with a word beside it.
    fn mark(
        &self,
        canvas: &mut Canvas,
        picture: &MapPicture<'_>,
        s: f64,
        half_m: f64,
        text: &str,
        style: Style,
    ) {
        let (foot, out) = self.outward(picture, s, half_m);
        let reach = |px: f64| [foot[0] + px * out[0], foot[1] + px * out[1]];
        canvas.line(reach(1.0), reach(13.0), 2.0, INK);
        let size = [style.width(text), style.height()];
        let centre = reach(20.0 + 0.5 * (size[0] * out[0].abs() + size[1] * out[1].abs()));
        let at = [centre[0] - 0.5 * size[0], centre[1] - 0.5 * size[1]];
        canvas.text_with_halo(at, style, text, PAPER);
    }

    /// Left end of the road at s in pixels, and the unit direction to the left of it.
    fn outward(&self, picture: &MapPicture<'_>, s: f64, half_m: f64) -> ([f64; 2], [f64; 2]) {
        let left = picture.edges.as_ref().map_or(half_m, |edges| edges(s)[1]);
        let foot = self.at((picture.place)(s, left));
        let inner = self.at((picture.place)(s, left - 1.0));
        let d = [foot[0] - inner[0], foot[1] - inner[1]];
        let length = d[0].hypot(d[1]).max(1e-9);
        (foot, [d[0] / length, d[1] / length])
    }

    /// A line across the road at the start and an arrow along it on the left.
    fn direction(&self, canvas: &mut Canvas, picture: &MapPicture<'_>, s: f64, half_m: f64) {
        let right = picture.edges.as_ref().map_or(-half_m, |edges| edges(s)[0]);
        let (foot, out) = self.outward(picture, s, half_m);
        let other = self.at((picture.place)(s, right));
        canvas.line(foot, other, 4.0, INK);
        // Left is `out`; y runs down, so a quarter turn to the right of it is ahead.
        let ahead = [-out[1], out[0]];
        let point =
            |along: f64, across: f64| [0, 1].map(|k| other[k] + along * ahead[k] - across * out[k]);
        canvas.line(point(0.0, 14.0), point(44.0, 14.0), 4.0, INK);
        canvas.triangle(
            [point(60.0, 14.0), point(40.0, 5.0), point(40.0, 23.0)],
            INK,
        );
    }

    fn rings(&self, picture: &MapPicture<'_>) -> Vec<Ring> {
        let ring = |spot: &crate::deviation::Spot| {
            let reach = 0.5 * self.scale * spot.length_m.max(spot.width_m) + 7.0;
            let [u, v] = spot.middle_m;
            let centre = self.at((picture.place)(u, v));
            Ring {
                id: spot.id,
                centre,
                half: [reach.clamp(12.0, LARGEST); 2],
            }
        };
        picture.listed().iter().map(ring).collect()
    }

    fn north(&self, canvas: &mut Canvas) {
        let (x, y) = (LEFT + WIDE - 30.0, TOP + 62.0);
        canvas.triangle([[x, y - 44.0], [x - 13.0, y], [x, y - 10.0]], INK);
        canvas.triangle([[x, y - 44.0], [x + 13.0, y], [x, y - 10.0]], FAINT);
        canvas.text([x - 0.5 * START.width("N"), y - 66.0], START, "N");
    }

    fn scale_bar(&self, canvas: &mut Canvas) {
        let length_m = round_below(0.25 * WIDE / self.scale);
        let (x, y) = (LEFT, TOP + self.height - 8.0);
        let length = length_m * self.scale;
        canvas.line([x, y], [x + length, y], 3.0, INK);
        for end in [x, x + length] {
            canvas.line([end, y - 6.0], [end, y + 6.0], 3.0, INK);
        }
        let text = format!("{} m", plain(length_m));
        canvas.text([x + length + 12.0, y - 9.0], LABEL, &text);
    }
}

/// Corners of the outermost cells of each row.
fn for_outline(picture: &MapPicture<'_>, take: &mut dyn FnMut([f64; 2])) {
    let frame = picture.map.frame();
    for (row, cells) in picture.map.rows() {
        if let (Some(first), Some(last)) = (cells.first(), cells.last()) {
            let (u0, u1) = frame.row_m(row);
            for v in [
                frame.column_m(first.column).0,
                frame.column_m(last.column).1,
            ] {
                take((picture.place)(u0, v));
                take((picture.place)(u1, v));
            }
        }
    }
}

/// Paint a cell, given at both ends of its row the pixels of v = 0 and v = 1, and its interval
/// of v.
fn splat(layer: &mut Layer, base: &[([f64; 2], [f64; 2]); 2], v: (f64, f64), paint: Paint) {
    let corner = |end: usize, v: f64| {
        let (p, q) = base[end];
        [p[0] + v * (q[0] - p[0]), p[1] + v * (q[1] - p[1])]
    };
    let [a, b, c, d] = [
        corner(0, v.0),
        corner(1, v.0),
        corner(1, v.1),
        corner(0, v.1),
    ];
    let length = |p: [f64; 2], q: [f64; 2]| (p[0] - q[0]).hypot(p[1] - q[1]);
    let along = ceil_i32(SAMPLES * length(a, b).max(length(d, c))).clamp(1, 10_000);
    let across = ceil_i32(SAMPLES * length(a, d).max(length(b, c))).clamp(1, 10_000);
    for i in 0..along {
        let k = (f64::from(i) + 0.5) / f64::from(along);
        let mix = |p: [f64; 2], q: [f64; 2]| [0, 1].map(|m| p[m] + k * (q[m] - p[m]));
        let (from, to) = (mix(a, b), mix(d, c));
        for j in 0..across {
            let w = (f64::from(j) + 0.5) / f64::from(across);
            let [x, y] = [0, 1].map(|m| from[m] + w * (to[m] - from[m]));
            layer.put(floor_i32(x), floor_i32(y), paint);
        }
    }
}
