//! The new scan on the old ribbon: sorted by section, tied to what stayed.

use super::BuildError;
use super::finished::Finished;
use super::heights::HeightFitter;
use super::order::in_order_within;
use super::rescan_params::RescanParams;
use super::road::KnownSetup;
use super::trust::{learn_noise, own_noise, samples, slow_report, slow_urad};
use crate::cloud::TileStore;
use crate::field::{FieldRows, Mark, SECTION_ROWS, Trust, block_cells, flags, places_seen};
use crate::progress::{Counted, Progress};
use crate::report::{SetupTieReport, TieReport};
use crate::rescan::{Areas, Tie, tie};
use crate::ribbon::{Ribbon, RibbonPoint};
use crate::setups::{Places, SetupModel, SetupModels};

/// Share of the nodes of a square, in quarters, that must have a height.
const LEAST_QUARTERS: usize = 3;
/// Places outside of the areas where change is expected that suffice to tie a scan.
const ENOUGH_OUTSIDE: usize = 300;

/// The new points by section, with what their setups are worth.
#[derive(Debug)]
pub(super) struct TiedScan {
    pub models: SetupModels,
    pub tie: Tie,
    /// By setup: how many times as far as the usual one's its heights scatter, where that shows.
    factors: Vec<Option<f64>>,
    /// Runs of rows that have points, in order.
    pub runs: Vec<usize>,
}

/// Runs of rows that have points.
pub(super) fn scanned_runs(points: &TileStore) -> Vec<usize> {
    let runs = points.keys().filter(|key| points.count(*key) > 0);
    runs.filter_map(|key| usize::try_from(key.0).ok()).collect()
}

/// Tie the scan whose points `fitter` has to the old surface.
pub(super) fn tie_scan(
    old: &Finished,
    fitter: &HeightFitter,
    setups: &[KnownSetup],
    params: &RescanParams,
    progress: &mut dyn Progress,
) -> Result<TiedScan, BuildError> {
    let expect = params.expect.as_ref();
    let runs = scanned_runs(fitter.points);
    let points = fitter.points_of(runs.iter().copied());
    progress.stage("tie", points, Counted::Points);
    let mut places = places(old, fitter, &runs, expect, progress)?;
    if expect.is_some() && with_old_surface(&places) < ENOUGH_OUTSIDE {
        places = self::places(old, fitter, &runs, None, progress)?;
    }
    let positions_m: Vec<Option<[f64; 3]>> = setups.iter().map(|s| s.position_m).collect();
    let tie = tie(&places, setups.len(), &positions_m)?;
    let samples = samples(&places, &positions_m);
    let (noise, factors) = learn_noise(&samples, params.noise, setups.len());
    let model = |k: usize| SetupModel {
        position_m: positions_m[k],
        correction: tie.levelled.corrections[k],
        offset_variance_m2: tie.levelled.report.sd_m[k].powi(2),
        tilt_variance: tie.levelled.report.tilt_sd[k].powi(2),
        slow_variance: tie.levelled.report.slow_sd[k].powi(2),
        noise: own_noise(noise, factors[k]),
        left_out: !tie.setups[k].tied,
        z_step_m: u16::try_from(k).map_or(0.0, |k| fitter.setups.z_step_m(k)),
    };
    let models = (0..setups.len()).map(model).collect();
    Ok(TiedScan {
        models: SetupModels::new(models),
        tie,
        factors,
        runs,
    })
}

fn with_old_surface(places: &Places) -> usize {
    let old = |p: &crate::setups::Place| {
        let mut sights = p.sights.iter();
        p.sights.len() > 1 && sights.any(|s| s.setup == crate::setups::SURVEYED)
    };
    places.iter().filter(old).count()
}

