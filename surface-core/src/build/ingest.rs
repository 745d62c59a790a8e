//! The one pass over the scan files: decode, make local, sort into world tiles, fill the grid.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Instant;

use super::BuildError;
use super::kept_pass::KeptPass;
use crate::cloud::inspect::coarse_step_m;
use crate::cloud::io::{ReadError, ReadSoFar, Scans};
use crate::cloud::{
    CellGrid, Columns, Frame, PackedPoint, TILE_M, TileIndex, TileKey, TileStore, TileWriter,
};
use crate::numeric::floor_i32;
use crate::progress::{Counted, Progress};

/// Width of the grid's cells, metres: a quarter of a metre tells road from verge and a lane from
/// a kerb in a tripod scan; coarser grounds are judged on several cells together.
const CELL_M: f64 = 0.25;

/// Blocks of the grid that are held in full, 2 GiB: 2 km² of ground. On more the cells are 0.5 m, as
/// the search for the road takes them anyway, and more. Not a share of the memory that a run may
/// take: products do not depend on that. Where the share of a run's memory ends first, it is said.
const MOST_BLOCKS: usize = 32_768;

/// The whole cloud, sorted into squares, with the grid of what the ground is like.
#[derive(Debug)]
pub struct Ingested {
    /// Where local coordinates start.
    pub frame: Frame,
    /// All points by square of [`TILE_M`], local x, y, z.
    pub tiles: TileStore,
    /// What fell where; empty unless it was asked for.
    pub grid: CellGrid,
    /// Points read.
    pub points: u64,
    /// Points more than 40 km from the origin, left out.
    pub strays: u64,
    /// Points that an earlier run had read of them.
    pub taken_over: u64,
    /// The coarse step that each setup's heights come in, metres; 0 where they have none.
    pub z_steps_m: Vec<f64>,
}

/// What a pass over scans needs besides them.
#[derive(Debug)]
pub(super) struct Pass<'a> {
    /// Where local coordinates start.
    pub frame: Frame,
    /// The file for the tiles.
    pub scratch: &'a Path,
    /// Memory for waiting points.
    pub budget_bytes: usize,
    /// Memory for the grid, where a road is to be found: it grows with the ground that was seen.
    pub grid_bytes: Option<usize>,
    /// Where it is recorded how far the pass is, if at all.
    pub kept: Option<&'a KeptPass<'a>>,
}

/// Read every scan once, or what a stopped run has left of them.
///
/// Decoding runs in a thread of its own and overlaps with the sorting; the order of the points is the
/// files' order whatever the timing.
///
/// # Errors
/// [`BuildError`] when a file cannot be read, the scratch file cannot be written, the grid takes more than
/// it may, or on a stop.
pub(super) fn ingest(
    scans: &mut Scans,
    pass: &Pass,
    progress: &mut dyn Progress,
) -> Result<Ingested, BuildError> {
    progress.stage(
        "read",
        scans.declared_points().unwrap_or(0),
        Counted::Points,
    );
    // Tiles keep no time.
    scans.skip_times();
    let mut sorter = begin(scans, pass)?;
    let taken_over = sorter.points;
    progress.advance(taken_over)?;
    read_and_sort(scans, &mut sorter, pass.kept, progress)?;
    // Where nothing was read the record is that of all of it.
    let read = sorter.points > taken_over || taken_over == 0;
    if let Some(kept) = pass.kept.filter(|_| read) {
        sorter.record(scans.so_far(), kept)?;
    }
    Ok(Ingested {
        taken_over,
        ..sorter.finish(pass.kept.is_some())?
    })
}

/// A sorter with what is recorded of an earlier run, `scans` behind it; else one from the first point.
fn begin(scans: &mut Scans, pass: &Pass) -> Result<Sorter, BuildError> {
    if let Some((read, sorter)) = pass.kept.and_then(|kept| recorded(kept, pass))
        && scans.go_on(read)?
    {
        return Ok(sorter);
    }
    pass.kept.map_or(Ok(()), KeptPass::forget)?;
    let writer = TileWriter::create(pass.scratch, pass.budget_bytes)?;
    Ok(Sorter::new(pass.frame, writer, pass.grid_bytes))
}

