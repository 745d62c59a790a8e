//! The file: tiles as they come, then the directory.

use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::write::ZlibEncoder;

use super::keys::GeoKeys;
use crate::export::draft::{Draft, WriteError, named};
use crate::numeric::to_f32;

/// Width and height of a tile, pixels.
pub const TILE: usize = 256;

/// Where a raster lies and what it holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Raster {
    /// World x of its left side and y of its upper side, metres.
    pub corner_m: [f64; 2],
    /// Width and height of a pixel, metres.
    pub pixel_m: f64,
    /// Pixels across and down.
    pub size: [usize; 2],
    /// Whether values are doubles: single precision would round heights over 1024 m by more than
    /// 0.03 mm.
    pub double: bool,
    /// What a value is, with its unit.
    pub what: String,
    /// The coordinate system.
    pub keys: GeoKeys,
}

impl Raster {
    /// Tiles across and down.
    #[must_use]
    pub fn tiles(&self) -> [usize; 2] {
        self.size.map(|n| n.div_ceil(TILE))
    }
}

/// Writes a raster tile by tile, in any order. Tiles that do not come hold no value: they are
/// kept once.
#[derive(Debug)]
pub struct RasterWriter {
    path: PathBuf,
    body: Draft,
    raster: Raster,
    /// Offset and length of every tile, row by row; 0 for those that did not come.
    places: Vec<[u32; 2]>,
    end: u64,
}

/// Kinds of values in a directory (TIFF 6.0, section 2).
const ASCII: u16 = 2;
const SHORT: u16 = 3;
const LONG: u16 = 4;
const DOUBLE: u16 = 12;

struct Tag {
    number: u16,
    kind: u16,
    count: usize,
    bytes: Vec<u8>,
}

fn shorts(number: u16, values: &[u16]) -> Tag {
    Tag {
        number,
        kind: SHORT,
        count: values.len(),
        bytes: values.iter().flat_map(|v| v.to_le_bytes()).collect(),
    }
}

fn longs(number: u16, values: impl Iterator<Item = u32>) -> Tag {
    let bytes: Vec<u8> = values.flat_map(u32::to_le_bytes).collect();
    Tag {
        number,
        kind: LONG,
        count: bytes.len() / 4,
        bytes,
    }
}

fn doubles(number: u16, values: &[f64]) -> Tag {
    Tag {
        number,
        kind: DOUBLE,
        count: values.len(),
        bytes: values.iter().flat_map(|v| v.to_le_bytes()).collect(),
    }
}

fn ascii(number: u16, text: &str) -> Tag {
    let mut bytes = text.as_bytes().to_vec();
    bytes.push(0);
    Tag {
        number,
        kind: ASCII,
        count: bytes.len(),
        bytes,
    }
}

fn long(n: usize) -> impl Iterator<Item = u32> {
    std::iter::once(crate::numeric::to_u32(n))
}

impl RasterWriter {
    /// Begin `path`.
    ///
    /// # Errors
    /// [`WriteError`] when the draft cannot be made.
    pub fn create(path: &Path, raster: Raster) -> Result<Self, WriteError> {
        let mut body = Draft::create(named(path, ".part"))?;
        body.put(&[b'I', b'I', 42, 0, 0, 0, 0, 0])?;
        let [across, down] = raster.tiles();
        Ok(Self {
            path: path.to_owned(),
            body,
            raster,
            places: vec![[0, 0]; across * down],
            end: 8,
        })
    }

    /// Write the tile of this column and row, which has [`TILE`]² values, row by row from above;
    /// NaN is none.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails, or the file would pass 4 GiB.
    pub fn tile(&mut self, [column, row]: [usize; 2], values: &[f64]) -> Result<(), WriteError> {
        let place = self.append(&deflated(values, self.raster.double))?;
        let [across, _] = self.raster.tiles();
        if let Some(known) = self.places.get_mut(row * across + column) {
            *known = place;
        }
        Ok(())
    }

    /// Append bytes on an even offset; where they stand and how many they are.
    fn append(&mut self, bytes: &[u8]) -> Result<[u32; 2], WriteError> {
        let place = [self.end, bytes.len() as u64].map(u32::try_from);
        let [Ok(offset), Ok(length)] = place else {
            return Err(WriteError {
                path: self.path.clone(),
                source: std::io::Error::other("more than 4 GiB, which a TIFF file cannot hold"),
            });
        };
        self.body.put(bytes)?;
        self.end += bytes.len() as u64;
        if !self.end.is_multiple_of(2) {
            self.body.put(&[0])?;
            self.end += 1;
        }
        Ok([offset, length])
    }

