//! Patches become one mesh: numbered through, handed on, and checked on the way.

use super::check::{MeshCheck, MeshChecker};
use super::number::Numbering;
use super::{MeshError, Patch};

/// Takes the vertices and triangles of a mesh as they come.
pub trait MeshSink {
    /// What can go wrong with taking.
    type Error: std::error::Error;

    /// Take the next vertices: the first `count` of `patch`. They are numbered on from those
    /// before.
    ///
    /// # Errors
    /// Whatever the sink cannot do.
    fn vertices(&mut self, patch: &Patch, count: usize) -> Result<(), Self::Error>;

    /// Take triangles (numbers of vertices, some of which may only come with the next patch) and
    /// the zone of each.
    ///
    /// # Errors
    /// Whatever the sink cannot do.
    fn faces(&mut self, faces: &[[u32; 3]], zones: &[u8]) -> Result<(), Self::Error>;
}

/// Why a mesh could not be put together.
#[derive(Debug, thiserror::Error)]
pub enum AssembleError<E: std::error::Error> {
    /// The patches do not fit.
    #[error(transparent)]
    Mesh(#[from] MeshError),
    /// The sink could not take it.
    #[error("{0}")]
    Sink(#[source] E),
}

/// Puts patches together in order.
#[derive(Debug)]
pub struct Assembler<S> {
    numbering: Numbering,
    checker: MeshChecker,
    sink: S,
}

impl<S: MeshSink> Assembler<S> {
    /// Put a course of `sections` patches into `sink`.
    #[must_use]
    pub fn new(sections: usize, closed: bool, sink: S) -> Self {
        Self {
            numbering: Numbering::new(sections, closed),
            checker: MeshChecker::new(sections, closed),
            sink,
        }
    }

    /// Add the next patch.
    ///
    /// # Errors
    /// [`AssembleError`] when it is not the next, or the sink fails.
    pub fn add(&mut self, patch: &Patch) -> Result<(), AssembleError<S::Error>> {
        let numbers = self.numbering.next(patch)?;
        self.checker.add(patch)?;
        let taken = self.sink.vertices(patch, numbers.owned);
        taken.map_err(AssembleError::Sink)?;
        let name = |v: u32| numbers.name(v);
        let faces: Vec<[u32; 3]> = patch.faces.iter().map(|f| f.map(name)).collect();
        let taken = self.sink.faces(&faces, &patch.zones);
        taken.map_err(AssembleError::Sink)
    }

    /// All patches are in: what the check found, and the sink.
    ///
    /// # Errors
    /// [`MeshError::OutOfOrder`] when patches are missing.
    pub fn finish(self) -> Result<(MeshCheck, S), AssembleError<S::Error>> {
        Ok((self.checker.finish()?, self.sink))
    }
}
