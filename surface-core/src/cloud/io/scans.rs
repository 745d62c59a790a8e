//! Several scan files as one cloud, in metres.

mod so_far;

use std::path::{Path, PathBuf};

pub(crate) use self::so_far::ReadSoFar;
use super::crs::{self, CrsRecord, ProductCrs};
use super::error::ReadError;
use super::open::open;
use super::setup_table::SetupTable;
use super::source::{Head, Opened, Source};
use super::units::{CrsUnits, FileUnits, Unit};
use crate::cloud::Columns;

/// How to read.
#[derive(Debug, Clone, Default)]
pub struct ReadOptions {
    /// The unit of all files, over what they say themselves.
    pub units: Option<Unit>,
}

/// What one file says about itself.
#[derive(Debug, Clone, serde::Serialize)]
pub struct FileInfo {
    /// The file as it was named.
    pub path: PathBuf,
    /// Format and variant, for reports.
    pub format: String,
    /// Points that the file promises; `None` for text, which promises nothing.
    pub declared_points: Option<u64>,
    /// Lowest and highest corner that the header states, metres. A statement, not a measurement.
    pub header_box_m: Option<[[f64; 3]; 2]>,
    /// Units and how they are known.
    pub units: FileUnits,
    /// Name of the coordinate system, where the file has one.
    pub crs: Option<String>,
    /// The coordinate system as the file states it.
    #[serde(skip)]
    pub crs_record: Option<CrsRecord>,
    /// Whether coordinates in that system are metres on all axes, as they are taken.
    #[serde(skip)]
    pub crs_in_metres: bool,
    /// Step of the stored coordinates, metres, where they are whole multiples of one.
    pub step_m: Option<[f64; 3]>,
    /// Whether the points carry an intensity.
    pub has_intensity: bool,
    /// Whether the points carry a GPS time.
    pub has_time: bool,
    /// Contradictions in the header that do not stop the reading.
    pub notes: Vec<String>,
}

/// One scanner position, or what stands for it.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SetupInfo {
    /// Its name in the file, else one made from the point source id or the file's name.
    pub name: String,
    /// Where the scanner stood, world metres; `None` when the file does not say.
    pub position_m: Option<[f64; 3]>,
    /// Index of the (first) file with this setup in [`Scans::files`].
    pub file: usize,
    /// The point source id that its points bear, if that is what tells them apart.
    pub source_id: Option<u16>,
}

impl SetupInfo {
    /// How surely a name given by the user means this setup: 3 its very name, 2 its point source
    /// id, 1 its name without the ending of a scan file; `None` not at all.
    #[must_use]
    pub fn answers_to(&self, given: &str) -> Option<u8> {
        let given = given.trim();
        let stem = self.name.rsplit_once('.').filter(|(_, ending)| {
            let scans = [
                "las", "laz", "e57", "ply", "txt", "csv", "xyz", "asc", "pts",
            ];
            scans.iter().any(|known| ending.eq_ignore_ascii_case(known))
        });
        if self.name.eq_ignore_ascii_case(given) {
            return Some(3);
        }
        if self.source_id.is_some() && self.source_id == given.parse().ok() {
            return Some(2);
        }
        stem.filter(|(stem, _)| stem.eq_ignore_ascii_case(given))
            .map(|_| 1)
    }
}

/// Several scan files as one cloud.
///
/// [`Scans::open`] reads headers only. [`Scans::next_batch`] then gives the points of all files
/// in the order of the files, in metres, with points dropped (and counted) whose coordinates are
/// NaN or infinite, or that their file marks as deleted. The same files give the same batches on any
/// number of threads.
pub struct Scans {
    files: Vec<FileInfo>,
    /// Points of all files as they promise them, else as their lengths tell; `None` where one tells
    /// neither.
    guessed_points: Option<u64>,
    setups: SetupTable,
    next_file: usize,
    current: Option<Current>,
    accepted: u64,
    rejected: u64,
    withheld: u64,
    classes: Option<Box<[u64; 256]>>,
    skips_times: bool,
}

struct Current {
    file: usize,
    source: Box<dyn Source>,
    /// Points read of it, whatever became of them.
    points: u64,
}

impl std::fmt::Debug for Scans {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Scans")
            .field("files", &self.files)
            .finish_non_exhaustive()
    }
}

