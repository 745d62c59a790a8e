//! The record of how far the pass over the scans is, for a run that is stopped to go on from.

use std::path::PathBuf;
use std::time::Duration;

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::BuildError;
use super::work::{Key, Work};
use crate::ribbon::Ribbon;

/// Name of the record, and of the file of the points by square that it speaks of.
const CLOUD: &str = "cloud";
/// Name of the record of the ribbon that was found in them.
const RIBBON: &str = "ribbon";
/// So long is read between two records: what a kill may cost. Writing one takes a second at most for a
/// course of 4 km (its grid has 100 MB), in which decoding goes on.
const EVERY: Duration = Duration::from_secs(15);

/// Where the pass over the scans of one key is recorded.
#[derive(Debug)]
pub(super) struct KeptPass<'a> {
    work: &'a Work,
    key: Key,
    /// Of the ribbon in its points.
    ribbon_key: Key,
    every: Duration,
}

impl<'a> KeptPass<'a> {
    /// Of the scans of `key`, in the work folder. A pass of others that is recorded there is removed, and
    /// its points, so that their space counts as free.
    pub fn new(work: &'a Work, key: Key, ribbon_key: Key) -> Result<Self, BuildError> {
        let kept = Self {
            work,
            key,
            ribbon_key,
            every: EVERY,
        };
        if !work.is_recorded(CLOUD, &key) {
            kept.forget()?;
        }
        Ok(kept)
    }

    /// The same, recorded after every batch.
    #[cfg(test)]
    pub fn always(self) -> Self {
        Self {
            every: Duration::ZERO,
            ..self
        }
    }

    /// How much time is to pass between two records.
    pub fn every(&self) -> Duration {
        self.every
    }

    /// The file of the points by square.
    pub fn points(&self) -> PathBuf {
        self.work.scratch(CLOUD)
    }

    /// Bytes that they take already.
    pub fn bytes(&self) -> u64 {
        std::fs::metadata(self.points()).map_or(0, |file| file.len())
    }

    pub fn load<T: DeserializeOwned>(&self) -> Option<T> {
        self.work.load(CLOUD, &self.key)
    }

    pub fn save<T: Serialize>(&self, record: &T) -> Result<(), BuildError> {
        self.work.save(CLOUD, &self.key, record)
    }

    /// The ribbon that was found in the points, and what was decided on the way.
    pub fn ribbon(&self) -> Option<(Ribbon, Vec<String>)> {
        let (text, notes): (String, Vec<String>) = self.work.load(RIBBON, &self.ribbon_key)?;
        Some((Ribbon::from_geojson(&text).ok()?, notes))
    }

    /// Record the ribbon that was found.
    pub fn save_ribbon(&self, ribbon: &Ribbon, notes: &[String]) -> Result<(), BuildError> {
        let record = (ribbon.to_geojson()?, notes);
        self.work.save(RIBBON, &self.ribbon_key, &record)
    }

    /// Remove the records, and then what they speak of.
    pub fn forget(&self) -> Result<(), BuildError> {
        self.work.forget(RIBBON)?;
        self.work.forget(CLOUD)?;
        Self::discard(self.work)
    }

    /// Remove points that no record speaks of.
    pub fn discard(work: &Work) -> Result<(), BuildError> {
        work.discard(&[CLOUD])
    }
}
