//! Vertices written as bytes of either order.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::BATCH;
use super::header::Header;
use crate::cloud::Columns;
use crate::cloud::io::error::{Place, ReadError};
use crate::cloud::io::intensity::Scale;
use crate::cloud::io::source::Source;
use crate::cloud::ply_layout::{Element, Kind, Number, Order, Property};
use crate::numeric::to_index;

/// Bytes read at once, at most, whatever the length of a vertex.
const BATCH_BYTES: usize = 16 << 20;

pub(super) struct BinarySource {
    path: PathBuf,
    reader: BufReader<File>,
    header: Header,
    order: Order,
    done: u64,
    scale: Option<Scale>,
    raw_intensity: Vec<f64>,
    bytes: Vec<u8>,
}

impl BinarySource {
    pub fn open(
        path: &Path,
        mut reader: BufReader<File>,
        header: Header,
        order: Order,
    ) -> Result<Self, ReadError> {
        check_size(path, &reader, &header)?;
        for element in &header.elements[..header.vertex] {
            skip(path, &mut reader, element, order)?;
        }
        Ok(Self {
            path: path.to_owned(),
            reader,
            order,
            done: 0,
            scale: header.wanted.scale,
            raw_intensity: Vec::new(),
            bytes: Vec::new(),
            header,
        })
    }

    /// All properties but lists have a fixed place in the record: read many at once.
    fn fixed_batch(&mut self, n: u64, out: &mut Columns) -> Result<(), ReadError> {
        let stride = self.header.vertices().least_bytes();
        let most = (BATCH_BYTES / stride).max(1);
        let n = usize::try_from(n).unwrap_or(most).min(most);
        self.bytes.resize(n * stride, 0);
        let read = self.reader.read_exact(&mut self.bytes);
        read.map_err(|e| cut(&self.path, self.done + 1, e))?;
        self.columns(stride, out);
        Ok(())
    }

    fn columns(&mut self, stride: usize, out: &mut Columns) {
        let properties = &self.header.vertices().properties;
        let (bytes, order, wanted) = (&self.bytes, self.order, self.header.wanted);
        let fill = |property: usize, add: f64, column: &mut Vec<f64>| {
            let (offset, number) = place(properties, property);
            let records = bytes.chunks_exact(stride);
            column.extend(records.map(|r| number.decode(&r[offset..], order) + add));
        };
        let [x, y, z] = wanted.xyz;
        fill(x, self.header.origin[0], &mut out.x);
        fill(y, self.header.origin[1], &mut out.y);
        fill(z, self.header.origin[2], &mut out.z);
        if let Some(property) = wanted.intensity {
            fill(property, 0.0, &mut self.raw_intensity);
        }
        if let (Some(property), Some(time)) = (wanted.time, &mut out.time_s) {
            fill(property, 0.0, time);
        }
    }

    /// Vertices with lists: one property after the other.
    fn walked_batch(&mut self, n: u64, out: &mut Columns) -> Result<(), ReadError> {
        for k in 0..n {
            let point = self.done + k + 1;
            let walked = self.walk(out);
            walked.map_err(|e| cut(&self.path, point, e))?;
        }
        Ok(())
    }

    fn walk(&mut self, out: &mut Columns) -> std::io::Result<()> {
        let wanted = self.header.wanted;
        let (mut xyz, mut intensity, mut time) = (self.header.origin, 0.0, 0.0);
        for (k, property) in self.header.elements[self.header.vertex]
            .properties
            .iter()
            .enumerate()
        {
            let Some(value) = read_property(&mut self.reader, property, self.order)? else {
                continue;
            };
            match wanted.xyz.iter().position(|&c| c == k) {
                Some(axis) => xyz[axis] += value,
                None if wanted.intensity == Some(k) => intensity = value,
                None if wanted.time == Some(k) => time = value,
                None => {}
            }
        }
        out.x.push(xyz[0]);
        out.y.push(xyz[1]);
        out.z.push(xyz[2]);
        if wanted.intensity.is_some() {
            self.raw_intensity.push(intensity);
        }
        if let Some(times) = &mut out.time_s {
            times.push(time);
        }
        Ok(())
    }
}

