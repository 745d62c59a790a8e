//! What intensity adds to the evidence of a step: where brightness jumps, less of a step in height is
//! enough to be looked at.
//!
//! The logarithm of intensity is fitted like height, by a plane and a step in eight directions, but
//! with a plane of its own for each setup: gain, distance and incidence make offsets and gentle
//! slopes of a setup's own, and where a setup ceases to see the road it only tells nothing. The
//! setups' steps are added up by their weights; σ is what the plane and the step leave of the cells.
//!
//! Without a step and without an edge, the two scores h and e of one direction are independent
//! standard normals, so that h² + e² exceeds x with probability exp(−x/2) (Fisher 1925, "Statistical
//! methods for research workers", on tests that are combined). A pair is worth the score that height
//! alone exceeds as rarely: √(h² + e² − p) with p between 3.2 at 3.9 and 3.9 at 5.5. So chance starts
//! no more than twice the chains that it starts by height.
//!
//! Paint is an edge for certain and no step: e counts up to a limit, which leaves a height to be asked
//! for. Whether a line is a step is not told here but by the points beside it.

use super::discs::{Columns, DIRECTIONS, Discs, LANES};
use super::evidence::{Finder, Fit, usual_scale};

/// Steps in height weaker than this many standard deviations are no part of a ridge beside any edge:
/// one place in six of plain road has as much, which bounds the cost, too.
const FAINT: f64 = 2.4;
/// An edge counts as this many standard deviations at most: beside paint a chain then starts where
/// the step in height has 4.1, which chance has once in 24 000 places, some 5 km of an edge.
const MOST: f64 = 4.2;
/// What the second number costs, as above.
const PRICE: f64 = 3.9;
/// To either side of a step, within so many cells, fits see it with the other sign and up to 0.54 of
/// its score: what has less than this share of the clearest step near by is none of its own.
const NEAR: usize = 4;
const LOBE: f64 = 0.55;
/// The same of edges, which are clearer, and told by fewer cells: half a cell beside one fits see
/// seven tenths of it.
const BESIDE: f64 = 0.65;
/// No intensity is repeated better than this, as a share: rounding, speckle.
const LEAST_SCATTER: f64 = 0.02;
/// Unknowns of a setup's plane; the one of the step is left out of account.
const UNKNOWNS: f64 = 3.0;
/// Cells of a disc that a setup must have seen, and on either side of the line: half an even scan's
/// cells hold no point of a setup at the end of its reach.
const FEWEST: [f32; 2] = [8.0, 3.0];
/// Cells beyond the unknowns that tell the scatter, all setups together.
const FREEDOM: f64 = 16.0;

/// Scores of an edge of intensity in all directions.
type Scores = [f64; DIRECTIONS];

/// Give places with an edge of intensity the step and the score that both together tell. `fits` begin
/// with row `first_row`; their scores were divided by `scale`.
pub(super) fn weigh(finder: &Finder, scale: f64, fits: &mut [Option<Fit>], first_row: usize) {
    if finder.shades.is_empty() {
        return;
    }
    let columns = finder.heights.columns;
    let cell = |k: usize| [first_row + k / columns, k % columns];
    let mut discs = Discs::new();
    let heights: Vec<f64> = fits
        .iter()
        .map(|f| f.map_or(0.0, |f| f.score.abs()))
        .collect();
    let faint = |k: &usize| {
        let own = heights[*k];
        own >= FAINT && own >= LOBE * largest_near(&heights, columns, *k)
    };
    let found: Vec<(usize, Scores)> = (0..fits.len())
        .filter(faint)
        .filter_map(|k| Some((k, scores(finder, cell(k), &mut discs)?)))
        .collect();
    let mut largest = vec![0.0; fits.len()];
    for (k, scores) in &found {
        largest[*k] = scores.iter().fold(0.0, |most: f64, e| most.max(*e));
    }
    let usual = usual_scale(found.iter().map(|(k, _)| largest[*k]));
    let clear: Vec<(usize, Scores)> = found
        .into_iter()
        .filter(|(k, _)| (largest[*k] / usual).powi(2) > PRICE)
        .map(|(k, scores)| {
            let least = BESIDE * largest_near(&largest, columns, k);
            (k, scores.map(|e| if e < least { 0.0 } else { e / usual }))
        })
        .collect();
    for four in clear.chunks(LANES) {
        let cells: Vec<[usize; 2]> = four.iter().map(|(k, _)| cell(*k)).collect();
        let found = finder.fits_of(&cells, &mut discs, |[lane, direction], step| {
            together(step.score.abs() / scale, four[lane].1[direction])
        });
        for ((k, _), fit) in four.iter().zip(found) {
            fits[*k] = fit;
        }
    }
}

