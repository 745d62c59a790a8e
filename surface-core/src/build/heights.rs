//! The height field, section by section: cell observations, then windows over them.

use super::BuildError;
use super::order::{in_order, in_order_within};
use super::params::kept_bytes;
use super::plain_runs::PlainRuns;
use crate::cloud::{PackedPoint, TileStore};
use crate::export::FieldStore;
use crate::field::{
    CellMeans, CellSums, Cuts, FieldRows, HiddenGround, KernelParams, Lattice, Mark, RailNode,
    RowLimits, SECTION_ROWS, ShadedSums, Trust, Window, cell_sums_cut, cell_sums_shaded,
    course_level_m, fit_places, fit_rows, flags, halo_rows, hidden_in, join_hidden, places_seen,
    road_level_m,
};
use crate::mesh::{Layout, SeamPlan};
use crate::progress::{Counted, Progress};
use crate::report::FieldCounts;
use crate::ribbon::{Ribbon, RibbonPoint};
use crate::setups::{Places, SetupModels};
use crate::zones::Breaklines;

/// Sections that the road's level is learnt from, evenly spread: their median is within a few
/// percent of all sections', and a window's error changes with the sixth root of the level.
const LEVEL_SECTIONS: usize = 24;

/// Runs of rows fitted between two times at which all threads wait for each other, for each
/// thread.
const RUNS_AT_A_TIME: usize = 8;
/// Bytes of a node's cell in the sums of a run, about: less than a megabyte a run at 0.1 m.
const SUM_BYTES: u64 = 64;
/// Bytes of a node while its run is fitted or meshed: windows are columns of numbers over a halo, and what is
/// solved for jointly has 220.
pub(super) const NODE_BYTES: u64 = 800;
/// Bytes of a point while its section is worked on: as it is stored, and as columns.
pub(super) const POINT_BYTES: u64 = 64;

/// Breaklines, and where the mesh will have rails along them.
#[derive(Debug)]
pub(super) struct Steps<'a> {
    pub lines: &'a Breaklines,
    pub layout: &'a Layout,
    pub plan: &'a SeamPlan,
}

/// Cell sums by run: at most those of a batch, its neighbours and [`LEVEL_SECTIONS`].
pub(super) type KnownSums = Vec<(usize, CellSums)>;

/// Whoever looks at the sums of a run of cells on the way.
pub(super) type SeeSums<'a> = dyn FnMut(usize, &CellSums) -> Result<(), BuildError> + 'a;

/// Heights that rails along breaklines asked for, by run.
pub(super) type RailHeights = Vec<Vec<RailNode>>;

/// What fitting some runs in a row found besides the field itself.
#[derive(Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct FittedPart {
    tally: Tally,
    /// Heights that rails along breaklines asked for, by run.
    rails: RailHeights,
}

impl FittedPart {
    /// With the part that follows.
    pub fn append(&mut self, next: Self) {
        self.tally.merge(&next.tally);
        self.rails.extend(next.rails);
    }

    /// What became of the nodes, and the heights beside breaklines by section.
    pub fn counts(self, level_m: f64) -> (FieldCounts, RailHeights) {
        (self.tally.counts(level_m), self.rails)
    }
}

/// Fits sections of the field from the points sorted by section.
#[derive(Debug)]
pub(super) struct HeightFitter<'a> {
    pub points: &'a TileStore,
    pub ribbon: &'a Ribbon,
    pub lattice: &'a Lattice,
    pub setups: &'a SetupModels,
    pub bridge_m: f64,
    /// Memory for the runs that are under way.
    pub flight_bytes: u64,
    /// What looking for breaklines keeps for fitting.
    pub plain: PlainRuns,
}

