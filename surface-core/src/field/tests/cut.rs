//! Windows that are cut at breaklines.

use super::*;

/// The line t = 0.35 s − 1.987 from s = 1 to 11.8, vertices 0.25 m apart.
fn slanted() -> crate::zones::Breaklines {
    let at = |k: i32| {
        let s = 1.0 + 0.225 * f64::from(k);
        crate::ribbon::RibbonPoint {
            s,
            t: 0.35 * s - 1.987,
        }
    };
    crate::zones::Breaklines::new(vec![crate::zones::Breakline {
        points: (0..=48).map(at).collect(),
        step_m: 0.005,
        sd_m: 1e-4,
    }])
}

/// As [`fit`], along breaklines; and the heights at some places.
fn fit_cut(
    points: &[PackedPoint],
    lines: &crate::zones::Breaklines,
    places: &[[f64; 2]],
) -> (FieldRows, Vec<RailNode>) {
    let lattice = lattice();
    let params = KernelParams {
        level_m: 1e-8,
        bridge_m: 0.5,
    };
    let cuts = Cuts::near_rows(lines, &lattice, 0, ROWS);
    let sums = cell_sums_cut(points, &lattice, 0, &limits(), as_delivered(), &cuts);
    let window = Window::join(&lattice, 0, &[(&sums, 0..ROWS)]).cut_along(lines);
    let mut rows = FieldRows::empty(lattice, 0, ROWS).unwrap();
    fit_rows(&window, &limits(), params, &mut rows);
    (rows, fit_places(&window, params, places))
}

/// 5 mm up left of the slanted line, where it runs.
fn slanted_step(s: f64, t: f64) -> f64 {
    smooth(s, t) + if t > 0.35 * s - 1.987 { 0.005 } else { 0.0 }
}

#[test]
fn along_a_breakline_a_slanted_step_is_as_exact_as_the_open_road() {
    let at = |k: i32, side: f64| {
        let s = 2.0 + 0.093 * f64::from(k);
        [
            s - side * 0.33 * 0.005,
            0.35 * s - 1.987 + side * 0.94 * 0.005,
        ]
    };
    let places: Vec<[f64; 2]> = (0..90).flat_map(|k| [at(k, 1.0), at(k, -1.0)]).collect();
    let (rows, rails) = fit_cut(&scan(41, slanted_step), &slanted(), &places);
    let off = |s: f64, t: f64| (t - 0.35 * s + 1.987).abs() / 1.0595;
    let inner = |s: f64| (1.3..11.5).contains(&s);
    let near = errors(&rows, slanted_step, |s, t| inner(s) && off(s, t) < 0.15);
    let far = errors(&rows, slanted_step, |s, t| {
        inner(s) && (0.6..1.5).contains(&off(s, t))
    });
    println!(
        "near {:.3} mm, far {:.3} mm",
        1e3 * rms(&near),
        1e3 * rms(&far)
    );
    assert!(near.len() > 250 && far.len() > 1000);
    // A window at a wall has half the cells: 1.19 times the error were it as wide, and it widens.
    assert!(rms(&near) < 1.3 * rms(&far), "{} {}", rms(&near), rms(&far));
    let e: Vec<f64> = rails
        .iter()
        .zip(&places)
        .map(|(r, &[s, t])| r.z_m - slanted_step(s, t))
        .collect();
    println!("rails {:.3} mm", 1e3 * rms(&e));
    // At the wall itself a plane's end is twice as unsure as its middle.
    assert!(rms(&e) < 2.6 * rms(&far), "{}", rms(&e));
}

#[test]
fn breaklines_change_next_to_nothing_out_of_their_reach() {
    let points = scan(42, slanted_step);
    let (cut, _) = fit_cut(&points, &slanted(), &[]);
    let plain = fit(&points, 1e-8);
    for row in 0..ROWS {
        for column in 0..cut.lattice.columns {
            let (s, t) = (cut.lattice.row_s_m(row), cut.lattice.column_t_m(column));
            if (t - 0.35 * s + 1.987).abs() > 1.5 {
                let z = |rows: &FieldRows| rows.node(row, column).map(|n| n.z_m);
                let off = z(&cut).zip(z(&plain)).map_or(0.0, |(a, b)| a - b);
                assert_eq!(z(&cut).is_some(), z(&plain).is_some());
                // A setup's usual scatter is the median over the run's blocks, and those at the
                // line are planes of one side now: a thousandth of a node's σ of 0.1 mm.
                assert!(off.abs() < 1e-6, "{off} m");
            }
        }
    }
    let (none, _) = fit_cut(&points, &crate::zones::Breaklines::default(), &[]);
    assert_eq!(
        none.z_m.iter().map(|z| z.to_bits()).collect::<Vec<_>>(),
        plain.z_m.iter().map(|z| z.to_bits()).collect::<Vec<_>>()
    );
}