/// What is recorded in `kept`, as long as the points that it speaks of are there.
fn recorded(kept: &KeptPass, pass: &Pass) -> Option<(ReadSoFar, Sorter)> {
    let record: PassRecord = kept.load()?;
    let writer = TileWriter::go_on(pass.scratch, record.tiles, pass.budget_bytes).ok()?;
    let sorter = Sorter {
        grid: record.grid,
        points: record.points,
        strays: record.strays,
        heights: record.heights,
        ..Sorter::new(pass.frame, writer, pass.grid_bytes)
    };
    Some((record.scans, sorter))
}

fn read_and_sort(
    scans: &mut Scans,
    sorter: &mut Sorter,
    kept: Option<&KeptPass>,
    progress: &mut dyn Progress,
) -> Result<(), BuildError> {
    // Whoever sorts says when a record is due, and whoever reads says where the points end.
    let due = &AtomicBool::new(kept.is_some_and(|kept| kept.every().is_zero()));
    std::thread::scope(|scope| {
        let (full, batches) = sync_channel::<Batch>(1);
        let (empty, spares) = sync_channel::<Columns>(2);
        let reader = scope.spawn(move || decode(scans, due, &full, &spares));
        let sorted = take_batches(sorter, kept.zip(Some(due)), (&batches, &empty), progress);
        drop(batches);
        // A reader that failed closes the channel early: its error is the one to tell.
        let read = reader
            .join()
            .unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        match (read, sorted) {
            (Err(Some(error)), Ok(())) => Err(BuildError::Read(error)),
            (_, sorted) => sorted,
        }
    })
}

/// Points, and where the reading is after them, when that is to be recorded.
type Batch = (Columns, Option<ReadSoFar>);

/// Decode batches until the end, an error, or until nobody listens (`Err(None)`).
fn decode(
    scans: &mut Scans,
    due: &AtomicBool,
    full: &SyncSender<Batch>,
    spares: &Receiver<Columns>,
) -> Result<(), Option<ReadError>> {
    loop {
        let mut columns = spares.try_recv().unwrap_or_default();
        columns.clear();
        if scans.next_batch(&mut columns)? == 0 {
            return Ok(());
        }
        let due = due.swap(false, Ordering::Relaxed);
        let read = due.then(|| scans.so_far());
        full.send((columns, read)).map_err(|_| None)?;
    }
}

fn take_batches(
    sorter: &mut Sorter,
    kept: Option<(&KeptPass, &AtomicBool)>,
    (batches, empty): (&Receiver<Batch>, &SyncSender<Columns>),
    progress: &mut dyn Progress,
) -> Result<(), BuildError> {
    let mut last = Instant::now();
    for (columns, read) in batches {
        let points = columns.len() as u64;
        sorter.add(&columns)?;
        // The reader may be gone already; then the spare is not needed.
        let _ = empty.try_send(columns);
        if let Some((kept, due)) = kept {
            if let Some(read) = read {
                sorter.record(read, kept)?;
                last = Instant::now();
            }
            due.store(last.elapsed() >= kept.every(), Ordering::Relaxed);
        }
        progress.advance(points)?;
    }
    Ok(())
}

/// The pass so far, as it is recorded.
#[derive(serde::Serialize, serde::Deserialize)]
struct PassRecord {
    scans: ReadSoFar,
    tiles: TileIndex,
    grid: CellGrid,
    points: u64,
    strays: u64,
    heights: HeightSamples,
}

struct Sorter {
    frame: Frame,
    writer: TileWriter,
    grid: CellGrid,
    /// What the grid may take; `None` where it is not wanted.
    grid_bytes: Option<usize>,
    local: [Vec<f64>; 3],
    run: Vec<PackedPoint>,
    points: u64,
    strays: u64,
    heights: HeightSamples,
}

impl Sorter {
    fn new(frame: Frame, writer: TileWriter, grid_bytes: Option<usize>) -> Self {
        Self {
            frame,
            writer,
            grid: CellGrid::new(CELL_M).bounded(MOST_BLOCKS),
            grid_bytes,
            local: Default::default(),
            run: Vec::new(),
            points: 0,
            strays: 0,
            heights: HeightSamples::default(),
        }
    }

