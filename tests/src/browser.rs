//! A browser in which the report page is tried: Debian's Chromium, driven from Node.js.
//!
//! Where node, the packages of `surface-core/page` or Chromium are missing and cannot be had, a
//! loud line says so and the tests that need them are skipped.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use crate::python::{lock, skip, succeed, target_dir};

/// Where Debian's package puts the browser.
const CHROMIUM: &str = "/usr/bin/chromium";
/// What the page's `rebuild` exits with where node or its packages are missing.
const NOT_THERE: i32 = 3;

/// The folder of the page's sources.
#[must_use]
pub fn page_sources() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../surface-core/page")
}

/// Whether the committed page is what its sources make, with what the check said; `None`, after a
/// loud line, where it cannot be made here.
///
/// # Errors
/// When the check cannot be started.
pub fn check_bundle() -> Result<Option<(bool, String)>, String> {
    let _lock = lock(&target_dir().join("page"))?;
    let script = page_sources().join("rebuild");
    let output = Command::new(&script).arg("--check").output();
    let output = output.map_err(|e| format!("{}: {e}", script.display()))?;
    if output.status.code() == Some(NOT_THERE) {
        skip("the report page is not rebuilt: no node, or no package registry");
        return Ok(None);
    }
    Ok(Some((output.status.success(), text(&output))))
}

fn text(output: &Output) -> String {
    let part = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    part(&output.stdout) + &part(&output.stderr)
}

/// Use a report page in a browser as `surface-core/page/test/browser.mjs` does: whether all its
/// checks held, with what it said; `None`, after a loud line, where there is no browser.
///
/// # Errors
/// When node cannot be started.
pub fn use_page(page: &Path, options: &[&str]) -> Result<Option<(bool, String)>, String> {
    if check_bundle()?.is_none() {
        return Ok(None);
    }
    if let Err(reason) = have_chromium() {
        skip(&format!(
            "the report page is not tried in a browser: {reason}"
        ));
        return Ok(None);
    }
    let mut node = Command::new("node");
    node.current_dir(page_sources()).arg("test/browser.mjs");
    let output = node.arg(page).arg(CHROMIUM).args(options).output();
    let output = output.map_err(|e| format!("node: {e}"))?;
    Ok(Some((output.status.success(), text(&output))))
}

/// Install Debian's Chromium where it is missing.
fn have_chromium() -> Result<(), String> {
    let _lock = lock(&target_dir().join("chromium"))?;
    if Path::new(CHROMIUM).exists() {
        return Ok(());
    }
    let mut apt = Command::new("apt-get");
    apt.env("DEBIAN_FRONTEND", "noninteractive");
    succeed(apt.args(["update", "-qq"]))?;
    let mut apt = Command::new("apt-get");
    apt.env("DEBIAN_FRONTEND", "noninteractive");
    succeed(apt.args([
        "install",
        "-y",
        "-qq",
        "--no-install-recommends",
        "chromium",
    ]))
}
