//! Bytes, lines and words with their places.

use std::io::BufRead;
use std::path::Path;

use super::error::{MeshReadError, Place};

/// Longest line of text that makes sense: a polygon of some 10⁵ corners. Keeps a binary file
/// without line ends that is taken for text from filling the memory.
const LONGEST_LINE: u64 = 1 << 20;

/// A reader that knows where it is.
pub(super) struct Source<'a, R> {
    reader: R,
    file: &'a Path,
    byte: u64,
    line: u64,
    text: bool,
    words: Vec<u8>,
    next_word: usize,
}

impl<'a, R: BufRead> Source<'a, R> {
    pub(super) fn new(reader: R, file: &'a Path) -> Self {
        Self {
            reader,
            file,
            byte: 0,
            line: 0,
            text: true,
            words: Vec::new(),
            next_word: 0,
        }
    }

    pub(super) fn starts_with(&mut self, magic: &[u8]) -> Result<bool, MeshReadError> {
        let bytes = self.reader.fill_buf();
        let bytes = bytes.map_err(|source| MeshReadError::Io {
            file: self.file.to_owned(),
            source,
        });
        Ok(bytes?.starts_with(magic))
    }

    /// Bytes read so far.
    pub(super) fn byte(&self) -> u64 {
        self.byte
    }

    /// From here on places are bytes.
    pub(super) fn leave_text(&mut self) {
        self.text = false;
    }

    fn place(&self) -> Place {
        if self.text {
            Place::Line(self.line)
        } else {
            Place::Byte(self.byte)
        }
    }

    pub(super) fn syntax(&self, expected: &'static str, found: impl Into<String>) -> MeshReadError {
        let mut found: String = found.into();
        if let Some((end, _)) = found.char_indices().nth(60) {
            found.truncate(end);
        }
        MeshReadError::Syntax {
            file: self.file.to_owned(),
            place: self.place(),
            expected,
            found,
        }
    }

    pub(super) fn truncated(&self, what: &'static str) -> MeshReadError {
        MeshReadError::Truncated {
            file: self.file.to_owned(),
            place: self.place(),
            what,
        }
    }

    fn io(&self, source: std::io::Error) -> MeshReadError {
        MeshReadError::Io {
            file: self.file.to_owned(),
            source,
        }
    }

    /// The next line without its end; `None` at the end of the file. Bytes that are no UTF-8 are
    /// replaced: they matter in comments only.
    pub(super) fn line(&mut self) -> Result<Option<String>, MeshReadError> {
        let mut bytes = Vec::new();
        let mut limited = std::io::Read::take(&mut self.reader, LONGEST_LINE);
        let read = limited
            .read_until(b'\n', &mut bytes)
            .map_err(|e| self.io(e))?;
        if read == 0 {
            return Ok(None);
        }
        self.byte += read as u64;
        self.line += 1;
        if read as u64 == LONGEST_LINE {
            let start = String::from_utf8_lossy(&bytes[..60]).into_owned();
            return Err(self.syntax(
                "expected lines of text (is this a mesh in PLY or OBJ?)",
                start,
            ));
        }
        Ok(Some(String::from_utf8_lossy(&bytes).trim().to_owned()))
    }

    /// The next word of text, across lines.
    pub(super) fn word(&mut self, what: &'static str) -> Result<&str, MeshReadError> {
        loop {
            let rest = &self.words[self.next_word..];
            let skip = rest.iter().take_while(|b| b.is_ascii_whitespace()).count();
            if skip < rest.len() {
                let length = rest[skip..]
                    .iter()
                    .take_while(|b| !b.is_ascii_whitespace())
                    .count();
                let from = self.next_word + skip;
                self.next_word = from + length;
                // The words come from a string, cut at white space.
                return Ok(std::str::from_utf8(&self.words[from..from + length]).unwrap_or(""));
            }
            let Some(line) = self.line()? else {
                return Err(self.truncated(what));
            };
            self.words = line.into_bytes();
            self.next_word = 0;
        }
    }

    /// The next `N` bytes.
    #[inline]
    pub(super) fn bytes<const N: usize>(
        &mut self,
        what: &'static str,
    ) -> Result<[u8; N], MeshReadError> {
        let mut bytes = [0; N];
        match std::io::Read::read_exact(&mut self.reader, &mut bytes) {
            Ok(()) => self.byte += N as u64,
            Err(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
                return Err(self.truncated(what));
            }
            Err(e) => return Err(self.io(e)),
        }
        Ok(bytes)
    }
}
