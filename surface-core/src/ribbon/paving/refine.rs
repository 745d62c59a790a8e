//! The edge to centimetres: where along t do raw points stop looking like road?

use super::profile::{CellSize, middle_of_road, within};
use super::stretch::SidePoint;
use crate::numeric::{mad_sigma, median};

/// Points this far to either side of the coarse edge take part, metres…
const WINDOW_M: f64 = 0.8;
/// …and at least so many cells of the profiles, when cells are wide.
const WINDOW_CELLS: f64 = 4.0;
/// Points nearer to the coarse edge than this belong to neither class at first, metres: about the
/// error of the coarse edge…
const UNDECIDED_M: f64 = 0.12;
/// …and at least this share of a cell.
const UNDECIDED_CELLS: f64 = 0.6;
/// Road is looked at up to this far inside the edge, metres, where points are dense: a kerb's back
/// is straight over it, its whole section is not (`an_oval_with_kerbs_and_joints_is_found_without_a_hint`).
const INSIDE_M: f64 = 0.45;
/// Cells at most this long (half, metres) mean dense points.
const DENSE_HALF_M: f64 = 0.5;
/// Fewest points of either class.
const MIN_POINTS: usize = 6;
/// Least spread of heights, metres: the rounding of stored points and the grain of asphalt.
const MIN_SIGMA_M: f64 = 5e-4;
/// Least spread of intensity as a share of its median.
const MIN_BRIGHT_SHARE: f64 = 0.05;
/// Share of strays in either class…
const STRAY_SHARE: f64 = 0.05;
/// …and their density per metre of height.
const STRAY_PER_M: f64 = 5.0;
/// Greatest weight of one point's height, and of its brightness.
const HEIGHT_BOUND: f64 = 4.0;
const BRIGHT_BOUND: f64 = 0.5;
/// The same where heights do not tell road from verge and brightness does.
const BRIGHT_BOUND_LEADING: f64 = 2.5;
/// Rounds: the classes are cut anew at the found edge.
const ROUNDS: usize = 2;
/// Least gain in log-likelihood over "no edge in the window".
const MIN_GAIN: f64 = 4.0;

/// How far from the coarse edge is looked, and what for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lens {
    /// Points this far to either side take part, metres.
    pub window_m: f64,
    undecided_m: f64,
    /// Half the length along s that is looked at together, metres.
    half_m: f64,
    bright_bound: f64,
}

impl Lens {
    /// The lens for edges seen in cells of `size`; `by_brightness` where evenness tells nothing.
    pub(super) fn for_cells(size: CellSize, by_brightness: bool) -> Self {
        Self {
            window_m: WINDOW_M.max(WINDOW_CELLS * size.width_m),
            undecided_m: UNDECIDED_M.max(UNDECIDED_CELLS * size.width_m),
            half_m: size.half_length_m,
            bright_bound: if by_brightness {
                BRIGHT_BOUND_LEADING
            } else {
                BRIGHT_BOUND
            },
        }
    }
}

/// A point of the window: distance outwards from the coarse edge, height, intensity.
#[derive(Debug, Clone, Copy)]
struct Near {
    u: f64,
    z: f64,
    bright: f64,
}

/// The edge's t on one side of a station (`sign` +1 left, −1 right), starting from `coarse_t`;
/// `None` where the points do not show one.
///
/// Maximum-likelihood change point between two classes, whose height (about a line through the
/// inner points) and intensity are taken from the window itself by medians.
pub(super) fn refined_edge(
    points: &[SidePoint],
    s: f64,
    lens: &Lens,
    core: [f64; 2],
    sign: f64,
    coarse_t: f64,
) -> Option<f64> {
    let slice = within(points, s, lens.half_m);
    let (slope, _) = middle_of_road(slice, s, core);
    let near = |p: &SidePoint| Near {
        u: sign * (p.t - coarse_t),
        z: p.z - slope * (p.s - s),
        bright: p.intensity,
    };
    let mut window: Vec<Near> = slice
        .iter()
        .map(near)
        .filter(|p| p.u.abs() <= lens.window_m)
        .collect();
    window.sort_by(|a, b| a.u.total_cmp(&b.u));
    let mut edge = 0.0;
    let inside = if lens.half_m <= DENSE_HALF_M {
        INSIDE_M
    } else {
        lens.window_m
    };
    for _ in 0..ROUNDS {
        let from = window.partition_point(|p| p.u < edge - inside);
        edge = change_point(&window[from..], edge, lens)?;
    }
    Some(coarse_t + sign * edge)
}

