//! z = z₀ + a·u + b·v: weighted least squares by moments, and a robust fit with a high-breakdown start.

use wide::f64x2;

use super::lanes::column_sums;

/// A plane over a local (u, v) system.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedPlane {
    /// Height at u = v = 0.
    pub z0: f64,
    /// ∂z/∂u.
    pub slope_u: f64,
    /// ∂z/∂v.
    pub slope_v: f64,
}

impl FittedPlane {
    /// Height at (u, v).
    #[must_use]
    #[inline]
    pub fn at(&self, u: f64, v: f64) -> f64 {
        self.z0 + self.slope_u * u + self.slope_v * v
    }
}

/// Weighted moments of (u, v, z); additive.
#[derive(Debug, Clone, Copy, Default)]
pub struct PlaneSums {
    /// Σw.
    pub w: f64,
    u: f64,
    v: f64,
    z: f64,
    uu: f64,
    uv: f64,
    vv: f64,
    uz: f64,
    vz: f64,
}

/// A direction whose spread is below this share of the window's size carries no slope.
const FLAT_SPREAD: f64 = 1e-6;

impl PlaneSums {
    /// Add one observation of weight `w`.
    #[inline]
    pub fn add(&mut self, w: f64, u: f64, v: f64, z: f64) {
        let (wu, wv) = (w * u, w * v);
        self.w += w;
        self.u += wu;
        self.v += wv;
        self.z += w * z;
        self.uu += wu * u;
        self.uv += wu * v;
        self.vv += wv * v;
        self.uz += wu * z;
        self.vz += wv * z;
    }

    /// Those of columns of weights, u, v and z.
    pub(crate) fn of_columns(columns: [&[f64]; 4]) -> Self {
        Self::from(column_sums(columns, |[w, u, v, z]| Self::terms(w, u, v, z)))
    }

    /// What two observations add: w, wu, wv, wz, wuu, wuv, wvv, wuz, wvz.
    #[inline]
    pub(crate) fn terms(w: f64x2, u: f64x2, v: f64x2, z: f64x2) -> [f64x2; 9] {
        let (wu, wv) = (w * u, w * v);
        [w, wu, wv, w * z, wu * u, wu * v, wv * v, wu * z, wv * z]
    }

    /// How far a plane through u² + v² lies above it at (0, 0): exact for a Gaussian whose middle is
    /// off, 0 without weight.
    #[must_use]
    pub fn leak_m2(&self) -> f64 {
        let Some([u, v]) = self.middle() else {
            return 0.0;
        };
        ((self.uu + self.vv) / self.w - 2.0 * (u * u + v * v)).max(0.0)
    }

    /// Weighted mean of (u, v); `None` without weight.
    pub(crate) fn middle(&self) -> Option<[f64; 2]> {
        (self.w > 0.0).then(|| [self.u / self.w, self.v / self.w])
    }

    /// Σwz, Σwuz, Σwvz.
    pub(crate) fn heights(&self) -> [f64; 3] {
        [self.z, self.uz, self.vz]
    }

    /// The weighted least-squares plane, with its slopes pulled towards `prior_u`, `prior_v` by
    /// pseudo-observations of weight `ridge` (in units of w·u²): where the points span no
    /// direction the prior slope stands. `None` without weight.
    #[must_use]
    pub fn solve(&self, prior_u: f64, prior_v: f64, ridge: f64) -> Option<FittedPlane> {
        if !(self.w > 0.0 && self.w.is_finite()) {
            return None;
        }
        let (mu, mv, mz) = (self.u / self.w, self.v / self.w, self.z / self.w);
        let tiny = FLAT_SPREAD * (self.uu + self.vv + f64::MIN_POSITIVE);
        let suu = self.uu - self.w * mu * mu + ridge + tiny;
        let svv = self.vv - self.w * mv * mv + ridge + tiny;
        let suv = self.uv - self.w * mu * mv;
        let suz = self.uz - self.w * mu * mz + (ridge + tiny) * prior_u;
        let svz = self.vz - self.w * mv * mz + (ridge + tiny) * prior_v;
        let det = suu * svv - suv * suv;
        let (slope_u, slope_v) = if det > f64::EPSILON * suu * svv {
            ((suz * svv - svz * suv) / det, (svz * suu - suz * suv) / det)
        } else {
            (prior_u, prior_v)
        };
        Some(FittedPlane {
            z0: mz - slope_u * mu - slope_v * mv,
            slope_u,
            slope_v,
        })
    }
}

