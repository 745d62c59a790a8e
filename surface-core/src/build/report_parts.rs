//! Parts that the reports of all jobs have in common.

use std::path::{Path, PathBuf};

use super::BuildError;
use super::manifest::{begin_hashing, hash_file};
use crate::cloud::io::{FileInfo, Scans};
use crate::deviation::Spot;
use crate::progress::Progress;
use crate::report::{Input, SpotReport};

/// Every input file with its hash.
pub(super) fn inputs_of(
    scans: &Scans,
    paths: &[PathBuf],
    progress: &mut dyn Progress,
) -> Result<Vec<Input>, BuildError> {
    begin_hashing(paths, progress);
    let files = scans.files().iter().zip(paths);
    files
        .map(|(info, path)| input_of(info, path, progress))
        .collect()
}

fn input_of(
    info: &FileInfo,
    path: &Path,
    progress: &mut dyn Progress,
) -> Result<Input, BuildError> {
    let (bytes, blake3) = hash_file(path, progress)?;
    Ok(Input {
        name: path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned(),
        format: info.format.clone(),
        bytes,
        blake3,
        units: format!("{} ({})", info.units.horizontal.name(), info.units.how),
    })
}

/// A spot in the report's units.
pub(super) fn spot_report(spot: &Spot) -> SpotReport {
    SpotReport {
        id: spot.id,
        at_m: spot.at_m,
        xy_m: spot.xy_m,
        area_m2: spot.area_m2,
        worst_mm: 1e3 * spot.worst_m,
        why: spot.why.word().to_owned(),
    }
}
