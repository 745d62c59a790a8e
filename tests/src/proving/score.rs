//! How near to the truth is a surface: heights by zone, with and without long waves, coverage,
//! and the best that any smoother of the same points could do.
//!
//! Heights are compared on a lattice of 0.1 m in (s, t), so that places inside a bend count
//! somewhat more than their area. Long waves are removed by taking away, at every place, the
//! plane fitted to the errors within a square of 4 m around it; on the road's middle that is the
//! mean over the square, whose effect on the bound is [`Waves::LessLocalMean`].

use super::course::{Course, Zone};
use super::information::{Information, Waves, WienerTable};
use super::ply::PlyMesh;
use super::whole::to_index;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Distance of the places where heights are compared, metres.
pub const LATTICE_M: f64 = 0.1;
/// Side of the square whose plane is taken away, metres.
pub const WINDOW_M: f64 = 4.0;
/// Half of it in lattice steps.
const HALF_WINDOW: usize = 20;

/// Errors of height in one zone, surface minus truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightScore {
    /// Places compared.
    pub count: usize,
    /// Root mean square, metres.
    pub rmse_m: f64,
    /// Mean, metres.
    pub mean_m: f64,
    /// 95 % of places err by less than this, metres.
    pub p95_m: f64,
}

impl HeightScore {
    /// Sums up errors; none when there are none.
    #[must_use]
    pub fn of(errors: &[f64]) -> Option<Self> {
        let n = errors.len();
        let count = (n > 0).then_some(n as f64)?;
        let mut sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
        let at = to_index(0.95 * (n - 1) as f64);
        let (_, p95, _) = sizes.select_nth_unstable_by(at, f64::total_cmp);
        Some(Self {
            count: n,
            rmse_m: (errors.iter().map(|e| e * e).sum::<f64>() / count).sqrt(),
            mean_m: errors.iter().sum::<f64>() / count,
            p95_m: *p95,
        })
    }
}

/// The Wiener bound on clean asphalt (see [`super::information::wiener_variance_m2`]).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// Over all waves, root mean square, metres.
    pub all_m: f64,
    /// After long waves are removed as in the score, root mean square, metres.
    pub short_m: f64,
}

/// How near to the truth a surface is.
#[derive(Debug, Clone, PartialEq)]
pub struct Score {
    /// Errors by zone.
    pub zones: BTreeMap<Zone, HeightScore>,
    /// Errors by zone after long waves are removed.
    pub short_waves: BTreeMap<Zone, HeightScore>,
    /// Share of the paved places where the surface has a height.
    pub coverage: f64,
    /// What is possible on clean asphalt, when the information of the points is known.
    pub bound: Option<Bound>,
}

impl Score {
    /// Root mean square error on clean asphalt over the bound; all waves, then short waves.
    #[must_use]
    pub fn over_bound(&self) -> Option<[f64; 2]> {
        let bound = self.bound?;
        let (all, short) = (
            self.zones.get(&Zone::Asphalt)?,
            self.short_waves.get(&Zone::Asphalt)?,
        );
        Some([all.rmse_m / bound.all_m, short.rmse_m / bound.short_m])
    }
}

/// A height in the course's metres at (x, y), when the surface has one.
pub type Surface<'a> = dyn Fn(f64, f64) -> Option<f64> + Sync + 'a;

/// Holds a surface against the truth between two places along s.
///
/// `information` is what the scan told (see [`super::returns::Returns::information`]); with it,
/// the bound is computed over the same clean places.
#[must_use]
pub fn score(
    course: &Course,
    [from_s_m, to_s_m]: [f64; 2],
    surface: &Surface,
    information: Option<&Information>,
) -> Score {
    let rows = to_index((to_s_m - from_s_m) / LATTICE_M).max(1);
    let lattice: Vec<Vec<Sample>> = (0..rows)
        .into_par_iter()
        .map(|i| row(course, from_s_m + (i as f64 + 0.5) * LATTICE_M, surface))
        .collect();
    let short: Vec<Vec<f64>> = (0..rows)
        .into_par_iter()
        .map(|i| less_plane(&lattice, i))
        .collect();
    let paved = lattice.iter().flatten().filter(|p| p.zone != Zone::Grass);
    let held = paved.clone().filter(|p| p.error_m.is_finite()).count();
    let flat = short.iter().flatten();
    Score {
        zones: by_zone(lattice.iter().flatten().map(|p| (p.zone, p.error_m))),
        short_waves: by_zone(
            lattice
                .iter()
                .flatten()
                .zip(flat)
                .map(|(p, &e)| (p.zone, e)),
        ),
        coverage: held as f64 / paved.count().max(1) as f64,
        bound: information.map(|information| bound(course, &lattice, information)),
    }
}

