//! The whole way from the grid of cells to the rough polyline of the course.

use super::along::along_line;
use super::cycle::{heaviest_cycle, longest_path};
use super::error::CourseError;
use super::graph::{Branch, Graph, Spot};
use super::mask::{PavedMask, mask_in};
use super::orient::orient;
use super::polyline::{distance, length, resample, smooth};
use super::reduce::Cycle;
use super::skeleton::thin;
use super::split::quantile;
use crate::cloud::CellGrid;
use crate::progress::{Counted, Progress};

/// Spacing of the polyline's points, metres.
pub(super) const STEP_M: f64 = 2.0;
/// Standard deviation of the smoothing of the skeleton, metres: takes off the stairs of the cells,
/// and 0.2 m of a hairpin of 10 m radius.
const SMOOTH_M: f64 = 2.0;
/// Shorter candidates are no course, metres.
const COURSE_MIN_M: f64 = 60.0;
/// … nor are those shorter than so many widths: a car park.
const COURSE_MIN_WIDTHS: f64 = 4.0;
/// A cycle is the course if it holds at least this part of the longest path's road.
const CYCLE_SHARE_MIN: f64 = 0.5;
/// Half widths count for a branch's weight up to this multiple of their median.
const WIDE_CAP: f64 = 1.5;
/// A setup speaks for the branch within this distance, metres …
const SETUP_NEAR_M: f64 = 25.0;
/// … as much as this length of it: a usual spacing of setups.
const SETUP_SAYS_M: f64 = 30.0;
/// So many setups can lead the choice …
const SETUPS_MIN: usize = 3;
/// … and then a branch far from all of them is worth this part of its paving.
const UNSEEN_WORTH: f64 = 0.1;
/// An open course that is to be closed may miss this much, metres.
const CLOSE_MAX_M: f64 = 100.0;

/// The course as first seen: good to a metre or so, a start for the reference line.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// Points about 2 m apart near the middle of the road, local metres. A closed course does not
    /// repeat its first point.
    pub polyline_m: Vec<[f64; 2]>,
    /// Whether the last point is followed by the first.
    pub closed: bool,
    /// Typical half width of the paving along it, metres.
    pub half_width_m: f64,
    /// What was decided, in words.
    pub notes: Vec<String>,
}

/// What is known beforehand.
#[derive(Debug, Clone, Copy, Default)]
pub struct CourseHints<'a> {
    /// A rough line, local metres, off by some metres at most.
    pub line: Option<&'a [[f64; 2]]>,
    /// Whether the course is closed, if known.
    pub closed: Option<bool>,
    /// Where the scanner stood, in order, local metres; may be empty.
    pub setups: &'a [[f64; 2]],
}

/// Find the course in the cloud, or move the rough line of the hints into it.
///
/// Without a line: paved ground is told from verge ([`super::paved_mask`]), thinned, and the
/// heaviest cycle of its branches (length times half width) is the course, or else their longest
/// path. Dead ends that face each other over at most 20 m are joined. With a line: its points move
/// sideways, by at most 12 m, onto the middle of the paving.
///
/// A course that runs over a wide paved area is led through the middle of it where nothing else is
/// known; the polyline is not a racing line and not the final reference line.
///
/// # Errors
/// [`CourseError`]; its `hint` says what to do.
pub fn find_course(
    grid: &CellGrid,
    hints: &CourseHints,
    progress: &mut dyn Progress,
) -> Result<Course, CourseError> {
    match hints.line {
        Some(line) => along_line(grid, line, hints, progress),
        None => in_cloud(grid, hints, progress),
    }
}

