//! The edge to centimetres: where along t do raw points stop looking like road?

use super::profile::{CellSize, middle_of_road, within};
use super::section::{levelled, over_section};
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
/// Cells at most this long (half, metres) mean dense points.
const DENSE_HALF_M: f64 = 0.5;
/// Higher above the ground around it than this is no ground, metres: cars and people; grass,
/// kerbs and their ribs are lower.
pub(super) const NO_GROUND_M: f64 = 0.15;
/// Fewest points of either class.
const MIN_POINTS: usize = 6;
/// Least spread of heights, metres: the ribs of a low kerb, and setups that differ by a millimetre.
/// Grass at its very edge has three times as much.
const MIN_SIGMA_M: f64 = 2.5e-3;
/// Least spread of intensity as a share of its median.
const MIN_BRIGHT_SHARE: f64 = 0.05;
/// Share of strays in either class…
const STRAY_SHARE: f64 = 0.05;
/// …and their density per metre of height.
const STRAY_PER_M: f64 = 5.0;
/// Greatest weight of one point's height…
const HEIGHT_BOUND: f64 = 4.0;
/// …and of its brightness: little where heights of many points tell, because a kerb is painted as
/// bright as grass; more where points are few.
const BRIGHT_BOUND: f64 = 0.2;
const BRIGHT_BOUND_OF_FEW: f64 = 0.5;
/// The same where heights do not tell road from verge and brightness does.
const BRIGHT_BOUND_LEADING: f64 = 2.5;
/// Rounds: the classes are cut anew at the found edge; a coarse edge may lie 0.3 m inside.
const ROUNDS: usize = 3;
/// The road ends at most this many mean distances of its points (in t) beyond the last of them:
/// one gap in a hundred is longer by chance.
const VOID_SPACINGS: f64 = 5.0;
/// An edge that moves by less than this in a round stays, metres.
const SETTLED_M: f64 = 0.01;
/// Least gain in log-likelihood over "no edge in the window".
const MIN_GAIN: f64 = 4.0;

/// How far from the coarse edge is looked, and what for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lens {
    /// Points this far to either side take part, metres.
    pub window_m: f64,
    undecided_m: f64,
    /// How far points along s take part, metres.
    half_m: f64,
    /// Whether points are dense enough to be told from road by the strips inwards of them.
    pub dense: bool,
    bright_bound: f64,
}

impl Lens {
    /// The lens for edges seen in cells of `size`; `by_brightness` where evenness tells nothing.
    pub(super) fn for_cells(size: CellSize, by_brightness: bool) -> Self {
        let dense = size.half_length_m <= DENSE_HALF_M;
        Self {
            window_m: WINDOW_M.max(WINDOW_CELLS * size.width_m),
            undecided_m: UNDECIDED_M.max(UNDECIDED_CELLS * size.width_m),
            half_m: size.half_length_m,
            dense,
            bright_bound: match (by_brightness, dense) {
                (true, _) => BRIGHT_BOUND_LEADING,
                (false, true) => BRIGHT_BOUND,
                (false, false) => BRIGHT_BOUND_OF_FEW,
            },
        }
    }
}

/// A point of the window: distance outwards from the coarse edge, way along it from the station,
/// height, intensity.
#[derive(Debug, Clone, Copy)]
pub(super) struct Near {
    pub u: f64,
    pub v: f64,
    pub z: f64,
    pub bright: f64,
}

/// Where the coarse edge runs by a station: distance outwards from the line and its change along s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Coarse {
    pub out_m: f64,
    pub slope: f64,
}

/// The station whose edge is sought.
#[derive(Debug, Clone, Copy)]
pub(super) struct Station {
    pub s: f64,
    /// t from right to left that is road beyond doubt.
    pub core: [f64; 2],
    /// +1 left, −1 right.
    pub sign: f64,
}