impl Scans {
    /// Open files and read their headers.
    ///
    /// # Errors
    /// [`ReadError`] when a file cannot be read or is damaged, when its coordinates are degrees,
    /// when a file in feet meets one of unknown unit, and when no file promises a point.
    pub fn open(paths: &[PathBuf], options: &ReadOptions) -> Result<Self, ReadError> {
        let first = paths.first().ok_or(ReadError::NoFiles)?;
        let mut files = Vec::with_capacity(paths.len());
        let mut setups = SetupTable::default();
        let mut guessed_points = Some(0u64);
        for path in paths {
            let Opened { head, source } = open(path)?;
            let points = head.declared_points.or_else(|| source.guessed_points());
            guessed_points = guessed_points.zip(points).map(|(a, b)| a.saturating_add(b));
            let info = file_info(path, &head, options)?;
            setups.add_file(path, files.len(), &head.setups, &info.units)?;
            files.push(info);
        }
        check_units_agree(&files)?;
        if files.iter().all(|f| f.declared_points == Some(0)) {
            return Err(ReadError::NoPoints {
                path: first.clone(),
                files: files.len(),
                rejected: 0,
                withheld: 0,
            });
        }
        Ok(Self {
            files,
            guessed_points,
            setups,
            next_file: 0,
            current: None,
            accepted: 0,
            rejected: 0,
            withheld: 0,
            classes: None,
            skips_times: false,
        })
    }

    /// From the next file on, formats whose times take long to read leave them out (E57).
    pub(crate) fn skip_times(&mut self) {
        self.skips_times = true;
    }

    /// What the files say about themselves, in the order given.
    #[must_use]
    pub fn files(&self) -> &[FileInfo] {
        &self.files
    }

    /// Metres in the unit that all files share, along the ground and upwards: what lengths given in
    /// the scans' own unit are multiplied by. 1 where the files differ.
    #[must_use]
    pub fn common_factors_m(&self) -> [f64; 2] {
        let factor = |unit: &dyn Fn(&FileUnits) -> Unit| {
            let first = unit(&self.files[0].units);
            let same = self.files.iter().all(|f| unit(&f.units) == first);
            if same { first.factor_m() } else { 1.0 }
        };
        [factor(&|u| u.horizontal), factor(&|u| u.vertical)]
    }

    /// The setups met so far; [`Columns::setup`] counts into this. Grows while reading, and keeps
    /// its order on reading again.
    #[must_use]
    pub fn setups(&self) -> &[SetupInfo] {
        self.setups.list()
    }

    /// The coordinate system that products in metres share with the files.
    #[must_use]
    pub fn product_crs(&self) -> ProductCrs {
        crs::of_products(&self.files)
    }

    /// Points that all files together promise; `None` when one promises nothing.
    #[must_use]
    pub fn declared_points(&self) -> Option<u64> {
        self.files.iter().map(|f| f.declared_points).sum()
    }

    /// About how many points all files have together: what they promise, and what the lengths of
    /// those that promise nothing tell. Good enough to reckon disk space by; `None` when a file
    /// tells neither, as one that comes through a pipe.
    #[must_use]
    pub fn guessed_points(&self) -> Option<u64> {
        self.guessed_points
    }

    /// Points dropped so far because a coordinate is NaN or infinite.
    #[must_use]
    pub fn rejected(&self) -> u64 {
        self.rejected
    }

    /// Points dropped so far because their file marks them as deleted (LAS: *withheld*).
    #[must_use]
    pub fn withheld(&self) -> u64 {
        self.withheld + self.current.as_ref().map_or(0, |c| c.source.withheld())
    }

    /// A non-zero point source id that is the only one in each of several files met so far, and how
    /// many files: all of them are taken for one setup.
    #[must_use]
    pub fn id_shared_by_files(&self) -> Option<(u16, usize)> {
        self.setups.id_shared_by_files()
    }

    /// Points of each LAS class so far; `None` when no file has classes.
    #[must_use]
    pub fn classes(&self) -> Option<[u64; 256]> {
        let mut sum = self.classes.as_deref().copied();
        if let Some(more) = self.current.as_ref().and_then(|c| c.source.classes()) {
            add_classes(sum.get_or_insert([0; 256]), more);
        }
        sum
    }

