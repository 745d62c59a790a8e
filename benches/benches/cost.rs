//! What do levelling and breaklines cost over a plain robust fit of the same points?
//!
//! Run: `cargo bench -p surface-benches --bench cost`, one thread. The demonstration's scan is built,
//! and its stages `level`, `breaklines` and `fit` are held against robust cells and heights alone (windows, then
//! plain ground jointly), of the same points on the same lattice: no setup levelled, no line sought, nothing
//! read or written, the level of the road given. Both are made in turn, and the least time of each counts: a
//! machine that others use now and then makes either look dear.

use std::error::Error;
use std::path::PathBuf;
use std::time::Instant;

use surface_benches::data::demo_scan;
use surface_core::build::{FitParams, fit};
use surface_core::cloud::io::{ReadOptions, Scans};
use surface_core::cloud::{Columns, Frame, PackedPoint};
use surface_core::field::{
    CellSums, FieldRows, KernelParams, Lattice, RowLimits, SECTION_ROWS, Trust, Window, cell_sums,
    fit_rows, halo_rows,
};
use surface_core::numeric::to_index;
use surface_core::progress::Silent;
use surface_core::report::Report;
use surface_core::ribbon::Ribbon;
use surface_core::setups::SetupModels;

type Done<T = ()> = Result<T, Box<dyn Error>>;

fn main() -> Done {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build()?;
    // Errors of other threads must be sendable, those of benches are not.
    pool.install(|| held_against().map_err(|e| e.to_string()))?;
    Ok(())
}

/// Times that both are made.
const ROUNDS: usize = 4;
const STAGES: [&str; 3] = ["level", "breaklines", "fit"];

fn held_against() -> Done {
    let scan = demo_scan()?;
    let dir = tempfile::tempdir()?;
    let params = FitParams::default();
    let (mut plain_s, mut stages_s) = (f64::MAX, [f64::INFINITY; 3]);
    let mut sections = None;
    for round in 0..ROUNDS {
        // A build that is there would not be made again.
        let build = dir.path().join(round.to_string());
        let cloud = std::slice::from_ref(&scan.cloud);
        let report = fit(cloud, &build, &params, &mut Silent)?;
        let found_s = STAGES.map(|name| seconds(&report, name));
        if found_s.iter().sum::<f64>() < stages_s.iter().sum() {
            stages_s = found_s;
        }
        let text = std::fs::read_to_string(build.join("ribbon.geojson"))?;
        let plain = Plain::new(Ribbon::from_geojson(&text)?, &params, &report)?;
        let sections = match &mut sections {
            Some(sections) => sections,
            None => sections.insert(plain.sections(cloud)?),
        };
        let started = Instant::now();
        let heights = plain.fit(sections)?;
        plain_s = plain_s.min(started.elapsed().as_secs_f64());
        if heights as u64 != report.field.fitted {
            let fitted = report.field.fitted;
            return Err(format!("{heights} heights for {fitted} of the build").into());
        }
    }
    let [level, lines, fit] = stages_s;
    println!(
        "plain robust fit {plain_s:.2} s; level {level:.2}, breaklines {lines:.2}, fit {fit:.2} s"
    );
    let whole_s = level + lines + fit;
    println!("over the plain fit {:.2} (aim 1.6)", whole_s / plain_s);
    Ok(())
}

fn seconds(report: &Report, name: &str) -> f64 {
    let stages = report.run.stages.iter().filter(|s| s.stage == name);
    stages.map(|s| s.seconds).sum()
}

/// A fit that levels nothing and looks for no line.
struct Plain {
    ribbon: Ribbon,
    lattice: Lattice,
    params: KernelParams,
}

impl Plain {
    fn new(ribbon: Ribbon, params: &FitParams, report: &Report) -> Done<Self> {
        let reach_m = ribbon.edges.reach_m();
        let line = &ribbon.line;
        let (length_m, spacing_m) = (line.length_m(), params.spacing_m);
        let across = [-reach_m, reach_m];
        Ok(Self {
            lattice: Lattice::along(length_m, spacing_m, across, line.is_closed())?,
            params: KernelParams {
                level_m: report.field.level_m,
                bridge_m: params.bridge_m,
            },
            ribbon,
        })
    }

    /// The points of the road as (s, t, z), by section.
    fn sections(&self, scans: &[PathBuf]) -> Done<Vec<Vec<PackedPoint>>> {
        let mut scans = Scans::open(scans, &ReadOptions::default())?;
        let mut out = vec![Vec::new(); self.lattice.sections()];
        let mut batch = Columns::default();
        while scans.next_batch(&mut batch)? > 0 {
            for k in 0..batch.len() {
                if let Some((section, point)) = self.placed(&batch, k) {
                    out[section].push(point);
                }
            }
        }
        Ok(out)
    }

    fn placed(&self, batch: &Columns, k: usize) -> Option<(usize, PackedPoint)> {
        let origin = self.ribbon.frame.origin_m;
        let at = [batch.x[k] - origin[0], batch.y[k] - origin[1]];
        let place = self.ribbon.locate(at)?;
        let row = to_index(place.s / self.lattice.s_step_m + 0.5);
        let row = self.lattice.wrap(row);
        let abc = [
            Frame::pack(place.s)?,
            Frame::pack(place.t)?,
            Frame::pack(batch.z[k] - origin[2])?,
        ];
        let point = PackedPoint {
            abc,
            intensity: batch.intensity[k],
            setup: batch.setup[k],
        };
        Some(((row / SECTION_ROWS).min(self.lattice.sections() - 1), point))
    }

    /// How many heights there are.
    fn fit(&self, sections: &[Vec<PackedPoint>]) -> Done<usize> {
        let setups = SetupModels::default();
        let trust = Trust {
            setups: &setups,
            place: &|s, t| [s, t],
        };
        let sums = |(k, points): (usize, &Vec<PackedPoint>)| {
            let first = self.lattice.section_rows(k)[0];
            cell_sums(points, &self.lattice, first, &self.limits(k), trust)
        };
        let sums: Vec<CellSums> = sections.iter().enumerate().map(sums).collect();
        (0..sums.len()).map(|k| self.heights(&sums, k)).sum()
    }

    fn limits(&self, section: usize) -> RowLimits {
        let [first, last] = self.lattice.section_rows(section);
        let s = |row: usize| self.lattice.row_s_m(row);
        let edges = &self.ribbon.edges;
        RowLimits {
            left_t_m: (first..last).map(|row| edges.left_m(s(row))).collect(),
            right_t_m: (first..last).map(|row| edges.right_m(s(row))).collect(),
        }
    }

    fn heights(&self, sums: &[CellSums], k: usize) -> Done<usize> {
        let halo = halo_rows(&self.lattice, self.params.bridge_m);
        let n = sums.len();
        let (before, own, after) = (&sums[(k + n - 1) % n], &sums[k], &sums[(k + 1) % n]);
        let parts = [
            (before, before.rows - halo..before.rows),
            (own, 0..own.rows),
            (after, 0..halo),
        ];
        let first = self.lattice.section_rows(k)[0];
        let start = i64::try_from(first)? - i64::try_from(halo)?;
        let window = Window::join(&self.lattice, start, &parts);
        let mut rows = FieldRows::empty(self.lattice, first, own.rows)?;
        fit_rows(&window, &self.limits(k), self.params, &mut rows);
        Ok(rows.z_m.iter().filter(|z| z.is_finite()).count())
    }
}
