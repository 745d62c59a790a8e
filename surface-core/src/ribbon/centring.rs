//! From a rough course to the finished ribbon: line and edges in turn until they agree.

use super::paving::{Effort, PavingError, PavingParams, seek};
use super::{Edges, HalfWidths, LineError, LineParams, ReferenceLine, Ribbon, RibbonPoint};
use crate::cloud::{Frame, TileStore};
use crate::progress::Progress;

/// Rounds of line and edges; the second already has a line in the middle.
const MAX_ROUNDS: usize = 3;
/// A line this near to the middle of the paving (95 % of it) is left where it is, metres: far less
/// than the distance of its edges, so that neither coordinate is stretched.
const CENTRED_M: f64 = 0.25;
/// Half width taken where the rough paving leaves none, metres.
const LEAST_HALF_WIDTH_M: f64 = 1.0;

/// How a ribbon is made from a rough course.
#[derive(Debug, Clone, PartialEq)]
pub struct RibbonParams {
    /// Step between knots of the line, metres.
    pub knot_step_m: f64,
    /// Smoothing length of the line, metres (see [`LineParams`]).
    pub smoothing_m: f64,
    /// The paving beside the rough line, one pair a point, if a paved mask has told it.
    pub half_width: Option<HalfWidths>,
    /// How the edges are sought.
    pub paving: PavingParams,
}

impl Default for RibbonParams {
    fn default() -> Self {
        let line = LineParams::default();
        Self {
            knot_step_m: line.knot_step_m,
            smoothing_m: line.smoothing_m,
            half_width: None,
            paving: PavingParams::default(),
        }
    }
}

/// Why a course has no ribbon.
#[derive(Debug, thiserror::Error)]
pub enum RibbonError {
    /// The line failed.
    #[error("reference line: {0}")]
    Line(#[from] LineError),
    /// The edges failed.
    #[error("edges: {0}")]
    Paving(#[from] PavingError),
}

impl Ribbon {
    /// The ribbon along a rough `polyline` (local metres) in the world tile store of `frame`.
    ///
    /// Fits the line, finds the edges, and fits the line again through their middle until it is
    /// there (at most three rounds). Round one learns from `params.half_width` if given; later
    /// rounds from the edges found.
    ///
    /// # Errors
    /// [`RibbonError`]: no smooth line inside the paving, no points, an edge that is seen
    /// nowhere, or a stop on request.
    pub fn from_course(
        polyline: &[[f64; 2]],
        closed: bool,
        frame: Frame,
        tiles: &TileStore,
        params: &RibbonParams,
        progress: &mut dyn Progress,
    ) -> Result<Self, RibbonError> {
        let (mut line, mut guess) = first_line(polyline, closed, params)?;
        let mut round = 1;
        loop {
            // The first line runs beside the middle whatever its edges.
            let effort = if round == 1 {
                Effort::Rough
            } else {
                Effort::Fine
            };
            let (paving, seen) = (&params.paving, guess.as_ref());
            let (edges, gaps) = seek(&line, tiles, seen, paving, effort, progress)?;
            let found = Self {
                frame,
                line,
                edges,
                gaps,
            };
            let good =
                round > 1 && found.is_centred() && found.fold_ratio() <= super::CURVATURE_BOUND;
            if good || round == MAX_ROUNDS {
                return found.unfolded();
            }
            let centred = found.centre_line(params)?;
            guess = found.edges_seen_from(&centred);
            line = centred;
            round += 1;
        }
    }

    /// Whether the line runs in the middle nearly everywhere.
    pub(super) fn is_centred(&self) -> bool {
        let pairs = self.edges.left_t_m.iter().zip(&self.edges.right_t_m);
        let mut off: Vec<f64> = pairs.map(|(l, r)| 0.5 * (l + r).abs()).collect();
        crate::numeric::quantile(&mut off, 0.95).is_some_and(|v| v <= CENTRED_M)
    }

    /// The line through the middle between the edges.
    fn centre_line(&self, params: &RibbonParams) -> Result<ReferenceLine, LineError> {
        let edges = &self.edges;
        let middle = |k: usize| {
            let s = k as f64 * edges.step_m;
            let t = 0.5 * (edges.left_t_m[k] + edges.right_t_m[k]);
            self.line.to_local(RibbonPoint { s, t })
        };
        let n = edges.left_t_m.len();
        let middles: Vec<[f64; 2]> = (0..n).map(middle).collect();
        let half = |k: usize| 0.5 * (edges.left_t_m[k] - edges.right_t_m[k]);
        let half: Vec<f64> = (0..n).map(half).collect();
        let half_width = HalfWidths::PerPoint {
            left_m: half.clone(),
            right_m: half,
        };
        let line = LineParams {
            knot_step_m: params.knot_step_m,
            smoothing_m: params.smoothing_m,
            half_width,
        };
        ReferenceLine::fit(&middles, self.line.is_closed(), &line)
    }

    /// The edges as seen from another line nearby: for each of its knots the offset of the old
    /// line added.
    fn edges_seen_from(&self, line: &ReferenceLine) -> Option<Edges> {
        let reach = self.edges.reach_m();
        let n = line.knots().len();
        let mut s_guess = 0.0;
        let mut ends = |k: usize| {
            let p = line.knots()[k];
            let feet = self.line.feet(p, reach);
            let near = |f: &RibbonPoint| {
                let d = (f.s - s_guess).abs();
                if self.line.is_closed() {
                    d.min(self.line.length_m() - d)
                } else {
                    d
                }
            };
            let foot = feet.iter().min_by(|a, b| near(a).total_cmp(&near(b)));
            let (s, t) = foot.map_or((s_guess, 0.0), |f| (f.s, f.t));
            s_guess = s;
            [self.edges.left_m(s) - t, self.edges.right_m(s) - t]
        };
        let ends: Vec<[f64; 2]> = (0..n).map(&mut ends).collect();
        edges_at_knots(line, &ends)
    }

    /// The ribbon, if its cross-lines do not meet between the edges.
    fn unfolded(self) -> Result<Self, RibbonError> {
        let [ratio, s_m, inner_m] = self.tightest();
        if ratio < 1.0 {
            return Ok(self);
        }
        let [x_m, y_m] = self.line.point(s_m);
        Err(LineError::TooTight {
            s_m,
            x_m,
            y_m,
            radius_m: inner_m / ratio,
            inner_m,
            needed_m: inner_m / super::CURVATURE_BOUND,
        }
        .into())
    }
}

/// The line along the rough polyline, and the rough paving seen from it.
fn first_line(
    polyline: &[[f64; 2]],
    closed: bool,
    params: &RibbonParams,
) -> Result<(ReferenceLine, Option<Edges>), LineError> {
    let line = LineParams {
        knot_step_m: params.knot_step_m,
        smoothing_m: params.smoothing_m,
        half_width: params
            .half_width
            .clone()
            .unwrap_or(LineParams::default().half_width),
    };
    let (fitted, paving) = ReferenceLine::fit_with_paving(polyline, closed, &line)?;
    let guess = params
        .half_width
        .as_ref()
        .and_then(|_| edges_at_knots(&fitted, &paving));
    Ok((fitted, guess))
}

fn edges_at_knots(line: &ReferenceLine, ends: &[[f64; 2]]) -> Option<Edges> {
    let left = ends.iter().map(|e| e[0].max(LEAST_HALF_WIDTH_M)).collect();
    let right = ends.iter().map(|e| e[1].min(-LEAST_HALF_WIDTH_M)).collect();
    Edges::new(line.knot_step_m(), left, right, line.is_closed()).ok()
}
