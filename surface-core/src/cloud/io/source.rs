//! What every format's reader gives to [`super::Scans`].

use super::crs::CrsRecord;
use super::error::ReadError;
use super::units::CrsUnits;
use crate::cloud::Columns;

/// How the points of one file say which setup measured them.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum SetupRule {
    /// The `setup` column holds LAS point source ids: non-zero ones are the same setup in all
    /// files, 0 is the file.
    SourceIds,
    /// The `setup` column holds indices into this list.
    Listed(Vec<ListedSetup>),
    /// The `setup` column holds 0: the file is the setup.
    File,
}

/// A setup that the file lists itself.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ListedSetup {
    pub name: Option<String>,
    /// In the file's unit.
    pub position: Option<[f64; 3]>,
}

/// What a file says about itself before its points are read; lengths in the file's unit.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Head {
    pub format: String,
    pub declared_points: Option<u64>,
    pub bounds: Option<[[f64; 3]; 2]>,
    pub step: Option<[f64; 3]>,
    pub units: CrsUnits,
    pub crs: Option<String>,
    /// The system itself, where it can be handed on.
    pub crs_record: Option<CrsRecord>,
    /// What that system says of units, where the format fixes its own.
    pub crs_units: Option<CrsUnits>,
    pub has_intensity: bool,
    pub has_time: bool,
    pub setups: SetupRule,
    /// Contradictions that do not stop the reading.
    pub notes: Vec<String>,
}

/// Points of one file, chunk by chunk, in the file's unit.
pub(super) trait Source: Send {
    /// Replace `out` by the next points (how many is the format's choice); how many were read, 0 at
    /// the end: fewer may be in `out`. Coordinates may be no numbers; [`super::Scans`] drops those.
    fn next(&mut self, out: &mut Columns) -> Result<usize, ReadError>;

    /// Nobody asks for times: a format that takes long to read them may leave them out.
    fn skip_times(&mut self) {}

    /// Pass over the first `points` points of a file of which none is read yet: as many as some number
    /// of batches held. Whether a batch ends there now. Formats that can go to a point do so; the others
    /// decode what they pass over.
    fn skip(&mut self, points: u64) -> Result<bool, ReadError> {
        let mut passed = 0;
        let mut out = Columns::default();
        while passed < points {
            match self.next(&mut out)? {
                0 => return Ok(false),
                n => passed += n as u64,
            }
        }
        Ok(passed == points)
    }

    /// About how many points there are, for a file that does not say: told by its length. Only disk
    /// space is reckoned by it.
    fn guessed_points(&self) -> Option<u64> {
        None
    }

    /// Points of each class so far, where the format has classes.
    fn classes(&self) -> Option<&[u64; 256]> {
        None
    }

    /// Points left out so far since the file marks them as deleted.
    fn withheld(&self) -> u64 {
        0
    }

    /// Once the points have come: a contradiction of the header that shows only then.
    fn note_at_end(&mut self) -> Option<String> {
        None
    }
}

/// A file that is open: what it says about itself, and its points.
pub(super) struct Opened {
    pub head: Head,
    pub source: Box<dyn Source>,
}
