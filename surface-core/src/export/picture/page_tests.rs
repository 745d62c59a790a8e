//! The picture shows the right colour at the right place.

use super::*;
use crate::deviation::{CellFrame, Closure, DeviationCells, MapBuilder, SectionPoints};
use crate::export::picture::colour::{Diverging, Rgb};
use crate::numeric::{round_i32, to_index};

const TOLERANCE_M: f64 = 0.005;

/// A map whose cells have exactly `d(u, v)` in 5 points each; none where `d` is NaN.
fn map(frame: CellFrame, keys: i32, to_m: [f64; 2], d: &dyn Fn(f64, f64) -> f64) -> DeviationMap {
    let cells = DeviationCells::new(frame.clone());
    let mut builder = MapBuilder::new(frame);
    let steps = |from: f64, to: f64| {
        (0..)
            .map(move |k| from + 0.05 + 0.1 * f64::from(k))
            .take_while(move |&v| v < to)
    };
    for key in 0..keys {
        let (from, to) = if keys == 1 {
            (0.0, to_m[0])
        } else {
            (12.5 * f64::from(key), 12.5 * f64::from(key + 1))
        };
        let low = if keys == 1 { 0.0 } else { -to_m[1] };
        let grid = || steps(from, to).flat_map(|u| steps(low, to_m[1]).map(move |v| (u, v)));
        let points: Vec<(f64, f64)> = grid().filter(|&(u, v)| !d(u, v).is_nan()).collect();
        let u: Vec<f64> = points.iter().map(|p| p.0).collect();
        let v: Vec<f64> = points.iter().map(|p| p.1).collect();
        let d: Vec<f64> = points.iter().map(|p| d(p.0, p.1)).collect();
        let section = SectionPoints {
            intensity: &[],
            key: (key, 0),
            u_m: &u,
            v_m: &v,
            d_m: &d,
            across_m: (low, to_m[1] - 0.01),
            ground: &|_, _| Some(0),
        };
        builder.push(cells.section(&section).unwrap());
    }
    builder.finish()
}

fn pixel(canvas: &Canvas, at: [f64; 2]) -> Rgb {
    canvas.pixel(to_index(at[0]), to_index(at[1])).unwrap()
}

/// Blue square at (4..6, 4..6), a hole in the data at (10..12, 10..12), +4 mm elsewhere.
fn square(u: f64, v: f64) -> f64 {
    let inside = |low: f64, high: f64| (low..high).contains(&u) && (low..high).contains(&v);
    if inside(4.0, 6.0) {
        -0.008
    } else if inside(10.0, 12.0) {
        f64::NAN
    } else {
        0.004
    }
}

#[test]
fn a_plan_shows_the_colour_of_each_cell_at_its_place() {
    let frame = CellFrame::plane(16.0, 0.25).unwrap();
    let map = map(frame, 1, [16.0, 16.0], &square);
    let place = |x: f64, y: f64| [x, y];
    let spots = map.spots(TOLERANCE_M, &place);
    assert_eq!(spots.len(), 1);
    let picture = MapPicture::of_plane(&map, &spots, TOLERANCE_M);
    let mut bytes = Vec::new();
    picture.write_png(&mut bytes).unwrap();
    let mut reader = png::Decoder::new(std::io::Cursor::new(bytes))
        .read_info()
        .unwrap();
    let mut rgb = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut rgb).unwrap();
    assert_eq!(info.width, 2400);
    let plan = plan::Plan::new(&picture);
    let seen = |x: f64, y: f64| {
        let [px, py] = plan.at([x, y]).map(to_index);
        let at = 3 * (py * info.width as usize + px);
        [rgb[at], rgb[at + 1], rgb[at + 2]]
    };
    let scale = Diverging::default();
    assert_eq!(seen(5.1, 5.1), scale.at(-0.8));
    assert_eq!(seen(2.1, 13.1), scale.at(0.4));
    let hatched: Vec<Rgb> = (0..40)
        .map(|k| seen(10.5 + 0.02 * f64::from(k), 11.0))
        .collect();
    assert!(hatched.iter().any(|c| *c != hatched[0]), "no hatching");
    assert!(
        hatched
            .iter()
            .all(|c| c.iter().max().unwrap() - c.iter().min().unwrap() < 16)
    );
}