    /// Index of the file that the last batch came from.
    #[must_use]
    pub fn current_file(&self) -> Option<usize> {
        self.current.as_ref().map(|c| c.file)
    }

    /// Replace `out` by the next points, metres; the return value is their number, 0 at the end.
    /// A batch never spans two files.
    ///
    /// # Errors
    /// [`ReadError`] when a file is damaged or cut off, and at the end when no point was usable.
    pub fn next_batch(&mut self, out: &mut Columns) -> Result<usize, ReadError> {
        loop {
            let Some(current) = self.current_or_next()? else {
                out.clear();
                return self.at_end();
            };
            let points = current.source.next(out)?;
            if points == 0 {
                self.close_current();
                continue;
            }
            current.points += points as u64;
            let file = current.file;
            self.rejected += drop_non_finite(out);
            if !out.is_empty() {
                to_metres(out, &self.files[file].units);
                self.setups.assign(out, file, &self.files[file].path)?;
                self.accepted += out.len() as u64;
                return Ok(out.len());
            }
        }
    }

    /// Begin again at the first point; counts start at 0, setups keep their numbers.
    pub fn rewind(&mut self) {
        self.next_file = 0;
        self.current = None;
        self.accepted = 0;
        self.rejected = 0;
        self.withheld = 0;
        self.classes = None;
    }

    /// A whole-metre origin near the points: the median of a fixed sample of the first points of
    /// up to eight files, rounded down. A few strays do not move it, and the same
    /// files always give the same one.
    ///
    /// # Errors
    /// [`ReadError`] when a file cannot be read or holds no usable point.
    pub fn suggest_origin(&self) -> Result<[f64; 3], ReadError> {
        let n = self.files.len();
        let some = n.min(ORIGIN_FILES);
        let (mut sample, mut dropped) = (Columns::default(), [0; 2]);
        for k in 0..some {
            let more = self.sample_file(k * n / some, &mut sample)?;
            dropped = [0, 1].map(|k| dropped[k] + more[k]);
        }
        if sample.is_empty() {
            return Err(self.no_points(dropped));
        }
        Ok([&mut sample.x, &mut sample.y, &mut sample.z].map(|v| whole_median(v)))
    }

    /// Points of a file's first batch with a usable one; how many before them are no numbers, and
    /// how many are marked as deleted.
    fn sample_file(&self, file: usize, sample: &mut Columns) -> Result<[u64; 2], ReadError> {
        let mut source = open(&self.files[file].path)?.source;
        let (mut batch, mut rejected) = (Columns::default(), 0);
        while source.next(&mut batch)? > 0 {
            rejected += drop_non_finite(&mut batch);
            to_metres(&mut batch, &self.files[file].units);
            let step = batch.len().div_ceil(ORIGIN_SAMPLE).max(1);
            for k in (0..batch.len()).step_by(step) {
                sample.push([batch.x[k], batch.y[k], batch.z[k]], 0, 0);
            }
            if !batch.is_empty() {
                break;
            }
        }
        Ok([rejected, source.withheld()])
    }

    fn current_or_next(&mut self) -> Result<Option<&mut Current>, ReadError> {
        if self.current.is_none() && self.next_file < self.files.len() {
            self.current = Some(self.begin(self.next_file)?);
            self.next_file += 1;
        }
        Ok(self.current.as_mut())
    }

    fn begin(&self, file: usize) -> Result<Current, ReadError> {
        let mut source = open(&self.files[file].path)?.source;
        if self.skips_times {
            source.skip_times();
        }
        Ok(Current {
            file,
            source,
            points: 0,
        })
    }

    fn close_current(&mut self) {
        let Some(mut current) = self.current.take() else {
            return;
        };
        let notes = &mut self.files[current.file].notes;
        let told = current.source.note_at_end();
        notes.extend(told.filter(|told| !notes.contains(told)));
        self.withheld += current.source.withheld();
        if let Some(more) = current.source.classes() {
            let sum = self.classes.get_or_insert_with(|| Box::new([0; 256]));
            add_classes(sum, more);
        }
    }

    fn at_end(&self) -> Result<usize, ReadError> {
        if self.accepted == 0 {
            Err(self.no_points([self.rejected, self.withheld]))
        } else {
            Ok(0)
        }
    }

