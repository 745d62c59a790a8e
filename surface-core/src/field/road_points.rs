//! Single points of the road beside places of interest: corrected, and weighed by what their setups are
//! worth.

use super::block_grid::BlockGrid;
use super::block_noise::{UsualNoise, least_variance_m2};
use super::cells::{RowLimits, cell_finder, nearest_turn};
use super::fading::Powers;
use super::lattice::Lattice;
use super::trust::{RunSetups, Trust};
use crate::cloud::PackedPoint;

/// A point of the road.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoadPoint {
    /// Along the line, metres; below 0 just before the start of a closed course.
    pub s_m: f64,
    /// Left of the line, metres.
    pub t_m: f64,
    /// Height less the correction of its setup, metres.
    pub z_m: f64,
    /// 1/σ² of its height, 1/m².
    pub weight: f64,
}

/// The points of a run of rows for which `wanted` holds of (s, t), in their order; other arguments as in
/// [`cell_sums`](super::cell_sums).
///
/// A point's σ is what the noise model expects of its setup there, else what is usual of the setup in
/// the run (`usual`): no planes of blocks are asked, as a block may hold a step. What stands on the road
/// is not left out.
#[must_use]
pub fn road_points(
    points: &[PackedPoint],
    lattice: &Lattice,
    first_row: usize,
    limits: &RowLimits,
    (trust, usual): (Trust, &UsualNoise),
    wanted: impl Fn([f64; 2]) -> bool,
) -> Vec<RoadPoint> {
    let rows = limits.left_t_m.len();
    let setups = RunSetups::new(points, lattice, first_row, rows, trust);
    let powers = Powers::of(&setups.numbers, trust.setups);
    let least_m2: Vec<f64> = (0..setups.len())
        .map(|dense| least_variance_m2(&setups, dense))
        .collect();
    let cell_of = cell_finder(lattice, first_row, limits);
    let grid = BlockGrid::new(lattice, rows);
    let s0 = lattice.row_s_m(first_row);
    let road_point = |point: &PackedPoint| {
        let [s, t, z] = point.metres();
        let s = s0 + nearest_turn(s - s0, rows, lattice);
        if !wanted([s, t]) {
            return None;
        }
        let (dense, block) = (setups.dense(point.setup)?, grid.of_cell(cell_of(point)?));
        let z = z - setups.shift_m(block, dense);
        let [x, y] = setups.middles[block];
        let faded = powers.at(point.intensity);
        let expected = trust.setups.variance_m2(point.setup, [x, y, z], faded);
        let variance_m2 = expected.unwrap_or_else(|| usual.of_m2(point.setup));
        Some(RoadPoint {
            s_m: s,
            t_m: t,
            z_m: z,
            weight: variance_m2.max(least_m2[usize::from(dense)]).recip(),
        })
    };
    points.iter().filter_map(road_point).collect()
}

#[cfg(test)]
mod tests {
    use super::super::block_noise::UsualNoise;
    use super::*;
    use crate::cloud::Frame;
    use crate::setups::{Correction, NoiseModel, SetupModel, SetupModels};

    fn point([s, t, z]: [f64; 3], setup: u16) -> PackedPoint {
        PackedPoint {
            abc: [s, t, z].map(|v| Frame::pack(v).unwrap()),
            intensity: 0,
            setup,
        }
    }

    #[test]
    fn points_weigh_what_their_setup_is_worth_and_those_off_the_road_or_not_wanted_are_none() {
        let lattice = Lattice::new([0.1, 0.1], 128, -20..21, false).unwrap();
        let limits = RowLimits {
            left_t_m: vec![1.0; 128],
            right_t_m: vec![-1.0; 128],
        };
        // Setup 0 errs by 3 mm at any distance and is 2 mm too high; of setup 1 nothing is known, and 2 is
        // left out.
        let known = SetupModel {
            position_m: Some([0.0, 0.0, 2.0]),
            noise: Some(NoiseModel {
                texture_m: 3e-3,
                ..NoiseModel::default()
            }),
            correction: Correction {
                offset_m: 2e-3,
                ..Correction::default()
            },
            ..SetupModel::default()
        };
        let left_out = SetupModel {
            left_out: true,
            ..SetupModel::default()
        };
        let setups = SetupModels::new(vec![known, SetupModel::default(), left_out]);
        let trust = Trust {
            setups: &setups,
            place: &|s, t| [s, t],
        };
        let usual = UsualNoise::of(&[(1, 4e-6)]);
        let points = [
            point([5.0, 0.5, 0.1], 0),
            point([5.0, 0.5, 0.1], 1),
            point([5.0, 0.5, 0.1], 2),
            point([5.0, 1.5, 0.1], 1),
            point([9.0, 0.5, 0.1], 1),
        ];
        let near = |[s, _]: [f64; 2]| s < 8.0;
        let found = road_points(&points, &lattice, 0, &limits, (trust, &usual), near);
        assert_eq!(found.len(), 2);
        for (p, [z, variance]) in found.iter().zip([[0.098, 9e-6], [0.1, 4e-6]]) {
            assert!((p.z_m - z).abs() < 1e-5, "{p:?}");
            assert!((p.weight * variance - 1.0).abs() < 1e-6, "{p:?}");
            assert!((p.s_m - 5.0).abs() < 1e-4 && (p.t_m - 0.5).abs() < 1e-4);
        }
        // A setup of which too few points told anything is taken for calm ground.
        assert!((usual.of_m2(7) - 6.4e-5).abs() < 1e-12);
    }

    #[test]
    fn before_the_start_of_a_closed_course_s_is_below_zero_and_a_limit_is_road() {
        let lattice = Lattice::new([0.1, 0.1], 256, -20..21, true).unwrap();
        let limits = RowLimits {
            left_t_m: vec![1.0; 128],
            right_t_m: vec![-1.0; 128],
        };
        let setups = SetupModels::default();
        let trust = Trust {
            setups: &setups,
            place: &|s, t| [s, t],
        };
        let points = [point([25.57, 1.0, 0.0], 0), point([25.5, 1.0, 0.0], 0)];
        let usual = UsualNoise::default();
        let seen = std::cell::RefCell::new(Vec::new());
        let note = |at: [f64; 2]| {
            seen.borrow_mut().push(at[0]);
            true
        };
        let found = road_points(&points, &lattice, 0, &limits, (trust, &usual), note);
        assert_eq!(found.len(), 1);
        assert!((found[0].s_m + 0.03).abs() < 1e-4, "{found:?}");
        assert!((seen.borrow()[0] + 0.03).abs() < 1e-4);
    }
}
