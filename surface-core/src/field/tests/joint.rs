//! Heights of plain ground that are found jointly.

use super::*;

/// Cells over the whole lattice, whose points lie evenly about their nodes, with heights and weights as given.
fn cells(
    z_m: impl Fn(f64, f64) -> f64,
    off_m: &mut dyn FnMut(f64) -> f64,
    w: impl Fn(f64, f64) -> f64,
) -> CellSums {
    let lattice = lattice();
    let mut sums = CellSums::empty(0, ROWS, lattice.columns);
    for k in 0..sums.w.len() {
        let (s, t) = (
            lattice.row_s_m(k / lattice.columns),
            lattice.column_t_m(k % lattice.columns),
        );
        sums.w[k] = w(s, t);
        sums.n[k] = 10;
        sums.wz[k] = sums.w[k] * (z_m(s, t) + off_m(sums.w[k].sqrt().recip()));
    }
    sums
}

fn fitted(sums: &CellSums) -> FieldRows {
    let params = KernelParams {
        level_m: 1e-8,
        bridge_m: 0.5,
    };
    first_rows(sums, ROWS, ROWS, params)
}

/// Heights further than `rows` from the ends and `columns` from the sides, by place.
fn inner(field: &FieldRows, rows: usize, columns: usize) -> impl Iterator<Item = (usize, usize)> {
    let all = field.lattice.columns;
    (rows..ROWS - rows).flat_map(move |r| (columns..all - columns).map(move |c| (r, c)))
}

/// Slopes are expected to be as they are around: were they expected to be none, the change of what is known
/// would move a plane of 5 % by hundredths of a millimetre.
#[test]
fn a_plane_stays_a_plane_where_points_thin_out() {
    let plane = |s: f64, t: f64| 0.05 * s - 0.08 * t;
    let sums = cells(plane, &mut |_| 0.0, |s, _| 1e8 * (-0.4 * s).exp());
    let field = fitted(&sums);
    for (row, column) in inner(&field, 0, 3) {
        let node = field.node(row, column).expect("a height inside");
        let (s, t) = (field.lattice.row_s_m(row), field.lattice.column_t_m(column));
        let off = node.z_m - plane(s, t);
        assert!(off.abs() < 1e-9, "{row} {column}: {off}");
    }
}

/// A height at the border of a run is told by what lies near, so that runs agree whoever makes them; the
/// heights beside it hardly depend on what lies a metre and a half away.
#[test]
fn borders_of_a_run_do_not_depend_on_what_is_solved_in_it() {
    let mut random = Random(71);
    let mut noise = |sigma: f64| sigma * random.gauss();
    let sums = cells(smooth, &mut noise, |_, _| 1e7);
    let mut other = sums.clone();
    let columns = lattice().columns;
    for k in 20 * columns..(ROWS - 20) * columns {
        other.wz[k] += other.w[k] * 2e-4 * random.gauss();
    }
    let (one, two) = (fitted(&sums), fitted(&other));
    let apart = |row: usize| {
        let pairs = (5..columns - 5).map(|c| {
            one.node(row, c).expect("a height inside").z_m
                - two.node(row, c).expect("a height inside").z_m
        });
        pairs.fold(0.0, |most: f64, d| most.max(d.abs()))
    };
    let (near, far) = ([0, 1, ROWS - 2, ROWS - 1].map(apart), [2, 3, 4].map(apart));
    println!("{near:?} {far:?} {}", apart(ROWS / 2));
    assert!(near.iter().all(|d| *d == 0.0), "{near:?}");
    assert!(far.iter().all(|d| *d < 5e-6), "{far:?}");
    assert!(apart(ROWS / 2) > 5e-5);
}

/// A step that no breakline marks, and a bump, are none of its business.
#[test]
fn steps_and_bumps_keep_the_heights_of_their_windows() {
    let mut random = Random(72);
    let mut noise = |sigma: f64| sigma * random.gauss();
    let up = |s: f64, t: f64| {
        let bump = 0.02 * (-((s - 3.0).powi(2) + t * t) / 0.02).exp();
        bump + if s > 8.04 { 0.006 } else { 0.0 }
    };
    let field = fitted(&cells(up, &mut noise, |_, _| 1e7));
    let off = |row: usize, column: usize| {
        let (s, t) = (field.lattice.row_s_m(row), field.lattice.column_t_m(column));
        field.node(row, column).expect("a height inside").z_m - up(s, t)
    };
    for row in [78, 79, 80, 81, 82, 83] {
        let across: Vec<f64> = (5..60).map(|c| off(row, c)).collect();
        assert!(rms(&across) < 5e-4, "{row}: {}", rms(&across));
    }
    // 0.1 m wide to one standard deviation: what is left of its top is what windows leave.
    assert!(off(30, 32).abs() < 1.5e-3, "{}", off(30, 32));
}

/// Under so thin points windows are as wide as they may be; solved for jointly, heights would have half their
/// noise, the rows at either end of a run all of it, and σ would be that of windows.
#[test]
fn heights_under_thin_points_are_as_noisy_at_the_borders_of_a_run_as_in_it() {
    let own = 100;
    let params = KernelParams {
        level_m: 1e-8,
        bridge_m: 0.5,
    };
    let columns = lattice().columns;
    let (mut inner, mut border, mut sigma) = (Vec::new(), Vec::new(), 0.0);
    for seed in 73..103 {
        let mut random = Random(seed);
        let mut noise = |sigma: f64| sigma * random.gauss();
        let sums = cells(|_, _| 0.0, &mut noise, |_, _| 2e4);
        let field = first_rows(&sums, own, ROWS, params);
        let of_rows = |rows: std::ops::Range<usize>| {
            let places = rows.flat_map(|r| (12..columns - 12).map(move |c| (r, c)));
            let heights = places.map(|(r, c)| field.node(r, c).expect("a height inside").z_m);
            heights.collect::<Vec<f64>>()
        };
        inner.extend(of_rows(20..own - 10));
        border.extend(of_rows(own - 2..own));
        sigma = f64::from(
            field
                .node(own / 2, columns / 2)
                .expect("a height inside")
                .sigma_m,
        );
    }
    let (inner, border) = (rms(&inner), rms(&border));
    // 7.1 mm a cell; a Gaussian of 3 steps passes 1/√(4π·9) of it, and bends that are given back add a fifth.
    // Solved for jointly it would be half of that.
    let expected = 2e4f64.powf(-0.5) / (36.0 * std::f64::consts::PI).sqrt();
    println!("inner {inner:.2e} m for {expected:.2e}, border {border:.2e}, σ {sigma:.2e}");
    let near = |value: f64, middle: f64| (value / middle - 1.0).abs() < 0.2;
    assert!(near(inner, 1.2 * expected), "{inner} for {expected}");
    assert!(near(border, inner), "{border} for {inner}");
    assert!(near(inner, sigma), "{inner} for {sigma}");
}
