//! What must not be written over: files that are read, and files that no run of ours has left.

use std::fs;
use std::path::{Path, PathBuf};

use super::BuildError;
use super::fit::all_products;

/// The place that a path leads to, whether or not its last part is there yet.
fn real(path: &Path) -> Option<PathBuf> {
    if let Ok(real) = fs::canonicalize(path) {
        return Some(real);
    }
    let parent = path.parent().filter(|p| !p.as_os_str().is_empty());
    let folder = fs::canonicalize(parent.unwrap_or_else(|| Path::new("."))).ok()?;
    Some(folder.join(path.file_name()?))
}

fn refused(path: &Path, why: &'static str) -> BuildError {
    BuildError::Replaces {
        path: path.to_owned(),
        why,
    }
}

/// Refuse to leave `products` in the folder `out` where that would replace one of the `inputs`.
pub(super) fn keep_inputs(
    inputs: &[PathBuf],
    out: &Path,
    products: &[&str],
) -> Result<(), BuildError> {
    let places: Vec<PathBuf> = products
        .iter()
        .filter_map(|name| real(&out.join(name)))
        .collect();
    let lost = |input: &&PathBuf| {
        real(input).is_some_and(|path| places.iter().any(|place| path.starts_with(place)))
    };
    match inputs.iter().find(lost) {
        Some(input) => Err(refused(
            input,
            "it is read, and would be replaced by what is built",
        )),
        None => Ok(()),
    }
}

/// Refuse a build folder that holds something under a product's name which no build has left:
/// one without a manifest, and without a run that was stopped.
pub(super) fn keep_foreign(out: &Path) -> Result<(), BuildError> {
    if is_build(out) || was_stopped(out) {
        return Ok(());
    }
    let taken = |name: &&str| fs::symlink_metadata(out.join(name)).is_ok();
    match all_products().into_iter().find(|name| taken(name)) {
        Some(name) => Err(refused(
            &out.join(name),
            "no build has left it there, and a product has its name",
        )),
        None => Ok(()),
    }
}

/// Whether a manifest of ours is in the folder, of whatever version.
fn is_build(folder: &Path) -> bool {
    let text = fs::read_to_string(folder.join("manifest.json")).unwrap_or_default();
    serde_json::from_str(&text).is_ok_and(|m: serde_json::Value| m["products"].is_object())
}

/// Whether a run was stopped there, perhaps while it gave the products their names.
fn was_stopped(folder: &Path) -> bool {
    let parts = fs::read_dir(folder).into_iter().flatten().flatten();
    parts.into_iter().any(|entry| {
        let name = entry.file_name();
        name.to_string_lossy().ends_with(super::folder::PART)
    })
}

/// Refuse to write the file `out` over one of the `inputs`, or over a product of the build in the
/// folder `build`.
pub(super) fn keep_file(
    out: &Path,
    inputs: &[PathBuf],
    build: Option<&Path>,
) -> Result<(), BuildError> {
    let Some(place) = real(out) else {
        return Ok(());
    };
    if inputs
        .iter()
        .any(|input| real(input).as_ref() == Some(&place))
    {
        return Err(refused(out, "it is read, and would be replaced"));
    }
    let Some(folder) = build.and_then(real) else {
        return Ok(());
    };
    let mut products = super::PRODUCTS.into_iter().chain(super::RESCAN_PRODUCTS);
    if products.any(|name| place.starts_with(folder.join(name))) {
        return Err(refused(out, "it is a product of the build that is read"));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_of_scans_with_a_products_name_is_not_built_over() {
        let dir = tempfile::tempdir().unwrap();
        let scans = dir.path().join("field");
        fs::create_dir(&scans).unwrap();
        fs::write(scans.join("a.laz"), "x").unwrap();
        let input = [scans.join("a.laz")];
        let error = keep_inputs(&input, dir.path(), &all_products()).unwrap_err();
        assert!(error.to_string().contains("a.laz"), "{error}");
        assert!(keep_foreign(dir.path()).is_err());
        assert!(keep_inputs(&input, &dir.path().join("out"), &all_products()).is_ok());
        assert!(keep_foreign(&dir.path().join("out")).is_ok());
    }

    #[test]
    fn a_build_and_a_stopped_run_are_built_over() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("surface.ply"), "x").unwrap();
        assert!(keep_foreign(dir.path()).is_err());
        fs::create_dir(dir.path().join("work.part")).unwrap();
        assert!(keep_foreign(dir.path()).is_ok());
        fs::remove_dir(dir.path().join("work.part")).unwrap();
        fs::write(dir.path().join("manifest.json"), "{\"products\": {}}").unwrap();
        assert!(keep_foreign(dir.path()).is_ok());
        // Of a page on the web, say.
        fs::write(dir.path().join("manifest.json"), "{\"icons\": []}").unwrap();
        assert!(keep_foreign(dir.path()).is_err());
    }

    #[test]
    fn a_file_that_is_read_is_not_written() {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        fs::write(at("a.laz"), "x").unwrap();
        let detour = dir.path().join(".").join("a.laz");
        assert!(keep_file(&detour, &[at("a.laz")], None).is_err());
        assert!(keep_file(&at("b.laz"), &[at("a.laz")], None).is_ok());
        assert!(keep_file(&at("surface.ply"), &[], Some(dir.path())).is_err());
        assert!(keep_file(&at("field/x.tif"), &[], Some(dir.path())).is_ok());
        fs::create_dir(at("field")).unwrap();
        assert!(keep_file(&at("field/x.tif"), &[], Some(dir.path())).is_err());
        assert!(keep_file(&at("surface.glb"), &[], Some(dir.path())).is_ok());
    }
}