    fn no_points(&self, [rejected, withheld]: [u64; 2]) -> ReadError {
        ReadError::NoPoints {
            path: self.files[0].path.clone(),
            files: self.files.len(),
            rejected,
            withheld,
        }
    }
}

/// Files whose first points [`Scans::suggest_origin`] looks at: enough to be inside a course cut
/// into tiles, few enough to take no time.
const ORIGIN_FILES: usize = 8;
/// Points of the sample from each file.
const ORIGIN_SAMPLE: usize = 1000;
/// Coordinates within this are angles rather than lengths on a map.
const FULL_TURN_DEG: f64 = 360.0;

fn add_classes(sum: &mut [u64; 256], more: &[u64; 256]) {
    for (s, m) in sum.iter_mut().zip(more) {
        *s += m;
    }
}

fn file_info(path: &Path, head: &Head, options: &ReadOptions) -> Result<FileInfo, ReadError> {
    let units = file_units(path, head, options)?;
    let (xy, z) = (units.horizontal.factor_m(), units.vertical.factor_m());
    let metres = |p: [f64; 3]| [p[0] * xy, p[1] * xy, p[2] * z];
    Ok(FileInfo {
        path: path.to_owned(),
        format: head.format.clone(),
        declared_points: head.declared_points,
        header_box_m: head.bounds.map(|b| b.map(metres)),
        crs_in_metres: crs::in_metres(head.crs_units.as_ref().unwrap_or(&head.units), &units),
        units,
        crs: head.crs.clone(),
        crs_record: head.crs_record.clone(),
        step_m: head.step.map(metres),
        has_intensity: head.has_intensity,
        has_time: head.has_time,
        notes: head.notes.clone(),
    })
}

fn file_units(path: &Path, head: &Head, options: &ReadOptions) -> Result<FileUnits, ReadError> {
    let path = path.to_owned();
    let own = match &head.units {
        CrsUnits::Known(units) => units.clone(),
        CrsUnits::Silent => FileUnits::assumed(&match &head.crs {
            Some(name) => format!("the file's coordinate system '{name}' does not tell its unit"),
            None => "nothing in the file tells its unit".to_owned(),
        }),
        // A wrong record is overruled by the caller, unless the numbers agree with it.
        CrsUnits::NotProjected(system) => match options.units {
            Some(_) if !within_a_turn(head) => FileUnits::assumed(system),
            _ => {
                let system = system.clone();
                return Err(ReadError::NotProjected { path, system });
            }
        },
        CrsUnits::Unknown(unit) => match options.units {
            Some(_) => FileUnits::assumed(unit),
            None => {
                let unit = unit.clone();
                return Err(ReadError::UnknownUnit { path, unit });
            }
        },
    };
    Ok(own.overridden(options.units))
}

fn within_a_turn(head: &Head) -> bool {
    let small = |b: &[[f64; 3]; 2]| {
        b.iter()
            .all(|p| p[..2].iter().all(|v| v.abs() <= FULL_TURN_DEG))
    };
    head.bounds.as_ref().is_none_or(small)
}

fn check_units_agree(files: &[FileInfo]) -> Result<(), ReadError> {
    let foot = |f: &FileInfo| {
        let mut both = [f.units.horizontal, f.units.vertical].into_iter();
        both.find(|u| f.units.known && *u != Unit::Metre)
    };
    let feet = files.iter().find_map(|f| Some((f, foot(f)?)));
    let unknown = files.iter().find(|f| !f.units.known);
    match (feet, unknown) {
        (Some((known, unit)), Some(unknown)) => Err(ReadError::MixedUnits {
            known: known.path.clone(),
            unit: unit.name(),
            unknown: unknown.path.clone(),
        }),
        _ => Ok(()),
    }
}

/// Drop points with a coordinate that is NaN or infinite; how many there were.
fn drop_non_finite(columns: &mut Columns) -> u64 {
    // v · 0 is 0 for every number and NaN for the rest: one branch-free pass finds most batches
    // clean.
    let clean = |v: &[f64]| v.iter().map(|v| v * 0.0).sum::<f64>().is_finite();
    if [&columns.x, &columns.y, &columns.z]
        .into_iter()
        .all(|v| clean(v))
    {
        return 0;
    }
    let finite = |k: usize| {
        [columns.x[k], columns.y[k], columns.z[k]]
            .iter()
            .all(|v| v.is_finite())
    };
    let keep: Vec<bool> = (0..columns.len()).map(finite).collect();
    let before = columns.len();
    columns.retain(&keep);
    (before - columns.len()) as u64
}

