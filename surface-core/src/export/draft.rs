//! Files that appear under their name only when they are whole.

use std::fs::File;
use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Why a file could not be written.
#[derive(Debug, thiserror::Error)]
#[error("{path}: {source}")]
pub struct WriteError {
    /// The file.
    pub path: PathBuf,
    /// What the system said.
    pub source: std::io::Error,
}

/// A file that is deleted unless it was given its final name.
#[derive(Debug)]
pub(super) struct Draft {
    path: PathBuf,
    file: BufWriter<File>,
}

/// `path` with `end` behind its name.
pub(super) fn named(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

impl Draft {
    /// Begin `path`, replacing what is there.
    pub fn create(path: PathBuf) -> Result<Self, WriteError> {
        let mut options = File::options();
        let file = options
            .read(true)
            .write(true)
            .create(true)
            .truncate(true)
            .open(&path);
        match file {
            Ok(file) => Ok(Self {
                path,
                file: BufWriter::with_capacity(1 << 18, file),
            }),
            Err(source) => Err(WriteError { path, source }),
        }
    }

    /// Do something with the file; what goes wrong is said with its name.
    pub fn with<T>(
        &mut self,
        act: impl FnOnce(&mut BufWriter<File>) -> std::io::Result<T>,
    ) -> Result<T, WriteError> {
        act(&mut self.file).map_err(|source| WriteError {
            path: self.path.clone(),
            source,
        })
    }

    /// Append bytes.
    pub fn put(&mut self, bytes: &[u8]) -> Result<(), WriteError> {
        self.with(|file| file.write_all(bytes))
    }

    /// Append all of `other`.
    pub fn append(&mut self, other: &mut Self) -> Result<(), WriteError> {
        other.with(|file| file.seek(SeekFrom::Start(0)))?;
        let from = other.file.get_mut();
        self.with(|file| std::io::copy(from, file).map(|_| ()))
    }

    /// Everything is in: give the file the name `path`.
    pub fn publish(mut self, path: &Path) -> Result<(), WriteError> {
        self.with(|file| {
            file.flush()?;
            file.get_ref().sync_all()
        })?;
        std::fs::rename(&self.path, path).map_err(|source| WriteError {
            path: path.to_owned(),
            source,
        })
    }
}

impl Drop for Draft {
    fn drop(&mut self) {
        // A draft that was renamed is not here any more; one that was not is scratch.
        let _ = std::fs::remove_file(&self.path);
    }
}

/// A text file that appears under its name only when it is whole.
#[derive(Debug)]
pub struct TextFile {
    path: PathBuf,
    draft: Draft,
}

impl TextFile {
    /// Begin `path`.
    ///
    /// # Errors
    /// [`WriteError`] when the draft cannot be made.
    pub fn create(path: &Path) -> Result<Self, WriteError> {
        Ok(Self {
            path: path.to_owned(),
            draft: Draft::create(named(path, ".part"))?,
        })
    }

    /// Append text.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn put(&mut self, text: &str) -> Result<(), WriteError> {
        self.draft.put(text.as_bytes())
    }

    /// Give the file its name.
    ///
    /// # Errors
    /// [`WriteError`] when writing fails.
    pub fn finish(self) -> Result<(), WriteError> {
        self.draft.publish(&self.path)
    }
}
