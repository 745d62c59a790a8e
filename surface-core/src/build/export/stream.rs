//! Sections of the mesh one after another, worked on side by side.

use rayon::prelude::*;

use crate::build::BuildError;
use crate::mesh::{MeshSection, SectionReader};
use crate::progress::{Counted, Progress};

/// Read all sections, do `work` on them in parallel and hand its results to `take` in order. A few
/// sections a thread are in memory at a time.
pub(in crate::build) fn sections<T: Send>(
    reader: &mut SectionReader,
    total: usize,
    progress: &mut dyn Progress,
    work: impl Fn(&MeshSection) -> T + Sync,
    take: impl FnMut(&MeshSection, T) -> Result<(), BuildError>,
) -> Result<(), BuildError> {
    changed_sections(
        reader,
        total,
        progress,
        (|_: &mut MeshSection| (), work),
        take,
    )
}

/// The same of sections that are changed first.
pub(super) fn changed_sections<T: Send>(
    reader: &mut SectionReader,
    total: usize,
    progress: &mut dyn Progress,
    (change, work): (
        impl Fn(&mut MeshSection) + Sync,
        impl Fn(&MeshSection) -> T + Sync,
    ),
    mut take: impl FnMut(&MeshSection, T) -> Result<(), BuildError>,
) -> Result<(), BuildError> {
    progress.stage("export", total as u64, Counted::Sections);
    let ahead = 2 * rayon::current_num_threads().max(1);
    loop {
        let mut batch = Vec::with_capacity(ahead);
        while batch.len() < ahead
            && let Some(section) = reader.next()?
        {
            batch.push(section);
        }
        if batch.is_empty() {
            return Ok(());
        }
        let both = |section: &mut MeshSection| {
            change(section);
            work(section)
        };
        let done: Vec<T> = batch.par_iter_mut().map(both).collect();
        for (section, result) in batch.iter().zip(done) {
            take(section, result)?;
            progress.advance(1)?;
        }
    }
}
