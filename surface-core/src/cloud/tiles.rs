//! Points sorted into tiles on disk: decode once, come back to any place.
//!
//! A [`TileWriter`] takes packed points with a tile key, keeps a bounded buffer and appends full
//! buffers to one scratch file; a [`TileStore`] gives the points of a tile back in the order in
//! which they were written, whatever the buffer size was.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use crate::numeric::round_i32;

/// One step of a packed coordinate, metres: 0.02 mm, so that packing twice (world, then ribbon)
/// moves a point by at most 0.02 mm and 32 bits still reach 42 km from the origin.
pub const QUANTUM_M: f64 = 2e-5;

/// Side of the squares that a cloud is sorted into, metres: tile (i, j) holds the points of
/// `[16i, 16(i+1)) × [16j, 16(j+1))` east and north of the origin. Large against a road's width,
/// so that few squares hold no road; small against memory at ten thousand points a square metre.
pub const TILE_M: f64 = 16.0;

/// Bytes of a point on disk.
const RECORD: usize = 16;

/// Why the tile store could not do its work.
#[derive(Debug, thiserror::Error)]
pub enum TileError {
    /// Writing or reading the scratch file failed.
    #[error("scratch file {path}: {source}")]
    Io {
        /// The scratch file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

/// Which tile: two integers, meaning set by the caller (world square, or section and 0).
pub type TileKey = (i32, i32);

/// The whole-metre origin that packed coordinates are relative to.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Frame {
    /// World coordinates of the origin, whole metres.
    pub origin_m: [f64; 3],
}

impl Frame {
    /// Metres relative to the origin → packed steps; `None` beyond 40 km, or not finite.
    #[must_use]
    #[inline]
    pub fn pack(v_m: f64) -> Option<i32> {
        (v_m.abs() < 40_000.0).then(|| round_i32(v_m / QUANTUM_M))
    }

    /// Packed steps → metres relative to the origin.
    #[must_use]
    #[inline]
    pub fn unpack(v: i32) -> f64 {
        f64::from(v) * QUANTUM_M
    }
}

/// A point in 16 bytes: three coordinates in steps of [`QUANTUM_M`], intensity, setup.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PackedPoint {
    /// x and y relative to the origin, or s and t; then z.
    pub abc: [i32; 3],
    /// Intensity, 0..=65535.
    pub intensity: u16,
    /// Setup index.
    pub setup: u16,
}

impl PackedPoint {
    /// The three coordinates in metres (relative to the frame's origin, or s, t, z).
    #[must_use]
    #[inline]
    pub fn metres(&self) -> [f64; 3] {
        let [a, b, c] = self.abc;
        [Frame::unpack(a), Frame::unpack(b), Frame::unpack(c)]
    }

    #[inline]
    fn to_bytes(self) -> [u8; RECORD] {
        let mut out = [0; RECORD];
        out[0..4].copy_from_slice(&self.abc[0].to_le_bytes());
        out[4..8].copy_from_slice(&self.abc[1].to_le_bytes());
        out[8..12].copy_from_slice(&self.abc[2].to_le_bytes());
        out[12..14].copy_from_slice(&self.intensity.to_le_bytes());
        out[14..16].copy_from_slice(&self.setup.to_le_bytes());
        out
    }

    #[inline]
    fn from_bytes(b: &[u8; RECORD]) -> Self {
        let coordinate = |k: usize| i32::from_le_bytes([b[k], b[k + 1], b[k + 2], b[k + 3]]);
        Self {
            abc: [coordinate(0), coordinate(4), coordinate(8)],
            intensity: u16::from_le_bytes([b[12], b[13]]),
            setup: u16::from_le_bytes([b[14], b[15]]),
        }
    }
}

#[derive(Debug, Default)]
struct Bucket {
    waiting: Vec<u8>,
    /// (offset, bytes) of what is on disk, in order.
    extents: Vec<(u64, u64)>,
}

/// Sorts points into tiles with a bounded buffer.
#[derive(Debug)]
pub struct TileWriter {
    path: PathBuf,
    file: BufWriter<File>,
    end: u64,
    buckets: BTreeMap<TileKey, Bucket>,
    waiting_bytes: usize,
    budget_bytes: usize,
}

impl TileWriter {
    /// A new scratch file at `path` (replaced if it exists) with at most `budget_bytes` of points
    /// waiting in memory.
    ///
    /// # Errors
    /// [`TileError::Io`] when the file cannot be made.
    pub fn create(path: &Path, budget_bytes: usize) -> Result<Self, TileError> {
        let file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(true)
            .open(path);
        let file = file.map_err(|source| TileError::Io {
            path: path.to_owned(),
            source,
        })?;
        Ok(Self {
            path: path.to_owned(),
            file: BufWriter::with_capacity(1 << 20, file),
            end: 0,
            buckets: BTreeMap::new(),
            waiting_bytes: 0,
            budget_bytes,
        })
    }

