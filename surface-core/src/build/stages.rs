//! The stages of the main job up to the height field, each taken from the record that an earlier
//! run left of it, or made and recorded.

use std::ops::Range;

use super::BuildError;
use super::breaklines::find_breaklines;
use super::clock::StageClock;
use super::export::ExportFormat;
use super::fit::lattice_of;
use super::folder::BuildFolder;
use super::heights::{FittedPart, HeightFitter, KnownSums, Steps};
use super::kept_pass::KeptPass;
use super::levelled::{Course, LevelledRoad, trusted};
use super::params::FitParams;
use super::road::{KnownSetup, Road, Squares, find_road};
use super::sections::sort_by_section;
use super::space::{SORTED_POINT, also_bytes, bytes_in, check_room, check_scratch, product_bytes};
use super::work::{Key, Work};
use crate::cloud::io::{ProductCrs, Scans};
use crate::cloud::{TileIndex, TileStore};
use crate::export::FieldStore;
use crate::field::{Lattice, Mark};
use crate::progress::{Counted, Progress};
use crate::report::{FORMAT_VERSION, Input};
use crate::ribbon::Ribbon;
use crate::zones::{Breakline, Breaklines};

/// Runs of rows that are fitted between two records: some 400 m of road at the default spacing,
/// so that a run that is killed loses seconds.
const RUNS_A_PART: usize = 32;
/// Record of the plan of the field's parts.
const PLAN: &str = "plan";
/// Beginning of the names of the parts' records.
const PART: &str = "heights-";
/// Beginning of the key of what the setups are worth: another one whenever its record changes.
const LEVEL: &str = "level with slow errors, fading and tables of scatter";
/// Beginning of the key of the breaklines: another one whenever others are found in the same points.
const LINES: &str = "lines by height and intensity, placed by their mean";
/// File of the points by section.
const ROAD: &str = "road";
/// Beginning of the key of the pass over the scans: another one whenever its record changes.
const PASS: &str = "cloud";

/// Hashes of all that each stage depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(super) struct Keys {
    /// Of the points by square.
    cloud: Key,
    ribbon: Key,
    pub road: Key,
    pub level: Key,
    pub lines: Key,
    field: Key,
}

impl Keys {
    /// Of a run over `inputs`. Threads, memory and folders are not in it: they do not change what
    /// comes out. A file's name may be its setup's.
    pub fn new(inputs: &[Input], params: &FitParams) -> Self {
        let scans: Vec<[&String; 3]> = inputs
            .iter()
            .map(|i| [&i.blake3, &i.units, &i.name])
            .collect();
        // `{:?}` of a number is its shortest form that reads back the same.
        let frame = params.ribbon.as_ref().map(|ribbon| ribbon.frame);
        let cloud = format!(
            "{} {FORMAT_VERSION} {scans:?} {:?}",
            env!("CARGO_PKG_VERSION"),
            (params.units, frame)
        );
        let cloud = Key::first(PASS, &cloud);
        let hints = (&params.line, params.closed, &params.ribbon, &params.setups);
        let ribbon = cloud.then("ribbon", &format!("{hints:?}"));
        let road = ribbon.then("road", &format!("{:?}", params.spacing_m));
        let held = (&params.checkpoints, params.checkpoint_sd_m, params.noise);
        let level = road.then(LEVEL, &format!("{held:?}"));
        let lines = level.then(LINES, &format!("{:?}", params.breaklines));
        let field = lines.then("field", &format!("{:?}", params.bridge_m));
        Self {
            cloud,
            ribbon,
            road,
            level,
            lines,
            field,
        }
    }
}

impl Keys {
    /// Hash of all that the products of a build depend on.
    pub fn products(&self, params: &FitParams, also: &[ExportFormat]) -> Key {
        let rest = (params.tolerance_m, params.deviation_points, &params.given);
        self.field.then("products", &format!("{rest:?} {also:?}"))
    }
}

/// What of the road is needed once its points are sorted.
#[derive(Debug)]
pub(super) struct RoadInWords {
    pub ribbon: Ribbon,
    pub notes: Vec<String>,
    pub points: u64,
    /// Points left out: not finite, or marked as deleted; and those far away.
    pub rejected: u64,
    pub strays: u64,
    /// What reading told, in words.
    pub doubts: Vec<String>,
    pub setups: Vec<KnownSetup>,
    pub crs: ProductCrs,
}