#[derive(Debug, Clone, Copy)]
struct Sample {
    at: [f64; 2],
    zone: Zone,
    error_m: f64,
}

/// Samples across the road at `s`, from far right to far left; grass where it is not paved.
fn row(course: &Course, s_m: f64, surface: &Surface) -> Vec<Sample> {
    const REACH: i32 = 75;
    let [left, right] = course.edges_t_m(s_m);
    let sample = |c: i32| {
        let t = (f64::from(c) + 0.5) * LATTICE_M;
        let at = course.line().at(s_m, t);
        if t > left || t < right {
            return Sample {
                at,
                zone: Zone::Grass,
                error_m: f64::NAN,
            };
        }
        let error_m = surface(at[0], at[1]).map_or(f64::NAN, |z| z - course.height_at_m(s_m, t));
        Sample {
            at,
            zone: course.zone(at[0], at[1]),
            error_m,
        }
    };
    (-REACH..REACH).map(sample).collect()
}

fn by_zone(errors: impl Iterator<Item = (Zone, f64)>) -> BTreeMap<Zone, HeightScore> {
    let mut lists: BTreeMap<Zone, Vec<f64>> = BTreeMap::new();
    for (zone, error) in errors.filter(|(_, e)| e.is_finite()) {
        lists.entry(zone).or_default().push(error);
    }
    lists
        .into_iter()
        .filter_map(|(zone, list)| Some((zone, HeightScore::of(&list)?)))
        .collect()
}

fn bound(course: &Course, lattice: &[Vec<Sample>], information: &Information) -> Bound {
    let spectrum = course.spec().spectrum();
    let clean = || lattice.iter().flatten().filter(|p| p.zone == Zone::Asphalt);
    let rms = |waves| {
        let table = WienerTable::new(&spectrum, waves);
        let variance = |p: &Sample| table.variance_m2(information.per_m2(p.at[0], p.at[1]));
        (clean().map(variance).sum::<f64>() / clean().count().max(1) as f64).sqrt()
    };
    Bound {
        all_m: rms(Waves::All),
        short_m: rms(Waves::LessLocalMean(WINDOW_M)),
    }
}

/// Sums for a plane e = a + b u + c v over a window, u and v in lattice steps.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    n: f64,
    u: f64,
    uu: f64,
    e: f64,
    eu: f64,
}

/// One row of errors less the plane fitted around each.
fn less_plane(lattice: &[Vec<Sample>], row: usize) -> Vec<f64> {
    let columns = lattice[row].len();
    let range = row.saturating_sub(HALF_WINDOW)..(row + HALF_WINDOW + 1).min(lattice.len());
    let mut sums = vec![Sums::default(); columns];
    for i in range {
        let u = i as f64 - row as f64;
        for (sum, p) in sums
            .iter_mut()
            .zip(&lattice[i])
            .filter(|(_, p)| p.error_m.is_finite())
        {
            sum.n += 1.0;
            sum.u += u;
            sum.uu += u * u;
            sum.e += p.error_m;
            sum.eu += p.error_m * u;
        }
    }
    (0..columns)
        .map(|c| lattice[row][c].error_m - plane_at(&sums, c))
        .collect()
}

/// Value at column `c` of the plane through the sums of the columns around it.
fn plane_at(sums: &[Sums], c: usize) -> f64 {
    let range = c.saturating_sub(HALF_WINDOW)..(c + HALF_WINDOW + 1).min(sums.len());
    // Normal equations, symmetric: n, u, v, uu, uv, vv and the right side e, eu, ev.
    let mut m = [0.0; 9];
    for i in range {
        let (s, v) = (&sums[i], i as f64 - c as f64);
        let terms = [
            s.n,
            s.u,
            v * s.n,
            s.uu,
            v * s.u,
            v * v * s.n,
            s.e,
            s.eu,
            v * s.e,
        ];
        m.iter_mut().zip(terms).for_each(|(a, b)| *a += b);
    }
    intercept(&m)
}