/// What every setup and the old surface saw of small places of smooth road.
fn places(
    old: &Finished,
    fitter: &HeightFitter,
    runs: &[usize],
    expect: Option<&Areas>,
    progress: &mut dyn Progress,
) -> Result<Places, BuildError> {
    let mut out = Places::default();
    let place = |s, t| fitter.place(s, t);
    in_order_within(
        runs,
        (&|&run| fitter.load(run), fitter.flight_bytes),
        |&run| {
            let rows = old.field.section(run)?;
            let mut marks = marks(&rows);
            if let Some(areas) = expect {
                marks.retain(|m| !areas.contains(world(fitter.ribbon, [m.s_m, m.t_m])));
            }
            let trust = Trust {
                setups: fitter.setups,
                place: &place,
            };
            let (first, limits) = (run * SECTION_ROWS, fitter.limits(run));
            let points = fitter.read(run)?;
            let lattice = fitter.lattice;
            Ok::<Places, BuildError>(places_seen(&points, lattice, first, &limits, trust, &marks))
        },
        |&run, seen| {
            out.append(&seen);
            Ok(progress.advance(fitter.points_of([run]))?)
        },
    )?;
    Ok(out)
}

pub(super) fn world(ribbon: &Ribbon, [s, t]: [f64; 2]) -> [f64; 2] {
    let s = ribbon.line.wrap_s(s);
    let [x, y] = ribbon.line.to_local(RibbonPoint { s, t });
    [x + ribbon.frame.origin_m[0], y + ribbon.frame.origin_m[1]]
}

/// The old surface as heights of squares of nodes (the fit's blocks), in the middle of each.
fn marks(rows: &FieldRows) -> Vec<Mark> {
    let lattice = &rows.lattice;
    let mut out = Vec::new();
    let side = block_cells(lattice);
    for row in (0..rows.rows).step_by(side) {
        for column in (0..lattice.columns).step_by(side) {
            out.extend(mark(rows, side, row, column));
        }
    }
    out
}

fn mark(rows: &FieldRows, side: usize, row: usize, column: usize) -> Option<Mark> {
    let lattice = &rows.lattice;
    let (mut n, mut sums) = (0usize, [0.0f64; 4]);
    for r in row..(row + side).min(rows.rows) {
        for c in column..(column + side).min(lattice.columns) {
            let k = r * lattice.columns + c;
            if !rows.z_m[k].is_finite() || rows.flags[k] & flags::BRIDGED != 0 {
                continue;
            }
            if rows.flags[k] & (flags::STEP | flags::OUTLIERS) != 0 {
                return None;
            }
            let own = [
                lattice.row_s_m(rows.first_row) + r as f64 * lattice.s_step_m,
                lattice.column_t_m(c),
                rows.z_m[k],
                f64::from(rows.sigma_m[k]).powi(2),
            ];
            n += 1;
            (0..4).for_each(|i| sums[i] += own[i]);
        }
    }
    let [s_m, t_m, z_m, variance_m2] = sums.map(|v| v / n as f64);
    (4 * n >= LEAST_QUARTERS * side * side).then_some(Mark {
        s_m,
        t_m,
        z_m,
        variance_m2,
    })
}

fn rounded(value: f64, steps: f64) -> f64 {
    (value * steps).round() / steps
}

/// The tie in words and round numbers.
pub(super) fn tie_report(tied: &TiedScan, setups: &[KnownSetup]) -> TieReport {
    let (tie, factors) = (&tied.tie, &tied.factors);
    let mm = |v: f64| rounded(1e3 * v, 1e3);
    let slow = tie.levelled.report.slow.as_ref();
    let one = |(k, known): (usize, &KnownSetup)| {
        let (own, correction) = (&tie.setups[k], &tie.levelled.corrections[k]);
        SetupTieReport {
            name: known.name.clone(),
            tied: own.tied,
            places: own.places as u64,
            stable: own.stable as u64,
            offset_mm: mm(correction.offset_m),
            offset_sd_mm: mm(tie.levelled.report.sd_m[k]),
            tilt_urad: correction.tilt_rad.map(|t| rounded(1e6 * t, 10.0)),
            slow_urad: slow_urad(correction, slow),
            noise_factor: factors[k].map(|f| rounded(f, 100.0)),
            misfit_mm: mm(own.misfit_m),
        }
    };
    TieReport {
        places: tie.places[0] as u64,
        stable: tie.places[1] as u64,
        shift_mm: mm(tie.shift_m),
        misfit_before_mm: mm(tie.misfit_m[0]),
        misfit_mm: mm(tie.misfit_m[1]),
        slow_error: slow.map(slow_report),
        setups: setups.iter().enumerate().map(one).collect(),
    }
}
