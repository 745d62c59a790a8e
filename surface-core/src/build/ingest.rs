//! The one pass over the scan files: decode, make local, sort into world tiles, fill the grid.

use std::path::Path;
use std::sync::mpsc::{Receiver, sync_channel};

use super::BuildError;
use crate::cloud::inspect::coarse_step_m;
use crate::cloud::io::{ReadError, Scans};
use crate::cloud::{CellGrid, Columns, Frame, PackedPoint, TILE_M, TileKey, TileStore, TileWriter};
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
    /// The coarse step that each setup's heights come in, metres; 0 where they have none.
    pub z_steps_m: Vec<f64>,
}

/// Read every scan once.
///
/// `frame` is where local coordinates start, `scratch` the file for the tiles, `budget_bytes` the
/// memory for waiting points; `grid_bytes` the memory for the grid where a road is to be found: it grows
/// with the ground that was seen. Decoding runs in a thread of its own and overlaps with the
/// sorting; the order of the points is the files' order whatever the timing.
///
/// # Errors
/// [`BuildError`] when a file cannot be read, the scratch file cannot be written, the grid takes more than
/// it may, or on a stop.
pub fn ingest(
    scans: &mut Scans,
    frame: Frame,
    scratch: &Path,
    budget_bytes: usize,
    grid_bytes: Option<usize>,
    progress: &mut dyn Progress,
) -> Result<Ingested, BuildError> {
    progress.stage(
        "read",
        scans.declared_points().unwrap_or(0),
        Counted::Points,
    );
    // Tiles keep no time.
    scans.skip_times();
    let mut sorter = Sorter::new(
        frame,
        TileWriter::create(scratch, budget_bytes)?,
        grid_bytes,
    );
    std::thread::scope(|scope| {
        let (full, batches) = sync_channel::<Columns>(1);
        let (empty, spares) = sync_channel::<Columns>(2);
        let reader = scope.spawn(move || decode(scans, &full, &spares));
        let sorted = take_batches(&mut sorter, &batches, &empty, progress);
        drop(batches);
        // A reader that failed closes the channel early: its error is the one to tell.
        let read = reader
            .join()
            .unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        match (read, sorted) {
            (Err(Some(error)), Ok(())) => Err(BuildError::Read(error)),
            (_, sorted) => sorted,
        }
    })?;
    sorter.finish()
}

/// Decode batches until the end, an error, or until nobody listens (`Err(None)`).
fn decode(
    scans: &mut Scans,
    full: &std::sync::mpsc::SyncSender<Columns>,
    spares: &Receiver<Columns>,
) -> Result<(), Option<ReadError>> {
    loop {
        let mut columns = spares.try_recv().unwrap_or_default();
        columns.clear();
        if scans.next_batch(&mut columns)? == 0 {
            return Ok(());
        }
        full.send(columns).map_err(|_| None)?;
    }
}

fn take_batches(
    sorter: &mut Sorter,
    batches: &Receiver<Columns>,
    empty: &std::sync::mpsc::SyncSender<Columns>,
    progress: &mut dyn Progress,
) -> Result<(), BuildError> {
    for columns in batches {
        let points = columns.len() as u64;
        sorter.add(&columns)?;
        // The reader may be gone already; then the spare is not needed.
        let _ = empty.try_send(columns);
        progress.advance(points)?;
    }
    Ok(())
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

    fn finish(self) -> Result<Ingested, BuildError> {
        Ok(Ingested {
            frame: self.frame,
            tiles: self.writer.finish()?,
            grid: self.grid,
            points: self.points,
            strays: self.strays,
            z_steps_m: self.heights.steps_m(),
        })
    }
}

/// Heights kept of a setup: they tell its step, and those of thirty setups take a megabyte or two.
const MOST_HEIGHTS: usize = 8192;

/// A sample of each setup's heights, evenly spread over what it measured.
#[derive(Default)]
struct HeightSamples {
    setups: Vec<HeightSample>,
}

/// Every n-th height, n doubling whenever the sample is full.
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
    use super::*;

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
