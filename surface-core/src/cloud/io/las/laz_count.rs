//! How many points has the last chunk of a compressed file?
//!
//! Tables of chunks of a fixed size say nothing of the last one, which may be shorter; chunks that
//! are compressed point by point hold no number either. The bytes tell: an encoder writes as many
//! as the decoder takes for the points that went in.

use ::laz::laszip::ChunkTableEntry;
use ::laz::record::{RecordDecompressor, SequentialPointRecordDecompressor};
use ::laz::{LasZipError, LazVlr};

/// The last chunk of a table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LastChunk {
    /// Its first byte in the file.
    pub byte: u64,
    pub byte_count: u64,
    /// Points of the chunks before it.
    pub before: u64,
}

impl LastChunk {
    /// The last of `entries` with a byte, the first of which is at byte `from`.
    pub fn of(entries: &[ChunkTableEntry], from: u64) -> Option<Self> {
        let at = entries.iter().rposition(|e| e.byte_count > 0)?;
        let (before, last) = (&entries[..at], entries[at]);
        Some(Self {
            byte: from + before.iter().map(|e| e.byte_count).sum::<u64>(),
            byte_count: last.byte_count,
            before: before.iter().map(|e| e.point_count).sum(),
        })
    }
}

/// Points of a chunk that is compressed point by point: as many as it takes to use up its bytes.
/// Points that take no byte of their own (repeats of the one before) may be missed at the end.
pub(super) fn count(packed: &[u8], vlr: &LazVlr) -> Result<u64, LasZipError> {
    let mut decoder = SequentialPointRecordDecompressor::new(packed);
    decoder.set_fields_from(vlr.items())?;
    let mut point = vec![0; decoder.record_size()];
    let mut points = 0;
    while points < u64::from(vlr.chunk_size()) && !decoder.get().is_empty() {
        if decoder.decompress_next(&mut point).is_err() {
            break;
        }
        points += 1;
    }
    Ok(points)
}
