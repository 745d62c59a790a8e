//! What other projects publish (measured scans, schemas), fetched by package name and checked by
//! hash.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::python::{lock, skip, succeed, target_dir};

/// The source package of laspy 2.7.0, whose tests come with measured scans.
const PACKAGE: &str = "laspy==2.7.0";
const ARCHIVE: &str = "laspy-2.7.0.tar.gz";
const ARCHIVE_SHA256: &str = "f56feb5445e75d6ff12ee814aab6a35339290e75264ff277c6bf553f3025a3f5";
const FOLDER: &str = "laspy-2.7.0/tests/data";

/// A scan file from the test data of laspy 2.7.0, for example `autzen_trim.laz`; `None`, after a
/// loud line on standard error, where it cannot be fetched.
///
/// Fetched on first use with `pip download` into the build folder; the archive's hash is checked
/// before anything is taken out of it.
#[must_use]
pub fn fetch(name: &str) -> Option<PathBuf> {
    let dir = target_dir().join("testdata");
    let path = dir.join(FOLDER).join(name);
    match fetch_all(&dir).map(|()| path) {
        Ok(path) if path.is_file() => Some(path),
        Ok(path) => {
            skip(&format!("{} is not in the package", path.display()));
            None
        }
        Err(reason) => {
            skip(&format!("test data {name} cannot be fetched: {reason}"));
            None
        }
    }
}

/// The checker of OpenDRIVE files that its standard's association publishes, for the schemas in it.
const CHECKER: &str = "asam-qc-opendrive==1.0.0";
const CHECKER_ARCHIVE: &str = "asam_qc_opendrive-1.0.0-py3-none-any.whl";
const CHECKER_SHA256: &str = "147cf2702d61fb284d03e5485b2a76b1dec0eb6a7eb3567562d3b4e4f87a873c";

/// The schema (XSD) of OpenDRIVE 1.7, of the standard's own checker; `None`, after a loud line on
/// standard error, where it cannot be fetched.
#[must_use]
pub fn opendrive_schema() -> Option<PathBuf> {
    let dir = target_dir().join("testdata");
    match fetch_checker(&dir) {
        Ok(path) => Some(path),
        Err(reason) => {
            skip(&format!(
                "the schema of OpenDRIVE cannot be fetched: {reason}"
            ));
            None
        }
    }
}

fn fetch_checker(dir: &Path) -> Result<PathBuf, String> {
    let _lock = lock(dir)?;
    let archive = dir.join(CHECKER_ARCHIVE);
    let folder = dir.join("asam-qc-opendrive");
    let schema = folder.join("qc_opendrive/schema/1.7.0/opendrive_17_core.xsd");
    if schema.is_file() {
        return Ok(schema);
    }
    if !archive.is_file() {
        let mut pip = Command::new("python3");
        pip.args(["-m", "pip", "download", "--quiet", "--no-deps", CHECKER]);
        succeed(pip.arg("-d").arg(dir))?;
    }
    check_hash(&archive, CHECKER_SHA256)?;
    let mut unzip = Command::new("python3");
    unzip.args(["-m", "zipfile", "-e"]);
    succeed(unzip.arg(&archive).arg(&folder))?;
    Ok(schema)
}

fn fetch_all(dir: &Path) -> Result<(), String> {
    let _lock = lock(dir)?;
    let archive = dir.join(ARCHIVE);
    if dir.join(FOLDER).join("complete").is_file() {
        return Ok(());
    }
    if !archive.is_file() {
        download(dir)?;
    }
    check_hash(&archive, ARCHIVE_SHA256)?;
    succeed(
        Command::new("tar")
            .arg("xzf")
            .arg(&archive)
            .arg("-C")
            .arg(dir)
            .arg(FOLDER),
    )?;
    std::fs::write(dir.join(FOLDER).join("complete"), "").map_err(|e| e.to_string())
}

fn download(dir: &Path) -> Result<(), String> {
    let mut pip = Command::new("python3");
    pip.args([
        "-m",
        "pip",
        "download",
        "--quiet",
        "--no-deps",
        "--no-binary",
        ":all:",
        PACKAGE,
    ]);
    succeed(pip.arg("-d").arg(dir))
}

/// Compare the archive's SHA-256, computed by Python's `hashlib`, with the known one.
fn check_hash(archive: &Path, sha256: &str) -> Result<(), String> {
    const SCRIPT: &str = "import hashlib, sys
found = hashlib.sha256(open(sys.argv[1], 'rb').read()).hexdigest()
sys.exit(None if found == sys.argv[2] else f'{sys.argv[1]}: SHA-256 is {found}')";
    succeed(
        Command::new("python3")
            .args(["-c", SCRIPT])
            .arg(archive)
            .arg(sha256),
    )
}
