//! `manifest.json`: what went in, what came out, by hash.

use std::collections::BTreeMap;
use std::fs;
use std::io::Read;
use std::path::Path;

use super::BuildError;
use super::folder::{BuildFolder, write_error};
use crate::report::{FORMAT_VERSION, Input, Parameters, Report};

/// What a later run needs to know of this one.
#[derive(Debug, serde::Serialize)]
pub(super) struct Manifest {
    format_version: u32,
    version: String,
    parameters: Parameters,
    inputs: Vec<Input>,
    origin_m: [f64; 3],
    /// BLAKE3 of every product by its path in the folder. `report.json` is hashed without its
    /// part on times and memory, which differs from run to run.
    products: BTreeMap<String, String>,
}

impl Manifest {
    /// The manifest's text for the products that wait in `folder`.
    pub fn of(folder: &BuildFolder, report: &Report) -> Result<String, BuildError> {
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
            inputs: report.inputs.clone(),
            origin_m: report.origin_m,
            products,
        };
        let text = serde_json::to_string_pretty(&manifest);
        Ok(text.map_err(|e| write_error(Path::new("manifest.json"))(e.into()))? + "\n")
    }
}

fn hash_report(report: &Report, path: &Path) -> Result<String, BuildError> {
    let lasting = Report {
        run: Default::default(),
        ..report.clone()
    };
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