    fn add(&mut self, columns: &Columns) -> Result<(), BuildError> {
        self.points += columns.len() as u64;
        self.heights.add(&columns.z, &columns.setup);
        let origin = self.frame.origin_m;
        let world = [&columns.x, &columns.y, &columns.z];
        for (axis, (local, world)) in self.local.iter_mut().zip(world).enumerate() {
            local.clear();
            local.extend(world.iter().map(|v| v - origin[axis]));
        }
        let strays = self.local[0].iter().zip(&self.local[1]).zip(&self.local[2]);
        if strays.clone().any(|((x, y), z)| is_stray(*x, *y, *z)) {
            return self.add_without_strays(columns);
        }
        self.add_to_grid(&columns.intensity)?;
        self.sort(&columns.intensity, &columns.setup)
    }

    fn add_without_strays(&mut self, columns: &Columns) -> Result<(), BuildError> {
        let [x, y, z] = &self.local;
        let keep: Vec<usize> = (0..x.len())
            .filter(|&k| !is_stray(x[k], y[k], z[k]))
            .collect();
        self.strays += (x.len() - keep.len()) as u64;
        let intensity: Vec<u16> = keep.iter().map(|&k| columns.intensity[k]).collect();
        let setup: Vec<u16> = keep.iter().map(|&k| columns.setup[k]).collect();
        for local in &mut self.local {
            *local = keep.iter().map(|&k| local[k]).collect();
        }
        self.add_to_grid(&intensity)?;
        self.sort(&intensity, &setup)
    }

    fn add_to_grid(&mut self, intensity: &[u16]) -> Result<(), BuildError> {
        let Some(most) = self.grid_bytes else {
            return Ok(());
        };
        let [x, y, z] = &self.local;
        self.grid.add(x, y, z, intensity);
        let bytes = self.grid.bytes();
        if bytes > most {
            return Err(BuildError::Ground { bytes, most });
        }
        Ok(())
    }

    /// Runs of points in the same square are handed over together.
    fn sort(&mut self, intensity: &[u16], setup: &[u16]) -> Result<(), BuildError> {
        let mut here: Option<TileKey> = None;
        for k in 0..intensity.len() {
            let (x, y, z) = (self.local[0][k], self.local[1][k], self.local[2][k]);
            let packed = (Frame::pack(x), Frame::pack(y), Frame::pack(z));
            let (Some(a), Some(b), Some(c)) = packed else {
                continue;
            };
            let key = (floor_i32(x / TILE_M), floor_i32(y / TILE_M));
            if here != Some(key) {
                self.flush(here)?;
                here = Some(key);
            }
            self.run.push(PackedPoint {
                abc: [a, b, c],
                intensity: intensity[k],
                setup: setup[k],
            });
        }
        self.flush(here)
    }

    fn flush(&mut self, key: Option<TileKey>) -> Result<(), BuildError> {
        if let Some(key) = key {
            self.writer.append(key, &self.run)?;
        }
        self.run.clear();
        Ok(())
    }

    /// Write what is waiting, and a record of all that is there.
    fn record(&mut self, read: ReadSoFar, kept: &KeptPass) -> Result<(), BuildError> {
        let record = PassRecord {
            scans: read,
            tiles: self.writer.so_far()?,
            grid: std::mem::take(&mut self.grid),
            points: self.points,
            strays: self.strays,
            heights: std::mem::take(&mut self.heights),
        };
        let saved = kept.save(&record);
        self.grid = record.grid;
        self.heights = record.heights;
        saved
    }

    /// The cloud; its file is `kept` when that is dropped, or goes.
    fn finish(self, kept: bool) -> Result<Ingested, BuildError> {
        let mut tiles = self.writer.finish()?;
        if kept {
            tiles.keep();
        }
        Ok(Ingested {
            frame: self.frame,
            tiles,
            grid: self.grid,
            points: self.points,
            strays: self.strays,
            taken_over: 0,
            z_steps_m: self.heights.steps_m(),
        })
    }
}

/// Heights kept of a setup: they tell its step, and those of thirty setups take a megabyte or two.
const MOST_HEIGHTS: usize = 8192;

/// A sample of each setup's heights, evenly spread over what it measured.
#[derive(Default, serde::Serialize, serde::Deserialize)]
struct HeightSamples {
    setups: Vec<HeightSample>,
}

/// Every n-th height, n doubling whenever the sample is full.
#[derive(serde::Serialize, serde::Deserialize)]
struct HeightSample {
    kept: Vec<f64>,
    every: u32,
    wait: u32,
}