impl From<[f64; 9]> for PlaneSums {
    /// From sums of [`PlaneSums::terms`].
    fn from([w, u, v, z, uu, uv, vv, uz, vz]: [f64; 9]) -> Self {
        Self {
            w,
            u,
            v,
            z,
            uu,
            uv,
            vv,
            uz,
            vz,
        }
    }
}

/// Tukey's biweight w(x) = (1 − x²)² for |x| < 1, else 0; x = r / (c·s).
#[must_use]
#[inline]
pub fn biweight(x: f64) -> f64 {
    let k = (1.0 - x * x).max(0.0);
    k * k
}

/// [`biweight`] of x given x²: needs no root where a variance is at hand.
#[must_use]
#[inline]
pub fn biweight_of_square(x2: f64) -> f64 {
    let k = (1.0 - x2).max(0.0);
    k * k
}

/// 95 % efficiency for Gaussian errors: Tukey's c (Holland & Welsch 1977; default of statsmodels).
pub const TUKEY_C: f64 = 4.685;
/// MAD → standard deviation of a Gaussian, 1/Φ⁻¹(3/4).
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;
/// Elemental starts of the least-trimmed-squares search: with half the points bad, one of 24
/// triples is all good with probability 1 − (7/8)²⁴ = 96 %; concentration steps do the rest.
const STARTS: usize = 24;
/// Concentration steps from each start (the objective settles in two or three).
const CONCENTRATIONS: usize = 3;

/// A robust plane through (u, v, z) triples: least trimmed squares over half of the points
/// (Rousseeuw 1984) from fixed elemental starts, then Tukey's M-estimate; returns the plane and
/// its robust scale, at least `floor`. `None` for fewer than 4 points.
///
/// Where plain least squares already leaves every point within `calm` the search is skipped:
/// nothing in there can pull the plane further than that. So it is where three quarters lie within
/// `calm` of the plane that concentration reaches from plain least squares: any other such plane
/// shares half of the points with it.
/// The starts are chosen by a fixed sequence, so the same points give the same plane.
#[must_use]
pub fn robust_plane(points: &[[f64; 3]], floor: f64, calm: f64) -> Option<(FittedPlane, f64)> {
    if points.len() < 4 {
        return None;
    }
    let plain = all(points)?;
    if points
        .iter()
        .all(|p| (p[2] - plain.at(p[0], p[1])).abs() <= calm)
    {
        return Some(m_estimate(points, plain, floor));
    }
    let mut work = vec![0.0; points.len()];
    let (_, near) = concentrate(points, plain, &mut work);
    let calm_points = points
        .iter()
        .filter(|p| (p[2] - near.at(p[0], p[1])).abs() <= calm)
        .count();
    if 4 * calm_points >= 3 * points.len() {
        return Some(m_estimate(points, near, floor));
    }
    let start = least_trimmed(points, &mut work).unwrap_or(plain);
    Some(m_estimate(points, start, floor))
}

fn least_trimmed(points: &[[f64; 3]], work: &mut [f64]) -> Option<FittedPlane> {
    let mut best: Option<(f64, FittedPlane)> = None;
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    for _ in 0..STARTS {
        let Some(start) = elemental(points, &mut state) else {
            continue;
        };
        let (objective, plane) = concentrate(points, start, work);
        if best.is_none_or(|(o, _)| objective < o) {
            best = Some((objective, plane));
        }
    }
    best.map(|(_, plane)| plane)
}

fn all(points: &[[f64; 3]]) -> Option<FittedPlane> {
    let mut sums = PlaneSums::default();
    points.iter().for_each(|p| sums.add(1.0, p[0], p[1], p[2]));
    sums.solve(0.0, 0.0, 0.0)
}

/// The plane through three points picked by a fixed linear congruential sequence (Knuth, MMIX).
fn elemental(points: &[[f64; 3]], state: &mut u64) -> Option<FittedPlane> {
    let mut sums = PlaneSums::default();
    for _ in 0..3 {
        *state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let k = usize::try_from((*state >> 33) % points.len() as u64).unwrap_or(0);
        sums.add(1.0, points[k][0], points[k][1], points[k][2]);
    }
    sums.solve(0.0, 0.0, 0.0)
}