#[test]
fn the_unrolled_ribbon_shows_s_to_the_right_and_left_on_top() {
    let borders: Vec<f64> = (0..=20).map(|k| 12.5 * f64::from(k)).collect();
    let frame = CellFrame::ribbon(&borders, Closure::Open, 0.25).unwrap();
    // Vermillion on the left at s = 150..152, blue on the right at 200..202, −3 mm elsewhere.
    let d = |u: f64, v: f64| {
        if (150.0..152.0).contains(&u) && v > 2.0 {
            0.007
        } else if (200.0..202.0).contains(&u) && v < -2.0 {
            -0.02
        } else {
            -0.003
        }
    };
    let map = map(frame, 20, [250.0, 4.0], &d);
    let place = |s: f64, t: f64| [s, t];
    let spots = map.spots(TOLERANCE_M, &place);
    let picture = MapPicture {
        edges: Some(Box::new(|_| [-4.0, 4.0])),
        ..MapPicture::of_plane(&map, &spots, TOLERANCE_M)
    };
    let canvas = picture.draw();
    let rows = unrolled::Rows::new(&picture).unwrap();
    let top = HEADER
        + plan::Plan::new(&picture)
            .height()
            .max(table::height(spots.len()));
    let seen = |s: f64, t: f64| {
        let row = rows.row_of(s);
        let [x, y] = rows.at(row, s, t);
        let band = (top + unrolled::HEADING + f64::from(row) * rows.pitch()).round();
        pixel(&canvas, [x, y + band])
    };
    let scale = Diverging::default();
    assert_eq!(seen(151.1, 3.1), scale.at(0.7));
    assert_eq!(seen(201.1, -3.1), scale.at(-2.0));
    assert_eq!(seen(151.1, -3.1), scale.at(-0.3));
    assert_eq!(seen(30.1, 0.1), scale.at(-0.3));
}

#[test]
fn edges_of_what_the_map_does_not_show_stay_off_the_page() {
    let borders: Vec<f64> = (0..=20).map(|k| 12.5 * f64::from(k)).collect();
    let frame = CellFrame::ribbon(&borders, Closure::Open, 0.25).unwrap();
    // A map of the first 25 m; the other 225 turn away to the north, out of the page.
    let map = map(frame, 2, [250.0, 4.0], &|_, _| 0.001);
    let place = |s: f64, t: f64| {
        let on = (s - 25.0).max(0.0);
        if on > 0.0 { [25.0 - t, on] } else { [s, t] }
    };
    let drawn = |edges: Option<Box<dyn Fn(f64) -> [f64; 2]>>| {
        let picture = MapPicture {
            place: Box::new(place),
            edges,
            ..MapPicture::of_plane(&map, &[], TOLERANCE_M)
        };
        picture.draw()
    };
    let (with, without) = (drawn(Some(Box::new(|_| [-4.0, 4.0]))), drawn(None));
    let row = |canvas: &Canvas, y: usize| -> Vec<Rgb> {
        (0..canvas.width())
            .map(|x| canvas.pixel(x, y).unwrap())
            .collect()
    };
    let head = 0..to_index(HEADER);
    assert!(head.clone().all(|y| row(&with, y) == row(&without, y)));
    let below = to_index(HEADER)..to_index(HEADER) + 300;
    assert!(below.clone().any(|y| row(&with, y) != row(&without, y)));
}

#[test]
fn the_page_stays_of_a_size_that_opens() {
    for (length_m, rows_m) in [(300.0, 100.0), (4000.0, 200.0), (7000.0, 400.0)] {
        let frame = CellFrame::ribbon(&[0.0, length_m], Closure::Closed, 0.25).unwrap();
        let mut builder = MapBuilder::new(frame.clone());
        let points = SectionPoints {
            intensity: &[],
            key: (0, 0),
            u_m: &[],
            v_m: &[],
            d_m: &[],
            across_m: (-7.0, 6.9),
            ground: &|s, _| (s < 2.0).then_some(0),
        };
        builder.push(DeviationCells::new(frame).section(&points).unwrap());
        let map = builder.finish();
        let turn = std::f64::consts::TAU / length_m;
        let place = |s: f64, t: f64| {
            let (sin, cos) = (s * turn).sin_cos();
            [(1.0 / turn - t) * cos, (1.0 / turn - t) * sin]
        };
        let picture = MapPicture {
            place: Box::new(place),
            ..MapPicture::of_plane(&map, &[], TOLERANCE_M)
        };
        let rows = unrolled::Rows::new(&picture).unwrap();
        let width_m = (WIDTH - MARGIN - rows.at(0, 0.0, 0.0)[0])
            / (rows.at(0, 1.0, 0.0)[0] - rows.at(0, 0.0, 0.0)[0]);
        assert_eq!(round_i32(width_m), round_i32(rows_m), "{length_m}");
        assert!(rows.height() < 5700.0 && picture.draw().height() < 8000);
    }
}

#[test]
fn an_empty_map_is_drawn_and_says_so() {
    let frame = CellFrame::ribbon(&[0.0, 50.0], Closure::Open, 0.25).unwrap();
    let map = MapBuilder::new(frame).finish();
    let place = |s: f64, t: f64| [s, t];
    let picture = MapPicture {
        place: Box::new(place),
        ..MapPicture::of_plane(&map, &[], TOLERANCE_M)
    };
    let canvas = picture.draw();
    assert!(canvas.height() > 300 && canvas.width() == 2400);
}
