//! How many points do a scan's data packets hold?
//!
//! The heads of the packets tell: how many bytes each property has in a packet (ASTM E2807, 9.3 to
//! 9.5). No page is decoded or checked here; where the heads do not add up, nothing is said, and the
//! decoder tells what is wrong.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};

use ::e57::{PointCloud, RecordDataType};

/// Bytes of the check sum at the end of each page.
const SUM: u64 = 4;
/// Bytes before the packets of a section, and before the lengths in a data packet.
const SECTION_HEAD: usize = 32;
const PACKET_HEAD: usize = 6;
/// Bits that an encoder of packed numbers may leave unused at the end.
const SPARE_BITS: u64 = 64;

/// Points declared and held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Held {
    /// As many as are declared, or nothing tells.
    Fits,
    /// Only so many.
    Fewer(u64),
    /// So many more.
    More(u64),
}

/// Hold the number of points that a scan declares against its data packets.
pub(super) fn held(file: &File, page_bytes: u64, scan: &PointCloud) -> Held {
    let Some((at, bits)) = widest(scan) else {
        return Held::Fits;
    };
    let Some(bytes) = stream_bytes(&mut Pages { file, page_bytes }, scan, at) else {
        return Held::Fits;
    };
    let (there, needed) = (bytes.saturating_mul(8), scan.records.saturating_mul(bits));
    let spare = if is_float(&scan.prototype[at].data_type) {
        0
    } else {
        SPARE_BITS
    };
    if there < needed {
        Held::Fewer(there / bits)
    } else if there - needed >= bits + spare {
        Held::More((there - needed) / bits)
    } else {
        Held::Fits
    }
}

/// The property that takes most bits a point, and how many: it tells the number best.
fn widest(scan: &PointCloud) -> Option<(usize, u64)> {
    let bits = scan.prototype.iter().map(|r| bits(&r.data_type));
    bits.enumerate()
        .filter(|(_, bits)| *bits > 0)
        .max_by_key(|(_, bits)| *bits)
}

fn is_float(kind: &RecordDataType) -> bool {
    matches!(
        kind,
        RecordDataType::Single { .. } | RecordDataType::Double { .. }
    )
}

fn bits(kind: &RecordDataType) -> u64 {
    match *kind {
        RecordDataType::Single { .. } => 32,
        RecordDataType::Double { .. } => 64,
        RecordDataType::ScaledInteger { min, max, .. } | RecordDataType::Integer { min, max } => {
            u64::from(u64::BITS - max.wrapping_sub(min).cast_unsigned().leading_zeros())
        }
    }
}

/// Bytes of a property in all data packets of a scan; `None` where the packets do not fill their
/// section.
fn stream_bytes(pages: &mut Pages, scan: &PointCloud, property: usize) -> Option<u64> {
    let section = pages.logical(scan.file_offset)?;
    let head: [u8; SECTION_HEAD] = pages.read(section)?;
    let end = section.checked_add(number(&head[8..16]))?;
    let mut at = pages.logical(number(&head[16..24]))?;
    let mut bytes = 0;
    while at < end {
        let head: [u8; PACKET_HEAD] = pages.read(at)?;
        let len = number(&head[2..4]) + 1;
        if head[0] == 1 {
            let streams = usize::try_from(number(&head[4..6])).ok()?;
            if streams != scan.prototype.len() {
                return None;
            }
            bytes += pages.packet(at, streams, len)?.get(property)?;
        }
        at += len;
    }
    (at == end).then_some(bytes)
}

/// A little-endian number of up to eight bytes.
fn number(bytes: &[u8]) -> u64 {
    let place = |sum: u64, byte: &u8| sum << 8 | u64::from(*byte);
    bytes.iter().rev().fold(0, place)
}

/// A file in pages, each of which ends with a check sum that is no part of the data.
struct Pages<'a> {
    file: &'a File,
    page_bytes: u64,
}

impl Pages<'_> {
    /// The place in the data of a place in the file; `None` within a check sum.
    fn logical(&self, physical: u64) -> Option<u64> {
        let data = self.page_bytes.checked_sub(SUM).filter(|data| *data > 0)?;
        let (page, within) = (physical / self.page_bytes, physical % self.page_bytes);
        (within < data).then(|| page * data + within)
    }

    fn read<const N: usize>(&mut self, at: u64) -> Option<[u8; N]> {
        let mut out = [0; N];
        self.fill(at, &mut out)?;
        Some(out)
    }

    fn fill(&mut self, mut at: u64, mut out: &mut [u8]) -> Option<()> {
        let data = self.page_bytes - SUM;
        while !out.is_empty() {
            let (page, within) = (at / data, at % data);
            let n = usize::try_from(data - within).ok()?.min(out.len());
            let (now, rest) = out.split_at_mut(n);
            let physical = page.checked_mul(self.page_bytes)? + within;
            self.file.seek(SeekFrom::Start(physical)).ok()?;
            self.file.read_exact(now).ok()?;
            at += n as u64;
            out = rest;
        }
        Some(())
    }

    /// Bytes of each property in the data packet of `len` bytes at `at`, which they must fill.
    fn packet(&mut self, at: u64, streams: usize, len: u64) -> Option<Vec<u64>> {
        let mut lengths = vec![0; 2 * streams];
        self.fill(at + PACKET_HEAD as u64, &mut lengths)?;
        let bytes: Vec<u64> = lengths.chunks_exact(2).map(number).collect();
        let whole = PACKET_HEAD as u64 + 2 * streams as u64 + bytes.iter().sum::<u64>();
        (whole.next_multiple_of(4) == len).then_some(bytes)
    }
}