fn concentrate(points: &[[f64; 3]], start: FittedPlane, work: &mut [f64]) -> (f64, FittedPlane) {
    let half = (points.len() + 4).div_ceil(2).min(points.len());
    let mut plane = start;
    let mut objective = f64::INFINITY;
    let square = |plane: &FittedPlane, p: &[f64; 3]| (p[2] - plane.at(p[0], p[1])).powi(2);
    for _ in 0..CONCENTRATIONS {
        work.iter_mut()
            .zip(points)
            .for_each(|(r, p)| *r = square(&plane, p));
        let (_, &mut limit, _) = work.select_nth_unstable_by(half - 1, f64::total_cmp);
        // Summed in the points' order: the selection leaves its halves in no promised order.
        let mut sums = PlaneSums::default();
        objective = 0.0;
        for p in points.iter().filter(|p| square(&plane, p) <= limit) {
            sums.add(1.0, p[0], p[1], p[2]);
            objective += square(&plane, p);
        }
        plane = sums.solve(0.0, 0.0, 0.0).unwrap_or(plane);
    }
    (objective, plane)
}

fn m_estimate(points: &[[f64; 3]], start: FittedPlane, floor: f64) -> (FittedPlane, f64) {
    let mut plane = start;
    let mut residuals: Vec<f64> = vec![0.0; points.len()];
    let mut scale = floor;
    for _ in 0..4 {
        for (r, p) in residuals.iter_mut().zip(points) {
            *r = (p[2] - plane.at(p[0], p[1])).abs();
        }
        let middle = residuals.len() / 2;
        let (_, mad, _) = residuals.select_nth_unstable_by(middle, f64::total_cmp);
        scale = (MAD_TO_SIGMA * *mad).max(floor);
        let mut sums = PlaneSums::default();
        for p in points {
            let w = biweight((p[2] - plane.at(p[0], p[1])) / (TUKEY_C * scale));
            sums.add(w, p[0], p[1], p[2]);
        }
        plane = sums
            .solve(plane.slope_u, plane.slope_v, 0.0)
            .unwrap_or(plane);
    }
    (plane, scale)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(n: i32) -> Vec<[f64; 3]> {
        let at = |k: i32| f64::from(k) * 0.1;
        let points = (0..n).flat_map(|i| (0..n).map(move |j| [at(i), at(j)]));
        points
            .map(|[u, v]| [u, v, 2.0 + 0.03 * u - 0.02 * v])
            .collect()
    }

    #[test]
    fn an_exact_plane_is_returned_to_rounding() {
        let (plane, scale) = robust_plane(&grid(6), 1e-6, 0.0).unwrap();
        // Rounding of moments about 1; FLAT_SPREAD pulls slopes by 1e-6 of themselves.
        assert!((plane.z0 - 2.0).abs() < 1e-6 && (plane.slope_u - 0.03).abs() < 1e-6);
        assert!((plane.slope_v + 0.02).abs() < 1e-6 && scale <= 1e-6);
    }

    #[test]
    fn two_points_in_five_a_car_high_do_not_move_the_plane() {
        let mut points = grid(10);
        for (k, p) in points.iter_mut().enumerate() {
            if k % 5 < 2 {
                p[2] += 0.4 + 0.01 * f64::from(u8::try_from(k % 7).unwrap());
            }
        }
        let (plane, _) = robust_plane(&points, 1e-4, 0.01).unwrap();
        // A least-squares plane is 0.17 m off here.
        assert!((plane.at(0.5, 0.5) - 2.005).abs() < 1e-6, "{plane:?}");
    }

    #[test]
    fn points_on_a_line_keep_the_prior_slope_across_it() {
        let mut sums = PlaneSums::default();
        (0..10).for_each(|k| sums.add(1.0, f64::from(k), 0.0, 0.5 * f64::from(k)));
        let plane = sums.solve(0.0, 0.25, 0.0).unwrap();
        assert!((plane.slope_u - 0.5).abs() < 1e-5 && (plane.slope_v - 0.25).abs() < 1e-9);
        assert!(PlaneSums::default().solve(0.0, 0.0, 0.0).is_none());
    }
}