/// First unknown of the 3 × 3 system by Cramer's rule; the mean where it is singular.
fn intercept(m: &[f64; 9]) -> f64 {
    let [n, u, v, uu, uv, vv, e, eu, ev] = *m;
    let det = |a: [f64; 3], b: [f64; 3], c: [f64; 3]| {
        a[0] * (b[1] * c[2] - b[2] * c[1]) - a[1] * (b[0] * c[2] - b[2] * c[0])
            + a[2] * (b[0] * c[1] - b[1] * c[0])
    };
    let whole = det([n, u, v], [u, uu, uv], [v, uv, vv]);
    if whole <= 1e-9 * n * uu * vv || whole <= 0.0 {
        return e / n.max(1.0);
    }
    det([e, u, v], [eu, uu, uv], [ev, uv, vv]) / whole
}

/// How honest the standard deviations of a surface are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Honesty {
    /// Vertices on clean asphalt.
    pub count: usize,
    /// Mean square of error over standard deviation: 1 when they are honest.
    pub variance: f64,
    /// Share of errors within 1.96 standard deviations: 0.95 when they are honest.
    pub within_95: f64,
}

/// Holds the standard deviations at vertices on clean asphalt against their errors.
///
/// `shift_m` leads from the mesh's coordinates to the course's.
#[must_use]
pub fn honesty(course: &Course, mesh: &PlyMesh, shift_m: [f64; 3]) -> Honesty {
    let ratio = |(p, sigma_m): (&[f64; 3], &f64)| {
        let [x, y, z] = [0, 1, 2].map(|k| p[k] + shift_m[k]);
        let on_asphalt = *sigma_m > 0.0 && course.zone(x, y) == Zone::Asphalt;
        on_asphalt.then(|| Some((z - course.height_m(x, y)?) / sigma_m))?
    };
    let ratios: Vec<f64> = mesh
        .vertices_m
        .par_iter()
        .zip(&mesh.sigma_m)
        .filter_map(ratio)
        .collect();
    let count = ratios.len();
    let n = count.max(1) as f64;
    Honesty {
        count,
        variance: ratios.iter().map(|r| r * r).sum::<f64>() / n,
        within_95: ratios.iter().filter(|r| r.abs() < 1.96).count() as f64 / n,
    }
}

#[cfg(test)]
mod tests {
    use super::super::spec::CourseSpec;
    use super::*;

    fn course() -> Course {
        Course::build(&CourseSpec::oval()).unwrap()
    }

    #[test]
    fn the_truth_itself_scores_nothing_and_covers_everything() {
        let course = course();
        let got = score(&course, [20.0, 90.0], &|x, y| course.height_m(x, y), None);
        assert!((got.coverage - 1.0).abs() < 1e-12);
        // At steps the two ways to the height may fall on different sides: leave those out.
        for (zone, heights) in got.zones.iter().filter(|(z, _)| **z != Zone::NearSeam) {
            assert!(heights.rmse_m < 1e-7, "{zone:?} {heights:?}");
        }
    }

    #[test]
    fn a_raised_and_tilted_surface_shows_in_all_waves_and_not_in_short_ones() {
        let course = course();
        let off = |x: f64, y: f64| course.height_m(x, y).map(|z| z + 2e-3 + 1e-5 * x);
        let got = score(&course, [5.0, 35.0], &off, None);
        let (all, short) = (got.zones[&Zone::Asphalt], got.short_waves[&Zone::Asphalt]);
        assert!(all.mean_m > 1.5e-3 && all.rmse_m > 1.5e-3, "{all:?}");
        // The course is almost straight there: the error is a plane.
        assert!(short.rmse_m < 2e-5, "{short:?}");
    }

    #[test]
    fn a_surface_with_a_hole_covers_less() {
        let course = course();
        let half = |x: f64, y: f64| {
            let foot = course.locate(x, y)?;
            (foot.t_m > 0.0).then(|| course.height_m(x, y))?
        };
        let got = score(&course, [5.0, 35.0], &half, None);
        assert!((0.4..0.6).contains(&got.coverage), "{}", got.coverage);
    }

    #[test]
    fn ninety_five_per_cent_of_errors_lie_below_the_quantile() {
        let errors: Vec<f64> = (0..=100).map(|i| -f64::from(i)).collect();
        let got = HeightScore::of(&errors).unwrap();
        assert!((got.p95_m - 95.0).abs() < 1e-12 && (got.mean_m + 50.0).abs() < 1e-12);
        assert!(HeightScore::of(&[]).is_none());
    }
}
