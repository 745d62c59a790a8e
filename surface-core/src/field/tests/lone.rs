//! Points that are alone in a cell, and bodies that stood on the road.

use super::*;

#[test]
fn a_lone_stray_in_a_cell_makes_no_spike() {
    // 50 points a square metre: every other cell is empty, most others hold one point.
    let mut points: Vec<PackedPoint> = scan(33, |_, _| 0.0).into_iter().step_by(80).collect();
    let at = [6.4, 0.6, -0.06].map(|v| Frame::pack(v).unwrap());
    points.retain(|p| (p.abc[0] - at[0]).abs() > 5000 || (p.abc[1] - at[1]).abs() > 5000);
    let point = |abc, setup| PackedPoint {
        abc,
        intensity: 0,
        setup,
    };
    points.push(point(at, 5));
    let lowest = |points: &[PackedPoint]| {
        let rows = fit(points, 1e-8);
        rows.z_m.iter().copied().fold(f64::INFINITY, f64::min)
    };
    // Noise of 1 mm a point; the stray lies at -60 mm.
    assert!(lowest(&points) > -6e-3, "{}", lowest(&points));
    // Nor where a second stray, 0.2 m away, agrees with it.
    let other = [6.6, 0.6, -0.058].map(|v| Frame::pack(v).unwrap());
    points.retain(|p| (p.abc[0] - other[0]).abs() > 5000 || (p.abc[1] - other[1]).abs() > 5000);
    points.push(point(other, 5));
    assert!(lowest(&points) > -6e-3, "{}", lowest(&points));
    // Nor where another setup saw two points of the road only, which tell nothing of its noise.
    points.push(point([9.0, 1.0, 0.0].map(|v| Frame::pack(v).unwrap()), 6));
    points.push(point([9.9, -1.0, 0.0].map(|v| Frame::pack(v).unwrap()), 6));
    let at = [3.2, -0.7, -0.04].map(|v| Frame::pack(v).unwrap());
    points.retain(|p| (p.abc[0] - at[0]).abs() > 5000 || (p.abc[1] - at[1]).abs() > 5000);
    points.push(point(at, 5));
    assert!(lowest(&points) > -6e-3, "{}", lowest(&points));
}

#[test]
fn a_lone_point_of_a_quiet_setup_stays_among_noisier_ones() {
    // 50 points a square metre of a setup that scatters by 10 mm; one of another that scatters by
    // 1 mm and saw the far end of the stretch well.
    let mut random = Random(35);
    let mut points: Vec<PackedPoint> = Vec::new();
    for point in scan(36, |_, _| 0.0).into_iter().step_by(80) {
        let [s, t, _] = point.metres();
        let near = (s - 3.2).hypot(t + 0.7) < 0.6;
        let off = 1e-2 * random.gauss();
        // Those near by happen to lie 2 σ off.
        let z = if near { 2e-2_f64.copysign(off) } else { off };
        points.push(PackedPoint {
            abc: [s, t, z].map(|v| Frame::pack(v).unwrap()),
            setup: 6,
            ..point
        });
    }
    let quiet = scan(37, |_, _| 0.0).into_iter().step_by(8);
    points.extend(quiet.filter(|p| p.metres()[0] > 9.0));
    let at = [3.2, -0.7, 0.0].map(|v| Frame::pack(v).unwrap());
    points.retain(|p| (p.abc[0] - at[0]).abs() > 5000 || (p.abc[1] - at[1]).abs() > 5000);
    points.push(PackedPoint {
        abc: at,
        intensity: 0,
        setup: 5,
    });
    let sums = cell_sums(&points, &lattice(), 0, &limits(), as_delivered());
    let lattice = lattice();
    let row = crate::numeric::to_index(3.2 / lattice.s_step_m + 0.5);
    let column = (-0.7 - lattice.column_t_m(0)) / lattice.t_step_m + 0.5;
    let column = crate::numeric::to_index(column);
    assert_eq!(sums.n[row * lattice.columns + column], 1);
}

#[test]
fn a_person_who_stood_there_leaves_no_spike() {
    // 350 points a square metre, and a body seen from one side: a wall of points from 0.12 m up.
    let mut points: Vec<PackedPoint> = scan(34, |_, _| 0.0).into_iter().step_by(11).collect();
    for (k, dx) in (0..240).map(|k| (k, 0.01 * f64::from(k % 40))) {
        let at = [6.0 + dx, 0.5 + 0.3 * dx, 0.12 + 0.02 * f64::from(k / 4)];
        points.push(PackedPoint {
            abc: at.map(|v| Frame::pack(v).unwrap()),
            intensity: 0,
            setup: 5,
        });
    }
    for shift in 0..8 {
        let moved: Vec<PackedPoint> = points
            .iter()
            .map(|p| PackedPoint {
                abc: [p.abc[0] + 2500 * shift, p.abc[1] - 2500 * shift, p.abc[2]],
                ..*p
            })
            .collect();
        let rows = fit(&moved, 1e-8);
        let highest = rows.z_m.iter().copied().fold(0.0, f64::max);
        // Noise of 1 mm a point; the body begins 120 mm up.
        assert!(highest < 6e-3, "shift {shift}: {highest}");
    }
}
