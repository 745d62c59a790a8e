//! The mesh in the formats of triangles.

use std::path::Path;

use super::report::ExportReport;
use super::stream::changed_sections;
use super::texture::Textured;
use crate::build::BuildError;
use crate::build::built::FinishedBuild;
use crate::export::{
    GltfTile, GltfWriter, LEVELS_M, LandXmlWriter, MeshHead, ObjWriter, PlainPlyWriter, StlWriter,
    WriteError, materials_path,
};
use crate::mesh::{MeshSection, SectionReader};
use crate::progress::Progress;

/// The mesh of a build, as measured or with a texture.
#[derive(Clone, Copy)]
pub(super) struct Source<'a> {
    pub build: &'a FinishedBuild,
    pub texture: Option<&'a Textured<'a>>,
}

impl Source<'_> {
    fn head(&self, mesh: &SectionReader) -> MeshHead<'_> {
        MeshHead {
            origin_m: mesh.origin_m(),
            crs: self.build.crs(),
            note: self.texture.map(|t| t.note.as_str()),
        }
    }

    /// Work on every section side by side and take the results in order.
    fn each<T: Send>(
        &self,
        mesh: &mut SectionReader,
        progress: &mut dyn Progress,
        work: impl Fn(&MeshSection) -> T + Sync,
        take: impl FnMut(&MeshSection, T) -> Result<(), BuildError>,
    ) -> Result<(), BuildError> {
        let total = self.build.lattice.sections();
        let change = |section: &mut MeshSection| {
            if let Some(textured) = self.texture {
                textured.texture.apply(section);
            }
        };
        changed_sections(mesh, total, progress, (change, work), take)
    }

    /// Hand every section of the mesh over, in order.
    fn each_section(
        &self,
        mesh: &mut SectionReader,
        progress: &mut dyn Progress,
        mut add: impl FnMut(&MeshSection) -> Result<(), WriteError>,
    ) -> Result<(), BuildError> {
        self.each(mesh, progress, |_| (), |section, ()| Ok(add(section)?))
    }
}

pub(super) fn gltf(
    source: &Source,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let mut mesh = source.build.mesh()?;
    let mut writer = GltfWriter::create(out, &source.head(&mesh))?;
    source.each(&mut mesh, progress, GltfTile::of, |_, tile| {
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
    source: &Source,
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
    let mut mesh = source.build.mesh()?;
    let mut writer = ObjWriter::create(out, &source.head(&mesh))?;
    source.each_section(&mut mesh, progress, |section| writer.add(section))?;
    writer.finish()?;
    let mut report = ExportReport::of([out.to_owned(), materials_path(out)]);
    report.loses("σ of the vertices");
    Ok(report)
}

pub(super) fn landxml(
    source: &Source,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let mut mesh = source.build.mesh()?;
    let mut writer = LandXmlWriter::create(out, &source.head(&mesh))?;
    source.each_section(&mut mesh, progress, |section| writer.add(section))?;
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
    source: &Source,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let mut mesh = source.build.mesh()?;
    let mut writer = StlWriter::create(out, &source.head(&mesh), middle(source.build))?;
    source.each_section(&mut mesh, progress, |section| writer.add(section))?;
    let worst_m = writer.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    report.loses("common vertices, zones, σ, the coordinate system");
    rounding(&mut report, worst_m);
    Ok(report)
}

pub(super) fn ply(
    source: &Source,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let mut mesh = source.build.mesh()?;
    let mut writer = PlainPlyWriter::create(out, &source.head(&mesh))?;
    source.each_section(&mut mesh, progress, |section| writer.add(section))?;
    writer.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    report.loses("zones");
    Ok(report)
}