impl RoadInWords {
    /// The course, with surveyed heights that hold it.
    pub fn course<'a>(&'a self, lattice: &'a Lattice, marks: &'a [Mark]) -> Course<'a> {
        Course {
            ribbon: &self.ribbon,
            lattice,
            setups: &self.setups,
            marks,
        }
    }
}

/// The points of the road by section, and the road in words.
#[derive(Debug)]
pub(super) struct SortedRoad {
    pub words: RoadInWords,
    pub lattice: Lattice,
    pub points: TileStore,
    pub z_steps_m: Vec<f64>,
}

/// The same as it is recorded.
#[derive(serde::Serialize, serde::Deserialize)]
struct RoadRecord {
    ribbon: String,
    notes: Vec<String>,
    points: u64,
    rejected: u64,
    strays: u64,
    doubts: Vec<String>,
    setups: Vec<KnownSetup>,
    z_steps_m: Vec<f64>,
    tiles: TileIndex,
    spacing_m: f64,
}

impl RoadRecord {
    /// Open the points that the record speaks of; `None` where they are gone.
    fn open(self, crs: ProductCrs, work: &Work) -> Option<SortedRoad> {
        let points = TileStore::reopen(&work.scratch(ROAD), self.tiles).ok()?;
        let ribbon = Ribbon::from_geojson(&self.ribbon).ok()?;
        let lattice = lattice_of(&ribbon, self.spacing_m).ok()?;
        let words = RoadInWords {
            ribbon,
            notes: self.notes,
            points: self.points,
            rejected: self.rejected,
            strays: self.strays,
            doubts: self.doubts,
            setups: self.setups,
            crs,
        };
        Some(SortedRoad {
            words,
            lattice,
            points,
            z_steps_m: self.z_steps_m,
        })
    }
}

/// Refuse at once, before files are hashed, where points have no room that no earlier run has sorted.
pub(super) fn check_before(scans: &Scans, work: &Work) -> Result<(), BuildError> {
    if work.lasts() {
        return Ok(());
    }
    work.discard(&[ROAD])?;
    KeptPass::discard(work)?;
    check_scratch(&work.scratch(""), scans.guessed_points(), SORTED_POINT, 0)
}

/// A run with what it needs in every stage.
pub(super) struct Stages<'a> {
    pub params: &'a FitParams,
    /// Formats that the build is written in besides.
    pub also: &'a [ExportFormat],
    pub keys: Keys,
    pub clock: &'a mut StageClock,
    pub progress: &'a mut dyn Progress,
}

