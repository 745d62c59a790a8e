//! The curves at which the road's height jumps, found section by section.
//!
//! Twice over the sections: cells give the ridge of step evidence, in height and intensity, which is
//! linked to chains over the whole course; then the points beside the chains say where the step lies
//! and whether it is one. Memory holds the sections in flight, what grows with the length of the chains,
//! and what is kept of runs for their heights ([`super::plain_runs`]).

use std::path::{Path, PathBuf};

use super::BuildError;
use super::clock::StageClock;
use super::fit::lattice_of;
use super::folder::BuildFolder;
use super::heights::HeightFitter;
use super::levelled::{Course, LevelledRoad};
use super::order::in_order_within;
use super::params::FitParams;
use super::road::{Squares, find_road, open};
use crate::field::{
    CellSums, Lattice, SECTION_ROWS, ShadedSums, Trust, UsualNoise, cells_of, road_points,
};
use crate::progress::{Counted, Progress};
use crate::ribbon::Ribbon;
use crate::zones::{
    Breaklines, CellHeight, CellHeights, CellShade, HALO_ROWS, RidgePoint, Rows, StripPoint,
    StripSums, StripTotals, Strips, link, ridge,
};

/// Find the road in scans and the curves at which its height jumps, without making its surface.
/// Scratch files go into `scratch` and are gone afterwards.
///
/// # Errors
/// [`BuildError`] naming the file or place and the remedy.
pub fn breaklines(
    paths: &[PathBuf],
    scratch: &Path,
    params: &FitParams,
    progress: &mut dyn Progress,
) -> Result<(Ribbon, Breaklines), BuildError> {
    let mut scans = open(paths, params)?;
    let folder = BuildFolder::open(scratch, None)?;
    let mut clock = StageClock::start();
    let road = find_road(
        &mut scans,
        Squares::Passing(&folder.scratch("cloud")),
        params,
        &mut clock,
        progress,
    )?;
    let lattice = lattice_of(&road.ribbon, params.spacing_m)?;
    let course = Course {
        ribbon: &road.ribbon,
        lattice: &lattice,
        setups: &road.setups,
        marks: &[],
    };
    let levelled = LevelledRoad::new(road.cloud, course, params, &folder, &mut clock, progress)?;
    let fitter = levelled.fitter(course, params.bridge_m);
    let lines = find_breaklines(&fitter, progress)?;
    Ok((road.ribbon, lines))
}

/// The breaklines of the course whose points `fitter` has; the same for any number of threads.
pub(super) fn find_breaklines(
    fitter: &HeightFitter,
    progress: &mut dyn Progress,
) -> Result<Breaklines, BuildError> {
    let runs: Vec<usize> = (0..fitter.runs()).collect();
    find_breaklines_in(fitter, &runs, progress)
}

/// The breaklines in some runs of rows alone, given in order.
pub(super) fn find_breaklines_in(
    fitter: &HeightFitter,
    runs: &[usize],
    progress: &mut dyn Progress,
) -> Result<Breaklines, BuildError> {
    let lattice = fitter.lattice;
    let coarse = Coarse::of(lattice);
    let rows = coarse.rows();
    let points = fitter.points_of(runs.iter().copied());
    progress.stage("breaklines", 2 * points, Counted::Points);
    let (found, usual) = course_ridge(fitter, runs, progress)?;
    let mut chains = link(&found, rows);
    for at in chains.iter_mut().flat_map(|chain| &mut chain.at) {
        at[0] += coarse.middle_m(lattice.s_step_m);
    }
    let strips = Strips::along(&chains, rows);
    let mut totals = StripTotals::new(&strips);
    in_order_within(
        runs,
        (&|&run| fitter.load(run), fitter.flight_bytes),
        |&run| strip_sums(fitter, &strips, (run, &usual)),
        |&run, sums| {
            totals.add(&sums);
            Ok::<(), BuildError>(progress.advance(fitter.points_of([run]))?)
        },
    )?;
    Ok(strips.breaklines(&totals))
}

/// Bytes of a node's cell in the sums and the shades of a run, about: five setups see it.
const SHADED_BYTES: u64 = 320;

/// What is usual of the setups in each run.
type UsualOfRuns = Vec<(usize, UsualNoise)>;

/// The ridge of step evidence of the whole course, in order of rows and columns; and how much the setups
/// scatter.
fn course_ridge(
    fitter: &HeightFitter,
    runs: &[usize],
    progress: &mut dyn Progress,
) -> Result<(Vec<RidgePoint>, UsualOfRuns), BuildError> {
    let (mut known, mut found, mut usual) = (Vec::new(), Vec::new(), Vec::new());
    let side = Coarse::of(fitter.lattice).side;
    let at_a_time = fitter.runs_at_a_time(2, SHADED_BYTES);
    for batch in runs.chunks(at_a_time) {
        let make = |run| fitter.shaded_sums(run, side);
        fitter.provide_by(batch, &mut known, &make, progress)?;
        let here = known.iter().filter(|(run, _)| batch.contains(run));
        usual.extend(here.map(|(run, shaded): &(usize, ShadedSums)| (*run, shaded.usual.clone())));
        in_order_within(
            batch,
            (&|&run| fitter.load(run), fitter.flight_bytes),
            |&run| Ok(run_ridge(fitter, run, &known)),
            |&run, points| {
                found.extend(points);
                Ok::<(), BuildError>(progress.advance(fitter.points_of([run]))?)
            },
        )?;
    }
    Ok((found, usual))
}