fn in_cloud(
    grid: &CellGrid,
    hints: &CourseHints,
    progress: &mut dyn Progress,
) -> Result<Course, CourseError> {
    let mask = mask_in(grid, None, progress)?;
    progress.stage("course through the paved ground", 1, Counted::Steps);
    let mut notes = mask.notes().to_vec();
    let graph = branches(&mask, &mut notes);
    progress.advance(1)?;
    let weights = weigh(&graph, hints.setups);
    let (cycle, closed) = choose(&graph, &weights, hints, &mut notes)
        .ok_or_else(|| no_road(&mask, 0.0, "paved ground without any length"))?;
    let spots = walk(&graph, &cycle);
    let mut course = finish(&spots, closed, &mask, hints, notes);
    if hints.closed == Some(true) {
        close_up(&mut course)?;
    }
    check(course, &mask)
}

/// Skeleton of the mask as a pruned graph with its gaps bridged.
fn branches(mask: &PavedMask, notes: &mut Vec<String>) -> Graph {
    let mut thinned = mask.paved.clone();
    let cells = thin(&mut thinned, &mask.layout);
    let mut graph = Graph::trace(&cells, &thinned, &mask.layout, &mask.reach);
    let spurs = graph.prune();
    graph.extend_ends(&|p| mask.is_paved(p), 0.5 * mask.cell_m());
    let bridges = graph.bridge();
    notes.push(format!(
        "skeleton: {} branches after {spurs} spurs were dropped and {bridges} gaps bridged",
        graph.branches.len()
    ));
    graph
}

/// How much each branch is worth: its paving, most of all where the scanner stood near, and the
/// setups that have no other branch nearer.
fn weigh(graph: &Graph, setups: &[[f64; 2]]) -> Vec<f64> {
    let all = graph.branches.iter().flat_map(|b| &b.path);
    let typical = quantile(&mut all.map(|s| s.half_m).collect::<Vec<_>>(), 0.5).unwrap_or(1.0);
    let beside = beside(graph, setups);
    let led = setups.len() >= SETUPS_MIN && 2 * beside.iter().sum::<usize>() >= setups.len();
    let reach = setup_reach_m(setups);
    let worth = |s: &Spot| {
        let seen = !led || setups.iter().any(|&p| distance(p, s.p) <= reach);
        s.half_m.min(WIDE_CAP * typical) * if seen { 1.0 } else { UNSEEN_WORTH }
    };
    let weight =
        |(b, &n): (&Branch, &usize)| b.weight_m2(&worth) + n as f64 * SETUP_SAYS_M * typical;
    graph.branches.iter().zip(&beside).map(weight).collect()
}

/// How many setups stand nearest to each branch, and near.
fn beside(graph: &Graph, setups: &[[f64; 2]]) -> Vec<usize> {
    let mut count = vec![0; graph.branches.len()];
    for &setup in setups {
        let away = |b: &Branch| {
            b.path
                .iter()
                .map(|s| distance(s.p, setup))
                .fold(f64::INFINITY, f64::min)
        };
        let distances = graph.branches.iter().map(away).enumerate();
        if let Some((k, d)) = distances.min_by(|a, b| a.1.total_cmp(&b.1))
            && d <= SETUP_NEAR_M
        {
            count[k] += 1;
        }
    }
    count
}

/// How far from a setup the course is taken as scanned on purpose: one and a half usual spacings.
fn setup_reach_m(setups: &[[f64; 2]]) -> f64 {
    let mut steps: Vec<f64> = setups.windows(2).map(|w| distance(w[0], w[1])).collect();
    (1.5 * quantile(&mut steps, 0.5).unwrap_or(0.0)).clamp(SETUP_NEAR_M, 4.0 * SETUP_NEAR_M)
}

/// The cycle or path that is the course, and whether it is closed.
fn choose(
    graph: &Graph,
    weights: &[f64],
    hints: &CourseHints,
    notes: &mut Vec<String>,
) -> Option<(Cycle, bool)> {
    let (cycle, cut) = heaviest_cycle(graph, weights);
    if cut {
        notes.push("the net of paved ways is dense: not every round was looked at".into());
    }
    let path = longest_path(graph, weights);
    let long = cycle
        .as_ref()
        .is_some_and(|c| length_of(graph, c) >= COURSE_MIN_M);
    let cycle = cycle.filter(|c| {
        let rival = path.as_ref().map_or(0.0, |p| p.weight);
        long && c.weight >= CYCLE_SHARE_MIN * rival
    });
    match (cycle, path) {
        (Some(c), _) => Some((c, hints.closed != Some(false))),
        (None, Some(p)) => Some((p, false)),
        (None, None) => None,
    }
}

