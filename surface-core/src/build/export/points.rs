//! The points of the road with class, deviation and setup.

use std::path::Path;

use tempfile::TempPath;

use super::report::ExportReport;
use crate::build::BuildError;
use crate::build::built::FinishedBuild;
use crate::build::folder::write_error;
use crate::export::{DeviationLaz, HeldPoint, HeldReader};
use crate::progress::{Counted, Progress};

/// Points that are read at once: enough for every thread to get chunks of 50 000.
const BATCH: usize = 400_000;
/// Classes of the LAS standard (1.4 R15, table 17): what lies on the surface, and what does not.
const ROAD_SURFACE: u8 = 11;
const UNCLASSIFIED: u8 = 1;

/// The build was told to keep no points.
pub(super) fn no_points(build: &FinishedBuild) -> BuildError {
    BuildError::NoPoints {
        path: build.path("deviation.laz"),
        why: "the build kept no points",
    }
}

pub(super) fn laz(
    build: &FinishedBuild,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let path = build.points().ok_or_else(|| no_points(build))?;
    let tolerance_m = build.tolerance_m()?;
    let record = build.crs_record()?;
    let origin = build.ribbon.frame.origin_m;
    let mut reader = HeldReader::open(&path, origin)?;
    let mut part = out.as_os_str().to_owned();
    part.push(".part");
    // Deleted again unless it gets its name.
    let part = TempPath::try_from_path(part).map_err(write_error(out))?;
    let mut writer = DeviationLaz::create(&part, origin, record.as_ref())?;
    progress.stage("export", reader.total(), Counted::Points);
    let class = |p: &HeldPoint| {
        if p.d_m.abs() <= tolerance_m {
            ROAD_SURFACE
        } else {
            UNCLASSIFIED
        }
    };
    let (mut batch, mut road) = (Vec::new(), 0u64);
    while reader.next(BATCH, &mut batch)? > 0 {
        road += batch.iter().filter(|p| class(p) == ROAD_SURFACE).count() as u64;
        writer.add_classed(&batch, class)?;
        progress.advance(batch.len() as u64)?;
    }
    if reader.only_beyond(tolerance_m) {
        return Err(BuildError::NoPoints {
            path,
            why: "it holds points beyond the tolerance only",
        });
    }
    writer.finish()?;
    part.persist(out).map_err(|e| write_error(out)(e.error))?;
    let mut report = ExportReport::of([out.to_owned()]);
    report.holds(format!(
        "{} points, {road} of them class 11 (within {:.1} mm of the surface), the others class 1; setup as point source id, deviation in metres",
        reader.total(),
        1e3 * tolerance_m
    ));
    report.loses("time and colour of the points");
    Ok(report)
}
