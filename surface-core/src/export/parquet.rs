//! A table of numbers as Apache Parquet: plain doubles, after a column of names where rows have
//! one, in groups of rows as they come.
//!
//! Written by hand, since a plain page of values is their bytes and the rest is a footer in Thrift's
//! compact protocol (Apache Parquet format 2.10, `parquet.thrift`); the libraries that know all of
//! the format would make up most of what this tool takes to build.

use std::path::{Path, PathBuf};

use super::draft::{Draft, WriteError, named};

/// Rows of a group: a few megabytes of a table of some twenty columns.
const GROUP: usize = 32_768;

const MAGIC: &[u8; 4] = b"PAR1";
/// Numbers of `parquet.thrift`.
const DOUBLE: i64 = 5;
const BYTE_ARRAY: i64 = 6;
const UTF8: i64 = 0;
const REQUIRED: i64 = 0;
const PLAIN: i64 = 0;
const RLE: i64 = 3;
const UNCOMPRESSED: i64 = 0;
const DATA_PAGE: i64 = 0;

/// Types of Thrift's compact protocol.
const I32: u8 = 5;
const I64: u8 = 6;
const BINARY: u8 = 8;
const LIST: u8 = 9;
const STRUCT: u8 = 12;

/// Values in Thrift's compact protocol.
#[derive(Debug, Default)]
struct Thrift {
    bytes: Vec<u8>,
    /// The last field of each structure that is open.
    fields: Vec<u8>,
}

impl Thrift {
    fn varint(&mut self, mut v: u64) {
        loop {
            let low = u8::try_from(v & 0x7f).unwrap_or(0);
            v >>= 7;
            if v == 0 {
                self.bytes.push(low);
                return;
            }
            self.bytes.push(low | 0x80);
        }
    }

    fn zigzag(&mut self, v: i64) {
        self.varint((v.cast_unsigned() << 1) ^ (v >> 63).cast_unsigned());
    }

    fn open(&mut self) {
        self.fields.push(0);
    }

    fn close(&mut self) {
        self.fields.pop();
        self.bytes.push(0);
    }

    /// The head of a field; numbers rise by 15 at most in what is written here.
    fn field(&mut self, number: u8, kind: u8) {
        if let Some(last) = self.fields.last_mut() {
            self.bytes.push(((number - *last) << 4) | kind);
            *last = number;
        }
    }

    fn int(&mut self, number: u8, kind: u8, v: i64) {
        self.field(number, kind);
        self.zigzag(v);
    }

    fn text(&mut self, text: &str) {
        self.varint(text.len() as u64);
        self.bytes.extend_from_slice(text.as_bytes());
    }

    fn list(&mut self, number: u8, kind: u8, count: usize) {
        self.field(number, LIST);
        match u8::try_from(count) {
            Ok(short) if short < 15 => self.bytes.push((short << 4) | kind),
            _ => {
                self.bytes.push(0xf0 | kind);
                self.varint(count as u64);
            }
        }
    }
}

/// One column of one group of rows in the file.
#[derive(Debug, Clone, Copy)]
struct Chunk {
    offset: u64,
    bytes: u64,
}

#[derive(Debug)]
struct Group {
    rows: usize,
    chunks: Vec<Chunk>,
}