impl Stages<'_> {
    /// Read the scans, find the road and sort its points by section.
    pub fn road(&mut self, scans: &mut Scans, work: &Work) -> Result<SortedRoad, BuildError> {
        let kept = KeptPass::new(work, self.keys.cloud, self.keys.ribbon)?;
        if let Some(road) = recorded_road(work, &self.keys.road, scans.product_crs()) {
            self.clock.taken_over("road");
            // A run that was killed in between has left them.
            kept.forget()?;
            return Ok(road);
        }
        work.forget(ROAD)?;
        work.discard(&[ROAD])?;
        let record = self.road_of_pass(scans, &kept, work);
        // What this command cannot do with these scans it can do no better another time.
        if record.as_ref().is_err_and(|error| !error.may_pass()) {
            // What cannot be removed must not hide the error that ended the run.
            let _ = kept.forget();
        }
        let record = record?;
        work.save(ROAD, &self.keys.road, &record)?;
        kept.forget()?;
        let crs = scans.product_crs();
        record.open(crs, work).ok_or_else(|| gone(work))
    }

    /// Read what is not read yet, find the road and sort its points by section.
    fn road_of_pass(
        &mut self,
        scans: &mut Scans,
        kept: &KeptPass,
        work: &Work,
    ) -> Result<RoadRecord, BuildError> {
        let (points, there) = (scans.guessed_points(), kept.bytes());
        check_scratch(&work.scratch(""), points, SORTED_POINT, there)?;
        let squares = Squares::Kept(kept);
        let road = find_road(scans, squares, self.params, self.clock, self.progress)?;
        let record = self.sorted(road, scans, work)?;
        self.clock.lap("sort");
        Ok(record)
    }

    /// Sort the points of the road and say all that is to be recorded.
    fn sorted(&mut self, road: Road, scans: &Scans, work: &Work) -> Result<RoadRecord, BuildError> {
        let spacing_m = self.params.spacing_m;
        let lattice = lattice_of(&road.ribbon, spacing_m)?;
        let mut points = sort_by_section(
            &road.cloud.tiles,
            &road.ribbon,
            &lattice,
            &work.scratch(ROAD),
            self.params,
            self.progress,
        )?;
        if self.params.ribbon.is_some() && points.keys().next().is_none() {
            return Err(misses(&road, scans, self.params));
        }
        Ok(RoadRecord {
            ribbon: road.ribbon.to_geojson()?,
            notes: road.notes,
            points: road.cloud.points,
            rejected: scans.rejected() + scans.withheld(),
            strays: road.cloud.strays,
            doubts: road.doubts,
            setups: road.setups,
            z_steps_m: road.cloud.z_steps_m.clone(),
            tiles: points.keep(),
            spacing_m,
        })
    }

    /// Learn what the setups are worth.
    pub fn level(
        &mut self,
        points: TileStore,
        z_steps_m: &[f64],
        course: Course,
        work: &Work,
    ) -> Result<LevelledRoad, BuildError> {
        let trusted = match work.load("level", &self.keys.level) {
            Some(known) => {
                self.clock.taken_over("level");
                known
            }
            None => {
                let found = trusted(&points, z_steps_m, course, self.params, self.progress)?;
                self.clock.lap("level");
                work.save("level", &self.keys.level, &found)?;
                found
            }
        };
        Ok(LevelledRoad {
            points,
            trusted,
            flight_bytes: self.params.flight_bytes(),
        })
    }

    /// Find the breaklines, unless they are known, and the level of the road's spectrum.
    pub fn lines(&mut self, fitter: &HeightFitter, work: &Work) -> Result<FoundLines, BuildError> {
        if let Some(record) = work.load::<(Vec<Breakline>, f64)>("lines", &self.keys.lines) {
            self.clock.taken_over("breaklines");
            return Ok(FoundLines {
                lines: Breaklines::new(record.0),
                level_m: record.1,
                known: Vec::new(),
            });
        }
        let lines = match &self.params.breaklines {
            Some(known) => known.clone(),
            None => find_breaklines(fitter, self.progress)?,
        };
        let (level_m, known) = fitter.level_m(&lines, self.progress)?;
        self.clock.lap("breaklines");
        let record: (Vec<&Breakline>, f64) = ((&lines).into_iter().collect(), level_m);
        work.save("lines", &self.keys.lines, &record)?;
        Ok(FoundLines {
            lines,
            level_m,
            known,
        })
    }

    /// Fit all parts of the field that are not there yet.
    pub fn field(
        &mut self,
        fitter: &HeightFitter,
        (level_m, known): (f64, &mut KnownSums),
        steps: &Steps,
        (folder, work): (&mut BuildFolder, &Work),
    ) -> Result<(FieldStore, FittedPart), BuildError> {
        let (store, plan) = self.planned(fitter, (folder, work), None)?;
        let points = fitter.points_of(0..fitter.runs());
        self.progress.stage("fit", points, Counted::Points);
        let mut whole = FittedPart::default();
        for range in &plan.parts {
            let part = match plan.load(work, range) {
                Some(part) => {
                    self.progress.advance(fitter.points_of(range.clone()))?;
                    part
                }
                None => {
                    let level = (level_m, &mut *known);
                    let part =
                        fitter.fit_part(range.clone(), level, steps, &store, self.progress)?;
                    plan.save(work, range, &part)?;
                    part
                }
            };
            whole.append(part);
        }
        self.clock.lap("fit");
        Ok((store, whole))
    }

    /// The store of the field and the plan of its parts: an earlier run's where it fits.
    pub fn planned(
        &mut self,
        fitter: &HeightFitter,
        (folder, work): (&mut BuildFolder, &Work),
        sections: Option<usize>,
    ) -> Result<(FieldStore, Plan), BuildError> {
        let path = folder.lasting_part("field");
        let there = Plan::of(work)
            .filter(|plan| plan.keys == self.keys && sections.is_none_or(|n| n == plan.parts.len()))
            .and_then(|plan| Some((FieldStore::open(&path).ok()?.0, plan)));
        if let Some((store, plan)) = there.filter(|(store, _)| store.lattice() == fitter.lattice) {
            if plan.any_done(work) {
                self.clock.taken_over("a part of the heights");
            }
            self.check_room(fitter, folder, bytes_in(&path))?;
            return Ok((store, plan));
        }
        work.forget(PLAN)?;
        work.forget_all(PART)?;
        let path = folder.part("field")?;
        self.check_room(fitter, folder, 0)?;
        let store = FieldStore::create(&path, *fitter.lattice, fitter.ribbon.frame.origin_m)?;
        let plan = Plan {
            keys: self.keys,
            bridge_m: fitter.bridge_m,
            parts: parts(fitter.runs(), sections),
        };
        plan.record(work)?;
        Ok((store, plan))
    }
}

