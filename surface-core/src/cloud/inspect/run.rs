//! One pass over all points.

use super::ground::{Ground, quantile};
use super::repeats::Repeats;
use super::report::{ClassCount, Doubt, FileReport, Inspection, SetupReport, class_name};
use super::sample::Sample;
use super::steps::{COARSE_STEP_M, Steps, steps};
use crate::cloud::Columns;
use crate::cloud::io::{FileInfo, ReadError, Scans, Unit};
use crate::numeric::to_f32;
use crate::progress::{Cancelled, Counted, Progress};

/// Share of exact repeats above which they are no coincidence of rounded coordinates.
const MANY_REPEATS: f64 = 0.01;
/// Share of one class above which it is "nearly all".
const NEARLY_ALL: f64 = 0.99;
/// Median spread of heights in a 0.5 m cell above which it is no ground, metres: a slope of 10 %
/// gives 0.015 m, a kerb 0.05 m, a bush of a metre 0.3 m.
const ROUGH_M: f64 = 0.1;
/// Classes that mean smooth ground: ground, road surface, bridge deck.
const SMOOTH_CLASSES: [usize; 3] = [2, 11, 17];
/// Strays stretch the box by more than this, metres, and by half of the central part.
const STRAY_M: f64 = 20.0;
const STRAY_FACTOR: f64 = 1.5;
/// Plan coordinates in steps below this do no harm, metres: a quarter of a cell of the usual spacing
/// is 25 mm.
const COARSE_PLAN_STEP_M: f64 = 0.01;
/// Share of the points outside the central part, on each side.
const TAIL: f64 = 0.0005;

/// Why an inspection did not end.
#[derive(Debug, thiserror::Error)]
pub enum InspectError {
    /// A file could not be read.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// The user asked to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

impl InspectError {
    /// What the user can do about it.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Read(error) => error.hint(),
            Self::Cancelled(_) => "run the command again",
        }
    }
}

/// What the files hold, and what is wrong with them. Reads every point once (from the beginning,
/// whatever was read before) in bounded memory: about 200 MB however large the scans are.
///
/// # Errors
/// [`InspectError`] when a file cannot be read or the user asks to stop.
pub fn inspect(scans: &mut Scans, progress: &mut dyn Progress) -> Result<Inspection, InspectError> {
    scans.rewind();
    let origin_m = scans.suggest_origin()?;
    progress.stage(
        "inspect",
        scans.declared_points().unwrap_or(0),
        Counted::Points,
    );
    let mut seen = Seen::new(origin_m, scans.files().len());
    let mut batch = Columns::default();
    while scans.next_batch(&mut batch)? > 0 {
        seen.add(scans.current_file().unwrap_or(0), &batch);
        progress.advance(batch.len() as u64)?;
    }
    seen.end_of_file();
    Ok(seen.report(scans))
}

/// Everything that is kept of the points.
struct Seen {
    origin: [f64; 3],
    points: u64,
    bounds: [[f64; 3]; 2],
    sample: Sample<[f64; 3]>,
    ground: Ground,
    repeats: Repeats,
    setup_points: Vec<u64>,
    intensity: [u16; 2],
    time: Option<[f64; 2]>,
    files: Vec<SeenFile>,
    file: usize,
    /// A sample of the file's coordinates, by axis.
    coordinates: [Sample<f64>; 3],
}

/// What is kept of one file's points.
#[derive(Clone, Copy)]
struct SeenFile {
    points: u64,
    intensity: [u16; 2],
    steps: Steps,
    /// Steps of x and y, and the largest of each, metres.
    plan: [(Steps, f64); 2],
}

const NOTHING: [u16; 2] = [u16::MAX, 0];

