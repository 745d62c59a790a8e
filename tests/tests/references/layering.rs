//! The layer table of DEVELOPERS.md holds: a module of the library imports only from lower layers.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .unwrap()
        .to_owned()
}

/// `| 2 | `cloud`, … |` rows → module name and its layer.
fn layers() -> BTreeMap<String, u32> {
    let text = fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let mut table = BTreeMap::new();
    for line in text.lines() {
        let mut cells = line.split('|').map(str::trim).skip(1);
        let (Some(layer), Some(modules)) = (cells.next(), cells.next()) else {
            continue;
        };
        let Ok(layer) = layer.parse::<u32>() else {
            continue;
        };
        for name in modules.split(',') {
            table.insert(name.trim().trim_matches('`').to_owned(), layer);
        }
    }
    table
}

fn sources(dir: &Path, out: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// The top module that a source file belongs to.
fn owner(path: &Path, src: &Path) -> String {
    let first = path.strip_prefix(src).unwrap().components().next().unwrap();
    first
        .as_os_str()
        .to_string_lossy()
        .trim_end_matches(".rs")
        .to_owned()
}

/// Module names that follow `crate::` in the code (comments left out), `crate::{a, b}` included.
fn imports(code: &str) -> Vec<String> {
    let bare: String = code
        .lines()
        .map(|l| l.split("//").next().unwrap_or(""))
        .collect();
    let mut names = Vec::new();
    for part in bare.split("crate::").skip(1) {
        let group = part
            .strip_prefix('{')
            .map(|rest| rest.split('}').next().unwrap_or(""));
        for item in group
            .unwrap_or(part)
            .split(',')
            .take(if group.is_some() { 99 } else { 1 })
        {
            let word = |c: char| !(c.is_alphanumeric() || c == '_');
            names.push(item.trim().split(word).next().unwrap_or("").to_owned());
        }
    }
    names.retain(|n| !n.is_empty());
    names
}

fn breaches(module: &str, layer: u32, code: &str, table: &BTreeMap<String, u32>) -> Vec<String> {
    let breach = |name: &String| match table.get(name) {
        Some(&other) => (other >= layer && name != module).then(|| format!("{module} → {name}")),
        None => Some(format!("{module} → {name} (not in the table)")),
    };
    imports(code).iter().filter_map(breach).collect()
}

#[test]
fn every_module_imports_only_from_lower_layers() {
    let (table, src) = (layers(), root().join("surface-core/src"));
    let mut files = Vec::new();
    sources(&src, &mut files);
    let mut found = Vec::new();
    for path in files.iter().filter(|p| !p.ends_with("lib.rs")) {
        let module = owner(path, &src);
        let layer = table
            .get(&module)
            .unwrap_or_else(|| panic!("{module} is not in the table"));
        let code = fs::read_to_string(path).unwrap();
        found.extend(breaches(&module, *layer, &code, &table));
    }
    assert!(
        found.is_empty(),
        "imports against the layer table: {found:#?}"
    );
}

#[test]
fn a_breach_would_be_seen() {
    let table = BTreeMap::from([
        ("low".to_owned(), 1),
        ("mid".to_owned(), 2),
        ("high".to_owned(), 3),
    ]);
    let code = "use crate::{low, high::X};\nlet a = crate::mid::f(); // crate::high\n";
    assert_eq!(breaches("mid", 2, code, &table), ["mid → high"]);
    assert_eq!(
        breaches("low", 1, "use crate::odd::Y;", &table),
        ["low → odd (not in the table)"]
    );
}

#[test]
fn the_proving_ground_depends_on_no_crate_of_ours() {
    let manifest = fs::read_to_string(root().join("tests/Cargo.toml")).unwrap();
    let normal = manifest
        .split("[dependencies]")
        .nth(1)
        .unwrap()
        .split('[')
        .next()
        .unwrap();
    assert!(
        !normal.contains("surface-"),
        "normal dependencies: {normal}"
    );
}
