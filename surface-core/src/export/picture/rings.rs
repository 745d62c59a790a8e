//! Rings with numbers around spots, without numbers on top of each other.

use super::canvas::{Canvas, Size, Style};
use super::paint::{INK, PAPER};

const NUMBER: Style = Style {
    size: Size::Normal,
    bold: true,
    colour: INK,
};
/// Gap between a ring and its number, pixels.
const GAP: f64 = 5.0;

/// A ring to be drawn, pixels: a box with round corners, a circle where both halves are equal.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ring {
    pub id: u32,
    pub centre: [f64; 2],
    /// Half width and half height.
    pub half: [f64; 2],
}

/// A box, from upper left to lower right.
type Area = [[f64; 2]; 2];

/// Draw rings, each with its number on the first free side (right, left, above, below, corners).
pub(super) fn draw(canvas: &mut Canvas, rings: &[Ring]) {
    for ring in rings {
        canvas.ring(ring.centre, ring.half, 7.0, PAPER);
        canvas.ring(ring.centre, ring.half, 3.0, INK);
    }
    let mut taken: Vec<Area> = rings.iter().map(ring_area).collect();
    for (k, ring) in rings.iter().enumerate() {
        let text = ring.id.to_string();
        let size = [NUMBER.width(&text), NUMBER.height()];
        let places = SIDES.map(|side| place(ring, side, size));
        let free = |a: &&Area| {
            !taken
                .iter()
                .enumerate()
                .any(|(j, b)| j != k && overlap(a, b))
        };
        let at = *places.iter().find(free).unwrap_or(&places[0]);
        canvas.text_with_halo(at[0], NUMBER, &text, PAPER);
        taken.push(at);
    }
}

const SIDES: [[f64; 2]; 8] = [
    [1.0, 0.0],
    [-1.0, 0.0],
    [0.0, -1.0],
    [0.0, 1.0],
    [0.75, -0.75],
    [-0.75, -0.75],
    [0.75, 0.75],
    [-0.75, 0.75],
];

/// Where a label of `size` stands beside the ring on `side`.
fn place(ring: &Ring, side: [f64; 2], size: [f64; 2]) -> Area {
    let corner = [0, 1].map(|k| {
        let reach = ring.half[k] + GAP + 0.5 * size[k];
        ring.centre[k] + side[k] * reach - 0.5 * size[k]
    });
    [corner, [corner[0] + size[0], corner[1] + size[1]]]
}

fn ring_area(ring: &Ring) -> Area {
    let corner = |sign: f64| [0, 1].map(|k| ring.centre[k] + sign * ring.half[k]);
    [corner(-1.0), corner(1.0)]
}

fn overlap(a: &Area, b: &Area) -> bool {
    (0..2).all(|k| a[0][k] < b[1][k] && b[0][k] < a[1][k])
}