impl Seen {
    fn new(origin: [f64; 3], files: usize) -> Self {
        let file = SeenFile {
            points: 0,
            intensity: NOTHING,
            steps: Steps::None,
            plan: [(Steps::None, 0.0); 2],
        };
        Self {
            origin,
            points: 0,
            bounds: [[f64::INFINITY; 3], [f64::NEG_INFINITY; 3]],
            sample: Sample::new(),
            ground: Ground::new(origin),
            repeats: Repeats::new(),
            setup_points: Vec::new(),
            intensity: NOTHING,
            time: None,
            files: vec![file; files],
            file: 0,
            coordinates: std::array::from_fn(|_| Sample::new()),
        }
    }

    fn add(&mut self, file: usize, batch: &Columns) {
        if file != self.file {
            self.end_of_file();
            self.file = file;
        }
        self.points += batch.len() as u64;
        self.files[file].points += batch.len() as u64;
        self.add_bounds(batch);
        self.sample
            .add(batch.len(), |k| [batch.x[k], batch.y[k], batch.z[k]]);
        for (sample, axis) in self
            .coordinates
            .iter_mut()
            .zip([&batch.x, &batch.y, &batch.z])
        {
            sample.add(batch.len(), |k| axis[k]);
        }
        self.ground.add(batch);
        self.repeats.add(batch);
        self.add_setups(batch);
        for range in [&mut self.intensity, &mut self.files[file].intensity] {
            batch
                .intensity
                .iter()
                .for_each(|&i| *range = [range[0].min(i), range[1].max(i)]);
        }
        for &t in batch.time_s.iter().flatten().filter(|t| t.is_finite()) {
            let [from, to] = self.time.unwrap_or([t, t]);
            self.time = Some([from.min(t), to.max(t)]);
        }
    }

    fn add_bounds(&mut self, batch: &Columns) {
        for (axis, column) in [&batch.x, &batch.y, &batch.z].into_iter().enumerate() {
            for &v in column {
                self.bounds[0][axis] = self.bounds[0][axis].min(v);
                self.bounds[1][axis] = self.bounds[1][axis].max(v);
            }
        }
    }

    fn add_setups(&mut self, batch: &Columns) {
        for &setup in &batch.setup {
            let setup = usize::from(setup);
            if setup >= self.setup_points.len() {
                self.setup_points.resize(setup + 1, 0);
            }
            self.setup_points[setup] += 1;
        }
    }

    /// The points of a file are all there: look for steps.
    fn end_of_file(&mut self) {
        let [x, y, z] = self.coordinates.each_ref().map(Sample::values);
        let largest = |v: &[f64]| v.iter().fold(0.0, |most: f64, v| most.max(v.abs()));
        let file = &mut self.files[self.file];
        file.steps = steps(z);
        file.plan = [x, y].map(|v| (steps(v), largest(v)));
        self.coordinates = std::array::from_fn(|_| Sample::new());
    }

    fn central_box(&self) -> [[f64; 3]; 2] {
        let mut out = self.bounds;
        for axis in 0..3 {
            let mut column: Vec<f64> = self.sample.values().iter().map(|p| p[axis]).collect();
            column.sort_unstable_by(f64::total_cmp);
            out[0][axis] = quantile(&column, TAIL).unwrap_or(out[0][axis]);
            out[1][axis] = quantile(&column, 1.0 - TAIL).unwrap_or(out[1][axis]);
        }
        out
    }

    fn report(&self, scans: &Scans) -> Inspection {
        let files = scans.files().iter().zip(&self.files);
        let has_intensity = scans.files().iter().any(|f| f.has_intensity);
        let classes = scans
            .classes()
            .map(|c| class_counts(&c))
            .unwrap_or_default();
        Inspection {
            files: files.map(|(info, seen)| file_report(info, seen)).collect(),
            points: self.points,
            rejected: scans.rejected(),
            withheld: scans.withheld(),
            box_m: self.bounds,
            central_box_m: self.central_box(),
            origin_m: self.origin,
            density: self.ground.density(),
            setups: self.setups(scans),
            intensity: has_intensity.then_some(self.intensity),
            time_s: self.time,
            doubts: self.doubts(scans, &classes),
            classes,
            repeated: self.repeats.share(),
        }
    }

