//! A Python with the libraries that the conformance tests hold ours against.
//!
//! It lives in `target/pyenv` and is made on first use from `tests/python/requirements.txt`. Where
//! it cannot be made (no network, no `python3`), [`venv`] says so loudly and the tests that need
//! it are skipped.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;

/// The folder that holds everything that is fetched or made for tests: the build folder.
#[must_use]
pub fn target_dir() -> PathBuf {
    let workspace = || Path::new(env!("CARGO_MANIFEST_DIR")).join("../target");
    std::env::var_os("CARGO_TARGET_DIR").map_or_else(workspace, PathBuf::from)
}

/// The folder with our Python scripts.
#[must_use]
pub fn scripts() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("python")
}

/// The interpreter of the test environment, made on first use; `None`, after a loud line on
/// standard error, where it cannot be made.
#[must_use]
pub fn venv() -> Option<PathBuf> {
    let requirements = scripts().join("requirements.txt");
    match make_venv(&target_dir().join("pyenv"), &requirements) {
        Ok(python) => Some(python),
        Err(reason) => {
            skip(&format!(
                "no Python environment for the conformance tests: {reason}"
            ));
            None
        }
    }
}

/// Say loudly that something is not tested, and why.
#[expect(clippy::print_stderr, reason = "a skipped test must be seen")]
pub fn skip(reason: &str) {
    eprintln!("SKIP SKIP SKIP: {reason}");
}

/// Run `script` (in `tests/python`) with `arguments`; its standard output.
///
/// # Errors
/// What went wrong, with the script's standard error.
pub fn run(python: &Path, script: &str, arguments: &[&Path]) -> Result<String, String> {
    let mut command = Command::new(python);
    let output = command.arg(scripts().join(script)).args(arguments).output();
    let output = output.map_err(|e| format!("{}: {e}", python.display()))?;
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    if output.status.success() {
        Ok(text(&output.stdout))
    } else {
        Err(format!("{script}: {}", text(&output.stderr)))
    }
}

/// Run the JavaScript `script` (in `tests/python`) with a package from the npm registry, which is
/// fetched into `target/npm` on first use; its standard output. `None`, after a loud line on
/// standard error, where there is no Node.js or no registry.
///
/// # Panics
/// When the script itself fails.
#[must_use]
pub fn node(script: &str, package: &str, arguments: &[&Path]) -> Option<String> {
    let dir = target_dir().join("npm");
    if let Err(reason) = npm_install(&dir, package) {
        skip(&format!("no {package} for the conformance tests: {reason}"));
        return None;
    }
    let mut command = Command::new("node");
    command.env("NODE_PATH", dir.join("node_modules"));
    let output = command
        .arg(scripts().join(script))
        .args(arguments)
        .output()
        .map_err(|e| e.to_string());
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let ran = output.and_then(|o| match o.status.success() {
        true => Ok(text(&o.stdout)),
        false => Err(text(&o.stderr)),
    });
    match ran {
        Ok(said) => Some(said),
        Err(reason) => panic!("{script}: {reason}"),
    }
}

fn npm_install(dir: &Path, package: &str) -> Result<(), String> {
    let _lock = lock(dir)?;
    let mark = dir.join(format!("{package}.installed"));
    if mark.exists() {
        return Ok(());
    }
    fs::create_dir_all(dir).map_err(|e| e.to_string())?;
    let mut npm = Command::new("npm");
    npm.args(["install", "--no-audit", "--no-fund", "--prefix"]);
    succeed(npm.arg(dir).arg(package))?;
    fs::write(mark, "").map_err(|e| e.to_string())
}

/// The environment in `dir`. A copy of the requirements inside it says that it is complete; test
/// binaries that run at the same time wait for each other at a lock.
fn make_venv(dir: &Path, requirements: &Path) -> Result<PathBuf, String> {
    let _lock = lock(dir)?;
    let wanted = fs::read_to_string(requirements).map_err(|e| e.to_string())?;
    let (python, mark) = (dir.join("bin/python"), dir.join("requirements.txt"));
    if fs::read_to_string(&mark).is_ok_and(|made| made == wanted) {
        return Ok(python);
    }
    succeed(Command::new("python3").args(["-m", "venv"]).arg(dir))?;
    let mut pip = Command::new(&python);
    succeed(
        pip.args(["-m", "pip", "install", "--quiet", "--no-compile", "-r"])
            .arg(requirements),
    )?;
    fs::write(mark, wanted).map_err(|e| e.to_string())?;
    Ok(python)
}

/// Hold the lock beside `path` until the returned file is dropped.
pub(crate) fn lock(path: &Path) -> Result<File, String> {
    let lock = path.with_extension("lock");
    let parent = lock.parent().unwrap_or(Path::new("."));
    let made = fs::create_dir_all(parent).and_then(|()| File::create(&lock));
    let file = made.map_err(|e| format!("{}: {e}", lock.display()))?;
    file.lock()
        .map_err(|e| format!("{}: {e}", lock.display()))?;
    Ok(file)
}

/// Run a command that has to succeed.
pub(crate) fn succeed(command: &mut Command) -> Result<(), String> {
    let name = command.get_program().to_string_lossy().into_owned();
    let output = command.output().map_err(|e| format!("{name}: {e}"))?;
    if output.status.success() {
        return Ok(());
    }
    Err(format!(
        "{name}: {}",
        String::from_utf8_lossy(&output.stderr)
    ))
}