/// The largest value within [`NEAR`] cells of cell `k` along rows and columns.
fn largest_near(values: &[f64], columns: usize, k: usize) -> f64 {
    let (row, column) = (k / columns, k % columns);
    let rows = row.saturating_sub(NEAR)..(row + NEAR + 1).min(values.len() / columns);
    let own = column.saturating_sub(NEAR)..(column + NEAR + 1).min(columns);
    let near = rows.flat_map(|row| &values[row * columns + own.start..row * columns + own.end]);
    near.fold(0.0, |most: f64, value| most.max(*value))
}

/// The score that height alone exceeds by chance as rarely as these two.
fn together(height: f64, edge: f64) -> f64 {
    let both = height * height + edge.min(MOST).powi(2) - PRICE;
    height.max(both.max(0.0).sqrt())
}

/// |step|/σ of intensity through a cell, all setups together; `None` where they tell too little.
fn scores(finder: &Finder, cell: [usize; 2], discs: &mut Discs) -> Option<Scores> {
    let (mut told, mut lane) = (Told::default(), 0);
    let enough = |setup: &&Columns| setup.known_around(cell) as f32 >= FEWEST[0];
    for setup in finder.shades.iter().filter(enough) {
        discs.put(lane, setup, cell);
        lane += 1;
        if lane == LANES {
            told.add(finder, discs);
            lane = 0;
        }
    }
    if lane > 0 {
        discs.clear_from(lane);
        told.add(finder, discs);
    }
    (told.freedom >= FREEDOM).then(|| std::array::from_fn(|k| told.score(k)))
}

/// What the setups tell of a place together.
#[derive(Debug, Default)]
struct Told {
    /// Cells less unknowns.
    freedom: f64,
    /// Squares that the setups' planes leave.
    squares: f64,
    /// Σ of half steps and of their weights, one a direction.
    halves: Scores,
    weights: Scores,
}

impl Told {
    /// Add what setups tell, each by a disc of its own.
    fn add(&mut self, finder: &Finder, discs: &mut Discs) {
        let Some(planes) = discs.planes(FEWEST[0]) else {
            return;
        };
        let squares = discs.squares();
        for lane in (0..LANES).filter(|lane| planes.has(*lane)) {
            self.freedom += discs.known(lane) - UNKNOWNS;
            self.squares += squares[lane];
        }
        for k in 0..DIRECTIONS {
            let steps = finder.steps(discs, &planes, k, FEWEST[1]);
            for (half, weight) in steps.half.into_iter().zip(steps.weight) {
                self.halves[k] += f64::from(half) * f64::from(weight);
                self.weights[k] += f64::from(weight);
            }
        }
    }

    fn score(&self, k: usize) -> f64 {
        let weight = self.weights[k].max(f64::MIN_POSITIVE);
        let rest = self.squares - self.halves[k].powi(2) / weight;
        let scatter = (rest / self.freedom).max(LEAST_SCATTER * LEAST_SCATTER);
        self.halves[k].abs() / (weight * scatter).sqrt()
    }
}