    fn setups(&self, scans: &Scans) -> Vec<SetupReport> {
        let points = |k: usize| self.setup_points.get(k).copied().unwrap_or(0);
        let setups = scans.setups().iter().enumerate();
        setups
            .map(|(k, s)| SetupReport {
                name: s.name.clone(),
                position_m: s.position_m,
                points: points(k),
            })
            .collect()
    }

    fn doubts(&self, scans: &Scans, classes: &[ClassCount]) -> Vec<Doubt> {
        let mut doubts = reading_doubts(scans);
        for (info, seen) in scans.files().iter().zip(&self.files) {
            file_doubts(info, seen, &mut doubts);
        }
        self.intensity_doubts(scans, &mut doubts);
        let repeated = self.repeats.share();
        if repeated > MANY_REPEATS {
            doubts.push(Doubt::Repeated { share: repeated });
        }
        doubts.extend(self.class_doubt(classes));
        doubts.extend(self.strays());
        doubts
    }

    fn intensity_doubts(&self, scans: &Scans, doubts: &mut Vec<Doubt>) {
        if self.intensity[0] >= self.intensity[1] {
            doubts.push(Doubt::NoIntensity { path: None });
            return;
        }
        for (info, seen) in scans.files().iter().zip(&self.files) {
            if seen.points > 0 && seen.intensity[0] >= seen.intensity[1] {
                let path = Some(info.path.clone());
                doubts.push(Doubt::NoIntensity { path });
            }
        }
    }

    fn class_doubt(&self, classes: &[ClassCount]) -> Option<Doubt> {
        let all: u64 = classes.iter().map(|c| c.points).sum();
        #[expect(clippy::cast_precision_loss, reason = "a share")]
        let nearly_all = |c: &&ClassCount| c.points as f64 > NEARLY_ALL * all as f64;
        let most = classes.iter().find(nearly_all)?;
        let spread_m = self.ground.spread_m()?;
        let wrong = SMOOTH_CLASSES.contains(&usize::from(most.class)) && spread_m > ROUGH_M;
        wrong.then_some(Doubt::ClassIsNoGround {
            class: most.class,
            name: most.name,
            spread_m,
        })
    }

    fn strays(&self) -> Vec<Doubt> {
        let central = self.central_box();
        let mut out = Vec::new();
        for (axis, name) in ['x', 'y', 'z'].into_iter().enumerate() {
            let extent = |b: &[[f64; 3]; 2]| b[1][axis] - b[0][axis];
            let (central_m, whole_m) = (extent(&central), extent(&self.bounds));
            if whole_m > STRAY_FACTOR * central_m && whole_m > central_m + STRAY_M {
                out.push(Doubt::Strays {
                    axis: name,
                    central_m,
                    whole_m,
                });
            }
        }
        out
    }
}

/// What reading alone tells: units that are guesses, headers that contradict themselves, points
/// left out, setups that are told apart by nothing.
#[must_use]
pub fn reading_doubts(scans: &Scans) -> Vec<Doubt> {
    let mut doubts = unit_doubts(scans.files());
    for info in scans.files() {
        header_doubts(info, &mut doubts);
    }
    let (rejected, withheld) = (scans.rejected(), scans.withheld());
    doubts.extend((rejected > 0).then_some(Doubt::NotFinite { points: rejected }));
    doubts.extend((withheld > 0).then_some(Doubt::Withheld { points: withheld }));
    let shared = scans.id_shared_by_files();
    doubts.extend(shared.map(|(id, files)| Doubt::OneSourceId { id, files }));
    doubts
}

/// Files whose unit nothing tells. Those for which it is not known for the same reason are one
/// doubt: a scan often comes as dozens of files of one kind.
fn unit_doubts(files: &[FileInfo]) -> Vec<Doubt> {
    let mut found: Vec<(&FileInfo, usize)> = Vec::new();
    for info in files.iter().filter(|info| !info.units.known) {
        let same = |(first, _): &&mut (&FileInfo, usize)| first.units.how == info.units.how;
        match found.iter_mut().find(same) {
            Some((_, more)) => *more += 1,
            None => found.push((info, 0)),
        }
    }
    let doubt = |(info, more): (&FileInfo, usize)| Doubt::UnknownUnits {
        path: info.path.clone(),
        more,
        why: info.units.how.clone(),
    };
    found.into_iter().map(doubt).collect()
}

