//! The mesh in the formats of triangles.

use std::path::Path;

use super::report::ExportReport;
use super::stream::sections;
use crate::build::BuildError;
use crate::build::built::FinishedBuild;
use crate::export::{
    GltfTile, GltfWriter, LEVELS_M, LandXmlWriter, ObjWriter, PlainPlyWriter, StlWriter,
    WriteError, materials_path,
};
use crate::mesh::{MeshSection, SectionReader};
use crate::progress::Progress;

/// Hand every section of the mesh over as it is, in order.
fn each_section(
    build: &FinishedBuild,
    mesh: &mut SectionReader,
    progress: &mut dyn Progress,
    mut add: impl FnMut(&MeshSection) -> Result<(), WriteError>,
) -> Result<(), BuildError> {
    let total = build.lattice.sections();
    sections(
        mesh,
        total,
        progress,
        |_| (),
        |section, ()| Ok(add(section)?),
    )
}

pub(super) fn gltf(
    build: &FinishedBuild,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let mut mesh = build.mesh()?;
    let mut writer = GltfWriter::create(out, mesh.origin_m(), build.crs())?;
    let total = build.lattice.sections();
    sections(&mut mesh, total, progress, GltfTile::of, |_, tile| {
        Ok(writer.add(&tile)?)
    })?;
    let [full, coarser @ ..] = writer.triangles();
    writer.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    report.holds(format!("{full} triangles, zones as materials, σ as _SIGMA"));
    for (level_m, triangles) in LEVELS_M.into_iter().zip(coarser) {
        report.holds(format!(
            "a level of {triangles} triangles within {:.0} mm of the heights",
            1e3 * level_m
        ));
    }
    Ok(report)
}

pub(super) fn obj(
    build: &FinishedBuild,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    if materials_path(out) == out {
        return Err(BuildError::Parameter {
            name: "--out",
            value: out.display().to_string(),
            why: "the materials get this name; end it with .obj",
        });
    }
    let mut mesh = build.mesh()?;
    let mut writer = ObjWriter::create(out, mesh.origin_m(), build.crs())?;
    each_section(build, &mut mesh, progress, |section| writer.add(section))?;
    writer.finish()?;
    let mut report = ExportReport::of([out.to_owned(), materials_path(out)]);
    report.loses("σ of the vertices");
    Ok(report)
}

pub(super) fn landxml(
    build: &FinishedBuild,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let mut mesh = build.mesh()?;
    let mut writer = LandXmlWriter::create(out, mesh.origin_m(), build.crs())?;
    each_section(build, &mut mesh, progress, |section| writer.add(section))?;
    writer.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    report.loses("zones, normals and σ");
    Ok(report)
}

/// From the mesh's zero to a whole metre in the middle of the course, where single precision is
/// finest.
fn middle(build: &FinishedBuild) -> [f64; 3] {
    let knots = build.ribbon.line.knots();
    let along = |k: usize| {
        let low = knots.iter().map(|p| p[k]).fold(f64::INFINITY, f64::min);
        let high = knots.iter().map(|p| p[k]).fold(f64::NEG_INFINITY, f64::max);
        (0.5 * (low + high)).round() + 0.0
    };
    [along(0), along(1), 0.0]
}

fn rounding(report: &mut ExportReport, worst_m: f64) {
    report.loses(format!(
        "digits: single precision rounds coordinates by up to {:.3} mm",
        1e3 * worst_m
    ));
}

pub(super) fn stl(
    build: &FinishedBuild,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let mut mesh = build.mesh()?;
    let mut writer = StlWriter::create(out, mesh.origin_m(), middle(build))?;
    each_section(build, &mut mesh, progress, |section| writer.add(section))?;
    let worst_m = writer.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    report.loses("common vertices, zones, σ, the coordinate system");
    rounding(&mut report, worst_m);
    Ok(report)
}

pub(super) fn ply(
    build: &FinishedBuild,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let mut mesh = build.mesh()?;
    let mut writer = PlainPlyWriter::create(out, mesh.origin_m(), middle(build))?;
    each_section(build, &mut mesh, progress, |section| writer.add(section))?;
    let worst_m = writer.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    report.loses("zones");
    rounding(&mut report, worst_m);
    Ok(report)
}