/// Writes a table of doubles row by row. NaN stands for no value.
#[derive(Debug)]
pub struct ParquetWriter {
    path: PathBuf,
    body: Draft,
    /// Name of the column of names; none where rows have numbers alone.
    label: Option<&'static str>,
    names: Vec<&'static str>,
    notes: Vec<(&'static str, String)>,
    /// Names of the rows that wait, as a plain page holds them.
    labels: Vec<u8>,
    columns: Vec<Vec<f64>>,
    groups: Vec<Group>,
    end: u64,
}

fn signed(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

impl ParquetWriter {
    /// Begin `path` with these columns; `notes` go into the file's metadata by key.
    ///
    /// # Errors
    /// [`WriteError`] when the draft cannot be made.
    pub fn create(
        path: &Path,
        names: &[&'static str],
        notes: Vec<(&'static str, String)>,
    ) -> Result<Self, WriteError> {
        Self::begin(path, None, names, notes)
    }

    /// Begin `path` with a column of names before these columns of numbers.
    ///
    /// # Errors
    /// [`WriteError`] when the draft cannot be made.
    pub fn labelled(
        path: &Path,
        label: &'static str,
        names: &[&'static str],
        notes: Vec<(&'static str, String)>,
    ) -> Result<Self, WriteError> {
        Self::begin(path, Some(label), names, notes)
    }

    fn begin(
        path: &Path,
        label: Option<&'static str>,
        names: &[&'static str],
        notes: Vec<(&'static str, String)>,
    ) -> Result<Self, WriteError> {
        let mut body = Draft::create(named(path, ".part"))?;
        body.put(MAGIC)?;
        Ok(Self {
            path: path.to_owned(),
            body,
            label,
            names: names.to_vec(),
            notes,
            labels: Vec::new(),
            columns: vec![Vec::new(); names.len()],
            groups: Vec::new(),
            end: MAGIC.len() as u64,
        })
    }

    /// Append a row, one value a column.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn row(&mut self, values: &[f64]) -> Result<(), WriteError> {
        for (column, v) in self.columns.iter_mut().zip(values) {
            column.push(*v);
        }
        if self.columns.first().is_some_and(|c| c.len() >= GROUP) {
            self.flush()?;
        }
        Ok(())
    }

    /// Append a row of a table that was begun with [`ParquetWriter::labelled`].
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn labelled_row(&mut self, label: &str, values: &[f64]) -> Result<(), WriteError> {
        let length = crate::numeric::to_u32(label.len());
        self.labels.extend_from_slice(&length.to_le_bytes());
        self.labels.extend_from_slice(label.as_bytes());
        self.row(values)
    }

    fn flush(&mut self) -> Result<(), WriteError> {
        let rows = self.columns.first().map_or(0, Vec::len);
        if rows == 0 {
            return Ok(());
        }
        let mut group = Group {
            rows,
            chunks: Vec::new(),
        };
        let labels = self.label.map(|_| std::mem::take(&mut self.labels));
        let columns = self.columns.iter_mut();
        let numbers = columns.map(|c| c.drain(..).flat_map(f64::to_le_bytes).collect());
        let values: Vec<Vec<u8>> = labels.into_iter().chain(numbers).collect();
        for values in values {
            let mut page = page_header(rows, values.len());
            page.extend(values);
            group.chunks.push(Chunk {
                offset: self.end,
                bytes: page.len() as u64,
            });
            self.end += page.len() as u64;
            self.body.put(&page)?;
        }
        self.groups.push(group);
        Ok(())
    }

    /// Write what is left and the footer, and give the file its name.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn finish(mut self) -> Result<(), WriteError> {
        self.flush()?;
        let footer = self.footer();
        self.body.put(&footer)?;
        let length = crate::numeric::to_u32(footer.len());
        self.body.put(&length.to_le_bytes())?;
        self.body.put(MAGIC)?;
        self.body.publish(&self.path)
    }

    fn footer(&self) -> Vec<u8> {
        let mut t = Thrift::default();
        t.open();
        t.int(1, I32, 1);
        self.schema(&mut t);
        let rows: usize = self.groups.iter().map(|g| g.rows).sum();
        t.int(3, I64, signed(rows as u64));
        t.list(4, STRUCT, self.groups.len());
        self.groups.iter().for_each(|g| self.group(g, &mut t));
        t.list(5, STRUCT, self.notes.len());
        for (key, value) in &self.notes {
            t.open();
            t.field(1, BINARY);
            t.text(key);
            t.field(2, BINARY);
            t.text(value);
            t.close();
        }
        t.field(6, BINARY);
        t.text(concat!("surface version ", env!("CARGO_PKG_VERSION")));
        t.close();
        t.bytes
    }

    fn schema(&self, t: &mut Thrift) {
        let columns = self.names.len() + usize::from(self.label.is_some());
        t.list(2, STRUCT, columns + 1);
        t.open();
        t.field(4, BINARY);
        t.text("schema");
        t.int(5, I32, signed(columns as u64));
        t.close();
        if let Some(label) = self.label {
            t.open();
            t.int(1, I32, BYTE_ARRAY);
            t.int(3, I32, REQUIRED);
            t.field(4, BINARY);
            t.text(label);
            t.int(6, I32, UTF8);
            t.close();
        }
        for name in &self.names {
            t.open();
            t.int(1, I32, DOUBLE);
            t.int(3, I32, REQUIRED);
            t.field(4, BINARY);
            t.text(name);
            t.close();
        }
    }

    fn group(&self, group: &Group, t: &mut Thrift) {
        t.open();
        t.list(1, STRUCT, group.chunks.len());
        let labels = self.label.iter().map(|name| (name, BYTE_ARRAY));
        let columns = labels.chain(self.names.iter().map(|name| (name, DOUBLE)));
        for (chunk, (name, kind)) in group.chunks.iter().zip(columns) {
            t.open();
            t.int(2, I64, signed(chunk.offset));
            t.field(3, STRUCT);
            t.open();
            t.int(1, I32, kind);
            t.list(2, I32, 1);
            t.zigzag(PLAIN);
            t.list(3, BINARY, 1);
            t.text(name);
            t.int(4, I32, UNCOMPRESSED);
            t.int(5, I64, signed(group.rows as u64));
            t.int(6, I64, signed(chunk.bytes));
            t.int(7, I64, signed(chunk.bytes));
            t.int(9, I64, signed(chunk.offset));
            t.close();
            t.close();
        }
        let bytes: u64 = group.chunks.iter().map(|c| c.bytes).sum();
        t.int(2, I64, signed(bytes));
        t.int(3, I64, signed(group.rows as u64));
        t.close();
    }
}

fn page_header(rows: usize, bytes: usize) -> Vec<u8> {
    let bytes = signed(bytes as u64);
    let mut t = Thrift::default();
    t.open();
    t.int(1, I32, DATA_PAGE);
    t.int(2, I32, bytes);
    t.int(3, I32, bytes);
    t.field(5, STRUCT);
    t.open();
    t.int(1, I32, signed(rows as u64));
    t.int(2, I32, PLAIN);
    t.int(3, I32, RLE);
    t.int(4, I32, RLE);
    t.close();
    t.close();
    t.bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn integers_are_written_as_thrift_s_documentation_shows() {
        let bytes = |v: i64| {
            let mut t = Thrift::default();
            t.zigzag(v);
            t.bytes
        };
        // Zigzag: 0, −1, 1 → 0, 1, 2; 150 → 300 → AC 02.
        assert_eq!((bytes(0), bytes(-1), bytes(1)), (vec![0], vec![1], vec![2]));
        assert_eq!(bytes(150), [0xac, 0x02]);
    }

    #[test]
    fn a_file_begins_and_ends_with_its_name_and_holds_the_doubles() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.parquet");
        let mut writer = ParquetWriter::create(&path, &["a", "b"], Vec::new()).unwrap();
        writer.row(&[1.0, -2.0]).unwrap();
        writer.row(&[3.0, f64::NAN]).unwrap();
        writer.finish().unwrap();
        let bytes = std::fs::read(&path).unwrap();
        assert!(bytes.starts_with(MAGIC) && bytes.ends_with(MAGIC));
        let one = [1.0f64.to_le_bytes(), 3.0f64.to_le_bytes()].concat();
        assert!(bytes.windows(16).any(|w| w == one));
    }
}