impl Stages<'_> {
    /// Refuse where products, of which `there` bytes are written, and other formats do not fit, now that
    /// the road is known, before most of the work.
    fn check_room(
        &self,
        fitter: &HeightFitter,
        folder: &BuildFolder,
        there: u64,
    ) -> Result<(), BuildError> {
        let (lattice, points) = (fitter.lattice, on_road(fitter));
        let products = product_bytes(lattice, points, self.params.deviation_points);
        let products = products.saturating_sub(there);
        let also = also_bytes(self.also, lattice, points);
        let nodes = lattice.rows * lattice.columns;
        let others = match self.also.len() {
            0 => String::new(),
            n => format!(" and {n} other format(s)"),
        };
        let what = format!("the products{others} of {nodes} nodes and {points} points on the road");
        check_room(&what, &[(folder.path(), products.saturating_add(also))])
    }
}

/// Points of the road.
fn on_road(fitter: &HeightFitter) -> u64 {
    let points = fitter.points;
    points.keys().map(|key| points.count(key)).sum()
}

/// The road as an earlier run recorded it.
pub(super) fn recorded_road(work: &Work, key: &Key, crs: ProductCrs) -> Option<SortedRoad> {
    work.load::<RoadRecord>(ROAD, key)?.open(crs, work)
}

/// The error about a given ribbon that no point lies on: what follows would blame the spacing.
fn misses(road: &Road, scans: &Scans, params: &FitParams) -> BuildError {
    let [east, north, _] = match scans.suggest_origin() {
        Ok(origin) => origin,
        Err(error) => return error.into(),
    };
    let [x, y, _] = road.ribbon.frame.origin_m;
    let knots = road.ribbon.line.knots().iter();
    let nowhere = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];
    let ribbon_box_m = knots.fold(nowhere, |[low, high], p| {
        let p = [x + p[0], y + p[1]];
        [
            [0, 1].map(|k| p[k].min(low[k])),
            [0, 1].map(|k| p[k].max(high[k])),
        ]
    });
    BuildError::RibbonMissesScan {
        path: params.ribbon_file.clone(),
        points: road.cloud.points,
        ribbon_box_m,
        scan_xy_m: [east, north],
    }
}

fn gone(work: &Work) -> BuildError {
    super::folder::write_error(&work.scratch(ROAD))(std::io::ErrorKind::NotFound.into())
}

/// Breaklines, the level of the road's spectrum, and the sums of cells that told it.
pub(super) struct FoundLines {
    pub lines: Breaklines,
    pub level_m: f64,
    pub known: KnownSums,
}

/// Which runs of rows are fitted together, and recorded when they are.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
pub(super) struct Plan {
    pub keys: Keys,
    pub bridge_m: f64,
    pub parts: Vec<Range<usize>>,
}

impl Plan {
    fn own_key() -> Key {
        let version = format!("{} {FORMAT_VERSION}", env!("CARGO_PKG_VERSION"));
        Key::first(PLAN, &version)
    }

    /// The plan that is recorded.
    pub fn of(work: &Work) -> Option<Self> {
        work.load(PLAN, &Self::own_key())
    }

    fn record(&self, work: &Work) -> Result<(), BuildError> {
        work.save(PLAN, &Self::own_key(), self)
    }

    /// The name of a part's record.
    pub fn name(range: &Range<usize>) -> String {
        format!("{PART}{:06}-{:06}", range.start, range.end)
    }

