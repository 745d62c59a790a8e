//! The answer of a job that leaves a folder, on standard output.

use std::io::Write;
use std::path::Path;

use crate::args::Format;

/// The same answer for programs and for people.
pub struct Answer {
    /// The report.
    pub json: String,
    /// Its summary.
    pub text: String,
}

impl Answer {
    /// Print it in the form that was asked for; people are also told where the `files` are.
    ///
    /// Whoever stops reading has seen enough: the verdict in the exit code stands all the same.
    pub fn print(&self, format: Format, folder: &Path, files: &str) -> std::io::Result<()> {
        match self.write(format, folder, files) {
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            done => done,
        }
    }

    /// The same without a folder.
    pub fn print_alone(&self, format: Format) -> std::io::Result<()> {
        let text = match format {
            Format::Json => &self.json,
            Format::Text => &self.text,
        };
        match std::io::stdout().lock().write_all(text.as_bytes()) {
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            done => done,
        }
    }

    fn write(&self, format: Format, folder: &Path, files: &str) -> std::io::Result<()> {
        let mut out = std::io::stdout().lock();
        match format {
            Format::Json => out.write_all(self.json.as_bytes()),
            Format::Text => {
                out.write_all(self.text.as_bytes())?;
                writeln!(out, "files       {}: {files}", folder.display())
            }
        }
    }
}