    /// Go on with the file at `path`, of which `index` tells what is there; what lies behind that is
    /// cut off.
    ///
    /// # Errors
    /// [`TileError::Io`] when the file cannot be opened or is shorter than the index says.
    pub fn go_on(path: &Path, index: TileIndex, budget_bytes: usize) -> Result<Self, TileError> {
        let at = |source| TileError::Io {
            path: path.to_owned(),
            source,
        };
        let end = index.end();
        let mut file = File::options()
            .read(true)
            .write(true)
            .open(path)
            .map_err(at)?;
        if file.metadata().map_err(at)?.len() < end {
            return Err(at(std::io::ErrorKind::UnexpectedEof.into()));
        }
        // Bytes of the earlier run must not stand for those that are to come.
        file.set_len(end).map_err(at)?;
        file.seek(SeekFrom::Start(end)).map_err(at)?;
        let bucket = |extents| Bucket {
            waiting: Vec::new(),
            extents,
        };
        let tiles = index.0.into_iter();
        Ok(Self {
            path: path.to_owned(),
            file: BufWriter::with_capacity(1 << 20, file),
            end,
            buckets: tiles.map(|(key, extents)| (key, bucket(extents))).collect(),
            waiting_bytes: 0,
            budget_bytes,
        })
    }

    /// Write what is waiting; where all of it lies.
    ///
    /// # Errors
    /// [`TileError::Io`] when the scratch file cannot be written.
    pub fn so_far(&mut self) -> Result<TileIndex, TileError> {
        self.flush_all()?;
        let tiles = self.buckets.iter();
        Ok(TileIndex(
            tiles.map(|(key, b)| (*key, b.extents.clone())).collect(),
        ))
    }

    fn flush_all(&mut self) -> Result<(), TileError> {
        let keys: Vec<TileKey> = self.buckets.keys().copied().collect();
        keys.into_iter()
            .try_for_each(|key| self.flush_bucket(key))?;
        let path = &self.path;
        self.file.flush().map_err(|source| TileError::Io {
            path: path.clone(),
            source,
        })
    }

    /// Append points to tile `key`, keeping their order.
    ///
    /// # Errors
    /// [`TileError::Io`] when the scratch file cannot be written (a full disk).
    pub fn append(&mut self, key: TileKey, points: &[PackedPoint]) -> Result<(), TileError> {
        let bucket = self.buckets.entry(key).or_default();
        for point in points {
            bucket.waiting.extend_from_slice(&point.to_bytes());
        }
        self.waiting_bytes += points.len() * RECORD;
        if self.waiting_bytes > self.budget_bytes {
            self.spill()
        } else {
            Ok(())
        }
    }

    /// Write the fuller half of the waiting buffers.
    fn spill(&mut self) -> Result<(), TileError> {
        let mut sizes: Vec<usize> = self.buckets.values().map(|b| b.waiting.len()).collect();
        sizes.sort_unstable();
        let median = sizes[sizes.len() / 2].max(1);
        let full = |b: &Bucket| b.waiting.len() >= median;
        let keys: Vec<TileKey> = self
            .buckets
            .iter()
            .filter(|(_, b)| full(b))
            .map(|(&k, _)| k)
            .collect();
        keys.into_iter().try_for_each(|key| self.flush_bucket(key))
    }

    fn flush_bucket(&mut self, key: TileKey) -> Result<(), TileError> {
        let bucket = self.buckets.entry(key).or_default();
        let waiting = std::mem::take(&mut bucket.waiting);
        if waiting.is_empty() {
            return Ok(());
        }
        let bytes = waiting.len() as u64;
        match bucket.extents.last_mut() {
            Some((offset, size)) if *offset + *size == self.end => *size += bytes,
            _ => bucket.extents.push((self.end, bytes)),
        }
        self.waiting_bytes -= waiting.len();
        self.end += bytes;
        let written = self.file.write_all(&waiting);
        written.map_err(|source| TileError::Io {
            path: self.path.clone(),
            source,
        })
    }

    /// Write what is waiting and open the store for reading.
    ///
    /// # Errors
    /// [`TileError::Io`] when the scratch file cannot be written.
    pub fn finish(mut self) -> Result<TileStore, TileError> {
        self.flush_all()?;
        let Self {
            path,
            file,
            buckets,
            ..
        } = self;
        let file = file
            .into_inner()
            .map_err(std::io::IntoInnerError::into_error);
        let file = file.map_err(|source| TileError::Io {
            path: path.clone(),
            source,
        })?;
        let tiles = buckets
            .into_iter()
            .map(|(key, b)| (key, b.extents))
            .collect();
        Ok(TileStore {
            path,
            file,
            tiles,
            kept: false,
        })
    }
}

/// Where in a scratch file the points of each tile lie: (offset, bytes) in order.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct TileIndex(BTreeMap<TileKey, Vec<(u64, u64)>>);

impl TileIndex {
    /// Bytes of the file that it speaks of.
    fn end(&self) -> u64 {
        let end = self
            .0
            .values()
            .flatten()
            .map(|(offset, size)| offset + size);
        end.max().unwrap_or(0)
    }
}

/// Points by tile, on disk. The scratch file is removed when the store is dropped, unless it is
/// [kept](TileStore::keep).
#[derive(Debug)]
pub struct TileStore {
    path: PathBuf,
    file: File,
    tiles: BTreeMap<TileKey, Vec<(u64, u64)>>,
    kept: bool,
}

