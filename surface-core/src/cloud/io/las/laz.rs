//! Compressed points: chunks are decoded in parallel, straight into the batch's buffer.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use ::laz::laszip::{ChunkTable, ChunkTableEntry, CompressorType};
use ::laz::{DecompressionSelection, LasZipDecompressor, LazVlr, par_decompress_selective};

use super::decode::Decoder;
use super::header::LasHeader;
use super::laz_count::{LastChunk, count};
use crate::cloud::Columns;
use crate::cloud::io::error::{Place, ReadError};
use crate::cloud::io::source::Source;

/// Points decoded at once, about: eight chunks of the usual 50 000, enough to keep a few threads
/// at work, 12 MB of records, and a stop is heard several times a second.
const BATCH: u64 = 400_000;
/// Bytes of records decoded at once, at most, whatever the length of a record.
const BATCH_BYTES: u64 = 80 << 20;
/// A chunk of more bytes of records than this is decoded as a stream on one thread, to bound the
/// memory.
const LARGEST_CHUNK: u64 = 256 << 20;
/// Points of a batch when streaming on one thread.
const STREAM_BATCH: u64 = 65_536;
/// Fixed part of the LAZ record: everything before the list of items.
const FIXED_PART: usize = 32;

/// The points of a LAZ file; by chunks where there is a usable table of them, else as a stream.
/// Points that the header does not declare are told in `notes`.
pub(super) fn open(
    path: &Path,
    file: File,
    header: &LasHeader,
    record: &[u8],
    notes: &mut Vec<String>,
) -> Result<Box<dyn Source>, ReadError> {
    let vlr = check_record(path, record, header.record_len)?;
    let laz = LazFile {
        path: path.to_owned(),
        file,
        vlr,
        start: header.point_offset,
        end: header.points_end,
    };
    let decoder = Decoder::new(header);
    if header.points == 0 {
        return Ok(Box::new(Chunks::new(laz, Vec::new(), 0, decoder)));
    }
    let Some(table) = laz.table_position()? else {
        return Ok(Box::new(Stream::open(laz, header.points, decoder)?));
    };
    let entries = laz.table(table)?;
    let last = laz.check_count(&entries, header.points, notes)?;
    match laz.chunks(&entries, table, header.points)? {
        Some(chunks) => {
            let mut chunks = Chunks::new(laz, chunks, header.points, decoder);
            chunks.last = last;
            Ok(Box::new(chunks))
        }
        None => Ok(Box::new(Stream::open(laz, header.points, decoder)?)),
    }
}

/// What is said of points that the header does not declare.
fn more_points(declared: u64, more: u64) -> String {
    format!("{declared} points are declared, but at least {more} more are there: they are not read")
}

/// The LAZ record, after checking what the decoder takes for granted: at least one item of known
/// kind and version, and items that add up to one point record.
fn check_record(path: &Path, record: &[u8], record_len: usize) -> Result<LazVlr, ReadError> {
    let damaged = |what: String| ReadError::damaged(path, what, Place::Header);
    let items = record.get(FIXED_PART..).unwrap_or_default();
    let (words, _) = items.as_chunks::<2>();
    let mut words = words.iter().map(|&w| u16::from_le_bytes(w));
    let wrong = |(kind, size, version): &(u16, u16, u16)| {
        let sized = match kind {
            6 => *size == 20,
            7 => *size == 8,
            8 | 11 => *size == 6,
            9 | 13 => *size == 29,
            10 => *size == 30,
            12 => *size == 8,
            0 | 14 => *size > 0,
            _ => false,
        };
        !sized || !(if *kind <= 9 { 1..=2 } else { 3..=4 }).contains(version)
    };
    let count = words.next().unwrap_or(0);
    let list: Vec<_> = std::iter::from_fn(|| Some((words.next()?, words.next()?, words.next()?)))
        .take(usize::from(count))
        .collect();
    if list.is_empty() || list.len() < usize::from(count) {
        return Err(damaged(format!(
            "a LAZ record of {} bytes with {count} items",
            record.len()
        )));
    }
    if let Some((kind, size, version)) = list.iter().copied().find(|i| wrong(i)) {
        return Err(damaged(format!(
            "LAZ item {kind} of {size} bytes in version {version}, which is unknown"
        )));
    }
    let total: usize = list.iter().map(|i| usize::from(i.1)).sum();
    let mixed = list.iter().any(|i| (i.2 >= 3) != (list[0].2 >= 3));
    if total != record_len || mixed || !matches!(list[0].0, 6 | 10) {
        return Err(damaged(format!(
            "LAZ items of {total} bytes in all for point records of {record_len}"
        )));
    }
    LazVlr::from_buffer(record).map_err(|e| damaged(format!("a LAZ record: {e}")))
}

