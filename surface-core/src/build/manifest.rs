//! `manifest.json`: what went in, what came out, by hash.

use std::collections::BTreeMap;
use std::fs;
use std::io::Read;
use std::path::Path;

use super::BuildError;
use super::folder::{BuildFolder, write_error};
use crate::report::{FORMAT_VERSION, GivenFile, Input, Parameters, Report};

/// One state of a surface that was built on.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Version {
    /// BLAKE3 of its manifest, hexadecimal: what it is known by.
    pub manifest: String,
    /// The scans that were read for it.
    pub inputs: Vec<Input>,
    /// How many places it changed of the state before; `None` for a first build.
    pub changes: Option<u64>,
}

/// What a later run needs to know of this one.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Manifest {
    pub format_version: u32,
    pub version: String,
    pub parameters: Parameters,
    pub inputs: Vec<Input>,
    pub origin_m: [f64; 3],
    /// How many places a rescan changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub changes: Option<u64>,
    /// The states before this one, oldest first; none for a first build.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub history: Vec<Version>,
    /// BLAKE3 of every product by its path in the folder. `report.json` is hashed without its
    /// part on times and memory, which differs from run to run.
    pub products: BTreeMap<String, String>,
}

impl Manifest {
    /// The manifest's text for the products that wait in `folder`.
    pub fn of(folder: &BuildFolder, report: &Report) -> Result<String, BuildError> {
        Self::after(folder, report, &report.inputs, (None, Vec::new()))
    }

    /// The manifest of a state that was made from others with the scans `inputs`.
    pub fn after(
        folder: &BuildFolder,
        report: &Report,
        inputs: &[Input],
        (changes, history): (Option<u64>, Vec<Version>),
    ) -> Result<String, BuildError> {
        let mut products = BTreeMap::new();
        for (name, path) in folder.waiting() {
            if name == "report.json" {
                products.insert(name.to_owned(), hash_report(report, &path)?);
            } else {
                hash_tree(name, &path, &mut products)?;
            }
        }
        let manifest = Self {
            format_version: FORMAT_VERSION,
            version: report.version.clone(),
            parameters: report.parameters.clone(),
            inputs: inputs.to_vec(),
            origin_m: report.origin_m,
            changes,
            history,
            products,
        };
        let text = serde_json::to_string_pretty(&manifest);
        Ok(text.map_err(|e| write_error(Path::new("manifest.json"))(e.into()))? + "\n")
    }
}

pub(super) fn hash_report(report: &Report, path: &Path) -> Result<String, BuildError> {
    let mut lasting = Report {
        run: Default::default(),
        ..report.clone()
    };
    if let Some(rescan) = &mut lasting.rescan {
        rescan.run = Default::default();
    }
    let text = lasting.to_json().map_err(|e| write_error(path)(e.into()))?;
    Ok(blake3::hash(text.as_bytes()).to_hex().to_string())
}

fn hash_tree(
    name: &str,
    path: &Path,
    out: &mut BTreeMap<String, String>,
) -> Result<(), BuildError> {
    if !path.is_dir() {
        out.insert(name.to_owned(), hash_file(path)?.1);
        return Ok(());
    }
    for entry in fs::read_dir(path).map_err(write_error(path))? {
        let entry = entry.map_err(write_error(path))?;
        let inner = format!("{name}/{}", entry.file_name().to_string_lossy());
        hash_tree(&inner, &entry.path(), out)?;
    }
    Ok(())
}

/// A file that was given under `option`, for the report.
///
/// # Errors
/// [`BuildError::Write`] naming the file when it cannot be read.
pub fn given_file(option: &str, path: &Path) -> Result<GivenFile, BuildError> {
    let (bytes, blake3) = hash_file(path)?;
    Ok(GivenFile {
        option: option.to_owned(),
        name: path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned(),
        bytes,
        blake3,
    })
}

/// Size and BLAKE3 of a file, read in pieces.
pub(super) fn hash_file(path: &Path) -> Result<(u64, String), BuildError> {
    let mut file = fs::File::open(path).map_err(write_error(path))?;
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0u8; 1 << 20];
    let mut bytes = 0;
    loop {
        let n = file.read(&mut buffer).map_err(write_error(path))?;
        if n == 0 {
            return Ok((bytes, hasher.finalize().to_hex().to_string()));
        }
        bytes += n as u64;
        hasher.update(&buffer[..n]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_hashed_as_published() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("x");
        fs::write(&path, b"abc").unwrap();
        let (bytes, hash) = hash_file(&path).unwrap();
        assert_eq!(bytes, 3);
        // BLAKE3 of "abc", computed with the reference implementation's Python package `blake3`.
        assert_eq!(
            hash,
            "6437b3ac38465133ffb63b75273a8db548c558465d79db03fd359c6cd5bd9d85"
        );
    }
}
