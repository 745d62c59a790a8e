//! What the first look at the runs of a course, for breaklines, keeps for the second, for heights: as
//! many runs as find room. The others are made again, with the same outcome.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::field::PlainRun;

/// Runs that were made without breaklines, within some bytes.
#[derive(Debug, Default)]
pub(super) struct PlainRuns {
    room_bytes: u64,
    kept: Mutex<Kept>,
}

#[derive(Debug, Default)]
struct Kept {
    bytes: u64,
    runs: BTreeMap<usize, PlainRun>,
}

impl PlainRuns {
    /// Room for as many runs as take so many bytes.
    pub fn within(room_bytes: u64) -> Self {
        Self {
            room_bytes,
            kept: Mutex::default(),
        }
    }

    /// Whether there may be room for one more run.
    pub fn has_room(&self) -> bool {
        self.kept().bytes < self.room_bytes
    }

    /// Keep a run, if there is room for it.
    pub fn keep(&self, run: usize, plain: PlainRun) {
        let mut kept = self.kept();
        let bytes = kept.bytes + plain.bytes() as u64;
        if bytes <= self.room_bytes && !kept.runs.contains_key(&run) {
            kept.bytes = bytes;
            kept.runs.insert(run, plain);
        }
    }

    /// Take a run out: nobody looks a third time.
    pub fn take(&self, run: usize) -> Option<PlainRun> {
        let mut kept = self.kept();
        let plain = kept.runs.remove(&run)?;
        kept.bytes -= plain.bytes() as u64;
        Some(plain)
    }

    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::{Frame, PackedPoint};
    use crate::field::{Lattice, RowLimits, Trust, cell_sums_shaded};
    use crate::setups::SetupModels;

    fn run() -> PlainRun {
        let lattice = Lattice::new([0.1, 0.1], 128, -5..6, false).unwrap();
        let limits = RowLimits {
            left_t_m: vec![0.5; 128],
            right_t_m: vec![-0.5; 128],
        };
        let setups = SetupModels::default();
        let trust = Trust {
            setups: &setups,
            place: &|s, t| [s, t],
        };
        let point = PackedPoint {
            abc: [1.0, 0.0, 0.0].map(|v| Frame::pack(v).unwrap()),
            intensity: 0,
            setup: 0,
        };
        cell_sums_shaded(&[point], &lattice, 0, &limits, trust, (1, true))
            .1
            .unwrap()
    }

    #[test]
    fn as_many_runs_are_kept_as_find_room_and_each_is_taken_once() {
        let bytes = run().bytes() as u64;
        // At least what its cells hold.
        assert!(bytes > 128 * 11 * 40, "{bytes}");
        let runs = PlainRuns::within(2 * bytes + 1);
        (0..4).for_each(|k| runs.keep(k, run()));
        assert!(runs.take(2).is_none() && runs.take(0).is_some() && runs.take(0).is_none());
        runs.keep(3, run());
        assert!(runs.take(3).is_some() && runs.take(1).is_some());
        assert!(runs.kept().bytes == 0);
        let none = PlainRuns::default();
        assert!(!none.has_room());
        none.keep(0, run());
        assert!(none.take(0).is_none());
    }
}