impl HeightFitter<'_> {
    /// Keep what looking for breaklines makes of runs: for one that fits heights afterwards.
    pub fn keeping(mut self) -> Self {
        self.plain = PlainRuns::within(kept_bytes(self.flight_bytes));
        self
    }

    /// Bytes that a run takes while it is worked on, about.
    pub fn load(&self, run: usize) -> u64 {
        self.points_of([run]) * POINT_BYTES + self.nodes_of_run() * NODE_BYTES
    }

    /// Points of some runs.
    pub fn points_of(&self, runs: impl IntoIterator<Item = usize>) -> u64 {
        let key = |run: usize| (i32::try_from(run).unwrap_or(i32::MAX), 0);
        runs.into_iter()
            .map(|run| self.points.count(key(run)))
            .sum()
    }

    fn nodes_of_run(&self) -> u64 {
        (SECTION_ROWS * self.lattice.columns) as u64
    }

    /// So many runs for each thread, as long as their sums, of `node_bytes` each, take half the memory at
    /// most.
    pub fn runs_at_a_time(&self, for_each: usize, node_bytes: u64) -> usize {
        let most = self.flight_bytes / 2 / (self.nodes_of_run() * node_bytes).max(1);
        let most = usize::try_from(most).unwrap_or(usize::MAX);
        (for_each * rayon::current_num_threads().max(1))
            .min(most)
            .max(1)
    }

    /// Runs of rows that have points of their own (an open course may end with a run of one row).
    pub fn runs(&self) -> usize {
        self.lattice.rows.div_ceil(SECTION_ROWS)
    }

    pub fn limits(&self, run: usize) -> RowLimits {
        let first = run * SECTION_ROWS;
        let rows = first..(first + SECTION_ROWS).min(self.lattice.rows);
        let edges = &self.ribbon.edges;
        let s = |row: usize| self.ribbon.line.wrap_s(self.lattice.row_s_m(row));
        RowLimits {
            left_t_m: rows.clone().map(|r| edges.left_m(s(r))).collect(),
            right_t_m: rows.map(|r| edges.right_m(s(r))).collect(),
        }
    }

    /// The sums of a run with no breaklines, and how bright each setup saw its squares of `side` by
    /// `side` cells; the run is kept for [`Self::sums`] as far as there is room.
    pub fn shaded_sums(&self, run: usize, side: usize) -> Result<ShadedSums, BuildError> {
        let points = self.read(run)?;
        let place = |s, t| self.place(s, t);
        let trust = Trust {
            setups: self.setups,
            place: &place,
        };
        let (first, limits) = (run * SECTION_ROWS, self.limits(run));
        let how = (side, self.plain.has_room());
        let (shaded, plain) = cell_sums_shaded(&points, self.lattice, first, &limits, trust, how);
        if let Some(plain) = plain {
            self.plain.keep(run, plain);
        }
        Ok(shaded)
    }

    /// The sums of a run along breaklines; of what was kept of it where there is any.
    pub fn sums(&self, run: usize, lines: &Breaklines) -> Result<CellSums, BuildError> {
        let points = self.read(run)?;
        let (first, limits) = (run * SECTION_ROWS, self.limits(run));
        let place = |s, t| self.place(s, t);
        let trust = Trust {
            setups: self.setups,
            place: &place,
        };
        let start = i64::try_from(first).unwrap_or(i64::MAX);
        let cuts = Cuts::near_rows(lines, self.lattice, start, limits.left_t_m.len());
        Ok(cell_sums_cut(
            &points,
            self.lattice,
            first,
            &limits,
            trust,
            (&cuts, self.plain.take(run)),
        ))
    }

    pub fn read(&self, run: usize) -> Result<Vec<PackedPoint>, BuildError> {
        let mut points = Vec::new();
        let key = (i32::try_from(run).unwrap_or(i32::MAX), 0);
        self.points.read(key, &mut points)?;
        Ok(points)
    }

    pub fn place(&self, s: f64, t: f64) -> [f64; 2] {
        self.ribbon.line.to_local(RibbonPoint { s, t })
    }

    /// Small places of smooth road all along the course, with what every setup saw of them.
    pub fn places(
        &self,
        marks: &[Mark],
        progress: &mut dyn Progress,
    ) -> Result<Places, BuildError> {
        let runs: Vec<usize> = (0..self.runs()).collect();
        progress.stage("level", self.points_of(0..self.runs()), Counted::Points);
        let mut places = Places::default();
        let place = |s, t| self.place(s, t);
        in_order_within(
            &runs,
            (&|&run| self.load(run), self.flight_bytes),
            |&run| {
                let trust = Trust {
                    setups: self.setups,
                    place: &place,
                };
                let (first, limits) = (run * SECTION_ROWS, self.limits(run));
                Ok(places_seen(
                    &self.read(run)?,
                    self.lattice,
                    first,
                    &limits,
                    trust,
                    marks,
                ))
            },
            |&run, seen| {
                places.append(&seen);
                Ok::<(), BuildError>(progress.advance(self.points_of([run]))?)
            },
        )?;
        Ok(places)
    }

    /// The level of the road's spectrum, from an even sample of sections; and their sums, which
    /// are wanted again.
    pub fn level_m(
        &self,
        lines: &Breaklines,
        progress: &mut dyn Progress,
    ) -> Result<(f64, KnownSums), BuildError> {
        let stride = self.runs().div_ceil(LEVEL_SECTIONS).max(1);
        let sample: Vec<usize> = (0..self.runs()).step_by(stride).collect();
        let (mut levels, mut known) = (Vec::new(), Vec::new());
        in_order(
            &sample,
            |&run| {
                let sums = self.sums(run, lines)?;
                Ok((road_level_m(&sums, self.lattice), sums))
            },
            |&run, (level, sums)| {
                levels.push(level);
                known.push((run, sums));
                Ok::<(), BuildError>(progress.advance(0)?)
            },
        )?;
        Ok((course_level_m(&levels), known))
    }

    /// Fit `runs` in order into `store` with a known level of the road's spectrum; `known` are the
    /// sums of cells that are there already.
    pub fn fit_part(
        &self,
        runs: std::ops::Range<usize>,
        (level_m, known): (f64, &mut KnownSums),
        steps: &Steps,
        store: &FieldStore,
        progress: &mut dyn Progress,
    ) -> Result<FittedPart, BuildError> {
        let runs: Vec<usize> = runs.collect();
        self.fit_runs(&runs, (level_m, known), steps, store, progress)
    }

    /// The same for runs that need not follow each other, in order.
    pub fn fit_runs(
        &self,
        runs: &[usize],
        level: (f64, &mut KnownSums),
        steps: &Steps,
        store: &FieldStore,
        progress: &mut dyn Progress,
    ) -> Result<FittedPart, BuildError> {
        self.fit_runs_seen(runs, level, steps, (store, &mut |_, _| Ok(())), progress)
    }

    /// The same; `see` is shown the sums of every run of cells that the fit stands on, those of
    /// neighbouring runs as well, some more than once.
    pub fn fit_runs_seen(
        &self,
        runs: &[usize],
        (level_m, known): (f64, &mut KnownSums),
        steps: &Steps,
        (store, see): (&FieldStore, &mut SeeSums),
        progress: &mut dyn Progress,
    ) -> Result<FittedPart, BuildError> {
        let params = KernelParams {
            level_m,
            bridge_m: self.bridge_m,
        };
        let mut out = FittedPart::default();
        let at_a_time = self.runs_at_a_time(RUNS_AT_A_TIME, SUM_BYTES);
        for batch in runs.chunks(at_a_time) {
            self.provide(batch, steps.lines, known, progress)?;
            known.iter().try_for_each(|(run, sums)| see(*run, sums))?;
            in_order_within(
                batch,
                (&|&run| self.load(run), self.flight_bytes),
                |&run| self.fit_run(run, known, params, steps),
                |&run, (rows, cells, beside)| {
                    out.rails.push(beside);
                    out.tally.add(&rows);
                    store.write(&rows)?;
                    store.write_cells(&cells)?;
                    Ok(progress.advance(self.points_of([run]))?)
                },
            )?;
        }
        Ok(out)
    }

    /// Have the cell sums of the batch and its neighbours ready; of others only those that are
    /// known already and come later.
    pub fn provide(
        &self,
        batch: &[usize],
        lines: &Breaklines,
        known: &mut KnownSums,
        progress: &mut dyn Progress,
    ) -> Result<(), BuildError> {
        self.provide_by(batch, known, &|run| self.sums(run, lines), progress)
    }

    /// The same of whatever `make` makes of a run.
    pub fn provide_by<T: Send>(
        &self,
        batch: &[usize],
        known: &mut Vec<(usize, T)>,
        make: &(dyn Fn(usize) -> Result<T, BuildError> + Sync),
        progress: &mut dyn Progress,
    ) -> Result<(), BuildError> {
        let mut needed: Vec<usize> = batch
            .iter()
            .flat_map(|&run| {
                let [before, after] = self.halos(run);
                let around = before.into_iter().chain(after).map(|(near, _)| near);
                around.chain([run])
            })
            .collect();
        needed.sort_unstable();
        needed.dedup();
        let last = batch.last().copied().unwrap_or(0);
        known.retain(|(run, _)| *run > last || needed.contains(run));
        needed.retain(|run| !known.iter().any(|(k, _)| k == run));
        in_order_within(
            &needed,
            (&|&run| self.load(run), self.flight_bytes),
            |&run| make(run),
            |&run, made| {
                known.push((run, made));
                Ok::<(), BuildError>(progress.advance(0)?)
            },
        )
    }

    pub fn before(&self, run: usize) -> Option<usize> {
        match run {
            0 => self.lattice.closed.then(|| self.runs() - 1),
            _ => Some(run - 1),
        }
    }

    pub fn after(&self, run: usize) -> Option<usize> {
        let next = run + 1;
        if next < self.runs() {
            Some(next)
        } else {
            self.lattice.closed.then_some(0)
        }
    }

    /// The runs that the halo of `run` reaches into before and after it, nearest first, with the
    /// rows taken of each: the last section of a course may be shorter than a hole.
    fn halos(&self, run: usize) -> [Vec<(usize, usize)>; 2] {
        let before = self.halo(run, |at| self.before(at));
        [before, self.halo(run, |at| self.after(at))]
    }

    fn halo(&self, run: usize, next: impl Fn(usize) -> Option<usize>) -> Vec<(usize, usize)> {
        let mut wanted = halo_rows(self.lattice, self.bridge_m);
        let (mut out, mut at) = (Vec::new(), run);
        while wanted > 0 && out.len() < self.runs() {
            let Some(near) = next(at) else { break };
            let own = SECTION_ROWS.min(self.lattice.rows - near * SECTION_ROWS);
            out.push((near, own.min(wanted)));
            wanted -= own.min(wanted);
            at = near;
        }
        out
    }

    fn fit_run(
        &self,
        run: usize,
        known: &[(usize, CellSums)],
        params: KernelParams,
        steps: &Steps,
    ) -> Result<(FieldRows, CellMeans, Vec<RailNode>), BuildError> {
        let find = |run: usize| known.iter().find(|(k, _)| *k == run).map(|(_, s)| s);
        let first = run * SECTION_ROWS;
        let mut parts: Vec<(&CellSums, std::ops::Range<usize>)> = Vec::new();
        let [before, after] = self.halos(run);
        let mut halo = 0;
        for &(near, taken) in before.iter().rev() {
            if let Some(sums) = find(near) {
                parts.push((sums, sums.rows - taken..sums.rows));
                halo += taken;
            }
        }
        let mut rows = 0;
        if let Some(sums) = find(run) {
            rows = sums.rows;
            parts.push((sums, 0..sums.rows));
        }
        for (near, taken) in after {
            parts.extend(find(near).map(|sums| (sums, 0..taken)));
        }
        let start = i64::try_from(first).unwrap_or(i64::MAX) - i64::try_from(halo).unwrap_or(0);
        let window = Window::join(self.lattice, start, &parts).cut_along(steps.lines);
        let mut out = FieldRows::empty(*self.lattice, first, rows)?;
        fit_rows(&window, &self.limits(run), params, &mut out);
        let cells = match find(run) {
            Some(sums) => CellMeans::over(&out, sums)?,
            None => CellMeans::empty(first, rows, self.lattice.columns),
        };
        let places = steps.plan.places(steps.layout, run);
        Ok((out, cells, fit_places(&window, params, &places)))
    }
}

