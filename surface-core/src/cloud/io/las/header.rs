//! The public header block of a LAS file, checked against the file's size.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use super::records::Record;
use crate::cloud::io::error::{Place, ReadError};

/// Bytes of the header of LAS 1.0 to 1.2; later versions only append to it.
const SHORTEST_HEADER: u64 = 227;
/// Bytes of the header of LAS 1.4.
const LONGEST_HEADER: usize = 375;
/// Bytes before the data of a variable length record, and of an extended one.
const RECORD_HEADER: u64 = 54;
const EXTENDED_HEADER: u64 = 60;
/// Records longer than this are not read: no coordinate system is this long.
const MAX_RECORD: u64 = 1 << 20;
/// More records than this are a corrupt count; each costs a read.
const MAX_RECORDS: u64 = 10_000;
/// Shortest point record of each point format.
const RECORD_BYTES: [u16; 11] = [20, 28, 26, 34, 57, 63, 30, 36, 38, 59, 67];

/// Where the fields of a point lie in its record, bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Fields {
    pub class: usize,
    pub class_mask: u8,
    /// Byte and bit of the mark that a point is to be taken as deleted (LAS 1.4 R15, *withheld*).
    pub withheld: (usize, u8),
    pub source_id: usize,
    pub time: Option<usize>,
}

/// What the header says.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LasHeader {
    pub minor_version: u8,
    pub point_format: u8,
    pub record_len: usize,
    pub point_offset: u64,
    pub points: u64,
    pub scale: [f64; 3],
    pub offset: [f64; 3],
    pub min: [f64; 3],
    pub max: [f64; 3],
    pub records: Vec<Record>,
    /// Data of the LAZ record when the points are compressed.
    pub laz: Option<Vec<u8>>,
    /// End of the point records: the file's size, or the first thing after the points.
    pub points_end: u64,
    /// The count in the old 32-bit field, where it contradicts the one used.
    legacy_points: Option<u64>,
}

impl LasHeader {
    /// Where the fields of this point format lie.
    pub fn fields(&self) -> Fields {
        match self.point_format {
            6.. => Fields {
                class: 16,
                class_mask: 0xff,
                withheld: (15, 0x04),
                source_id: 20,
                time: Some(22),
            },
            format => Fields {
                class: 15,
                class_mask: 0x1f,
                withheld: (15, 0x80),
                source_id: 18,
                time: matches!(format, 1 | 3 | 4 | 5).then_some(20),
            },
        }
    }

    /// Contradictions in the header that do not stop the reading; an uncompressed file that is
    /// too short does.
    pub fn notes(&self, path: &Path) -> Result<Vec<String>, ReadError> {
        let mut notes = Vec::new();
        if let Some(legacy) = self.legacy_points {
            notes.push(format!(
                "the header declares {} points and, in the old field, {legacy}",
                self.points
            ));
        }
        if self.laz.is_none() {
            self.check_size(path, &mut notes)?;
        }
        Ok(notes)
    }

    fn check_size(&self, path: &Path, notes: &mut Vec<String>) -> Result<(), ReadError> {
        let len = self.record_len as u64;
        let needed = self
            .points
            .checked_mul(len)
            .and_then(|n| n.checked_add(self.point_offset));
        let needed = needed.unwrap_or(u64::MAX);
        if needed > self.points_end {
            let what = format!("{} points of {len} bytes", self.points);
            return Err(ReadError::truncated(path, what, self.points_end, needed));
        }
        let more = (self.points_end - needed) / len;
        if more > 0 {
            notes.push(format!(
                "{} points are declared, but there is room for {more} more: they are not read",
                self.points
            ));
        }
        Ok(())
    }
}

/// Read the header and the records; the file is left anywhere.
pub(super) fn read(path: &Path) -> Result<(LasHeader, File), ReadError> {
    let fail = |source| ReadError::from_io(path, source);
    let mut file = File::open(path).map_err(fail)?;
    let size = file.metadata().map_err(fail)?.len();
    let mut block = Vec::with_capacity(LONGEST_HEADER);
    let head = (&mut file).take(LONGEST_HEADER as u64);
    { head }.read_to_end(&mut block).map_err(fail)?;
    if size < SHORTEST_HEADER {
        return Err(ReadError::truncated(
            path,
            "a LAS header",
            size,
            SHORTEST_HEADER,
        ));
    }
    block.resize(LONGEST_HEADER, 0);
    let mut reader = HeaderReader { path, size, block };
    let header = reader.read(&mut file)?;
    Ok((header, file))
}

