//! y = Σ βₚ·xₚ: weighted least squares with a few columns, and its reweighting (M-estimation).

use super::{factor_dense, solve_dense};

/// Huber's weight of a residual in units of its threshold: 1 inside, 1/|r| outside. Estimates with
/// it lean on every point, but on none more than on one at the threshold; with a small threshold
/// they are those of least absolute deviations. 1.345 robust scales leave 95 % efficiency.
#[must_use]
pub fn huber(r: f64) -> f64 {
    1.0 / r.abs().max(1.0)
}

/// β of least Σ w·(y − x·β)² over `(weight, x, y)`; `None` where the columns are not independent.
///
/// By the normal equations: for a few columns of like size, where the squared condition number
/// costs no digit that is needed (NIST's Norris data, x up to 1000: 11 digits are left).
pub fn weighted_fit<const P: usize>(
    samples: impl Iterator<Item = (f64, [f64; P], f64)>,
) -> Option<[f64; P]> {
    let mut products = vec![0.0; P * P];
    let mut beta = [0.0; P];
    for (w, x, y) in samples {
        for i in 0..P {
            beta[i] += w * x[i] * y;
            for j in 0..P {
                products[P * i + j] += w * x[i] * x[j];
            }
        }
    }
    factor_dense(&mut products, P, 0).ok()?;
    solve_dense(&products, P, &mut beta);
    Some(beta)
}