struct LazFile {
    path: PathBuf,
    file: File,
    vlr: LazVlr,
    /// First byte of the point data: eight bytes that say where the chunk table is.
    start: u64,
    end: u64,
}

impl LazFile {
    fn io(&self, source: std::io::Error) -> ReadError {
        ReadError::from_io(&self.path, source)
    }

    /// Hold the declared number against the chunks'. Where only decoding the last chunk tells how
    /// many points it has, that chunk is given back.
    fn check_count(
        &self,
        entries: &[ChunkTableEntry],
        declared: u64,
        notes: &mut Vec<String>,
    ) -> Result<Option<LastChunk>, ReadError> {
        let last = LastChunk::of(entries, self.start + ChunkTable::OFFSET_SIZE as u64);
        let fixed = u64::from(self.vlr.chunk_size());
        let there = match last.filter(|_| !self.vlr.uses_variable_size_chunks()) {
            None => entries.iter().map(|e| e.point_count).sum(),
            Some(last) => match self.stored_count(&last)? {
                Some(points) => last.before + points,
                None if declared <= last.before + fixed => return Ok(Some(last)),
                None => self.there(&last).unwrap_or(last.before + fixed),
            },
        };
        if there < declared {
            return Err(self.wrong_count(declared, there));
        }
        if there > declared {
            notes.push(more_points(declared, there - declared));
        }
        Ok(None)
    }

    /// The number of points that a chunk in layers begins with, behind its first point; `None` for
    /// chunks of another kind and for a number that cannot be.
    fn stored_count(&self, last: &LastChunk) -> Result<Option<u64>, ReadError> {
        let layered = self.vlr.items().iter().any(|i| i.version() >= 3);
        let at = last.byte + self.vlr.items_size();
        if !layered || at + 4 > self.end {
            return Ok(None);
        }
        let mut bytes = [0; 4];
        let mut file = &self.file;
        file.seek(SeekFrom::Start(at)).map_err(|e| self.io(e))?;
        file.read_exact(&mut bytes).map_err(|e| self.io(e))?;
        let points = u32::from_le_bytes(bytes);
        Ok((1..=self.vlr.chunk_size())
            .contains(&points)
            .then(|| points.into()))
    }

    /// How many points there are, as the last chunk tells when it is decoded.
    fn there(&self, last: &LastChunk) -> Option<u64> {
        // A count that the file has no room for is no reason to ask for memory.
        if last.byte.checked_add(last.byte_count)? > self.end {
            return None;
        }
        let mut packed = vec![0; usize::try_from(last.byte_count).ok()?];
        let mut file = &self.file;
        file.seek(SeekFrom::Start(last.byte)).ok()?;
        file.read_exact(&mut packed).ok()?;
        Some(last.before + guarded(|| count(&packed, &self.vlr)).ok()?)
    }

    fn wrong_count(&self, declared: u64, found: u64) -> ReadError {
        ReadError::WrongCount {
            path: self.path.clone(),
            declared,
            found,
        }
    }

    /// The chunks of a file of `points` points with the right number of points each; `None`
    /// where a chunk is too large to decode as a whole.
    fn chunks(
        &self,
        entries: &[ChunkTableEntry],
        table: u64,
        points: u64,
    ) -> Result<Option<Vec<ChunkTableEntry>>, ReadError> {
        let mut left = points;
        let mut chunks = Vec::with_capacity(entries.len());
        for entry in entries {
            if left == 0 {
                break;
            }
            let point_count = entry.point_count.min(left);
            left -= point_count;
            chunks.push(ChunkTableEntry {
                point_count,
                ..*entry
            });
        }
        let bytes: u64 = chunks.iter().map(|c| c.byte_count).sum();
        let room = table - self.start - ChunkTable::OFFSET_SIZE as u64;
        if left > 0 {
            return Err(self.wrong_count(points, points - left));
        }
        if bytes > room {
            return Err(ReadError::damaged(
                &self.path,
                format!(
                    "a chunk table of {points} points in {bytes} bytes, where there are {room}"
                ),
                Place::Byte(table),
            ));
        }
        let record_len = self.vlr.items_size();
        let large = chunks
            .iter()
            .any(|c| c.point_count * record_len > LARGEST_CHUNK);
        Ok((!large).then_some(chunks))
    }