/// What a file's header leaves in doubt, besides its unit as a whole.
fn header_doubts(info: &FileInfo, doubts: &mut Vec<Doubt>) {
    let path = || info.path.clone();
    let units = &info.units;
    if units.known && !units.vertical_told && units.horizontal != Unit::Metre {
        let taken = units.vertical.name();
        doubts.push(Doubt::VerticalUnitNotTold {
            path: path(),
            taken,
        });
    }
    for what in &info.notes {
        let what = what.clone();
        doubts.push(Doubt::Header { path: path(), what });
    }
    if let Some(crs) = info.crs.as_ref().filter(|crs| is_web_mercator(crs)) {
        let crs = crs.clone();
        doubts.push(Doubt::StretchedMetres { path: path(), crs });
    }
}

fn class_counts(histogram: &[u64; 256]) -> Vec<ClassCount> {
    let counts = (0..=u8::MAX).zip(histogram).filter(|(_, n)| **n > 0);
    counts
        .map(|(class, &points)| ClassCount {
            class,
            name: class_name(class),
            points,
        })
        .collect()
}

fn file_report(info: &FileInfo, seen: &SeenFile) -> FileReport {
    FileReport {
        info: info.clone(),
        points: seen.points,
        z_step_mm: match seen.steps {
            Steps::Of(step) => Some(1000.0 * step),
            _ => None,
        },
    }
}

/// What a file's points leave in doubt.
fn file_doubts(info: &FileInfo, seen: &SeenFile, doubts: &mut Vec<Doubt>) {
    let path = || info.path.clone();
    let units = &info.units;
    for (axis, (steps, largest_m)) in ['x', 'y'].into_iter().zip(seen.plan) {
        let factor = units.horizontal.factor_m();
        let Steps::Of(step) = steps else { continue };
        if step > COARSE_PLAN_STEP_M && is_single(step / factor, largest_m / factor) {
            doubts.push(Doubt::SinglePrecision {
                path: path(),
                axis,
                step_mm: 1000.0 * step,
            });
        }
    }
    match seen.steps {
        Steps::Of(step) if step > COARSE_STEP_M => doubts.push(Doubt::Quantised {
            path: path(),
            step_mm: 1000.0 * step,
        }),
        Steps::Flat(z_m) => doubts.push(Doubt::Flat { path: path(), z_m }),
        _ => {}
    }
}

/// Whether `step` is that of 32-bit floating point for numbers as large as `largest`, or half of it:
/// the smaller ones may lie below the power of two.
fn is_single(step: f64, largest: f64) -> bool {
    let near = to_f32(largest);
    let spacing = f64::from(near.next_up()) - f64::from(near);
    [1.0, 0.5]
        .iter()
        .any(|half| (step / (half * spacing) - 1.0).abs() < 1e-3)
}