/// Waves under this are counted as a share of the heights: a tyre's envelope and a track's own
/// texture lie below, centimetres.
const HALF_METRE_CM: usize = 50;

/// σ, wavelengths and points are counted in histograms, so that the medians need no list of all
/// nodes.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Tally {
    counts: FieldCounts,
    sigma_10um: Vec<u64>,
    wavelength_cm: Vec<u64>,
    points: Vec<u64>,
    hidden: Vec<HiddenGround>,
    /// Length of a closed course, metres.
    lap_m: Option<f64>,
}

impl Default for Tally {
    fn default() -> Self {
        Self {
            counts: FieldCounts::default(),
            sigma_10um: vec![0; 10_000],
            wavelength_cm: vec![0; 1_000],
            points: vec![0; 10_000],
            hidden: Vec::new(),
            lap_m: None,
        }
    }
}

impl Tally {
    pub fn add(&mut self, rows: &FieldRows) {
        self.hidden.extend(hidden_in(rows));
        let l = &rows.lattice;
        self.lap_m = l.closed.then_some(l.rows as f64 * l.s_step_m);
        for k in 0..rows.z_m.len() {
            let flag = |bit: u8| u64::from(rows.flags[k] & bit != 0);
            self.counts.inside += flag(flags::INSIDE);
            if rows.z_m[k].is_finite() {
                self.counts.fitted += 1;
                self.counts.bridged += flag(flags::BRIDGED);
                self.counts.sparse += flag(flags::SPARSE);
                self.counts.outliers += flag(flags::OUTLIERS);
                self.counts.step += flag(flags::STEP);
                let bin = crate::numeric::to_index(f64::from(rows.sigma_m[k]) * 1e5);
                self.sigma_10um[bin.min(9_999)] += 1;
                let bin = crate::numeric::to_index(f64::from(rows.wavelength_m[k]) * 100.0);
                self.wavelength_cm[bin.min(999)] += 1;
                self.points[(rows.n[k] as usize).min(9_999)] += 1;
            }
        }
    }