    fn any_done(&self, work: &Work) -> bool {
        self.parts
            .iter()
            .any(|range| self.load(work, range).is_some())
    }

    /// What fitting a part found, if it is done.
    pub fn load(&self, work: &Work, range: &Range<usize>) -> Option<FittedPart> {
        work.load(&Self::name(range), &self.keys.field)
    }

    /// Record that a part is done.
    pub fn save(
        &self,
        work: &Work,
        range: &Range<usize>,
        part: &FittedPart,
    ) -> Result<(), BuildError> {
        work.save(&Self::name(range), &self.keys.field, part)
    }
}

/// `runs` in so many parts of about the same length, or in parts of [`RUNS_A_PART`].
fn parts(runs: usize, sections: Option<usize>) -> Vec<Range<usize>> {
    let count = sections
        .unwrap_or_else(|| runs.div_ceil(RUNS_A_PART))
        .clamp(1, runs.max(1));
    let bound = |k: usize| k * runs / count;
    (0..count).map(|k| bound(k)..bound(k + 1)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_follow_each_other_and_are_about_as_long() {
        for (runs, sections) in [
            (1, None),
            (32, None),
            (33, None),
            (500, None),
            (51, Some(7)),
            (3, Some(8)),
        ] {
            let parts = parts(runs, sections);
            assert_eq!((parts[0].start, parts[parts.len() - 1].end), (0, runs));
            assert!(parts.windows(2).all(|p| p[0].end == p[1].start));
            let lengths: Vec<usize> = parts.iter().map(ExactSizeIterator::len).collect();
            let (least, most) = (lengths.iter().min().unwrap(), lengths.iter().max().unwrap());
            assert!(*least > 0 && most - least <= 1, "{lengths:?}");
        }
        assert_eq!(parts(51, Some(7)).len(), 7);
        assert_eq!(parts(3, Some(8)).len(), 3);
    }

    #[test]
    fn a_parameter_changes_its_own_stage_and_those_after_it() {
        let input = Input {
            name: "a.laz".to_owned(),
            format: "LAZ".to_owned(),
            bytes: 1,
            blake3: "00".to_owned(),
            units: "m".to_owned(),
        };
        let params = FitParams::default();
        let of = |change: fn(&mut FitParams)| {
            let mut params = params.clone();
            change(&mut params);
            Keys::new(std::slice::from_ref(&input), &params)
        };
        let same = |a: Keys, b: Keys| {
            [
                a.road == b.road,
                a.level == b.level,
                a.lines == b.lines,
                a.field == b.field,
            ]
        };
        let plain = of(|_| {});
        assert_eq!(same(plain, of(|p| p.tolerance_m = 0.003)), [true; 4]);
        assert_eq!(same(plain, of(|p| p.memory_bytes /= 2)), [true; 4]);
        assert_eq!(
            same(plain, of(|p| p.bridge_m = 0.4)),
            [true, true, true, false]
        );
        assert_eq!(
            same(plain, of(|p| p.breaklines = Some(Breaklines::default()))),
            [true, true, false, false]
        );
        assert_eq!(
            same(plain, of(|p| p.checkpoint_sd_m = 1e-3)),
            [true, false, false, false]
        );
        let made = |change: fn(&mut FitParams)| {
            let mut params = params.clone();
            change(&mut params);
            let keys = Keys::new(std::slice::from_ref(&input), &params);
            keys.products(&params, &[])
        };
        assert!(made(|_| {}) == made(|p| p.memory_bytes /= 2));
        assert!(made(|_| {}) != made(|p| p.tolerance_m = 0.003));
        assert!(made(|_| {}) != made(|p| p.bridge_m = 0.4));
        let wider = of(|p| p.spacing_m = 0.2);
        assert_eq!(same(plain, wider), [false; 4]);
        assert_eq!((plain.cloud, plain.ribbon), (wider.cloud, wider.ribbon));
        let round = of(|p| p.closed = Some(true));
        assert_eq!(plain.cloud, round.cloud);
        assert_ne!(plain.ribbon, round.ribbon);
        let other = Input {
            blake3: "01".to_owned(),
            ..input.clone()
        };
        assert_ne!(plain, Keys::new(&[other], &params));
    }
}
