//! What an export left, in words.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// A file that was written.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ExportedFile {
    /// Where it is.
    pub path: PathBuf,
    /// Its size, bytes.
    pub bytes: u64,
}

/// What an export left.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ExportReport {
    /// The files.
    pub files: Vec<ExportedFile>,
    /// What is in them, in words.
    pub holds: Vec<String>,
    /// What the format could not hold, in words.
    pub loses: Vec<String>,
}

impl ExportReport {
    pub(super) fn of(paths: impl IntoIterator<Item = PathBuf>) -> Self {
        let file = |path: PathBuf| ExportedFile {
            bytes: std::fs::metadata(&path).map_or(0, |m| m.len()),
            path,
        };
        Self {
            files: paths.into_iter().map(file).collect(),
            holds: Vec::new(),
            loses: Vec::new(),
        }
    }

    /// One more file that was written.
    pub(super) fn add_file(&mut self, path: PathBuf) {
        self.files.extend(Self::of([path]).files);
    }

    /// The same once the files are in another folder.
    pub(in crate::build) fn moved_to(mut self, folder: &Path) -> Self {
        for file in &mut self.files {
            file.path = folder.join(file.path.file_name().unwrap_or_default());
        }
        self
    }

    pub(super) fn holds(&mut self, what: impl Into<String>) {
        self.holds.push(what.into());
    }

    pub(super) fn loses(&mut self, what: impl Into<String>) {
        self.loses.push(what.into());
    }

    /// The report for people.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut out = String::new();
        for file in &self.files {
            let mb = file.bytes as f64 / 1e6;
            let _ = writeln!(out, "file        {} ({mb:.1} MB)", file.path.display());
        }
        for (name, lines) in [("holds", &self.holds), ("loses", &self.loses)] {
            for line in lines {
                let _ = writeln!(out, "{name:<11} {line}");
            }
        }
        out
    }
}
