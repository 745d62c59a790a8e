//! Title, numbers, colour bar and legend.

use super::canvas::{Canvas, Size, Style};
use super::page::{MARGIN, MapPicture, WIDTH, Wording};
use super::paint::{FAINT, INK, PAPER, Paint, Palette};
use super::scale::{count, plain};
use crate::deviation::Verdict;
use crate::numeric::round_i32;

const TITLE: Style = Style {
    size: Size::Title,
    bold: true,
    colour: INK,
};
const NUMBERS: Style = Style {
    size: Size::Large,
    bold: false,
    colour: INK,
};
const LABEL: Style = Style {
    size: Size::Normal,
    bold: false,
    colour: INK,
};
const QUIET: Style = Style {
    size: Size::Normal,
    bold: false,
    colour: FAINT,
};

/// The colour bar: left end, top, length, height.
const BAR: [f64; 4] = [MARGIN + 40.0, 146.0, 1000.0, 30.0];
/// Length of the arrows for what is off the scale, pixels.
const CAP: f64 = 34.0;

pub(super) fn draw(canvas: &mut Canvas, picture: &MapPicture<'_>, palette: &Palette) {
    canvas.text([MARGIN, 34.0], TITLE, picture.wording.title);
    verdict(canvas, picture);
    canvas.text([MARGIN, 84.0], NUMBERS, &numbers(picture));
    bar(canvas, palette, &picture.wording);
    legend(canvas, palette, &picture.wording);
}

/// The verdict as a filled label at the right end of the title.
fn verdict(canvas: &mut Canvas, picture: &MapPicture<'_>) {
    let (text, ground) = match picture.summary.verdict {
        Verdict::WithinTolerance => (picture.wording.verdict[0], [0, 110, 90]),
        Verdict::Beyond { .. } => (picture.wording.verdict[1], [176, 52, 0]),
        Verdict::NothingJudged => ("NOTHING TO JUDGE", FAINT),
    };
    let style = Style {
        colour: PAPER,
        ..TITLE
    };
    let left = WIDTH - MARGIN - style.width(text) - 36.0;
    canvas.rect([left, 26.0], [WIDTH - MARGIN, 76.0], ground);
    canvas.text([left + 18.0, 34.0], style, text);
}

/// The title line: points, tolerance, spots, worst, share within, quantile.
fn numbers(picture: &MapPicture<'_>) -> String {
    let summary = &picture.summary;
    let mut parts = vec![
        format!("{} {}", count(summary.points), picture.wording.points[0]),
        format!(
            "{} ±{} mm",
            picture.wording.sides[1],
            plain(1e3 * summary.tolerance_m)
        ),
        match picture.spots.len() {
            1 => "1 spot".to_owned(),
            n => format!("{n} spots"),
        },
    ];
    if let Some(worst) = summary.worst_m {
        parts.push(format!("worst cell {:+.1} mm", 1e3 * worst));
        parts.push(format!(
            "{:.2} % of cells within",
            100.0 * summary.share_within
        ));
    }
    if let Some([half, most, _]) = summary.d_quantiles_m {
        let (half, most) = (1e3 * half, 1e3 * most);
        parts.push(format!(
            "|d| of points: half below {half:.1} mm, 95 % below {most:.1} mm"
        ));
    }
    parts.join("  ·  ")
}

fn bar(canvas: &mut Canvas, palette: &Palette, wording: &Wording) {
    let [left, top, length, height] = BAR;
    for x in round_i32(left)..round_i32(left + length) {
        let k = (f64::from(x) + 0.5 - left) / length * 2.0 - 1.0;
        let colour = palette.scale.at(k);
        (round_i32(top)..round_i32(top + height)).for_each(|y| canvas.set(x, y, colour));
    }
    let middle = top + 0.5 * height;
    for (end, sign) in [(left - 4.0, -1.0), (left + length + 4.0, 1.0)] {
        let corners = [[end, top], [end, top + height], [end + sign * CAP, middle]];
        canvas.triangle(corners, palette.scale.at(2.0 * sign));
    }
    bar_ticks(canvas, palette.end_m, wording);
}

fn bar_ticks(canvas: &mut Canvas, end_m: f64, wording: &Wording) {
    let [left, top, length, height] = BAR;
    for k in -4..=4 {
        let x = left + length * (f64::from(k) + 4.0) / 8.0;
        let value = 1e3 * end_m * f64::from(k) / 4.0;
        let tolerance = k == 2 || k == -2;
        let (from, width) = if tolerance {
            (top - 8.0, 3.0)
        } else {
            (top + height - 6.0, 1.5)
        };
        canvas.line([x, from], [x, top + height + 6.0], width, INK);
        let sign = if k > 0 { "+" } else { "" };
        let unit = if k == 4 { " mm" } else { "" };
        let text = format!("{sign}{}{unit}", plain(value));
        let style = Style {
            bold: tolerance,
            ..LABEL
        };
        let number = format!("{sign}{}", plain(value));
        canvas.text(
            [x - 0.5 * style.width(&number), top + height + 10.0],
            style,
            &text,
        );
    }
    canvas.text([left + 0.02 * length, top - 26.0], QUIET, wording.sides[0]);
    let above = wording.sides[2];
    canvas.text(
        [left + 0.98 * length - QUIET.width(above), top - 26.0],
        QUIET,
        above,
    );
    let middle = wording.sides[1];
    canvas.text(
        [left + 0.5 * (length - QUIET.width(middle)), top - 26.0],
        QUIET,
        middle,
    );
    for (a, b) in [(0.26, 0.44), (0.74, 0.56)] {
        canvas.line(
            [left + a * length, top - 15.0],
            [left + b * length, top - 15.0],
            1.0,
            FAINT,
        );
    }
}

fn legend(canvas: &mut Canvas, palette: &Palette, wording: &Wording) {
    let top = BAR[1] + 3.0;
    let mut x = BAR[0] + BAR[2] + CAP + 90.0;
    let no_points = (Paint::NoPoints, wording.points[1]);
    for (paint, text) in [no_points, (Paint::Sparse, "fewer than 4 points")] {
        swatch(canvas, palette, paint, [x, top]);
        canvas.text([x + 58.0, top + 2.0], LABEL, text);
        x += 58.0 + LABEL.width(text) + 48.0;
    }
    canvas.ring([x + 14.0, top + 12.0], [12.0, 12.0], 3.0, INK);
    canvas.text([x + 42.0, top + 2.0], LABEL, wording.ring);
}

fn swatch(canvas: &mut Canvas, palette: &Palette, paint: Paint, at: [f64; 2]) {
    let [x, y] = at.map(round_i32);
    for (i, j) in (0..24).flat_map(|j| (0..44).map(move |i| (i, j))) {
        if let Some(colour) = palette.colour(paint, x + i, y + j) {
            canvas.set(x + i, y + j, colour);
        }
    }
    canvas.frame(at, [at[0] + 44.0, at[1] + 24.0], FAINT);
}
