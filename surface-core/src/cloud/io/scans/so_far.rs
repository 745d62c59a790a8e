//! How far scans are read, for a run that is stopped to be gone on from.

use super::super::error::ReadError;
use super::super::setup_table::SetupTable;
use super::Scans;

/// Where the reading of [`Scans`] is between two batches, and what it has met so far. Points by class
/// are not in it: a pass that may be gone on with does not ask for them.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
pub(crate) struct ReadSoFar {
    /// Files that are read to their end, or all but the last batch's.
    files: usize,
    /// Points of the file after those that are read.
    points: u64,
    accepted: u64,
    rejected: u64,
    withheld: u64,
    setups: SetupTable,
    /// What is told of each file: some of it shows at its end alone.
    notes: Vec<Vec<String>>,
}

impl Scans {
    /// Where the reading is after the last batch.
    pub(crate) fn so_far(&self) -> ReadSoFar {
        let (files, points) = match &self.current {
            Some(current) => (current.file, current.points),
            None => (self.next_file, 0),
        };
        ReadSoFar {
            files,
            points,
            accepted: self.accepted,
            rejected: self.rejected,
            withheld: self.withheld(),
            setups: self.setups.clone(),
            notes: self.files.iter().map(|file| file.notes.clone()).collect(),
        }
    }

    /// Go on behind what `read` tells, which was read from the same files. Whether that can be done; if
    /// not, reading begins at the first point.
    ///
    /// # Errors
    /// [`ReadError`] when a file is damaged before that place.
    pub(crate) fn go_on(&mut self, read: ReadSoFar) -> Result<bool, ReadError> {
        self.rewind();
        if read.files > self.files.len() || read.notes.len() != self.files.len() {
            return Ok(false);
        }
        if read.points > 0 && !self.go_into(read.files, read.points)? {
            self.rewind();
            return Ok(false);
        }
        self.next_file = read.files + usize::from(read.points > 0);
        self.accepted = read.accepted;
        self.rejected = read.rejected;
        // What was passed over by decoding is counted already.
        let counted = self.withheld();
        self.withheld = read.withheld.saturating_sub(counted);
        self.setups = read.setups;
        for (file, notes) in self.files.iter_mut().zip(read.notes) {
            file.notes = notes;
        }
        Ok(true)
    }

    /// Begin file `file` behind its first `points` points; whether a batch ends there.
    fn go_into(&mut self, file: usize, points: u64) -> Result<bool, ReadError> {
        if file == self.files.len() {
            return Ok(false);
        }
        let mut current = self.begin(file)?;
        let there = current.source.skip(points)?;
        current.points = points;
        self.current = Some(current);
        Ok(there)
    }
}
