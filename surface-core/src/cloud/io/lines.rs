//! Lines of a text file with their numbers, none of them long enough to fill the memory.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use super::error::{Place, ReadError};

/// Longest line, bytes: a point of a few hundred columns.
const LONGEST: u64 = 65_536;

/// Reads lines; knows the number of the last one.
pub(super) struct Lines {
    path: PathBuf,
    reader: BufReader<File>,
    number: u64,
    line: Vec<u8>,
}

impl Lines {
    pub fn new(path: &Path, file: File) -> Self {
        Self::after(path, BufReader::with_capacity(1 << 20, file), 0)
    }

    /// Go on in `reader` after `number` lines.
    pub fn after(path: &Path, reader: BufReader<File>, number: u64) -> Self {
        Self {
            path: path.to_owned(),
            reader,
            number,
            line: Vec::new(),
        }
    }

    /// The next line without its end, or `None` at the end of the file.
    pub fn next(&mut self) -> Result<Option<&str>, ReadError> {
        self.line.clear();
        let mut limited = (&mut self.reader).take(LONGEST);
        let read = limited.read_until(b'\n', &mut self.line);
        let read = read.map_err(|e| ReadError::from_io(&self.path, e))?;
        if read == 0 {
            return Ok(None);
        }
        self.number += 1;
        if read as u64 == LONGEST && !self.line.ends_with(b"\n") {
            return Err(self.damaged(format!("a line of more than {LONGEST} bytes")));
        }
        let bytes = self
            .line
            .strip_prefix(b"\xef\xbb\xbf")
            .unwrap_or(&self.line);
        match std::str::from_utf8(bytes) {
            Ok(text) => Ok(Some(text.trim())),
            Err(_) => Err(ReadError::damaged(
                &self.path,
                "bytes that are no text",
                Place::Line(self.number),
            )),
        }
    }

    /// Pass over one blank line, if the next one is blank.
    pub fn skip_blank(&mut self) -> Result<bool, ReadError> {
        let next = self
            .reader
            .fill_buf()
            .map_err(|e| ReadError::from_io(&self.path, e))?;
        let blank = next.starts_with(b"\n") || next.starts_with(b"\r\n");
        if blank {
            self.next()?;
        }
        Ok(blank)
    }

    /// An error at the line read last.
    pub fn damaged(&self, what: String) -> ReadError {
        ReadError::damaged(&self.path, what, Place::Line(self.number))
    }
}