impl TileStore {
    /// Leave the scratch file where it is when the store is dropped, to be opened again with the
    /// index that is returned.
    pub fn keep(&mut self) -> TileIndex {
        self.kept = true;
        TileIndex(self.tiles.clone())
    }

    /// The store whose file at `path` was [kept](TileStore::keep); it stays kept.
    ///
    /// # Errors
    /// [`TileError::Io`] when the file cannot be opened or is shorter than the index says.
    pub fn reopen(path: &Path, index: TileIndex) -> Result<Self, TileError> {
        let at = |source| TileError::Io {
            path: path.to_owned(),
            source,
        };
        let file = File::open(path).map_err(at)?;
        if file.metadata().map_err(at)?.len() < index.end() {
            return Err(at(std::io::ErrorKind::UnexpectedEof.into()));
        }
        Ok(Self {
            path: path.to_owned(),
            file,
            tiles: index.0,
            kept: true,
        })
    }

    /// The tiles that hold points, in order.
    pub fn keys(&self) -> impl Iterator<Item = TileKey> + '_ {
        self.tiles.keys().copied()
    }

    /// How many points tile `key` holds.
    #[must_use]
    pub fn count(&self, key: TileKey) -> u64 {
        let bytes = |extents: &Vec<(u64, u64)>| extents.iter().map(|e| e.1).sum::<u64>();
        self.tiles.get(&key).map_or(0, bytes) / RECORD as u64
    }

    /// Append the points of tile `key` to `out`, in the order in which they were written.
    /// An unknown tile has no points.
    ///
    /// # Errors
    /// [`TileError::Io`] when the scratch file cannot be read.
    pub fn read(&self, key: TileKey, out: &mut Vec<PackedPoint>) -> Result<(), TileError> {
        let mut bytes = Vec::new();
        for &(offset, size) in self.tiles.get(&key).map_or(&[][..], Vec::as_slice) {
            bytes.resize(usize::try_from(size).unwrap_or(usize::MAX), 0);
            let read = self.file.read_exact_at(&mut bytes, offset);
            read.map_err(|source| TileError::Io {
                path: self.path.clone(),
                source,
            })?;
            let (records, _) = bytes.as_chunks::<RECORD>();
            out.extend(records.iter().map(PackedPoint::from_bytes));
        }
        Ok(())
    }
}

impl Drop for TileStore {
    fn drop(&mut self) {
        if !self.kept {
            // The store is scratch; a file that is already gone is no loss.
            let _ = std::fs::remove_file(&self.path);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(k: i32) -> PackedPoint {
        PackedPoint {
            abc: [k, -k, 7],
            intensity: 65535,
            setup: 3,
        }
    }

    fn stored(budget: usize) -> Vec<Vec<PackedPoint>> {
        let dir = tempfile::tempdir().unwrap();
        let mut writer = TileWriter::create(&dir.path().join("t"), budget).unwrap();
        for k in 0..1000 {
            writer.append((k % 7, 0), &[point(k)]).unwrap();
        }
        let store = writer.finish().unwrap();
        assert_eq!(store.keys().count(), 7);
        let tile = |key| {
            let mut out = Vec::new();
            store.read((key, 0), &mut out).unwrap();
            assert_eq!(store.count((key, 0)), out.len() as u64);
            out
        };
        (0..8).map(tile).collect()
    }

    #[test]
    fn points_come_back_in_order_whatever_the_buffer_size() {
        let large = stored(1 << 20);
        assert_eq!(large[3][1], point(10));
        assert!(large[7].is_empty());
        for budget in [16, 100, 5000] {
            assert_eq!(stored(budget), large);
        }
    }

    #[test]
    fn the_scratch_file_goes_with_the_store() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("t");
        let store = TileWriter::create(&path, 100).unwrap().finish().unwrap();
        assert!(path.exists());
        drop(store);
        assert!(!path.exists());
    }

    #[test]
    fn a_kept_store_opens_again_unless_its_file_is_cut() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("t");
        let mut writer = TileWriter::create(&path, 100).unwrap();
        writer.append((3, 0), &[point(1), point(2)]).unwrap();
        let index = writer.finish().unwrap().keep();
        for _ in 0..2 {
            let store = TileStore::reopen(&path, index.clone()).unwrap();
            let mut out = Vec::new();
            store.read((3, 0), &mut out).unwrap();
            assert_eq!(out, [point(1), point(2)]);
        }
        File::options()
            .write(true)
            .open(&path)
            .unwrap()
            .set_len(31)
            .unwrap();
        assert!(TileStore::reopen(&path, index).is_err());
    }

    #[test]
    fn packing_moves_a_coordinate_by_half_a_step_at_most_and_refuses_strays() {
        let packed = Frame::pack(12_345.678_913).unwrap();
        assert!((Frame::unpack(packed) - 12_345.678_913).abs() <= QUANTUM_M / 2.0 + 1e-12);
        assert_eq!(Frame::pack(41_000.0), None);
        assert_eq!(Frame::pack(f64::NAN), None);
    }
}
