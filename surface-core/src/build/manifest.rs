//! `manifest.json`: what went in, what came out, by hash.

use std::collections::BTreeMap;
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::BuildError;
use super::folder::{BuildFolder, read_error, write_error};
use super::work::Key;
use crate::progress::{Counted, Progress, Silent};
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
    /// BLAKE3 of all that a first build depends on, so that it is not made twice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub made_from: Option<String>,
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
    /// The manifest's text for the products that wait in `folder`, made from all that `made_from` is the
    /// hash of.
    pub fn of(
        folder: &BuildFolder,
        report: &Report,
        made_from: &Key,
        progress: &mut dyn Progress,
    ) -> Result<String, BuildError> {
        let products = products(folder, report, progress)?;
        let own = Self {
            made_from: Some(made_from.to_hex()),
            ..Self::listing(products, report, &report.inputs)
        };
        own.to_text()
    }

    /// The manifest of a state that was made from others with the scans `inputs`.
    pub fn after(
        folder: &BuildFolder,
        report: &Report,
        inputs: &[Input],
        (changes, history): (Option<u64>, Vec<Version>),
        progress: &mut dyn Progress,
    ) -> Result<String, BuildError> {
        let own = Self {
            changes,
            history,
            ..Self::listing(products(folder, report, progress)?, report, inputs)
        };
        own.to_text()
    }

    fn listing(products: BTreeMap<String, String>, report: &Report, inputs: &[Input]) -> Self {
        Self {
            format_version: FORMAT_VERSION,
            version: report.version.clone(),
            parameters: report.parameters.clone(),
            inputs: inputs.to_vec(),
            made_from: None,
            origin_m: report.origin_m,
            changes: None,
            history: Vec::new(),
            products,
        }
    }

    fn to_text(&self) -> Result<String, BuildError> {
        let text = serde_json::to_string_pretty(self);
        Ok(text.map_err(|e| write_error(Path::new("manifest.json"))(e.into()))? + "\n")
    }
}

/// BLAKE3 of the products that wait in `folder`.
fn products(
    folder: &BuildFolder,
    report: &Report,
    progress: &mut dyn Progress,
) -> Result<BTreeMap<String, String>, BuildError> {
    let mut products = BTreeMap::new();
    // The report is small, and hashed without its times.
    let waiting = folder.waiting().filter(|(name, _)| *name != "report.json");
    let paths: Vec<PathBuf> = waiting.map(|(_, path)| path).collect();
    begin_hashing(&paths, progress);
    for (name, path) in folder.waiting() {
        if name == "report.json" {
            products.insert(name.to_owned(), hash_report(report, &path)?);
        } else {
            hash_tree(name, &path, &mut products, progress)?;
        }
    }
    Ok(products)
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
    progress: &mut dyn Progress,
) -> Result<(), BuildError> {
    if !path.is_dir() {
        out.insert(name.to_owned(), hash_file(path, progress)?.1);
        return Ok(());
    }
    for entry in fs::read_dir(path).map_err(read_error(path))? {
        let entry = entry.map_err(read_error(path))?;
        let inner = format!("{name}/{}", entry.file_name().to_string_lossy());
        hash_tree(&inner, &entry.path(), out, progress)?;
    }
    Ok(())
}

/// A file that was given under `option`, for the report.
///
/// # Errors
/// [`BuildError::Unreadable`] naming the file.
pub fn given_file(option: &str, path: &Path) -> Result<GivenFile, BuildError> {
    let (bytes, blake3) = hash_file(path, &mut Silent)?;
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

/// Tell that these files, and those in folders among them, are hashed next.
pub(super) fn begin_hashing<P: AsRef<Path>>(paths: &[P], progress: &mut dyn Progress) {
    let bytes = paths.iter().map(|path| bytes_of(path.as_ref())).sum();
    progress.stage("hash", bytes, Counted::Bytes);
}

/// Bytes of a file, or of all files of a folder; what cannot be read is told of when it is hashed.
fn bytes_of(path: &Path) -> u64 {
    let Ok(entries) = fs::read_dir(path) else {
        return fs::metadata(path).map_or(0, |file| file.len());
    };
    let inner = entries.flatten().map(|entry| bytes_of(&entry.path()));
    inner.sum()
}

/// Size and BLAKE3 of a file, read in pieces; a stop waits for one of them.
pub(super) fn hash_file(
    path: &Path,
    progress: &mut dyn Progress,
) -> Result<(u64, String), BuildError> {
    let mut file = fs::File::open(path).map_err(read_error(path))?;
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0u8; 1 << 20];
    let mut bytes = 0;
    loop {
        let n = file.read(&mut buffer).map_err(read_error(path))?;
        if n == 0 {
            return Ok((bytes, hasher.finalize().to_hex().to_string()));
        }
        bytes += n as u64;
        hasher.update(&buffer[..n]);
        progress.advance(n as u64)?;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_cannot_be_read_is_no_trouble_of_writing() {
        let dir = tempfile::tempdir().unwrap();
        let missing = dir.path().join("line.csv");
        for (path, remedy) in [(dir.path(), "may read it"), (&missing, "check the path")] {
            let error = given_file("line", path).unwrap_err();
            let said = error.to_string();
            assert!(matches!(error, BuildError::Unreadable { .. }), "{said}");
            assert!(said.starts_with("cannot read "), "{said}");
            assert!(said.contains(&path.display().to_string()), "{said}");
            assert!(error.hint().contains(remedy), "{}", error.hint());
        }
    }

    #[test]
    fn a_file_is_hashed_as_published() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("x");
        fs::write(&path, b"abc").unwrap();
        let (bytes, hash) = hash_file(&path, &mut Silent).unwrap();
        assert_eq!(bytes, 3);
        // BLAKE3 of "abc", computed with the reference implementation's Python package `blake3`.
        assert_eq!(
            hash,
            "6437b3ac38465133ffb63b75273a8db548c558465d79db03fd359c6cd5bd9d85"
        );
    }
}