fn run_ridge(fitter: &HeightFitter, run: usize, known: &[(usize, ShadedSums)]) -> Vec<RidgePoint> {
    let find = |run: Option<usize>| known.iter().find(|(k, _)| Some(*k) == run).map(|(_, s)| s);
    let Some(own) = find(Some(run)) else {
        return Vec::new();
    };
    let coarse = Coarse::of(fitter.lattice);
    let reach = HALO_ROWS * coarse.side;
    let (mut parts, mut halo) = (Vec::new(), 0);
    if let Some(before) = find(fitter.before(run)) {
        halo = reach.min(before.sums.rows);
        parts.push((before, before.sums.rows - halo..before.sums.rows));
    }
    let rows = own.sums.rows;
    parts.push((own, 0..rows));
    if let Some(after) = find(fitter.after(run)) {
        parts.push((after, 0..reach.min(after.sums.rows)));
    }
    let first = i64::try_from(run * SECTION_ROWS).unwrap_or(i64::MAX);
    let heights = coarse.heights(first - i64::try_from(halo).unwrap_or(0), &parts);
    let halo = halo / coarse.side;
    ridge(&heights, halo..halo + rows.div_ceil(coarse.side))
}

/// Width of the cells that steps are looked for in, metres: what the finder's disc and limits were
/// tuned on. In narrower cells a disc holds too little road, and many of its cells no point.
const FINDER_CELL_M: f64 = 0.1;
/// Cells of the lattice that make one of the finder's, side by side, at most: rows of a closed
/// course come in blocks of so many.
const MOST_TOGETHER: usize = 8;

/// The finder's cells: squares of cells of the lattice, one each at 0.1 m spacing and wider.
#[derive(Debug, Clone, Copy)]
struct Coarse<'a> {
    lattice: &'a Lattice,
    /// Cells of the lattice along one side.
    side: usize,
}

impl<'a> Coarse<'a> {
    fn of(lattice: &'a Lattice) -> Self {
        let side = cells_of(FINDER_CELL_M, lattice, 1, MOST_TOGETHER);
        Self { lattice, side }
    }

    fn rows(&self) -> Rows {
        let rows = self.lattice.rows.div_ceil(self.side);
        Rows {
            rows: i64::try_from(rows).unwrap_or(i64::MAX),
            steps_m: self.steps_m(),
            closed: self.lattice.closed,
        }
    }

    fn steps_m(&self) -> [f64; 2] {
        [self.lattice.s_step_m, self.lattice.t_step_m].map(|step| self.side as f64 * step)
    }

    /// The middle of a square from its first node, metres.
    fn middle_m(&self, step_m: f64) -> f64 {
        0.5 * (self.side as f64 - 1.0) * step_m
    }

    /// Heights of the squares in runs of rows that follow each other from `first_row` on, each
    /// beginning with whole squares.
    fn heights(
        &self,
        first_row: i64,
        parts: &[(&ShadedSums, std::ops::Range<usize>)],
    ) -> CellHeights {
        let columns = self.lattice.columns.div_ceil(self.side);
        let (mut cells, mut shades) = (Vec::new(), Vec::new());
        for (part, rows) in parts {
            shades.extend(self.shades(&part.shades, rows, cells.len()));
            for row in rows.clone().step_by(self.side) {
                let rows = row..(row + self.side).min(rows.end);
                let square = |column| self.square(&part.sums, rows.clone(), column);
                cells.extend((0..columns).map(square));
            }
        }
        CellHeights {
            first_row: first_row / i64::try_from(self.side).unwrap_or(1),
            rows: cells.len() / columns,
            columns,
            steps_m: self.steps_m(),
            first_t_m: self.lattice.column_t_m(0) + self.middle_m(self.lattice.t_step_m),
            cells,
            shades,
        }
    }