struct HeaderReader<'a> {
    path: &'a Path,
    size: u64,
    /// The first 375 bytes of the file; zeros past its end.
    block: Vec<u8>,
}

impl HeaderReader<'_> {
    fn bytes<const N: usize>(&self, at: usize) -> [u8; N] {
        let mut out = [0; N];
        out.copy_from_slice(&self.block[at..at + N]);
        out
    }

    fn u16(&self, at: usize) -> u16 {
        u16::from_le_bytes(self.bytes(at))
    }

    fn u32(&self, at: usize) -> u64 {
        u32::from_le_bytes(self.bytes(at)).into()
    }

    fn u64(&self, at: usize) -> u64 {
        u64::from_le_bytes(self.bytes(at))
    }

    fn f64(&self, at: usize) -> f64 {
        f64::from_le_bytes(self.bytes(at))
    }

    fn damaged(&self, what: String) -> ReadError {
        ReadError::damaged(self.path, what, Place::Header)
    }

    fn read(&mut self, file: &mut File) -> Result<LasHeader, ReadError> {
        let minor_version = self.version()?;
        let (point_format, compressed, record_len) = self.format()?;
        let header_len = u64::from(self.u16(94));
        let point_offset = self.u32(96);
        self.check_offsets(header_len, point_offset)?;
        let (points, legacy_points) = self.counts(minor_version);
        let mut records = self.records(file, header_len, point_offset)?;
        let laz = self.take_laz(&mut records, compressed)?;
        let points_end = self.extended(file, minor_version, point_offset, &mut records)?;
        Ok(LasHeader {
            minor_version,
            point_format,
            record_len,
            point_offset,
            points,
            scale: self.scale()?,
            offset: self.offset()?,
            // The file keeps maximum and minimum in turns: max x, min x, max y, ...
            max: [179, 195, 211].map(|at| self.f64(at)),
            min: [187, 203, 219].map(|at| self.f64(at)),
            records,
            laz,
            points_end,
            legacy_points,
        })
    }

    fn version(&self) -> Result<u8, ReadError> {
        match (self.block[24], self.block[25]) {
            (1, minor @ 0..=4) => Ok(minor),
            (major, minor) => Err(ReadError::Unsupported {
                path: self.path.to_owned(),
                what: format!("LAS version {major}.{minor}"),
            }),
        }
    }

    /// Point format, whether compressed (the two top bits), length of a record.
    fn format(&self) -> Result<(u8, bool, usize), ReadError> {
        let (format, compressed) = (self.block[104] & 0x3f, self.block[104] & 0xc0 != 0);
        let len = self.u16(105);
        let Some(&least) = RECORD_BYTES.get(usize::from(format)) else {
            return Err(ReadError::Unsupported {
                path: self.path.to_owned(),
                what: format!("point format {format}"),
            });
        };
        if len < least {
            return Err(self.damaged(format!(
                "a record length of {len} bytes where point format {format} needs {least}"
            )));
        }
        Ok((format, compressed, usize::from(len)))
    }

    fn check_offsets(&self, header_len: u64, point_offset: u64) -> Result<(), ReadError> {
        if header_len < SHORTEST_HEADER || point_offset < header_len {
            return Err(self.damaged(format!(
                "a header of {header_len} bytes and points from byte {point_offset}"
            )));
        }
        if point_offset > self.size {
            let what = "what lies before the points";
            return Err(ReadError::truncated(
                self.path,
                what,
                self.size,
                point_offset,
            ));
        }
        Ok(())
    }

    /// The declared points, and the old field's where that says something else.
    fn counts(&self, minor_version: u8) -> (u64, Option<u64>) {
        let old = self.u32(107);
        let new = if minor_version >= 4 { self.u64(247) } else { 0 };
        match (old, new) {
            (_, 0) => (old, None),
            (0, _) => (new, None),
            _ => (new, (old != new).then_some(old)),
        }
    }

    fn scale(&self) -> Result<[f64; 3], ReadError> {
        let scale = [131, 139, 147].map(|at| self.f64(at));
        if scale.iter().all(|s| s.is_normal() && s.abs() < 1e6) {
            Ok(scale)
        } else {
            Err(self.damaged(format!("coordinate steps of {scale:?}")))
        }
    }

    fn offset(&self) -> Result<[f64; 3], ReadError> {
        let offset = [155, 163, 171].map(|at| self.f64(at));
        if offset.iter().all(|o| o.is_finite() && o.abs() < 1e12) {
            Ok(offset)
        } else {
            Err(self.damaged(format!("coordinate offsets of {offset:?}")))
        }
    }

    /// The ordinary records between header and points. A record that runs over is the end of
    /// them: writers exist that count one too many.
    fn records(&self, file: &mut File, from: u64, end: u64) -> Result<Vec<Record>, ReadError> {
        let count = self.u32(100);
        let mut at = from;
        let mut out = Vec::new();
        for _ in 0..count.min(MAX_RECORDS) {
            if at + RECORD_HEADER > end {
                break;
            }
            let head: [u8; 54] = self.read_at(file, at)?;
            let len = u64::from(u16::from_le_bytes([head[20], head[21]]));
            if at + RECORD_HEADER + len > end {
                break;
            }
            out.push(self.record(file, at + RECORD_HEADER, len, &head)?);
            at += RECORD_HEADER + len;
        }
        Ok(out)
    }

    /// The records after the points (LAS 1.4); the return value is where the points must end.
    fn extended(
        &self,
        file: &mut File,
        minor_version: u8,
        point_offset: u64,
        out: &mut Vec<Record>,
    ) -> Result<u64, ReadError> {
        if minor_version < 4 || self.u32(243) == 0 {
            return Ok(self.size);
        }
        let (start, count) = (self.u64(235), self.u32(243));
        if start < point_offset {
            return Err(self.damaged(format!(
                "extended records from byte {start}, before the points at byte {point_offset}"
            )));
        }
        let mut at = start;
        for k in 1..=count.min(MAX_RECORDS) {
            self.whole(at, EXTENDED_HEADER, (k, count))?;
            let head: [u8; 60] = self.read_at(file, at)?;
            let len = u64::from_le_bytes([
                head[20], head[21], head[22], head[23], head[24], head[25], head[26], head[27],
            ]);
            at = at.saturating_add(EXTENDED_HEADER);
            self.whole(at, len, (k, count))?;
            if len <= MAX_RECORD {
                out.push(self.record(file, at, len, &head)?);
            }
            at += len;
        }
        Ok(start)
    }

    /// Whether the file has the `len` bytes from `at` of one of its extended records. The unit may
    /// be in any of them: one that is missing must not turn feet into metres.
    fn whole(&self, at: u64, len: u64, (record, of): (u64, u64)) -> Result<(), ReadError> {
        let needed = at.saturating_add(len);
        if needed <= self.size {
            return Ok(());
        }
        let what = format!("extended record {record} of {of}");
        Err(ReadError::truncated(self.path, what, self.size, needed))
    }

    fn record(&self, file: &mut File, at: u64, len: u64, head: &[u8]) -> Result<Record, ReadError> {
        let fail = |source| ReadError::from_io(self.path, source);
        file.seek(SeekFrom::Start(at)).map_err(fail)?;
        let mut data = Vec::new();
        file.take(len).read_to_end(&mut data).map_err(fail)?;
        let user = String::from_utf8_lossy(&head[2..18]);
        Ok(Record {
            user: user
                .split('\0')
                .next()
                .unwrap_or_default()
                .trim()
                .to_owned(),
            id: u16::from_le_bytes([head[18], head[19]]),
            data,
        })
    }

    fn read_at<const N: usize>(&self, file: &mut File, at: u64) -> Result<[u8; N], ReadError> {
        let fail = |source| ReadError::from_io(self.path, source);
        let mut out = [0; N];
        file.seek(SeekFrom::Start(at)).map_err(fail)?;
        file.read_exact(&mut out).map_err(fail)?;
        Ok(out)
    }

    fn take_laz(
        &self,
        records: &mut Vec<Record>,
        compressed: bool,
    ) -> Result<Option<Vec<u8>>, ReadError> {
        let is_laz = |r: &Record| r.user == "laszip encoded" && r.id == 22204;
        let found = records.iter().position(is_laz);
        match (found, compressed) {
            (Some(at), true) => Ok(Some(records.swap_remove(at).data)),
            (None, true) => Err(self.damaged("compressed points without a LAZ record".to_owned())),
            (_, false) => Ok(None),
        }
    }
}