/// β after `rounds` of reweighting from `start`: each round fills in the weights of the residuals
/// y − x·β (`weigh(round, residuals, weights)`) and fits anew. Stops early where the weights leave
/// the columns dependent.
///
/// Method: iteratively reweighted least squares (Holland & Welsch 1977).
pub fn reweighted_fit<const P: usize>(
    samples: &[([f64; P], f64)],
    start: [f64; P],
    rounds: usize,
    mut weigh: impl FnMut(usize, &[f64], &mut [f64]),
) -> [f64; P] {
    let mut beta = start;
    let (mut residuals, mut weights) = (vec![0.0; samples.len()], vec![1.0; samples.len()]);
    for round in 0..rounds {
        for (r, (x, y)) in residuals.iter_mut().zip(samples) {
            *r = y - x.iter().zip(&beta).map(|(x, b)| x * b).sum::<f64>();
        }
        weigh(round, &residuals, &mut weights);
        let weighted = weights.iter().zip(samples).map(|(w, (x, y))| (*w, *x, *y));
        match weighted_fit(weighted) {
            Some(next) => beta = next,
            None => break,
        }
    }
    beta
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::{PlaneSums, TUKEY_C, biweight, mad_sigma};

    /// NIST Statistical Reference Datasets, linear regression, "Norris": x and y.
    const NORRIS: [[f64; 36]; 2] = [
        [
            0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6,
            775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8,
            339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
        ],
        [
            0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1,
            778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6,
            339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
        ],
    ];
    /// Its certified values (intercept, slope, residual standard deviation).
    const NORRIS_CERTIFIED: [f64; 3] = [-0.262323073774029, 1.00211681802045, 0.884796396144373];

    /// Brownlee's stack loss data: air flow, water temperature, acid concentration, loss.
    const STACKLOSS: [[f64; 4]; 21] = [
        [80.0, 27.0, 89.0, 42.0],
        [80.0, 27.0, 88.0, 37.0],
        [75.0, 25.0, 90.0, 37.0],
        [62.0, 24.0, 87.0, 28.0],
        [62.0, 22.0, 87.0, 18.0],
        [62.0, 23.0, 87.0, 18.0],
        [62.0, 24.0, 93.0, 19.0],
        [62.0, 24.0, 93.0, 20.0],
        [58.0, 23.0, 87.0, 15.0],
        [58.0, 18.0, 80.0, 14.0],
        [58.0, 18.0, 89.0, 14.0],
        [58.0, 17.0, 88.0, 13.0],
        [58.0, 18.0, 82.0, 11.0],
        [58.0, 19.0, 93.0, 12.0],
        [50.0, 18.0, 89.0, 8.0],
        [50.0, 18.0, 86.0, 7.0],
        [50.0, 19.0, 72.0, 8.0],
        [50.0, 19.0, 79.0, 8.0],
        [50.0, 20.0, 80.0, 9.0],
        [56.0, 20.0, 82.0, 15.0],
        [70.0, 20.0, 91.0, 15.0],
    ];

    fn assert_near(found: &[f64], wanted: &[f64], within: f64) {
        for (a, b) in found.iter().zip(wanted) {
            assert!((a - b).abs() <= within, "{found:?} against {wanted:?}");
        }
    }

    #[test]
    fn norris_gives_the_values_that_nist_certifies() {
        let pairs = || NORRIS[0].iter().zip(&NORRIS[1]);
        let beta = weighted_fit(pairs().map(|(x, y)| (1.0, [1.0, *x], *y))).unwrap();
        assert_near(&beta, &NORRIS_CERTIFIED[..2], 1e-10);
        let square: f64 = pairs()
            .map(|(x, y)| (y - beta[0] - beta[1] * x).powi(2))
            .sum();
        assert_near(&[(square / 34.0).sqrt()], &NORRIS_CERTIFIED[2..], 1e-12);
    }

    #[test]
    fn the_moments_of_a_plane_give_norris_to_their_damping() {
        let mut sums = PlaneSums::default();
        for (x, y) in NORRIS[0].iter().zip(&NORRIS[1]) {
            sums.add(1.0, *x, 0.0, *y);
        }
        let plane = sums.solve(0.0, 0.0, 0.0).unwrap();
        // Slopes are damped by 1e-6 of Σx², here 2.3e-6 of the slope about the mean x of 427.
        assert_near(&[plane.slope_u], &NORRIS_CERTIFIED[1..], 5e-6);
        let [a, b, _] = NORRIS_CERTIFIED;
        assert_near(&[plane.at(427.0, 0.0)], &[a + 427.0 * b], 1e-4);
    }

    /// M-estimate with the median absolute deviation about 0 as scale, run until it stands.
    fn stackloss(weight: impl Fn(f64) -> f64) -> ([f64; 4], f64, Vec<f64>) {
        let samples = STACKLOSS.map(|[a, b, c, y]| ([1.0, a, b, c], y));
        let ordinary = weighted_fit(samples.iter().map(|(x, y)| (1.0, *x, *y))).unwrap();
        // Ordinary least squares, computed with numpy.
        assert_near(
            &ordinary,
            &[-39.919674420, 0.715640200, 1.295286124, -0.152122519],
            1e-8,
        );
        let (mut scale, mut last) = (0.0, Vec::new());
        let beta = reweighted_fit(&samples, ordinary, 300, |_, residuals, weights| {
            scale = mad_sigma(&mut residuals.to_vec(), 0.0).unwrap();
            for (w, r) in weights.iter_mut().zip(residuals) {
                *w = weight(r / scale);
            }
            last = weights.to_vec();
        });
        (beta, scale, last)
    }

    #[test]
    fn hubers_estimate_on_the_stack_loss_data_is_the_published_one() {
        let (beta, scale, weights) = stackloss(|r| huber(r / 1.345));
        // As statsmodels' documentation prints it (Robust Linear Models, HuberT).
        let printed = [-41.02649835, 0.82938433, 0.92606597, -0.12784672];
        assert_near(&beta, &printed, 1e-7);
        // R's rlm (accuracy 1e-4), from the results that statsmodels is tested with.
        let r = [-41.02653105, 0.82937387, 0.92610818, -0.12784916];
        assert_near(&beta, &r, 1e-4);
        assert_near(&[scale], &[2.4407137948], 3e-4);
        assert_near(
            &[weights[2], weights[3], weights[20]],
            &[0.7858871, 0.50494094, 0.36814106],
            1e-4,
        );
    }

    #[test]
    fn tukeys_estimate_on_the_stack_loss_data_is_the_published_one() {
        let (beta, scale, weights) = stackloss(|r| biweight(r / TUKEY_C));
        // R's rlm (accuracy 1e-4), from the results that statsmodels is tested with.
        let r = [-42.28525369, 0.9275471, 0.65073222, -0.11233103];
        assert_near(&beta, &r, 2e-4);
        assert_near(&[scale], &[2.28188588], 1e-5);
        assert_near(&[weights[20], weights[3]], &[0.00222999, 0.3358111], 1e-5);
        // Converged, by another implementation in numpy.
        let converged = [
            -42.28535077933,
            0.927557322756,
            0.650717687214,
            -0.112333153791,
        ];
        assert_near(&beta, &converged, 1e-8);
    }

    #[test]
    fn dependent_columns_have_no_fit() {
        let same = (0..5).map(|k| (1.0, [1.0, 1.0], f64::from(k)));
        assert_eq!(weighted_fit(same), None);
    }
}
