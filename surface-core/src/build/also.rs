//! Other formats of a build that is whole and has no names yet.

use std::path::Path;

use super::BuildError;
use super::export::{ExportFormat, ExportParams, ExportReport, export};
use super::folder::{BuildFolder, write_error};
use super::work::Work;
use crate::progress::Progress;

/// Folder among the records in which the products have their names already, as links.
const WHOLE: &str = "whole";
/// Folder among the records for what is exported.
const ALSO: &str = "also";

/// Write what waits in `folder` in other `formats`, which then wait there too.
///
/// After the build has its names its records are gone, and a run that is killed would begin again.
/// So exporters are shown a folder of links that looks like the finished build.
pub(super) fn export_unnamed(
    folder: &mut BuildFolder,
    work: &Work,
    manifest: &str,
    formats: &[ExportFormat],
    progress: &mut dyn Progress,
) -> Result<Vec<ExportReport>, BuildError> {
    if formats.is_empty() {
        return Ok(Vec::new());
    }
    let whole = work.empty_folder(WHOLE)?;
    link_products(folder, &whole)?;
    let path = whole.join("manifest.json");
    std::fs::write(&path, manifest).map_err(write_error(&path))?;
    let made = work.empty_folder(ALSO)?;
    formats
        .iter()
        .map(|&format| {
            let file = made.join(format.product());
            let done = export(&whole, format, &file, &ExportParams::default(), progress)?;
            for name in format.products() {
                folder.adopt(name, &made.join(name))?;
            }
            Ok(done.moved_to(folder.path()))
        })
        .collect()
}

/// Remove what a killed run had exported: its space counts as free.
pub(super) fn discard_unnamed(work: &Work) -> Result<(), BuildError> {
    work.discard_folders(&[WHOLE, ALSO])
}

/// A file or a folder of files again, as links where there are any.
fn copy(from: &Path, to: &Path) -> std::io::Result<()> {
    if !from.is_dir() {
        return std::fs::hard_link(from, to).or_else(|_| std::fs::copy(from, to).map(drop));
    }
    std::fs::create_dir(to)?;
    for entry in std::fs::read_dir(from)? {
        let path = entry?.path();
        copy(&path, &to.join(path.file_name().unwrap_or_default()))?;
    }
    Ok(())
}

fn link_products(folder: &BuildFolder, whole: &Path) -> Result<(), BuildError> {
    for (name, part) in folder.waiting() {
        let part = std::fs::canonicalize(&part).map_err(write_error(&part))?;
        let link = whole.join(name);
        // Some file systems know no links.
        std::os::unix::fs::symlink(&part, &link)
            .or_else(|_| copy(&part, &link))
            .map_err(write_error(&link))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_of_products_is_made_again_with_all_in_it() {
        let dir = tempfile::tempdir().unwrap();
        let from = dir.path().join("from");
        std::fs::create_dir_all(from.join("z")).unwrap();
        std::fs::write(from.join("z/0.0"), b"heights").unwrap();
        copy(&from, &dir.path().join("to")).unwrap();
        assert_eq!(
            std::fs::read(dir.path().join("to/z/0.0")).unwrap(),
            b"heights"
        );
    }
}