impl HeightSamples {
    fn add(&mut self, z: &[f64], setup: &[u16]) {
        for (&z, &setup) in z.iter().zip(setup) {
            let k = usize::from(setup);
            while self.setups.len() <= k {
                self.setups.push(HeightSample {
                    kept: Vec::new(),
                    every: 1,
                    wait: 0,
                });
            }
            self.setups[k].add(z);
        }
    }

    fn steps_m(&self) -> Vec<f64> {
        let step = |s: &HeightSample| coarse_step_m(&s.kept).unwrap_or(0.0);
        self.setups.iter().map(step).collect()
    }
}

impl HeightSample {
    #[inline]
    fn add(&mut self, z: f64) {
        if self.wait > 0 {
            self.wait -= 1;
            return;
        }
        if self.kept.len() == MOST_HEIGHTS {
            let mut odd = false;
            self.kept.retain(|_| {
                odd = !odd;
                odd
            });
            self.every = self.every.saturating_mul(2);
        }
        self.kept.push(z);
        self.wait = self.every - 1;
    }
}

fn is_stray(x: f64, y: f64, z: f64) -> bool {
    Frame::pack(x).is_none() || Frame::pack(y).is_none() || Frame::pack(z).is_none()
}

#[cfg(test)]
mod tests {
    use std::io::{Seek, SeekFrom, Write};
    use std::path::PathBuf;

    use super::*;
    use crate::build::work::{Key, Sharing, Work};
    use crate::cloud::io::ReadOptions;
    use crate::progress::Cancelled;

    /// A point a metre over 64 m by 64 m: 64 blocks of 64 cells with points, each held in full.
    fn ground() -> Columns {
        let mut out = Columns::default();
        for k in 0..64 * 64u32 {
            out.x.push(f64::from(k % 64));
            out.y.push(f64::from(k / 64));
            out.z.push(0.0);
            out.intensity.push(0);
            out.setup.push(0);
        }
        out
    }

    fn sorted(grid_bytes: Option<usize>) -> Result<(), BuildError> {
        let dir = tempfile::tempdir().unwrap();
        let writer = TileWriter::create(&dir.path().join("cloud"), 1 << 20)?;
        let frame = Frame { origin_m: [0.0; 3] };
        Sorter::new(frame, writer, grid_bytes).add(&ground())
    }

    /// 150 000 points in three files: text, LAZ and LAS, of two setups, some of them withheld or far off.
    fn files(dir: &Path) -> Vec<PathBuf> {
        use std::fmt::Write as _;
        let text = (0..900).fold(String::new(), |mut text, k| {
            let _ = writeln!(text, "{} {} {}", k % 30, k / 30, 0.01 * f64::from(k % 7));
            text
        });
        let paths = ["a.txt", "b.laz", "c.las"].map(|name| dir.join(name));
        std::fs::write(&paths[0], text).unwrap();
        for (path, points) in paths[1..].iter().zip([110_000u32, 70_000]) {
            let header = las::Builder::from((1, 4)).into_header().unwrap();
            let mut writer = las::Writer::from_path(path, header).unwrap();
            (0..points).for_each(|k| writer.write_point(point(k)).unwrap());
            writer.close().unwrap();
        }
        // The header of the compressed one promises 10 000 points less than there are.
        let mut file = std::fs::File::options()
            .write(true)
            .open(&paths[1])
            .unwrap();
        file.seek(SeekFrom::Start(247)).unwrap();
        file.write_all(&100_000u64.to_le_bytes()).unwrap();
        paths.to_vec()
    }

    fn point(k: u32) -> las::Point {
        let far = if k.is_multiple_of(9999) {
            60_000.0
        } else {
            0.0
        };
        las::Point {
            x: 0.01 * f64::from(k % 6000) + far,
            y: f64::from(k / 6000),
            z: 0.004 * f64::from(k % 5),
            intensity: 7,
            point_source_id: 1 + u16::from(k > 50_000),
            is_withheld: k.is_multiple_of(777),
            return_number: 1,
            number_of_returns: 1,
            ..las::Point::default()
        }
    }

    /// Stops when it has been told of points so many times.
    struct StopsAfter(usize);

    impl Progress for StopsAfter {
        fn stage(&mut self, _: &str, _: u64, _: Counted) {}

