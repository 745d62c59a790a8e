//! A rough line given by the caller, moved into the cloud's paved ground.

use std::collections::BTreeSet;

use super::error::CourseError;
use super::find::{Course, CourseHints, STEP_M, half_width};
use super::mask::{PavedMask, mask_in};
use super::orient::{nearest, orient_like};
use super::polyline::{distance, length, resample};
use super::snap::{SnapParams, snap};
use crate::cloud::CellGrid;
use crate::geom::ends_meet;
use crate::numeric::floor_i32;
use crate::progress::{Counted, Progress};

/// Farthest that a rough line may be off, metres.
const LINE_OFF_M: f64 = 12.0;
/// Range and smoothing of the rounds, metres. Chosen by the test of an octagon 5 m off.
const ROUNDS: [(f64, f64); 3] = [(LINE_OFF_M, 6.0), (4.0, 4.0), (3.0, 3.0)];
/// A rough line shorter than this is none, metres.
const LINE_MIN_M: f64 = 20.0;
/// A rough line longer than this is none, metres: no course is, and one wrong vertex (0, 0 in a
/// national grid) makes such.
const LINE_MAX_M: f64 = 1e6;
/// Places without points near that are measured to tell the farthest.
const MISSED_MEASURED: usize = 1000;
/// A rough line with more than this share outside the cloud misses it.
const LINE_MISSED_MAX: f64 = 0.3;
/// Cells wider than this cannot show a narrow road on a dam or a bridge: the rough line is then
/// taken as it is, metres.
const CELL_TELLING_M: f64 = 1.0;
/// Half width taken for such a road, metres.
const UNSEEN_HALF_WIDTH_M: f64 = 1.5;
/// A rough line must be on paving for this share after it was moved.
const LINE_PAVED_MIN: f64 = 0.4;

pub(super) fn along_line(
    grid: &CellGrid,
    line: &[[f64; 2]],
    hints: &CourseHints,
    progress: &mut dyn Progress,
) -> Result<Course, CourseError> {
    let line = usable(line)?;
    let closed = hints.closed.unwrap_or_else(|| ends_meet(&line));
    let rough = resample(&line, closed, STEP_M);
    check_covered(grid, &rough)?;
    let mask = mask_in(grid, Some(&rough), progress)?;
    progress.stage("rough line onto the paved ground", 1, Counted::Steps);
    let (mut moved, share) = settle(&rough, closed, &mask);
    progress.advance(1)?;
    let total = length(&moved, closed);
    if share < LINE_PAVED_MIN && mask.cell_m() > CELL_TELLING_M {
        return Ok(noted(as_given(&rough, closed, &mask)));
    }
    if share < LINE_PAVED_MIN {
        return Err(CourseError::LineOffRoad {
            paved_percent: 100.0 * share,
            length_m: total,
        });
    }
    orient_like(&mut moved, closed, &rough);
    let mut notes = mask.notes().to_vec();
    notes.push(format!(
        "rough line moved by {:.1} m at most; {:.0} % of it is on paved ground",
        farthest(&moved, &rough),
        100.0 * share
    ));
    let course = Course {
        half_width_m: half_width(&moved, &mask),
        polyline_m: moved,
        closed,
        notes,
    };
    Ok(noted(course))
}

/// The rough line itself, where the cloud is too thin to move it.
fn as_given(rough: &[[f64; 2]], closed: bool, mask: &PavedMask) -> Course {
    let mut notes = mask.notes().to_vec();
    notes.push(format!(
        "the cloud is too thin to see this road in cells of {} m: the rough line is used as it is",
        mask.cell_m()
    ));
    Course {
        polyline_m: rough.to_vec(),
        closed,
        half_width_m: UNSEEN_HALF_WIDTH_M,
        notes,
    }
}

/// Move the line in rounds of shrinking range: after each its normals point better across the road.
fn settle(rough: &[[f64; 2]], closed: bool, mask: &PavedMask) -> (Vec<[f64; 2]>, f64) {
    let mut moved = (rough.to_vec(), 0.0);
    for (range_m, smooth_m) in ROUNDS {
        let params = SnapParams {
            range_m,
            step_m: STEP_M,
            smooth_m,
        };
        moved = snap(&moved.0, closed, mask, params);
    }
    moved
}

