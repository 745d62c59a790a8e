//! Point records → columns, and the reader of uncompressed files.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::header::{Fields, LasHeader};
use crate::cloud::Columns;
use crate::cloud::io::error::ReadError;
use crate::cloud::io::source::Source;

/// Points read at once from an uncompressed file: the records (about 2 MB) stay in the cache,
/// and larger batches are slower (measured: 64 k beats 1 M by a fifth).
const BATCH: u64 = 65_536;
/// Bytes read at once, at most, whatever the length of a record.
const BATCH_BYTES: u64 = 16 << 20;

/// Turns point records into columns.
#[derive(Debug, Clone)]
pub(super) struct Decoder {
    record_len: usize,
    fields: Fields,
    scale: [f64; 3],
    offset: [f64; 3],
    pub classes: Box<[u64; 256]>,
    /// Points left out so far because they are marked withheld.
    pub withheld: u64,
}

impl Decoder {
    pub fn new(header: &LasHeader) -> Self {
        Self {
            record_len: header.record_len,
            fields: header.fields(),
            scale: header.scale,
            offset: header.offset,
            classes: Box::new([0; 256]),
            withheld: 0,
        }
    }

    /// Replace `out` by the points in `bytes`, whole records one after the other, without those that
    /// are withheld; how many records there were.
    pub fn decode(&mut self, bytes: &[u8], out: &mut Columns) -> usize {
        out.clear();
        self.axis(bytes, 0, &mut out.x);
        self.axis(bytes, 1, &mut out.y);
        self.axis(bytes, 2, &mut out.z);
        let records = || bytes.chunks_exact(self.record_len);
        out.intensity.extend(records().map(|r| u16_at(r, 12)));
        let id = self.fields.source_id;
        out.setup.extend(records().map(|r| u16_at(r, id)));
        match self.fields.time {
            None => out.time_s = None,
            Some(at) => {
                let time = out.time_s.get_or_insert_with(Vec::new);
                time.extend(records().map(|r| f64_at(r, at)));
            }
        }
        let records = out.len();
        let mut withheld = 0;
        let (at, bit) = self.fields.withheld;
        for record in bytes.chunks_exact(self.record_len) {
            let class = record[self.fields.class] & self.fields.class_mask;
            self.classes[usize::from(class)] += 1;
            withheld += u64::from(record[at] & bit != 0);
        }
        if withheld > 0 {
            self.withheld += withheld;
            let keep: Vec<bool> = bytes
                .chunks_exact(self.record_len)
                .map(|r| r[at] & bit == 0)
                .collect();
            out.retain(&keep);
        }
        records
    }

    fn axis(&self, bytes: &[u8], axis: usize, out: &mut Vec<f64>) {
        let (scale, offset) = (self.scale[axis], self.offset[axis]);
        let records = bytes.chunks_exact(self.record_len);
        out.extend(records.map(|r| f64::from(i32_at(r, 4 * axis)) * scale + offset));
    }
}

#[inline]
fn i32_at(r: &[u8], at: usize) -> i32 {
    i32::from_le_bytes([r[at], r[at + 1], r[at + 2], r[at + 3]])
}

#[inline]
fn u16_at(r: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([r[at], r[at + 1]])
}

#[inline]
fn f64_at(r: &[u8], at: usize) -> f64 {
    let mut bytes = [0; 8];
    bytes.copy_from_slice(&r[at..at + 8]);
    f64::from_le_bytes(bytes)
}

/// The points of an uncompressed LAS file.
pub(super) struct LasSource {
    path: PathBuf,
    file: File,
    decoder: Decoder,
    left: u64,
    bytes: Vec<u8>,
}

impl LasSource {
    pub fn open(path: &Path, mut file: File, header: &LasHeader) -> Result<Self, ReadError> {
        let sought = file.seek(SeekFrom::Start(header.point_offset));
        sought.map_err(|source| ReadError::from_io(path, source))?;
        Ok(Self {
            path: path.to_owned(),
            file,
            decoder: Decoder::new(header),
            left: header.points,
            bytes: Vec::new(),
        })
    }
}

impl Source for LasSource {
    fn next(&mut self, out: &mut Columns) -> Result<usize, ReadError> {
        let most = BATCH.min(BATCH_BYTES / self.decoder.record_len as u64);
        let n = usize::try_from(self.left.min(most)).unwrap_or(0);
        self.bytes.resize(n * self.decoder.record_len, 0);
        let read = self.file.read_exact(&mut self.bytes);
        read.map_err(|source| ReadError::from_io(&self.path, source))?;
        self.left -= n as u64;
        Ok(self.decoder.decode(&self.bytes, out))
    }

    fn skip(&mut self, points: u64) -> Result<bool, ReadError> {
        let Some(left) = self.left.checked_sub(points) else {
            return Ok(false);
        };
        let bytes = points * self.decoder.record_len as u64;
        let sought = self
            .file
            .seek_relative(i64::try_from(bytes).unwrap_or(i64::MAX));
        sought.map_err(|source| ReadError::from_io(&self.path, source))?;
        self.left = left;
        Ok(true)
    }

    fn classes(&self) -> Option<&[u64; 256]> {
        Some(&self.decoder.classes)
    }

    fn withheld(&self) -> u64 {
        self.decoder.withheld
    }
}