fn length_of(graph: &Graph, cycle: &Cycle) -> f64 {
    cycle
        .parts
        .iter()
        .map(|p| graph.branches[p.0].length_m())
        .sum()
}

/// The spots along the chosen branches, and the gaps bridged in them.
fn walk(graph: &Graph, cycle: &Cycle) -> (Vec<Spot>, Vec<f64>) {
    let (mut spots, mut gaps) = (Vec::<Spot>::new(), Vec::new());
    for &(k, backwards) in &cycle.parts {
        let branch = &graph.branches[k];
        let skip = usize::from(!spots.is_empty());
        if backwards {
            spots.extend(branch.path.iter().rev().skip(skip));
        } else {
            spots.extend(branch.path.iter().skip(skip));
        }
        gaps.extend(&branch.bridged_m);
    }
    (spots, gaps)
}

fn finish(
    (spots, gaps): &(Vec<Spot>, Vec<f64>),
    closed: bool,
    mask: &PavedMask,
    hints: &CourseHints,
    mut notes: Vec<String>,
) -> Course {
    let mut line: Vec<[f64; 2]> = spots.iter().map(|s| s.p).collect();
    if closed {
        line.pop();
    }
    let dense = resample(&line, closed, mask.cell_m());
    let smoothed = smooth(&dense, closed, SMOOTH_M / mask.cell_m());
    let mut polyline_m = resample(&smoothed, closed, STEP_M);
    notes.push(orient(&mut polyline_m, closed, hints.setups).into());
    for gap in gaps {
        notes.push(format!("a gap of {gap:.1} m without paving was bridged"));
    }
    Course {
        half_width_m: half_width(&polyline_m, mask),
        polyline_m,
        closed,
        notes,
    }
}

/// Close an open course over what is missing, if that is little.
fn close_up(course: &mut Course) -> Result<(), CourseError> {
    let (Some(&first), Some(&last)) = (course.polyline_m.first(), course.polyline_m.last()) else {
        return Ok(());
    };
    let gap_m = distance(first, last);
    if !course.closed && gap_m > CLOSE_MAX_M {
        return Err(CourseError::NotClosed { gap_m });
    }
    if !course.closed {
        course.notes.push(format!(
            "closed as asked for, over {gap_m:.0} m without paving"
        ));
        course.polyline_m = resample(&course.polyline_m, true, STEP_M);
        course.closed = true;
    }
    Ok(())
}

/// Median reach of the paving along the line, metres.
pub(super) fn half_width(line: &[[f64; 2]], mask: &PavedMask) -> f64 {
    let mut reach: Vec<f64> = line
        .iter()
        .map(|&p| mask.reach_m(p))
        .filter(|r| *r > 0.0)
        .collect();
    quantile(&mut reach, 0.5).unwrap_or(0.5 * mask.cell_m())
}

fn check(mut course: Course, mask: &PavedMask) -> Result<Course, CourseError> {
    let total = length(&course.polyline_m, course.closed);
    if total < COURSE_MIN_M.max(COURSE_MIN_WIDTHS * 2.0 * course.half_width_m) {
        return Err(no_road(mask, total, "paved ground too short for its width"));
    }
    let kind = if course.closed { "closed" } else { "open" };
    course.notes.push(format!(
        "course: {kind}, {total:.0} m, paved {:.1} m to each side",
        course.half_width_m
    ));
    Ok(course)
}

fn no_road(mask: &PavedMask, length_m: f64, seen: &str) -> CourseError {
    let (cells, paved) = mask.counts();
    CourseError::NoRoad {
        cells,
        cell_m: mask.cell_m(),
        even_percent: 100.0 * paved as f64 / cells as f64,
        length_m,
        seen: seen.into(),
    }
}
