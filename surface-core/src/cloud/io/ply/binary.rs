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
    /// Bytes of the file, and where its vertices start.
    size: u64,
    start: u64,
    done: u64,
    /// Whether what follows the vertices was looked at.
    ended: bool,
    scale: Option<Scale>,
    raw_intensity: Vec<f64>,
    bytes: Vec<u8>,
}

/// Bytes that may follow the last element: a line's end, as some writers put it there.
const LINE_END: u64 = 2;

impl BinarySource {
    pub fn open(
        path: &Path,
        mut reader: BufReader<File>,
        header: Header,
        order: Order,
    ) -> Result<Self, ReadError> {
        let size = check_size(path, &reader, &header)?;
        for element in &header.elements[..header.vertex] {
            skip(path, &mut reader, element, order)?;
        }
        let start = reader.stream_position();
        Ok(Self {
            path: path.to_owned(),
            start: start.map_err(|e| ReadError::from_io(path, e))?,
            reader,
            order,
            size,
            done: 0,
            ended: false,
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
            if !self.ended {
                self.ended = true;
                self.check_rest()?;
            }
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

    fn note_at_end(&mut self) -> Option<String> {
        let vertices = self.header.vertices();
        let last = self.header.vertex + 1 == self.header.elements.len();
        let more = self
            .size
            .saturating_sub(self.reader.stream_position().ok()?);
        let room = more / (vertices.least_bytes() as u64).max(1);
        (last && self.done == vertices.count && room > 0).then(|| {
            format!(
                "{} vertices are declared, but there is room for {room} more: they are not read",
                vertices.count
            )
        })
    }
}

/// What follows the vertices: a wrong number of them shows there alone.
impl BinarySource {
    /// Everything that is declared ends where the file does.
    fn check_rest(&mut self) -> Result<(), ReadError> {
        if self.header.vertex + 1 == self.header.elements.len() {
            return Ok(());
        }
        let here = self.reader.stream_position();
        let end = here.and_then(|here| self.end_from(here));
        let end = end.map_err(|e| ReadError::from_io(&self.path, e))?;
        if end.is_some_and(|end| (end..=end + LINE_END).contains(&self.size)) {
            return Ok(());
        }
        Err(self.wrong_rest(end))
    }

    /// Where the elements behind the vertices end if they start at byte `from`; `None` where the
    /// file ends in the middle of one, or a face has no corner: as many bytes as a vertex has,
    /// taken off triangles of 13, leave noughts that pass for such faces.
    fn end_from(&mut self, from: u64) -> std::io::Result<Option<u64>> {
        self.reader.seek(SeekFrom::Start(from))?;
        for element in &self.header.elements[self.header.vertex + 1..] {
            match pass(
                &mut self.reader,
                element,
                self.order,
                element.name != "face",
            ) {
                Err(e) if is_cut(&e) => return Ok(None),
                passed => passed?,
            }
        }
        self.reader.stream_position().map(Some)
    }

    fn wrong_rest(&mut self, end: Option<u64>) -> ReadError {
        let (path, declared) = (self.path.clone(), self.header.vertices().count);
        if let Some(found) = self.found() {
            return ReadError::WrongCount {
                path,
                declared,
                found,
            };
        }
        let what = format!("what follows the {declared} vertices");
        match end {
            Some(end) if end > self.size => ReadError::truncated(&path, what, self.size, end),
            Some(end) => {
                let more = self.size - end;
                let what = format!("{what} ends, and {more} bytes more are there,");
                ReadError::damaged(&path, what, Place::Byte(end))
            }
            None => {
                let what = format!(
                    "{what} is not what is declared, or has a face without corners: the end"
                );
                ReadError::damaged(&path, what, Place::Byte(self.size))
            }
        }
    }

    /// The number of vertices with which everything ends where the file does, if the lists behind
    /// them are those of triangles or of quadrilaterals.
    fn found(&mut self) -> Option<u64> {
        let vertices = self.header.vertices();
        let stride = vertices.least_bytes() as u64;
        if vertices.has_list() {
            return None;
        }
        let rest = &self.header.elements[self.header.vertex + 1..];
        let rooms = [3, 4].map(|items| {
            let bytes = rest.iter().map(|e| bytes_with_lists(e, items));
            let bytes = bytes.fold(self.start, u64::saturating_add);
            self.size.checked_sub(bytes)
        });
        let room = rooms.into_iter().flatten().filter(|r| r % stride == 0);
        let (start, size) = (self.start, self.size);
        let mut ends = |room: &u64| {
            self.end_from(start + room)
                .is_ok_and(|end| end == Some(size))
        };
        room.collect::<Vec<_>>()
            .iter()
            .find(|room| ends(room))
            .map(|room| room / stride)
    }
}

/// Bytes of an element all of whose lists have so many items.
fn bytes_with_lists(element: &Element, items: usize) -> u64 {
    let list = |p: &Property| match p.kind {
        Kind::Scalar(_) => 0,
        Kind::List { item, .. } => items * item.bytes(),
    };
    let lists: usize = element.properties.iter().map(list).sum();
    let bytes = element.least_bytes() + lists;
    element.count.saturating_mul(bytes as u64)
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
        Kind::List { count, item } => pass_list(reader, count, item, order).map(|_| None),
    }
}

/// Pass over a list, maybe over the end of the file; how many items it has.
fn pass_list(
    reader: &mut BufReader<File>,
    count: Number,
    item: Number,
    order: Order,
) -> std::io::Result<usize> {
    let mut bytes = [0; 8];
    reader.read_exact(&mut bytes[..count.bytes()])?;
    let items = to_index(count.decode(&bytes, order));
    let skip = i64::try_from(items.saturating_mul(item.bytes())).unwrap_or(i64::MAX);
    reader.seek_relative(skip)?;
    Ok(items)
}

/// Pass over an element that stands before the vertices.
fn skip(
    path: &Path,
    reader: &mut BufReader<File>,
    element: &Element,
    order: Order,
) -> Result<(), ReadError> {
    pass(reader, element, order, true).map_err(|e| cut(path, 1, e))
}

/// Pass over an element, maybe over the end of the file; an error where a list has no item, unless
/// that is well.
fn pass(
    reader: &mut BufReader<File>,
    element: &Element,
    order: Order,
    empty_is_well: bool,
) -> std::io::Result<()> {
    if !element.has_list() {
        let bytes = element.count.saturating_mul(element.least_bytes() as u64);
        return reader.seek_relative(i64::try_from(bytes).unwrap_or(i64::MAX));
    }
    for _ in 0..element.count {
        for property in &element.properties {
            let items = match property.kind {
                Kind::List { count, item } => pass_list(reader, count, item, order)?,
                Kind::Scalar(_) => read_property(reader, property, order).map(|_| 1)?,
            };
            if items == 0 && !empty_is_well {
                return Err(std::io::ErrorKind::InvalidInput.into());
            }
        }
    }
    Ok(())
}

/// Whether reading failed since the file ends.
fn is_cut(error: &std::io::Error) -> bool {
    use std::io::ErrorKind::{InvalidInput, UnexpectedEof};
    matches!(error.kind(), UnexpectedEof | InvalidInput)
}

/// An end of the file in the middle of a point.
fn cut(path: &Path, point: u64, e: std::io::Error) -> ReadError {
    if is_cut(&e) {
        return ReadError::damaged(path, "the file ends in the middle", Place::Point(point));
    }
    ReadError::from_io(path, e)
}

/// The file's size, which has room for what its header promises without the items of lists.
fn check_size(path: &Path, reader: &BufReader<File>, header: &Header) -> Result<u64, ReadError> {
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
    Ok(size)
}
