//! Invented roughness below the wavelength that a mesh carries, on the way to a file.

use std::path::{Path, PathBuf};

use serde_json::json;

use super::format::ExportFormat;
use super::report::ExportReport;
use crate::build::BuildError;
use crate::build::built::FinishedBuild;
use crate::build::folder::write_error;
use crate::export::TextFile;
use crate::report::RoughnessReport;
use crate::roughness::{CarriedBand, Texture, TextureError, TextureSpectrum};

/// What a texture is drawn from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextureParams {
    /// Folder that `surface roughness` has left for this build, with its scans.
    pub rough: PathBuf,
    /// Seed of the texture.
    pub seed: u64,
}

impl TextureParams {
    /// What the run has found.
    pub(super) fn report(&self) -> PathBuf {
        self.rough.join("roughness.json")
    }
}

/// The file beside `out` that tells what was invented.
pub(super) fn told_path(out: &Path) -> PathBuf {
    let mut name = out.as_os_str().to_owned();
    name.push(".texture.json");
    PathBuf::from(name)
}

impl ExportFormat {
    /// Whether its triangles can be textured.
    fn has_triangles(self) -> bool {
        matches!(
            self,
            Self::Gltf | Self::Obj | Self::Stl | Self::Ply | Self::LandXml
        )
    }
}

/// A texture ready to be applied, and what must be said of it.
pub(super) struct Textured<'a> {
    pub texture: Texture<'a>,
    /// One line for the file itself.
    pub note: String,
    below_m: f64,
    spectrum: TextureSpectrum,
    seed: u64,
    /// BLAKE3 of `roughness.json`.
    hash: String,
}

impl<'a> Textured<'a> {
    /// Read the run and lay its texture over the build.
    pub fn new(
        build: &'a FinishedBuild,
        format: ExportFormat,
        params: &TextureParams,
    ) -> Result<Self, BuildError> {
        if !format.has_triangles() {
            return Err(BuildError::Parameter {
                name: "--texture",
                value: params.rough.display().to_string(),
                why: "only files of triangles are textured: gltf, obj, stl, ply, landxml",
            });
        }
        let path = params.report();
        let wrong = |why: String| BuildError::NoTexture {
            path: path.clone(),
            why,
        };
        let text = std::fs::read_to_string(&path).map_err(|e| wrong(e.to_string()))?;
        let run: RoughnessReport = serde_json::from_str(&text).map_err(|e| wrong(e.to_string()))?;
        if run.build.is_none() || run.build != build.manifest_hash()? {
            return Err(wrong("it is a run on another build than this".to_owned()));
        }
        let spectrum = spectrum_of(&run).map_err(|e| wrong(e.to_string()))?;
        let texture = Texture::new(&spectrum, params.seed, &build.ribbon, build.lattice)
            .map_err(|e| wrong(e.to_string()))?;
        let below_m = spectrum.below_m;
        let note = format!(
            "below λ = {below_m:.2} m the road is invented (seed {}), down to {:.2} m",
            params.seed,
            texture.shortest_m()
        );
        Ok(Self {
            texture,
            note,
            below_m,
            spectrum,
            seed: params.seed,
            hash: blake3::hash(text.as_bytes()).to_hex().to_string(),
        })
    }

    /// Write what was invented beside the file, and say so in the report.
    pub fn finish(&self, out: &Path, report: &mut ExportReport) -> Result<(), BuildError> {
        let path = told_path(out);
        let told = json!({
            "says": self.note,
            "invented_below_m": self.below_m,
            "shortest_m": self.texture.shortest_m(),
            "seed": self.seed,
            "spectrum": self.spectrum,
            "roughness_json_blake3": self.hash,
            "version": env!("CARGO_PKG_VERSION"),
        });
        let text = serde_json::to_string_pretty(&told).map_err(|e| write_error(&path)(e.into()))?;
        let mut file = TextFile::create(&path)?;
        file.put(&(text + "\n"))?;
        file.finish()?;
        report.holds(self.note.clone());
        report.add_file(path);
        Ok(())
    }
}

/// The spectrum below the shortest wave that any path is said to carry: what one path carries is
/// left alone on all.
fn spectrum_of(run: &RoughnessReport) -> Result<TextureSpectrum, TextureError> {
    let carried: Vec<_> = run
        .paths
        .iter()
        .filter_map(|p| p.carried.as_ref())
        .collect();
    let below_m = carried.iter().filter_map(|c| c.resolved_m);
    let below_m = below_m.reduce(f64::min).ok_or(TextureError::NotCarried)?;
    let bands: Vec<&[CarriedBand]> = carried.iter().map(|c| c.bands.as_slice()).collect();
    TextureSpectrum::of(&bands, below_m)
}