    /// Write the directory and give the file its name.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn finish(mut self) -> Result<(), WriteError> {
        if self.places.contains(&[0, 0]) {
            let none = vec![f64::NAN; TILE * TILE];
            let place = self.append(&deflated(&none, self.raster.double))?;
            let missing = self.places.iter_mut().filter(|p| **p == [0, 0]);
            missing.for_each(|p| *p = place);
        }
        let at = self.directory()?;
        self.body.with(|file| {
            file.seek(SeekFrom::Start(4))?;
            file.write_all(&at.to_le_bytes())
        })?;
        self.body.publish(&self.path)
    }

    fn tags(&self) -> Vec<Tag> {
        let r = &self.raster;
        let bits = if r.double { 64 } else { 32 };
        let mut out = vec![
            longs(256, long(r.size[0])),
            longs(257, long(r.size[1])),
            shorts(258, &[bits]),
            // Deflate, black is zero.
            shorts(259, &[8]),
            shorts(262, &[1]),
            ascii(270, &r.what),
            shorts(277, &[1]),
            shorts(284, &[1]),
            ascii(305, concat!("surface ", env!("CARGO_PKG_VERSION"))),
            // Floating point predictor (TIFF Technical Note 3).
            shorts(317, &[3]),
            longs(322, long(TILE)),
            longs(323, long(TILE)),
            longs(324, self.places.iter().map(|p| p[0])),
            longs(325, self.places.iter().map(|p| p[1])),
            // IEEE floating point.
            shorts(339, &[3]),
            doubles(33550, &[r.pixel_m, r.pixel_m, 0.0]),
            doubles(33922, &[0.0, 0.0, 0.0, r.corner_m[0], r.corner_m[1], 0.0]),
            shorts(34735, &r.keys.directory),
        ];
        if !r.keys.doubles.is_empty() {
            out.push(doubles(34736, &r.keys.doubles));
        }
        if !r.keys.text.is_empty() {
            out.push(ascii(34737, &r.keys.text));
        }
        out.push(ascii(42113, "nan"));
        out
    }

    /// Values that do not fit into four bytes, then the directory; where it stands.
    fn directory(&mut self) -> Result<u32, WriteError> {
        let tags = self.tags();
        let count = u16::try_from(tags.len()).unwrap_or(0);
        let mut out = count.to_le_bytes().to_vec();
        for tag in tags {
            out.extend_from_slice(&tag.number.to_le_bytes());
            out.extend_from_slice(&tag.kind.to_le_bytes());
            out.extend_from_slice(&crate::numeric::to_u32(tag.count).to_le_bytes());
            if tag.bytes.len() <= 4 {
                let mut value = tag.bytes;
                value.resize(4, 0);
                out.extend_from_slice(&value);
            } else {
                let [offset, _] = self.append(&tag.bytes)?;
                out.extend_from_slice(&offset.to_le_bytes());
            }
        }
        out.extend_from_slice(&[0; 4]);
        Ok(self.append(&out)?[0])
    }
}

/// A tile in floating point prediction, deflated.
fn deflated(values: &[f64], double: bool) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(8 * values.len());
    for row in values.chunks(TILE) {
        if double {
            predicted(row.iter().map(|v| v.to_be_bytes()), &mut bytes);
        } else {
            predicted(row.iter().map(|v| to_f32(*v).to_be_bytes()), &mut bytes);
        }
    }
    let mut out = ZlibEncoder::new(Vec::new(), Compression::new(6));
    // Writing into memory cannot fail; if it did, an empty tile would show.
    let done = out.write_all(&bytes).and_then(|()| out.finish());
    done.unwrap_or_default()
}

/// The bytes of a row by their weight, the heaviest first, each less the one before.
fn predicted<const N: usize>(row: impl Iterator<Item = [u8; N]> + Clone, out: &mut Vec<u8>) {
    let mut last = 0u8;
    for k in 0..N {
        for value in row.clone() {
            out.push(value[k].wrapping_sub(last));
            last = value[k];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn prediction_sorts_bytes_by_weight_and_takes_differences() {
        let mut out = Vec::new();
        let row = [[1u8, 2], [3, 4], [6, 4]];
        predicted(row.into_iter(), &mut out);
        // Bytes 1 3 6 2 4 4, each less the one before.
        assert_eq!(out, [1, 2, 3, 252, 2, 0]);
    }

    #[test]
    fn tiles_that_do_not_come_are_kept_once() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.tif");
        let raster = Raster {
            corner_m: [0.0, 10.0],
            pixel_m: 0.1,
            size: [1000, 600],
            double: false,
            what: "height".to_owned(),
            keys: GeoKeys::of(None, None),
        };
        assert_eq!(raster.tiles(), [4, 3]);
        let mut writer = RasterWriter::create(&path, raster).unwrap();
        writer.tile([1, 2], &vec![1.0; TILE * TILE]).unwrap();
        assert_eq!(writer.places[9], [8, writer.places[9][1]]);
        writer.finish().unwrap();
        assert!(std::fs::metadata(&path).unwrap().len() < 3000);
    }
}