fn change_point(window: &[Near], edge: f64, lens: &Lens) -> Option<f64> {
    let from = window.partition_point(|p| p.u < edge - lens.undecided_m);
    let to = window.partition_point(|p| p.u <= edge + lens.undecided_m);
    let (inside, outside) = (&window[..from], &window[to..]);
    if inside.len() < MIN_POINTS || outside.len() < MIN_POINTS {
        return None;
    }
    let trend = Trend::through(inside)?;
    let road = Look::of(inside, &trend)?;
    let verge = Look::of(outside, &trend)?;
    let weight = |p: &Near| road.against(&verge, trend.above(p), p.bright, lens.bright_bound);
    // F(j): the first j points are road, the rest verge.
    let (mut sum, mut best, mut at) = (0.0, f64::NEG_INFINITY, 0);
    let total: f64 = window.iter().map(weight).sum();
    for (j, p) in window.iter().enumerate() {
        sum += weight(p);
        if sum > best {
            (best, at) = (sum, j + 1);
        }
    }
    let gain = best - total.max(0.0);
    let clear = gain >= MIN_GAIN && at < window.len();
    clear.then(|| 0.5 * (window[at - 1].u + window[at].u))
}

/// z = a + b·u through the inner points, twice with the strays left out.
struct Trend {
    a: f64,
    b: f64,
}

impl Trend {
    fn through(points: &[Near]) -> Option<Self> {
        let mut z: Vec<f64> = points.iter().map(|p| p.z).collect();
        let mut trend = Self {
            a: median(&mut z)?,
            b: 0.0,
        };
        let mut limit = f64::INFINITY;
        for _ in 0..3 {
            trend = trend.refit(points, limit);
            let mut off: Vec<f64> = points.iter().map(|p| trend.above(p)).collect();
            limit = 3.0 * mad_sigma(&mut off, 0.0)?.max(MIN_SIGMA_M);
        }
        Some(trend)
    }

    fn above(&self, p: &Near) -> f64 {
        p.z - self.a - self.b * p.u
    }

    fn refit(&self, points: &[Near], limit: f64) -> Self {
        let (mut n, mut u, mut z, mut uu, mut uz) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for p in points.iter().filter(|p| self.above(p).abs() <= limit) {
            n += 1.0;
            u += p.u;
            z += p.z;
            uu += p.u * p.u;
            uz += p.u * p.z;
        }
        let det = n * uu - u * u;
        if n < 3.0 || det <= 1e-9 * n * uu {
            return Self { ..*self };
        }
        let b = (n * uz - u * z) / det;
        Self {
            a: (z - b * u) / n,
            b,
        }
    }
}

/// Height above the trend and intensity of a class: median and spread.
struct Look {
    height: (f64, f64),
    bright: (f64, f64),
}

impl Look {
    fn of(points: &[Near], trend: &Trend) -> Option<Self> {
        let mut z: Vec<f64> = points.iter().map(|p| trend.above(p)).collect();
        let mut i: Vec<f64> = points.iter().map(|p| p.bright).collect();
        let (zm, im) = (median(&mut z)?, median(&mut i)?);
        let (zs, is) = (mad_sigma(&mut z, zm)?, mad_sigma(&mut i, im)?);
        Some(Self {
            height: (zm, zs.max(MIN_SIGMA_M)),
            bright: (im, is.max(MIN_BRIGHT_SHARE * im.abs()).max(1.0)),
        })
    }

    /// Log-likelihood of this class less that of the other.
    fn against(&self, other: &Self, z: f64, bright: f64, bright_bound: f64) -> f64 {
        let height =
            (density(z, self.height, STRAY_PER_M) / density(z, other.height, STRAY_PER_M)).ln();
        let stray = 1.0 / (20.0 * (self.bright.1 + other.bright.1));
        let bright =
            (density(bright, self.bright, stray) / density(bright, other.bright, stray)).ln();
        height.clamp(-HEIGHT_BOUND, HEIGHT_BOUND) + bright.clamp(-bright_bound, bright_bound)
    }
}

/// Normal density with a share of strays.
fn density(v: f64, (mean, sigma): (f64, f64), stray: f64) -> f64 {
    let x = (v - mean) / sigma;
    let normal = (-0.5 * x * x).exp() / (sigma * std::f64::consts::TAU.sqrt());
    (1.0 - STRAY_SHARE) * normal + STRAY_SHARE * stray
}