impl Source for BinarySource {
    fn next(&mut self, out: &mut Columns) -> Result<usize, ReadError> {
        out.clear();
        self.raw_intensity.clear();
        out.time_s = self
            .header
            .wanted
            .time
            .map(|_| out.time_s.take().unwrap_or_default());
        let left = (self.header.vertices().count - self.done).min(BATCH);
        if left == 0 {
            return Ok(0);
        }
        if self.header.vertices().has_list() {
            self.walked_batch(left, out)?;
        } else {
            self.fixed_batch(left, out)?;
        }
        let n = out.len();
        self.done += n as u64;
        out.setup.resize(n, 0);
        if self.header.wanted.intensity.is_some() {
            let raw = &self.raw_intensity;
            let scale = *self.scale.get_or_insert_with(|| Scale::learned(raw));
            out.intensity.extend(raw.iter().map(|&v| scale.apply(v)));
        } else {
            out.intensity.resize(n, 0);
        }
        Ok(n)
    }
}

/// Offset and type of a scalar property in records without lists.
fn place(properties: &[Property], at: usize) -> (usize, Number) {
    let mut offset = 0;
    for property in &properties[..at] {
        offset += match property.kind {
            Kind::Scalar(number) => number.bytes(),
            Kind::List { count, .. } => count.bytes(),
        };
    }
    match properties[at].kind {
        Kind::Scalar(number) => (offset, number),
        Kind::List { count, .. } => (offset, count),
    }
}

/// A scalar's value; a list is passed over and is `None`.
fn read_property(
    reader: &mut BufReader<File>,
    property: &Property,
    order: Order,
) -> std::io::Result<Option<f64>> {
    let mut bytes = [0; 8];
    match property.kind {
        Kind::Scalar(number) => {
            reader.read_exact(&mut bytes[..number.bytes()])?;
            Ok(Some(number.decode(&bytes, order)))
        }
        Kind::List { count, item } => {
            reader.read_exact(&mut bytes[..count.bytes()])?;
            let items = to_index(count.decode(&bytes, order));
            let skip = i64::try_from(items.saturating_mul(item.bytes())).unwrap_or(i64::MAX);
            reader.seek_relative(skip)?;
            Ok(None)
        }
    }
}

/// Pass over an element that stands before the vertices.
fn skip(
    path: &Path,
    reader: &mut BufReader<File>,
    element: &Element,
    order: Order,
) -> Result<(), ReadError> {
    let fail = |e| cut(path, 1, e);
    if !element.has_list() {
        let bytes = element.count.saturating_mul(element.least_bytes() as u64);
        let skip = i64::try_from(bytes).unwrap_or(i64::MAX);
        return reader.seek_relative(skip).map_err(fail);
    }
    for _ in 0..element.count {
        for property in &element.properties {
            read_property(reader, property, order).map_err(fail)?;
        }
    }
    Ok(())
}

/// An end of the file in the middle of a point.
fn cut(path: &Path, point: u64, e: std::io::Error) -> ReadError {
    match e.kind() {
        std::io::ErrorKind::UnexpectedEof | std::io::ErrorKind::InvalidInput => {
            ReadError::damaged(path, "the file ends in the middle", Place::Point(point))
        }
        _ => ReadError::from_io(path, e),
    }
}

/// Whether the file has room for what its header promises, without the items of lists.
fn check_size(path: &Path, reader: &BufReader<File>, header: &Header) -> Result<(), ReadError> {
    let mut file = reader.get_ref();
    let here = file.stream_position().and_then(|here| {
        let end = file.seek(SeekFrom::End(0))?;
        file.seek(SeekFrom::Start(here)).map(|_| end)
    });
    let size = here.map_err(|e| ReadError::from_io(path, e))?;
    let bytes = |e: &Element| e.count.saturating_mul(e.least_bytes() as u64);
    let needed = header
        .elements
        .iter()
        .map(bytes)
        .fold(header.bytes, u64::saturating_add);
    if needed > size {
        let what = format!(
            "{} vertices with all that is declared",
            header.vertices().count
        );
        return Err(ReadError::truncated(path, what, size, needed));
    }
    Ok(())
}
