//! Whether a build is there already that the same command would make again.

use std::path::Path;

use super::BuildError;
use super::finished::{check_report, is_whole, read_manifest};
use super::work::Key;
use crate::progress::Progress;
use crate::report::{Report, RunReport};

/// The report of the build in `out`, where that was made from `made_from` and every product of it is
/// there as it was made.
///
/// # Errors
/// [`BuildError::Cancelled`]; whatever is wrong with a build is a reason to make it again.
pub(super) fn unchanged(
    out: &Path,
    made_from: &Key,
    progress: &mut dyn Progress,
) -> Result<Option<Report>, BuildError> {
    let Ok((manifest, _)) = read_manifest(out) else {
        return Ok(None);
    };
    if manifest.made_from != Some(made_from.to_hex()) || !is_whole(out, &manifest, progress)? {
        return Ok(None);
    }
    let path = out.join("report.json");
    let text = std::fs::read_to_string(&path).unwrap_or_default();
    let report: Option<Report> = serde_json::from_str(&text).ok();
    let report = report.filter(|report| check_report(&path, report, &manifest).is_ok());
    Ok(report.map(|mut report| {
        report.run.taken_over = vec![RunReport::ALL.to_owned()];
        report
    }))
}