        fn advance(&mut self, points: u64) -> Result<(), Cancelled> {
            if points == 0 {
                return Ok(());
            }
            self.0 = self.0.checked_sub(1).ok_or(Cancelled)?;
            Ok(())
        }
    }

    /// All that a pass finds, and what the scans know after it.
    fn found(cloud: &Ingested, scans: &Scans) -> String {
        let tile = |key| {
            let mut points = Vec::new();
            cloud.tiles.read(key, &mut points).unwrap();
            (key, points)
        };
        let tiles: Vec<_> = cloud.tiles.keys().map(tile).collect();
        let counts = (cloud.points, cloud.strays, &cloud.z_steps_m);
        let notes: Vec<_> = scans.files().iter().map(|file| &file.notes).collect();
        let read = (scans.setups(), scans.withheld(), scans.rejected(), notes);
        format!("{counts:?} {read:?} {:?} {tiles:?}", cloud.grid)
    }

    /// A pass in the folder `out`, recorded after every batch, that stops after `batches` of them.
    fn pass(paths: &[PathBuf], out: &Path, batches: usize) -> Result<(u64, String), BuildError> {
        let work = Work::open(out, None, Sharing::Alone).unwrap();
        let key = Key::first("cloud", "");
        let kept = KeptPass::new(&work, key, key.then("ribbon", ""))
            .unwrap()
            .always();
        let mut scans = Scans::open(paths, &ReadOptions::default()).unwrap();
        let pass = Pass {
            frame: Frame { origin_m: [0.0; 3] },
            scratch: &kept.points(),
            budget_bytes: 1 << 16,
            grid_bytes: Some(1 << 30),
            kept: Some(&kept),
        };
        let cloud = ingest(&mut scans, &pass, &mut StopsAfter(batches))?;
        Ok((cloud.taken_over, found(&cloud, &scans)))
    }

    #[test]
    fn a_pass_that_is_stopped_after_any_batch_goes_on_to_the_same_cloud() {
        let dir = tempfile::tempdir().unwrap();
        let paths = files(dir.path());
        let plain = pass(&paths, &dir.path().join("whole"), usize::MAX).unwrap();
        assert_eq!(plain.0, 0);
        // Stopped once, and in every batch.
        let mut met = 0;
        for batches in 0..20 {
            let out = dir.path().join(batches.to_string());
            let Err(error) = pass(&paths, &out, batches) else {
                break;
            };
            assert!(matches!(error, BuildError::Cancelled(_)));
            met += 1;
            let (taken_over, found) = pass(&paths, &out, usize::MAX).unwrap();
            assert!(taken_over > 0 && found == plain.1, "{batches} batches");
        }
        assert!(met >= 5, "{met}");
        let out = dir.path().join("often");
        let steps = (0..20).map(|_| pass(&paths, &out, 1)).find_map(Result::ok);
        assert!(steps.is_some_and(|(_, found)| found == plain.1));
        // The whole of it is there: nothing is read.
        let again = pass(&paths, &out, usize::MAX).unwrap();
        assert_eq!(again.1, plain.1);
        assert_eq!(again.0, 900 + 100_000 - 129 + 70_000 - 91);
        assert!(plain.1.contains(" more are there"), "a note of the surplus");
    }

    #[test]
    fn points_that_were_cut_after_their_record_are_read_again() {
        let dir = tempfile::tempdir().unwrap();
        let (paths, out) = (files(dir.path()), dir.path().join("out"));
        let plain = pass(&paths, &dir.path().join("whole"), usize::MAX).unwrap();
        assert!(pass(&paths, &out, 3).is_err());
        let points = out.join("work.part/cloud");
        let file = std::fs::File::options().write(true).open(points).unwrap();
        file.set_len(100).unwrap();
        let (taken_over, found) = pass(&paths, &out, usize::MAX).unwrap();
        assert!(taken_over == 0 && found == plain.1);
    }

    #[test]
    fn ground_that_takes_more_memory_than_is_given_is_refused_with_both_sizes() {
        sorted(None).unwrap();
        sorted(Some(8 << 20)).unwrap();
        let error = sorted(Some(2 << 20)).unwrap_err();
        assert!(
            matches!(error, BuildError::Ground { bytes, most: 0x0020_0000 } if bytes > 3 << 20)
        );
        let words = error.to_string();
        assert!(words.contains("of 2 that --memory"), "{words}");
    }
}