    /// Where the chunk table is; `None` when the kind of compression has none.
    fn table_position(&self) -> Result<Option<u64>, ReadError> {
        // The crate keeps the kind of compression to itself; it is the record's first number.
        let mut record = Vec::new();
        self.vlr.write_to(&mut record).map_err(|e| self.io(e))?;
        let kind = u16::from_le_bytes([record[0], record[1]]);
        if kind == CompressorType::PointWise as u16 {
            return Ok(None);
        }
        if kind == CompressorType::None as u16 {
            return Err(ReadError::Unsupported {
                path: self.path.clone(),
                what: "a LAZ file without compression".to_owned(),
            });
        }
        let first = self.start + ChunkTable::OFFSET_SIZE as u64;
        let mut table = self.offset_at(self.start)?;
        if table <= self.start {
            // A writer that could not seek leaves the position at the very end.
            table = self.offset_at(self.end.saturating_sub(8).max(self.start))?;
        }
        if table < first || table.saturating_add(8) > self.end {
            let needed = table.max(first).saturating_add(8);
            return Err(ReadError::truncated(
                &self.path,
                "the chunk table",
                self.end,
                needed,
            ));
        }
        Ok(Some(table))
    }

    fn offset_at(&self, at: u64) -> Result<u64, ReadError> {
        if at + 8 > self.end {
            let what = "the position of the chunk table";
            return Err(ReadError::truncated(&self.path, what, self.end, at + 8));
        }
        let mut bytes = [0; 8];
        let mut file = &self.file;
        file.seek(SeekFrom::Start(at)).map_err(|e| self.io(e))?;
        file.read_exact(&mut bytes).map_err(|e| self.io(e))?;
        Ok(u64::from_le_bytes(bytes))
    }

    fn table(&self, at: u64) -> Result<Vec<ChunkTableEntry>, ReadError> {
        let damaged = |what: String| ReadError::damaged(&self.path, what, Place::Byte(at));
        let mut file = BufReader::new(&self.file);
        file.seek(SeekFrom::Start(at)).map_err(|e| self.io(e))?;
        let mut head = [0; 8];
        file.read_exact(&mut head).map_err(|e| self.io(e))?;
        let count = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
        // A chunk takes bytes of its own, so no file has more chunks than bytes.
        if u64::from(count) > at - self.start {
            return Err(damaged(format!("a table of {count} chunks")));
        }
        file.seek(SeekFrom::Start(at)).map_err(|e| self.io(e))?;
        let variable = self.vlr.uses_variable_size_chunks();
        let read = guarded(|| ChunkTable::read(&mut file, variable).map_err(Into::into));
        let table = read.map_err(|e| damaged(format!("the chunk table: {e}")))?;
        let fixed = u64::from(self.vlr.chunk_size());
        let entry = |e: &ChunkTableEntry| ChunkTableEntry {
            point_count: if variable { e.point_count } else { fixed },
            byte_count: e.byte_count,
        };
        let entries: Vec<_> = table.as_ref().iter().map(entry).collect();
        // The crate widens 32-bit differences with their sign: a huge size is a negative one.
        let huge = |e: &ChunkTableEntry| {
            e.byte_count > u64::from(u32::MAX) || e.point_count > u64::from(u32::MAX)
        };
        if entries.iter().any(huge) {
            return Err(damaged("a chunk table with a negative size".to_owned()));
        }
        Ok(entries)
    }
}

/// Run decoding code of the crate; a panic in it (only damaged data has been seen to cause one)
/// becomes an error.
fn guarded<T>(work: impl FnOnce() -> Result<T, ::laz::LasZipError>) -> Result<T, String> {
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(result) => result.map_err(|e| e.to_string()),
        Err(_) => Err("the decoder met data that cannot be".to_owned()),
    }
}