    /// Shades of the squares in some rows of a run, of which the first comes after `before` squares.
    fn shades<'s>(
        &self,
        shades: &'s [CellShade],
        rows: &std::ops::Range<usize>,
        before: usize,
    ) -> impl Iterator<Item = CellShade> + use<'s> {
        let columns = self.lattice.columns.div_ceil(self.side);
        let (from, to) = (rows.start / self.side, rows.end.div_ceil(self.side));
        let at = |row: usize| shades.partition_point(|shade| shade.cell < row * columns);
        shades[at(from)..at(to)].iter().map(move |shade| CellShade {
            cell: shade.cell - from * columns + before,
            ..*shade
        })
    }

    /// What the cells of a square say together: their sums add up.
    fn square(
        &self,
        sums: &CellSums,
        rows: std::ops::Range<usize>,
        column: usize,
    ) -> Option<CellHeight> {
        let columns = column * self.side..((column + 1) * self.side).min(sums.columns);
        let [hs, ht] = [self.lattice.s_step_m, self.lattice.t_step_m];
        let [mut w, mut ws, mut wt, mut wz] = [0.0; 4];
        for (r, row) in rows.enumerate() {
            for (c, k) in columns.clone().map(|c| row * sums.columns + c).enumerate() {
                w += sums.w[k];
                ws += sums.ws[k] + sums.w[k] * (r as f64 * hs - self.middle_m(hs));
                wt += sums.wt[k] + sums.w[k] * (c as f64 * ht - self.middle_m(ht));
                wz += sums.wz[k];
            }
        }
        (w > 0.0).then(|| CellHeight {
            off_m: [ws / w, wt / w],
            z_m: wz / w,
            variance_m2: w.recip(),
        })
    }
}

/// What the points of a run say of the strips.
fn strip_sums(
    fitter: &HeightFitter,
    strips: &Strips,
    (run, usual): (usize, &UsualOfRuns),
) -> Result<StripSums, BuildError> {
    let (lattice, first) = (fitter.lattice, run * SECTION_ROWS);
    let limits = fitter.limits(run);
    let from = lattice.row_s_m(first);
    let to = from + limits.left_t_m.len() as f64 * lattice.s_step_m;
    let usual = usual.iter().find(|(k, _)| *k == run);
    let Some((_, usual)) = usual.filter(|_| strips.any_between(from, to)) else {
        return Ok(StripSums::default());
    };
    let place = |s, t| fitter.place(s, t);
    let trust = Trust {
        setups: fitter.setups,
        place: &place,
    };
    let points = fitter.read(run)?;
    let wanted = |at| strips.may_reach(at);
    let points = road_points(&points, lattice, first, &limits, (trust, usual), wanted);
    Ok(strips.sums(points.iter().map(|p| StripPoint {
        s: p.s_m,
        t: p.t_m,
        z: p.z_m,
        weight: p.weight,
    })))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::Draw;

    /// A section at 0.02 m in which one cell in three holds a point of 0.5 mm noise, with a step of
    /// 5 mm at t = 0.013 m.
    fn sparse(lattice: &Lattice) -> CellSums {
        let cells = SECTION_ROWS * lattice.columns;
        let mut sums = CellSums::empty(0, SECTION_ROWS, lattice.columns);
        let mut draw = Draw(7);
        for k in 0..cells {
            if draw.unit() < 1.0 / 3.0 {
                let noise = 5e-4 * draw.normal();
                let step = if lattice.column_t_m(k % lattice.columns) > 0.013 {
                    5e-3
                } else {
                    0.0
                };
                (sums.n[k], sums.w[k]) = (1, 4e6);
                sums.wz[k] = sums.w[k] * (step + noise);
            }
        }
        sums
    }

    #[test]
    fn a_step_is_seen_in_cells_too_narrow_to_be_full() {
        let lattice = Lattice::new([0.02, 0.02], 1280, -50..51, false).unwrap();
        let sums = sparse(&lattice);
        let coarse = Coarse::of(&lattice);
        assert_eq!(coarse.side, 4);
        let shaded = ShadedSums {
            sums,
            shades: Vec::new(),
            usual: UsualNoise::default(),
        };
        let found = |coarse: Coarse| {
            let heights = coarse.heights(0, &[(&shaded, 0..SECTION_ROWS)]);
            let own = 0..heights.rows;
            ridge(&heights, own)
        };
        let near =
            |p: &&RidgePoint| (p.at[1] - 0.02).abs() < 0.03 && (p.step_m - 5e-3).abs() < 2e-3;
        let points = found(coarse);
        // 32 rows of squares; in the first and last few a disc is cut.
        assert!(points.iter().filter(near).count() > 24, "{points:?}");
        // One of three cells: discs of single cells hold 12 of the 24 that must be known.
        let single = Coarse {
            lattice: &lattice,
            side: 1,
        };
        assert!(found(single).is_empty());
    }

    #[test]
    fn cells_are_the_finders_own_at_the_spacing_it_was_tuned_on() {
        let side = |spacing_m: f64| {
            let lattice = Lattice::new([spacing_m; 2], 1280, -50..51, false).unwrap();
            Coarse::of(&lattice).side
        };
        assert_eq!(
            [0.5, 0.1, 0.08, 0.05, 0.02, 0.01].map(side),
            [1, 1, 1, 2, 4, 8]
        );
    }
}
