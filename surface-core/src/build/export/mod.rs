//! A finished build in the formats of others.

mod crg;
mod format;
mod meshes;
mod opendrive;
mod points;
mod profile;
mod raster;
mod report;
mod resolved;
mod stream;
mod tables;
mod texture;

use std::path::Path;

pub use format::ExportFormat;
pub use report::{ExportReport, ExportedFile};
pub use texture::TextureParams;

pub(super) use profile::{carry_over, straight_line};
pub(super) use stream::sections as mesh_sections;

use self::meshes::Source;
use self::texture::Textured;
use super::BuildError;
use super::built::FinishedBuild;
use super::keep::keep_file;
use crate::progress::Progress;

/// What steers an export.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ExportParams {
    /// Distance between values of grids, rasters and profiles, metres; the build's own when
    /// absent.
    pub spacing_m: Option<f64>,
    /// What a raster holds; the height when absent.
    pub layer: Option<Layer>,
    /// Roughness to invent where the mesh carries none; none unless asked for.
    pub texture: Option<TextureParams>,
}

/// What a raster holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Layer {
    /// Height of the surface.
    #[default]
    Height,
    /// Standard deviation of the height.
    Sigma,
    /// Shortest wavelength of which the surface holds more road than noise.
    Wavelength,
    /// Mean deviation of the points that the build kept.
    Deviation,
}

impl Layer {
    /// What a value is, with its unit.
    #[must_use]
    pub fn what(self) -> &'static str {
        match self {
            Self::Height => "height of the road's surface, metres",
            Self::Sigma => "standard deviation of the height, metres",
            Self::Wavelength => "shortest wavelength that the surface resolves, metres",
            Self::Deviation => "mean deviation of the points (cloud minus surface), metres",
        }
    }
}

impl ExportParams {
    /// # Errors
    /// [`BuildError::Parameter`] naming the option and what is wrong with it.
    pub fn check(&self, format: ExportFormat) -> Result<(), BuildError> {
        let refuse = |name, value: String, why| Err(BuildError::Parameter { name, value, why });
        if let Some(layer) = self.layer.filter(|_| format != ExportFormat::GeoTiff) {
            return refuse(
                "--layer",
                format!("{layer:?}"),
                "only geotiff is one of several",
            );
        }
        let Some(step_m) = self.spacing_m else {
            return Ok(());
        };
        if !format.has_spacing() {
            let why = "this format holds the mesh or the points as they are";
            return refuse("--spacing", format!("{step_m}"), why);
        }
        if !(0.01..=10.0).contains(&step_m) {
            return refuse("--spacing", format!("{step_m}"), "give 0.01 to 10 metres");
        }
        Ok(())
    }
}

/// Write the build in `dir` to `out` in another format.
///
/// The mesh is read section by section, so memory does not grow with the course. `out` gets its
/// name when it is whole; after an error a file that was there before is as it was.
///
/// # Errors
/// [`BuildError`] naming the file and the remedy.
pub fn export(
    dir: &Path,
    format: ExportFormat,
    out: &Path,
    params: &ExportParams,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    params.check(format)?;
    keep(out, dir, params.texture.as_ref())?;
    let build = FinishedBuild::open(dir)?;
    let texture = params.texture.as_ref();
    let texture = texture
        .map(|t| Textured::new(&build, format, t))
        .transpose()?;
    let source = Source {
        build: &build,
        texture: texture.as_ref(),
    };
    let mut report = match format {
        ExportFormat::Gltf => meshes::gltf(&source, out, progress),
        ExportFormat::Obj => meshes::obj(&source, out, progress),
        ExportFormat::Stl => meshes::stl(&source, out, progress),
        ExportFormat::Ply => meshes::ply(&source, out, progress),
        ExportFormat::OpenCrg => crg::crg(&build, out, false, params, progress),
        ExportFormat::OpenCrgText => crg::crg(&build, out, true, params, progress),
        ExportFormat::GeoTiff => raster::geotiff(&build, out, params, progress),
        ExportFormat::OpenDrive => opendrive::opendrive(&build, out, params, progress),
        ExportFormat::GeoJson => tables::geojson(&build, out, params, progress),
        ExportFormat::Csv => tables::csv(&build, out, params, progress),
        ExportFormat::Parquet => tables::parquet(&build, out, params, progress),
        ExportFormat::Laz => points::laz(&build, out, progress),
        ExportFormat::LandXml => meshes::landxml(&source, out, progress),
    }?;
    if let Some(texture) = &texture {
        texture.finish(out, &mut report)?;
    }
    Ok(report)
}

/// Refuse to write over what is read: the build, and the run that a texture is drawn from.
fn keep(out: &Path, dir: &Path, texture: Option<&TextureParams>) -> Result<(), BuildError> {
    let run: Vec<_> = texture.map(TextureParams::report).into_iter().collect();
    keep_file(out, &run, Some(dir))?;
    texture.map_or(Ok(()), |_| {
        keep_file(&texture::told_path(out), &run, Some(dir))
    })
}