fn noted(mut course: Course) -> Course {
    let total = length(&course.polyline_m, course.closed);
    let kind = if course.closed { "closed" } else { "open" };
    course.notes.push(format!(
        "course: {kind}, {total:.0} m, along the rough line"
    ));
    course
}

/// Largest distance from a moved point to the rough line's points, metres.
fn farthest(moved: &[[f64; 2]], rough: &[[f64; 2]]) -> f64 {
    moved
        .iter()
        .map(|&p| distance(rough[nearest(rough, p)], p))
        .fold(0.0, f64::max)
}

/// Finite points that differ from the one before.
fn usable(line: &[[f64; 2]]) -> Result<Vec<[f64; 2]>, CourseError> {
    let mut points: Vec<[f64; 2]> = line
        .iter()
        .copied()
        .filter(|p| p.iter().all(|v| v.is_finite()))
        .collect();
    points.dedup();
    let length_m = length(&points, false);
    if points.len() < 2 || length_m < LINE_MIN_M {
        return Err(CourseError::LineTooShort {
            points: points.len(),
            length_m,
        });
    }
    if length_m > LINE_MAX_M {
        return Err(too_long(&points, length_m));
    }
    Ok(points)
}

fn too_long(points: &[[f64; 2]], length_m: f64) -> CourseError {
    let legs = points.windows(2).map(|w| distance(w[0], w[1]));
    let longest = legs.enumerate().max_by(|a, b| a.1.total_cmp(&b.1));
    let (at, leg_m) = longest.unwrap_or((0, length_m));
    CourseError::LineTooLong {
        length_m,
        leg_m,
        point: at + 1,
    }
}

/// An error where too much of the line has no measured ground near.
fn check_covered(grid: &CellGrid, line: &[[f64; 2]]) -> Result<(), CourseError> {
    let cover = Cover::of(grid);
    let missed: Vec<[f64; 2]> = line
        .iter()
        .copied()
        .filter(|p| !cover.is_near(*p))
        .collect();
    let share = missed.len() as f64 / line.len() as f64;
    if share <= LINE_MISSED_MAX {
        return Ok(());
    }
    let some = missed
        .iter()
        .step_by(missed.len().div_ceil(MISSED_MEASURED));
    let away = some.map(|&p| (cover.distance_m(p), p));
    let (distance_m, [x_m, y_m]) = away
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .unwrap_or((0.0, line[0]));
    Err(CourseError::LineMissesCloud {
        missed_percent: 100.0 * share,
        reach_m: LINE_OFF_M,
        distance_m,
        x_m,
        y_m,
    })
}

/// Which squares as wide as a rough line may be off hold points.
struct Cover(BTreeSet<(i32, i32)>);

impl Cover {
    fn of(grid: &CellGrid) -> Self {
        let mut squares = BTreeSet::new();
        let mut last = (i32::MIN, i32::MIN);
        for ((i, j), _) in grid.iter() {
            let m = grid.cell_m();
            let key = Self::key([(f64::from(i) + 0.5) * m, (f64::from(j) + 0.5) * m]);
            if key != last {
                squares.insert(key);
                last = key;
            }
        }
        Self(squares)
    }

    fn key(p: [f64; 2]) -> (i32, i32) {
        (floor_i32(p[0] / LINE_OFF_M), floor_i32(p[1] / LINE_OFF_M))
    }

    fn is_near(&self, p: [f64; 2]) -> bool {
        let (i, j) = Self::key(p);
        let near = (-1..=1).flat_map(|a| (-1..=1).map(move |b| (a, b)));
        near.into_iter()
            .any(|(a, b)| self.0.contains(&(i.saturating_add(a), j.saturating_add(b))))
    }

    /// Distance to the nearest square with points, metres.
    fn distance_m(&self, p: [f64; 2]) -> f64 {
        let beyond = |key: i32, v: f64| {
            let low = f64::from(key) * LINE_OFF_M;
            (low - v).max(v - low - LINE_OFF_M).max(0.0)
        };
        let to = |&(i, j): &(i32, i32)| beyond(i, p[0]).hypot(beyond(j, p[1]));
        self.0.iter().map(to).fold(f64::INFINITY, f64::min)
    }
}
