//! The worst spots as a table beside the plan.

use super::canvas::{Canvas, Size, Style};
use super::page::{HEADER, LISTED, MARGIN, MapPicture, WIDTH, number};
use super::paint::{FAINT, HAIR, INK};
use crate::deviation::Spot;

/// Left end of the table, pixels.
pub(super) const LEFT: f64 = 1730.0;
const LINE: f64 = 32.0;
const HEAD: Style = Style {
    size: Size::Normal,
    bold: false,
    colour: FAINT,
};
const BODY: Style = Style {
    size: Size::Normal,
    bold: false,
    colour: INK,
};
const HEADING: Style = Style {
    size: Size::Large,
    bold: true,
    colour: INK,
};
/// Right ends of the numeric columns and left end of the last one, pixels from [`LEFT`].
const COLUMNS: [f64; 6] = [34.0, 190.0, 310.0, 420.0, 488.0, 508.0];

/// Height of the table for so many spots, pixels.
pub(super) fn height(spots: usize) -> f64 {
    LINE * (4.5 + number(spots.min(LISTED)))
}

pub(super) fn draw(canvas: &mut Canvas, picture: &MapPicture<'_>) {
    let top = HEADER + 10.0;
    if picture.spots.is_empty() {
        canvas.text([LEFT, top], HEADING, picture.wording.spots[1]);
        return;
    }
    canvas.text([LEFT, top], HEADING, picture.wording.spots[0]);
    let along = picture.map.frame().is_ribbon();
    let names = if along {
        ["s m", "t m"]
    } else {
        ["x m", "y m"]
    };
    row(
        canvas,
        top + 1.5 * LINE,
        HEAD,
        ["#", names[0], names[1], "worst mm", "m²", "why"],
    );
    let mut y = top + 2.5 * LINE;
    canvas.line([LEFT, y - 6.0], [WIDTH - MARGIN, y - 6.0], 1.5, FAINT);
    for (k, spot) in picture.listed().iter().enumerate() {
        let why = picture.wording.why.get(k).copied();
        let texts = cells(spot, along, why.unwrap_or(spot.why.word()));
        row(canvas, y, BODY, texts.each_ref().map(String::as_str));
        canvas.line([LEFT, y + 25.5], [WIDTH - MARGIN, y + 25.5], 1.0, HAIR);
        y += LINE;
    }
    let more = picture.spots.len() - picture.listed().len();
    if more > 0 {
        canvas.text(
            [LEFT, y + 4.0],
            HEAD,
            &format!("and {more} more: see the table of spots"),
        );
    }
}

/// Along a course s and t; in the plane the coordinates that the table of spots has.
fn cells(spot: &Spot, along: bool, why: &str) -> [String; 6] {
    let [s, t] = spot.at_m;
    let [x, y] = spot.xy_m;
    let [u, v] = if along {
        [format!("{s:.1}"), format!("{t:+.1}")]
    } else {
        [format!("{x:.1}"), format!("{y:.1}")]
    };
    [
        spot.id.to_string(),
        u,
        v,
        format!("{:+.1}", 1e3 * spot.worst_m),
        format!("{:.2}", spot.area_m2),
        why.to_owned(),
    ]
}

fn row(canvas: &mut Canvas, y: f64, style: Style, texts: [&str; 6]) {
    for (k, text) in texts.iter().enumerate() {
        let left = if k == 5 { 0.0 } else { style.width(text) };
        canvas.text([LEFT + COLUMNS[k] - left, y], style, text);
    }
}