/// Decodes whole chunks, many at once.
struct Chunks {
    laz: LazFile,
    chunks: Vec<ChunkTableEntry>,
    next_chunk: usize,
    byte: u64,
    point: u64,
    /// Points that the header promises.
    declared: u64,
    /// The last chunk, where only decoding it tells how many points there are.
    last: Option<LastChunk>,
    decoder: Decoder,
    packed: Vec<u8>,
    unpacked: Vec<u8>,
}

impl Chunks {
    fn new(laz: LazFile, chunks: Vec<ChunkTableEntry>, declared: u64, decoder: Decoder) -> Self {
        Self {
            byte: laz.start + ChunkTable::OFFSET_SIZE as u64,
            laz,
            chunks,
            next_chunk: 0,
            point: 0,
            declared,
            last: None,
            decoder,
            packed: Vec::new(),
            unpacked: Vec::new(),
        }
    }

    /// The chunks of the next batch: at least one, then as many as stay within the batch. The
    /// first batch is one chunk: some only want to see what the points are like.
    fn batch(&self) -> std::ops::Range<usize> {
        let most = match self.point {
            0 => 0,
            _ => BATCH.min(BATCH_BYTES / self.laz.vlr.items_size().max(1)),
        };
        let mut points = 0;
        let more = |c: &&ChunkTableEntry| {
            points += c.point_count;
            points <= most && c.point_count > 0
        };
        let rest = &self.chunks[self.next_chunk..];
        let n = rest.iter().take_while(more).count().max(1).min(rest.len());
        self.next_chunk..self.next_chunk + n
    }

    /// Pass over chunks without a point: a batch of none would be the end.
    fn skip_empty(&mut self) {
        let rest = self.chunks.iter().skip(self.next_chunk);
        for empty in rest.take_while(|c| c.point_count == 0) {
            self.byte += empty.byte_count;
            self.next_chunk += 1;
        }
    }

    /// All points that were declared have come.
    fn at_end(&self) -> Result<usize, ReadError> {
        if self.point == self.declared {
            return Ok(0);
        }
        Err(self.laz.wrong_count(self.declared, self.point))
    }

    /// The end of the file in the middle of a chunk: fewer points than are declared, or damage.
    fn broken(&self, what: String) -> ReadError {
        let declared = self.declared;
        match self.last.and_then(|last| self.laz.there(&last)) {
            Some(found) if found < declared => self.laz.wrong_count(declared, found),
            _ => ReadError::damaged(&self.laz.path, what, Place::Point(self.point + 1)),
        }
    }

    fn load(&mut self, bytes: u64) -> Result<(), ReadError> {
        self.packed
            .resize(usize::try_from(bytes).unwrap_or(usize::MAX), 0);
        let mut file = &self.laz.file;
        file.seek(SeekFrom::Start(self.byte))
            .map_err(|e| self.laz.io(e))?;
        file.read_exact(&mut self.packed)
            .map_err(|e| self.laz.io(e))
    }
}

impl Source for Chunks {
    fn next(&mut self, out: &mut Columns) -> Result<usize, ReadError> {
        self.skip_empty();
        if self.next_chunk == self.chunks.len() {
            out.clear();
            return self.at_end();
        }
        let batch = self.batch();
        let chunks = &self.chunks[batch.clone()];
        let bytes: u64 = chunks.iter().map(|c| c.byte_count).sum();
        let points: u64 = chunks.iter().map(|c| c.point_count).sum();
        self.load(bytes)?;
        let len = usize::try_from(points * self.laz.vlr.items_size()).unwrap_or(usize::MAX);
        self.unpacked.resize(len, 0);
        let chunks = &self.chunks[batch.clone()];
        let (packed, unpacked, vlr) = (&self.packed, &mut self.unpacked, &self.laz.vlr);
        guarded(|| par_decompress_selective(packed, unpacked, vlr, chunks, wanted()))
            .map_err(|e| self.broken(e))?;
        self.next_chunk = batch.end;
        self.byte += bytes;
        self.point += points;
        Ok(self.decoder.decode(&self.unpacked, out))
    }

    fn skip(&mut self, points: u64) -> Result<bool, ReadError> {
        while self.point < points
            && let Some(chunk) = self.chunks.get(self.next_chunk)
        {
            self.point += chunk.point_count;
            self.byte += chunk.byte_count;
            self.next_chunk += 1;
        }
        Ok(self.point == points)
    }

    fn classes(&self) -> Option<&[u64; 256]> {
        Some(&self.decoder.classes)
    }