/// Whether a coordinate system is the Mercator projection on a sphere of web maps, whose metres are
/// 1/cos(latitude) ground metres.
fn is_web_mercator(crs: &str) -> bool {
    let crs = crs.to_ascii_lowercase();
    let names = [
        "3857",
        "900913",
        "pseudo-mercator",
        "web mercator",
        "web_mercator",
    ];
    names.iter().any(|name| crs.contains(name))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::io::ReadOptions;
    use crate::progress::Silent;
    use std::fmt::Write;

    fn inspected(text: &str) -> Inspection {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.xyz");
        std::fs::write(&path, text).unwrap();
        let mut scans = Scans::open(&[path], &ReadOptions::default()).unwrap();
        inspect(&mut scans, &mut Silent).unwrap()
    }

    fn kinds(inspection: &Inspection) -> Vec<String> {
        let kind = |d: &Doubt| {
            let value = serde_json::to_value(d).unwrap();
            value["kind"].as_str().unwrap().to_owned()
        };
        inspection.doubts.iter().map(kind).collect()
    }

    /// A metre square of ground at a large northing, without steps or repeats.
    fn ground() -> String {
        let mut text = String::new();
        for k in 0..4000 {
            let u = (f64::from(k) * 0.754_877_666_2).fract();
            let v = (f64::from(k) * 0.569_840_290_9).fract();
            let z = 12.0 + 0.01 * (u * v * 57.3).sin();
            writeln!(
                text,
                "{} {} {z} {}",
                500_000.0 + u,
                5_000_000.0 + v,
                k % 200
            )
            .unwrap();
        }
        text
    }

    #[test]
    fn a_plain_scan_is_only_doubted_for_its_unknown_unit() {
        let found = inspected(&ground());
        assert_eq!(kinds(&found), ["unknown-units"]);
        assert_eq!(
            (found.points, found.origin_m),
            (4000, [500_000.0, 5_000_000.0, 12.0])
        );
        // Four cells share the points, evenly but for a few.
        assert!((found.density.median_per_m2 - 4000.0).abs() < 40.0);
        assert_eq!((found.setups.len(), found.setups[0].points), (1, 4000));
        assert_eq!(found.intensity, Some([0, 199]));
        assert_eq!(found.time_s, None);
    }

    #[test]
    fn strays_repeats_and_numbers_that_are_none_are_doubts() {
        let ground = ground();
        let text = format!("{ground}{ground}500000 9000000 12 5\nnan 1 1 1\n");
        let found = inspected(&text);
        assert_eq!(
            kinds(&found),
            ["unknown-units", "not-finite", "repeated", "strays"]
        );
        assert!((found.repeated - 0.5).abs() < 1e-3);
        assert!(found.central_box_m[1][1] < 5_000_002.0 && found.box_m[1][1] > 8e6);
        assert!(found.doubts[3].to_string().starts_with("strays: along y"));
    }

    #[test]
    fn single_precision_at_a_large_northing_is_a_doubt() {
        let mut text = String::new();
        for k in 0..3000 {
            let u = 40.0 * (f64::from(k) * 0.754_877_666_2).fract();
            let v = 40.0 * (f64::from(k) * 0.569_840_290_9).fract();
            let single = |v: f64| f64::from(to_f32(v));
            let [x, y] = [500_000.0 + u, 5_000_000.0 + v].map(single);
            writeln!(text, "{x} {y} {} {}", 0.01 * u * v.sin(), k % 200).unwrap();
        }
        let found = inspected(&text);
        assert_eq!(
            kinds(&found),
            ["unknown-units", "single-precision", "single-precision"]
        );
        let said = found.doubts[2].to_string();
        assert!(said.contains("y comes in steps of 500.0 mm"), "{said}");
    }

    #[test]
    fn metres_of_web_maps_are_known_by_their_names() {
        for crs in ["EPSG:3857", "WGS 84 / Pseudo-Mercator"] {
            assert!(is_web_mercator(crs));
        }
        assert!(!is_web_mercator("EPSG:25832"));
    }

    #[test]
    fn coarse_steps_flat_heights_and_missing_intensity_are_doubts() {
        let (mut coarse, mut flat) = (String::new(), String::new());
        for k in 0..500 {
            writeln!(coarse, "{k} 0 {:.2}", 0.01 * f64::from(k % 7)).unwrap();
            writeln!(flat, "{k} 0 3").unwrap();
        }
        let found = inspected(&coarse);
        assert_eq!(
            kinds(&found),
            ["unknown-units", "quantised", "no-intensity"]
        );
        assert!((found.files[0].z_step_mm.unwrap() - 10.0).abs() < 0.01);
        assert_eq!(
            kinds(&inspected(&flat)),
            ["unknown-units", "flat", "no-intensity"]
        );
    }
}
