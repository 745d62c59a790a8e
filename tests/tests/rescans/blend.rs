//! The border of a change: an offset is blended without a jump in height or slope.

use surface_core::field::Lattice;
use surface_core::numeric::to_f32;
use surface_core::rescan::{Blend, Grid, Pair, Regions};

/// A strip of 80 × 10 m with a panel raised by 9 mm, and all new heights off by `offset_m`.
fn pair(offset_m: f64) -> (Pair, Regions) {
    let lattice = Lattice::new([0.1, 0.1], 800, -50..51, false).unwrap();
    let mut pair = Pair::new(Grid::new(lattice, std::slice::from_ref(&(0..800))));
    let nodes = pair.grid.nodes();
    let (mut sign, mut seed) = (vec![0; nodes], vec![false; nodes]);
    for k in 0..nodes {
        let [s, t] = pair.grid.place(k);
        let panel = s > 32.95 && s < 46.95 && t > -2.05 && t < 1.95;
        pair.old_m[k] = 0.01 * s;
        pair.new_m[k] = pair.old_m[k] + offset_m + if panel { 9e-3 } else { 0.0 };
        pair.sigma_m[k] = [to_f32(2e-4); 2];
        pair.inside[k] = true;
        sign[k] = i8::from(panel);
        seed[k] = panel;
    }
    let regions = Regions::join(&pair.grid, &sign, &seed, 4);
    (pair, regions)
}

/// Greatest change of what blending adds, from node to node (height, metres) and of its slope.
fn jumps(pair: &Pair, blend: &Blend, offset_m: f64) -> [f64; 2] {
    let columns = pair.grid.columns();
    let added = |row: usize, column: usize| blend.weight(row * columns + column) * offset_m;
    let mut most = [0.0f64; 2];
    for row in 1..pair.grid.rows() - 1 {
        for column in 1..columns - 1 {
            let along = [
                added(row - 1, column),
                added(row, column),
                added(row + 1, column),
            ];
            let across = [
                added(row, column - 1),
                added(row, column),
                added(row, column + 1),
            ];
            for [a, b, c] in [along, across] {
                most[0] = most[0].max((c - b).abs());
                most[1] = most[1].max((a - 2.0 * b + c).abs() / 0.1);
            }
        }
    }
    most
}

#[test]
fn an_offset_is_blended_without_a_jump_in_height_or_slope() {
    for offset_m in [0.1e-3, 0.3e-3, 1e-3, -2e-3] {
        let (pair, regions) = pair(offset_m);
        assert_eq!(regions.list.len(), 1);
        let blend = Blend::new(&pair, &regions, &[offset_m]);
        let [height, slope] = jumps(&pair, &blend, offset_m);
        println!(
            "offset {:+.1} mm: {:.4} mm from node to node, slope by {:.4} mm/m",
            1e3 * offset_m,
            1e3 * height,
            1e3 * slope
        );
        // The aims: 0.05 mm and 0.05 mm/m. The offset ends within 10 m.
        assert!(
            height <= 0.05e-3 && slope <= 0.05e-3,
            "{offset_m}: {height} {slope}"
        );
        assert!(blend.weight(0) == 0.0 && blend.is_new(40.0, 0.0));
        assert!(!blend.is_new(40.0, 2.5) && blend.weight_at(40.0, 2.5) > 0.9);
        let rows = blend.touched_rows();
        assert!(
            rows[0] > 220 && *rows.last().unwrap() < 580,
            "{} {:?}",
            rows[0],
            rows.last()
        );
    }
}

#[test]
fn where_the_scan_ends_beside_a_change_the_old_heights_end_the_blending() {
    let (mut pair, regions) = pair(1e-3);
    for k in 0..pair.grid.nodes() {
        if pair.grid.place(k)[0] > 48.0 {
            pair.new_m[k] = f64::NAN;
        }
    }
    let blend = Blend::new(&pair, &regions, &[1e-3]);
    assert!(blend.weight_at(46.9, 0.0) >= 1.0 && blend.weight_at(48.1, 0.0) == 0.0);
    let down = [47.3, 47.6, 47.9].map(|s| blend.weight_at(s, 0.0));
    // A smooth step from 47.25 to 48.1 m is 0.14 at 47.9 m.
    assert!(
        down[0] > down[1] && down[1] > down[2] && down[2] < 0.15,
        "{down:?}"
    );
    let refined = blend.refined(&pair);
    // Two equal errors share evenly, away from the end of the scan.
    assert!((refined.weight_at(10.0, 0.0) - 0.5).abs() < 1e-6);
    assert!(refined.weight_at(60.0, 0.0) == 0.0 && refined.weight_at(40.0, 0.0) >= 1.0);
}