/// The edge's distance outwards on one side of a station, starting from `coarse`; `None` where the
/// points do not show one.
///
/// The window is sheared along the coarse edge, so that the edge of a widening kerb does not blur.
/// Maximum-likelihood change point between two classes, whose height (above what the road inwards
/// of a point foretells) and intensity are taken from the window itself by medians.
pub(super) fn refined_edge(
    points: &[SidePoint],
    at: &Station,
    coarse: Coarse,
    lens: &Lens,
) -> Option<f64> {
    let slice = within(points, at.s, lens.half_m);
    let near = |p: &SidePoint| {
        let v = p.s - at.s;
        Near {
            u: at.sign * p.t - coarse.out_m - coarse.slope * v,
            v,
            z: p.z,
            bright: p.intensity,
        }
    };
    let mut window: Vec<Near> = slice
        .iter()
        .map(near)
        .filter(|p| p.u.abs() <= lens.window_m)
        .collect();
    window.sort_by(|a, b| a.u.total_cmp(&b.u));
    let mut edge = 0.0;
    if !lens.dense {
        let (slope, _) = middle_of_road(slice, at.s, at.core);
        window.iter_mut().for_each(|p| p.z -= slope * p.v);
    }
    for _ in 0..ROUNDS {
        let inside = window.partition_point(|p| p.u < edge - lens.undecided_m);
        let above = if lens.dense {
            over_section(&levelled(&window, inside), inside)
        } else {
            Trend::through(&window[..inside])?.over(&window)
        };
        let next = change_point(&window, &above, edge, lens)?;
        let settled = (next - edge).abs() < SETTLED_M;
        edge = next;
        if settled {
            break;
        }
    }
    Some(coarse.out_m + edge)
}

/// Where road turns to verge, given the heights of the points above road.
fn change_point(window: &[Near], above: &[f64], edge: f64, lens: &Lens) -> Option<f64> {
    let from = window.partition_point(|p| p.u < edge - lens.undecided_m);
    let to = window.partition_point(|p| p.u <= edge + lens.undecided_m);
    if from < MIN_POINTS || window.len() - to < MIN_POINTS {
        return None;
    }
    let road = Look::of(&window[..from], &above[..from])?;
    let verge = Look::of(&window[to..], &above[to..])?;
    let weight = |(p, z): (&Near, &f64)| {
        // Few points need every one: a railing tells where a deck ends.
        if lens.dense && *z > NO_GROUND_M {
            0.0
        } else {
            road.against(&verge, *z, p.bright, lens.bright_bound)
        }
    };
    // F(j): the first j points are road, the rest verge.
    let (mut sum, mut best, mut at) = (0.0, f64::NEG_INFINITY, 0);
    for (j, pair) in window.iter().zip(above).enumerate() {
        sum += weight(pair);
        if sum > best {
            (best, at) = (sum, j + 1);
        }
    }
    let gain = best - sum.max(0.0);
    let clear = gain >= MIN_GAIN && at < window.len();
    clear.then(|| match lens.dense {
        true => end_of_road(window, from, at),
        false => 0.5 * (window[at - 1].u + window[at].u),
    })
}

/// Half way from the last point of the road to the first of the verge, but no further than the
/// points of the road lie apart: beyond a kerb or a drop the verge is hidden from the road, and
/// the ground without points is not road.
fn end_of_road(window: &[Near], inside: usize, at: usize) -> f64 {
    let last = window[at - 1].u;
    let apart = (window[inside - 1].u - window[0].u) / inside as f64;
    last + (0.5 * (window[at].u - last)).min(VOID_SPACINGS * apart)
}

/// z = a + b·u through the inner points, twice with the strays left out: for few points.
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

    fn over(&self, points: &[Near]) -> Vec<f64> {
        points.iter().map(|p| self.above(p)).collect()
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

/// Height above road and intensity of a class: median and spread.
struct Look {
    height: (f64, f64),
    bright: (f64, f64),
}

impl Look {
    fn of(points: &[Near], above: &[f64]) -> Option<Self> {
        let mut z = above.to_vec();
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