    fn merge(&mut self, other: &Self) {
        let (own, more) = (&mut self.counts, &other.counts);
        own.inside += more.inside;
        own.fitted += more.fitted;
        own.bridged += more.bridged;
        own.sparse += more.sparse;
        own.outliers += more.outliers;
        own.step += more.step;
        let add = |own: &mut [u64], more: &[u64]| {
            own.iter_mut().zip(more).for_each(|(a, b)| *a += b);
        };
        add(&mut self.sigma_10um, &other.sigma_10um);
        add(&mut self.wavelength_cm, &other.wavelength_cm);
        add(&mut self.points, &other.points);
        self.hidden.extend_from_slice(&other.hidden);
        self.lap_m = other.lap_m.or(self.lap_m);
    }

    pub fn counts(self, level_m: f64) -> FieldCounts {
        let short: u64 = self.wavelength_cm[..HALF_METRE_CM].iter().sum();
        FieldCounts {
            wavelength_median_m: quantile(&self.wavelength_cm, 0.5) as f64 / 100.0,
            wavelength_95_m: quantile(&self.wavelength_cm, 0.95) as f64 / 100.0,
            share_under_half_metre: short as f64 / self.counts.fitted.max(1) as f64,
            sigma_median_mm: quantile(&self.sigma_10um, 0.5) as f64 / 100.0,
            sigma_95_mm: quantile(&self.sigma_10um, 0.95) as f64 / 100.0,
            points_median: crate::numeric::to_u32(quantile(&self.points, 0.5)),
            level_m,
            hidden: join_hidden(&self.hidden, self.lap_m),
            ..self.counts
        }
    }
}

/// The bin below which a share `q` of the counts lies.
fn quantile(bins: &[u64], q: f64) -> usize {
    let wanted = q * bins.iter().sum::<u64>() as f64;
    let mut sum = 0;
    for (k, n) in bins.iter().enumerate() {
        sum += n;
        if sum as f64 >= wanted {
            return k;
        }
    }
    bins.len() - 1
}