fn to_metres(columns: &mut Columns, units: &FileUnits) {
    for (column, unit) in [
        (&mut columns.x, units.horizontal),
        (&mut columns.y, units.horizontal),
        (&mut columns.z, units.vertical),
    ] {
        if unit != Unit::Metre {
            let factor = unit.factor_m();
            column.iter_mut().for_each(|v| *v *= factor);
        }
    }
}

/// The median rounded down; of an even number the upper one.
fn whole_median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    let (_, median, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    median.floor()
}

#[cfg(test)]
mod tests {
    use super::super::testing::las_with_wkt;
    use super::*;

    #[test]
    fn a_file_with_feet_on_any_axis_and_one_of_unknown_unit_are_no_cloud() {
        let dir = tempfile::tempdir().unwrap();
        let [las, text] = ["a.las", "b.xyz"].map(|name| dir.path().join(name));
        std::fs::write(&text, "1 2 3\n").unwrap();
        let system = |xy: &str, z: &str| {
            format!("COMPD_CS[\"both\",PROJCS[\"grid\",UNIT[{xy}]],VERT_CS[\"height\",UNIT[{z}]]]")
        };
        let (metre, foot) = ("\"metre\",1", "\"foot\",0.3048");
        for (xy, z, agree) in [
            (metre, metre, true),
            (foot, foot, false),
            (foot, metre, false),
            (metre, foot, false),
        ] {
            las_with_wkt(&las, &system(xy, z));
            let opened = Scans::open(&[las.clone(), text.clone()], &ReadOptions::default());
            match opened {
                Ok(_) => assert!(agree, "{xy} {z}"),
                Err(error) => {
                    let words = error.to_string();
                    assert!(
                        !agree && words.contains("is in international feet"),
                        "{words}"
                    );
                    assert!(words.contains("a.las") && words.contains("b.xyz"));
                }
            }
        }
    }

    #[test]
    fn points_that_are_all_of_no_use_are_counted_by_why() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.xyz");
        std::fs::write(&path, "nan nan nan\ninf 1 2\n1 -inf 2\n").unwrap();
        let scans = Scans::open(&[path.clone(), path], &ReadOptions::default()).unwrap();
        let error = scans.suggest_origin().unwrap_err().to_string();
        assert!(
            error.contains("in 2 file(s) (6 with coordinates that are no numbers"),
            "{error}"
        );
    }

    #[test]
    fn points_that_are_no_numbers_are_dropped_from_every_column() {
        let mut columns = Columns {
            time_s: Some(vec![1.0, 2.0, 3.0, 4.0]),
            ..Columns::default()
        };
        columns.push([1.0, 1.0, 1.0], 1, 0);
        columns.push([f64::NAN, 1.0, 1.0], 2, 0);
        columns.push([1.0, f64::INFINITY, 1.0], 3, 0);
        columns.push([2.0, 2.0, 2.0], 4, 0);
        assert_eq!(drop_non_finite(&mut columns), 2);
        assert_eq!(columns.intensity, [1, 4]);
        assert_eq!(columns.time_s, Some(vec![1.0, 4.0]));
        assert_eq!(drop_non_finite(&mut columns), 0);
    }

    #[test]
    fn opening_nothing_is_an_error_with_a_remedy() {
        let error = Scans::open(&[], &ReadOptions::default()).unwrap_err();
        assert!(matches!(error, ReadError::NoFiles));
        assert!(error.hint().contains("LAZ"));
    }

    #[test]
    fn the_surest_name_wins_and_only_scan_endings_are_left_out() {
        let setup = |name: &str, source_id| SetupInfo {
            name: name.to_owned(),
            position_m: None,
            file: 0,
            source_id,
        };
        let e57 = setup("Scan 1.2", None);
        assert_eq!(e57.answers_to("scan 1.2"), Some(3));
        assert_eq!(e57.answers_to("Scan 1"), None);
        assert_eq!(setup("north.laz", None).answers_to("north"), Some(1));
        assert_eq!(setup("point source 7", Some(7)).answers_to(" 7 "), Some(2));
    }
}
