//! Whom to tell how far the work is, and who may stop it.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// The run was stopped on request (Ctrl-C); nothing half-written is left under a final name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("stopped on request")]
pub struct Cancelled;

/// What the steps of a stage are, so that a rate says of what it is one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Counted {
    /// Points of a cloud.
    Points,
    /// Bytes of files.
    Bytes,
    /// Sections of the road.
    Sections,
    /// Places along the reference line.
    Stations,
    /// Cells of a raster of the ground.
    Cells,
    /// Parts of a page.
    Parts,
    /// Steps that have nothing in common.
    Steps,
}

impl Counted {
    /// Several of them, in a word.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Points => "points",
            Self::Bytes => "bytes",
            Self::Sections => "sections",
            Self::Stations => "stations",
            Self::Cells => "cells",
            Self::Parts => "parts",
            Self::Steps => "steps",
        }
    }
}

/// Receives the progress of a stage.
///
/// Every long loop calls [`Progress::advance`] at least a few times a second and gives up at
/// once when told [`Cancelled`].
pub trait Progress: Send {
    /// The job has these stages, in this order; some may not come, as those that are done already.
    fn plan(&mut self, _stages: &[&'static str]) {}

    /// A stage begins: its name, how many steps it will take (0 = unknown), and what those are.
    fn stage(&mut self, name: &str, total: u64, counted: Counted);

    /// `units` more of the current stage are done.
    ///
    /// # Errors
    /// [`Cancelled`] when the user asked to stop.
    fn advance(&mut self, units: u64) -> Result<(), Cancelled>;
}

/// Tells nobody, never stops: for tests and library users without a terminal.
#[derive(Debug, Default, Clone, Copy)]
pub struct Silent;

impl Progress for Silent {
    fn stage(&mut self, _name: &str, _total: u64, _counted: Counted) {}

    fn advance(&mut self, _units: u64) -> Result<(), Cancelled> {
        Ok(())
    }
}

/// A flag that another thread (a signal handler) sets to stop the run.
#[derive(Debug, Default, Clone)]
pub struct StopFlag(Arc<AtomicBool>);

impl StopFlag {
    /// Ask for a stop.
    pub fn stop(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// The flag itself, for whoever sets flags: true asks for a stop.
    #[must_use]
    pub fn shared(&self) -> Arc<AtomicBool> {
        Arc::clone(&self.0)
    }

    /// Whether a stop was asked for.
    #[must_use]
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }

    /// # Errors
    /// [`Cancelled`] when a stop was asked for.
    pub fn check(&self) -> Result<(), Cancelled> {
        if self.is_set() {
            Err(Cancelled)
        } else {
            Ok(())
        }
    }
}
