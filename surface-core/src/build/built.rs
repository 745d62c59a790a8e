//! A finished build, read back as far as a command needs it.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::BuildError;
use super::finished::not_a_build;
use crate::cloud::io::{CrsRecord, crs_record_of};
use crate::export::FieldStore;
use crate::field::Lattice;
use crate::mesh::SectionReader;
use crate::ribbon::Ribbon;

/// BLAKE3 of a folder's manifest; none where it has none.
pub(super) fn manifest_hash(dir: &Path) -> Result<Option<String>, BuildError> {
    let path = dir.join("manifest.json");
    match std::fs::read(&path) {
        Ok(bytes) => Ok(Some(blake3::hash(&bytes).to_hex().to_string())),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(not_a_build(&path, e)),
    }
}

/// What `surface fit` has left in a folder.
#[derive(Debug)]
pub(super) struct FinishedBuild {
    dir: PathBuf,
    pub ribbon: Ribbon,
    pub lattice: Lattice,
    report: Value,
}

impl FinishedBuild {
    /// Read the ribbon, the lattice and the report; a folder without a manifest is not whole.
    pub fn open(dir: &Path) -> Result<Self, BuildError> {
        let manifest = dir.join("manifest.json");
        std::fs::metadata(&manifest).map_err(|e| not_a_build(&manifest, e))?;
        let text = |name: &str| {
            let path = dir.join(name);
            std::fs::read_to_string(&path).map_err(|e| not_a_build(&path, e))
        };
        let ribbon = Ribbon::from_geojson(&text("ribbon.geojson")?)
            .map_err(|e| not_a_build(&dir.join("ribbon.geojson"), e))?;
        let report = serde_json::from_str(&text("report.json")?)
            .map_err(|e| not_a_build(&dir.join("report.json"), e))?;
        let store = dir.join("field");
        let (field, _) = FieldStore::open(&store).map_err(|e| not_a_build(&store, e))?;
        Ok(Self {
            dir: dir.to_owned(),
            ribbon,
            lattice: *field.lattice(),
            report,
        })
    }

    /// BLAKE3 of the manifest: which build this is.
    pub fn manifest_hash(&self) -> Result<Option<String>, BuildError> {
        manifest_hash(&self.dir)
    }

    /// A file of the folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }

    /// The mesh, section by section.
    pub fn mesh(&self) -> Result<SectionReader, BuildError> {
        let path = self.path("surface.ply");
        let reader = SectionReader::open(&path, &self.ribbon, self.lattice)?;
        let (mesh, ribbon) = (reader.origin_m(), self.ribbon.frame.origin_m);
        if mesh.map(f64::to_bits) != ribbon.map(f64::to_bits) {
            let why = format!("its origin is {mesh:?}, the ribbon's {ribbon:?}");
            return Err(not_a_build(&path, why));
        }
        Ok(reader)
    }

    /// The file of points with their deviation, perhaps of none; `None` where the build kept none.
    pub fn points(&self) -> Option<PathBuf> {
        Some(self.path("deviation.laz")).filter(|path| path.exists())
    }

    /// The coordinate system as the points have it, where the build has both.
    pub fn crs_record(&self) -> Result<Option<CrsRecord>, BuildError> {
        let of = |path: PathBuf| crs_record_of(&path);
        Ok(self.points().map(of).transpose()?.flatten())
    }

    /// Name of the coordinate system, where the build has one.
    pub fn crs(&self) -> Option<&str> {
        self.report["crs"].as_str()
    }

    /// The tolerance that the build was held to, metres.
    pub fn tolerance_m(&self) -> Result<f64, BuildError> {
        let found = self.report["parameters"]["tolerance_mm"].as_f64();
        let missing = || {
            not_a_build(
                &self.path("report.json"),
                "no parameters.tolerance_mm in it",
            )
        };
        Ok(1e-3 * found.ok_or_else(missing)?)
    }
}