    fn withheld(&self) -> u64 {
        self.decoder.withheld
    }

    fn note_at_end(&mut self) -> Option<String> {
        let there = self.laz.there(&self.last?)?;
        let declared = self.declared;
        (there > declared).then(|| more_points(declared, there - declared))
    }
}

/// The fields that columns are made of; the others cost a third of the time in formats 6 to 10.
fn wanted() -> DecompressionSelection {
    DecompressionSelection::xy_returns_channel()
        .decompress_z()
        .decompress_classification()
        .decompress_flags()
        .decompress_intensity()
        .decompress_point_source_id()
        .decompress_gps_time()
}

/// Decodes one point after the other: files without a chunk table or with huge chunks.
struct Stream {
    path: PathBuf,
    inner: LasZipDecompressor<'static, BufReader<File>>,
    decoder: Decoder,
    points: u64,
    done: u64,
    record_len: u64,
    bytes: Vec<u8>,
}

impl Stream {
    fn open(laz: LazFile, points: u64, decoder: Decoder) -> Result<Self, ReadError> {
        let record_len = laz.vlr.items_size();
        let LazFile {
            path,
            file,
            vlr,
            start,
            ..
        } = laz;
        let mut file = BufReader::new(file);
        file.seek(SeekFrom::Start(start))
            .map_err(|e| ReadError::from_io(&path, e))?;
        let inner = guarded(|| LasZipDecompressor::selective(file, vlr, wanted()))
            .map_err(|e| ReadError::damaged(&path, e, Place::Byte(start)))?;
        Ok(Self {
            path,
            inner,
            decoder,
            points,
            done: 0,
            record_len,
            bytes: Vec::new(),
        })
    }
}

impl Source for Stream {
    fn next(&mut self, out: &mut Columns) -> Result<usize, ReadError> {
        let n = (self.points - self.done)
            .min(STREAM_BATCH)
            .min(BATCH_BYTES / self.record_len.max(1));
        self.bytes.resize(
            usize::try_from(n * self.record_len).unwrap_or(usize::MAX),
            0,
        );
        let (inner, bytes) = (&mut self.inner, &mut self.bytes);
        guarded(|| inner.decompress_many(bytes).map_err(Into::into))
            .map_err(|e| ReadError::damaged(&self.path, e, Place::Point(self.done + 1)))?;
        self.done += n;
        Ok(self.decoder.decode(&self.bytes, out))
    }

    fn classes(&self) -> Option<&[u64; 256]> {
        Some(&self.decoder.classes)
    }

    fn withheld(&self) -> u64 {
        self.decoder.withheld
    }
}

#[cfg(test)]
mod tests {
    use las::{Builder, Point, Writer};

    use super::super::header;
    use super::*;

    #[test]
    fn a_chunk_without_a_point_is_no_end() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.laz");
        let header = Builder::from((1, 4)).into_header().unwrap();
        let mut writer = Writer::from_path(&path, header).unwrap();
        for k in 0..1000 {
            let point = Point {
                x: f64::from(k),
                return_number: 1,
                number_of_returns: 1,
                ..Point::default()
            };
            writer.write_point(point).unwrap();
        }
        writer.close().unwrap();
        let (head, file) = header::read(&path).unwrap();
        let record = head.laz.clone().unwrap();
        let laz = LazFile {
            path: path.clone(),
            file,
            vlr: check_record(&path, &record, head.record_len).unwrap(),
            start: head.point_offset,
            end: head.points_end,
        };
        let empty = ChunkTableEntry {
            point_count: 0,
            byte_count: 0,
        };
        let table = laz.table_position().unwrap().unwrap();
        let entries = laz.table(table).unwrap();
        let mut chunks = laz.chunks(&entries, table, 1000).unwrap().unwrap();
        chunks.insert(0, empty);
        chunks.push(empty);
        let mut source = Chunks::new(laz, chunks, 1000, Decoder::new(&head));
        let mut out = Columns::default();
        assert_eq!(source.next(&mut out).unwrap(), 1000);
        assert_eq!(source.next(&mut out).unwrap(), 0);
        source.declared = 1001;
        let error = source.next(&mut out).unwrap_err().to_string();
        assert!(
            error.ends_with("1001 points are declared, 1000 are there"),
            "{error}"
        );
    }
}
