//! A finished build folder, read back as the state that a rescan begins with.

use std::path::{Path, PathBuf};

use super::BuildError;
use super::manifest::{Manifest, Version, begin_hashing, hash_file, hash_report};
use crate::export::{BesideStore, FieldStore, read_ids};
use crate::field::{Lattice, RailNode};
use crate::mesh::{Layout, SeamPlan};
use crate::progress::Progress;
use crate::report::{FORMAT_VERSION, Input, Report};
use crate::ribbon::Ribbon;
use crate::zones::Breaklines;

/// Products that the next state is made of.
const NEEDED: [&str; 6] = [
    "surface.ply",
    "ids.npy",
    "ribbon.geojson",
    "breaklines.geojson",
    "field",
    "beside",
];

/// A state of the surface.
#[derive(Debug)]
pub(super) struct Finished {
    pub dir: PathBuf,
    pub manifest: Manifest,
    /// BLAKE3 of the manifest.
    pub hash: String,
    pub report: Report,
    pub ribbon: Ribbon,
    pub field: FieldStore,
    pub lines: Breaklines,
}

/// What the mesh of a state is made of, besides the field.
#[derive(Debug)]
pub(super) struct Skeleton {
    pub layout: Layout,
    pub plan: SeamPlan,
    /// Heights beside breaklines, by section.
    pub beside: Vec<Vec<RailNode>>,
}

pub(super) fn not_a_build(path: &Path, why: impl std::fmt::Display) -> BuildError {
    BuildError::NotABuild {
        path: path.to_owned(),
        why: why.to_string(),
    }
}

impl Finished {
    /// Read the folder and check that what is needed of it is whole.
    pub fn read(dir: &Path, progress: &mut dyn Progress) -> Result<Self, BuildError> {
        let (manifest, hash) = read_manifest(dir)?;
        check_products(dir, &manifest, progress)?;
        let text = |name: &str| read_text(&dir.join(name));
        let ribbon = Ribbon::from_geojson(&text("ribbon.geojson")?)
            .map_err(|e| not_a_build(&dir.join("ribbon.geojson"), e))?;
        let lines = Breaklines::from_geojson(&text("breaklines.geojson")?)
            .map_err(|e| not_a_build(&dir.join("breaklines.geojson"), e))?;
        let report: Report = serde_json::from_str(&text("report.json")?)
            .map_err(|e| not_a_build(&dir.join("report.json"), e))?;
        check_report(&dir.join("report.json"), &report, &manifest)?;
        let store = dir.join("field");
        let (field, origin_m) = FieldStore::open(&store).map_err(|e| not_a_build(&store, e))?;
        let same = origin_m.map(f64::to_bits) == ribbon.frame.origin_m.map(f64::to_bits);
        if !same {
            return Err(not_a_build(&store, "its origin is not the ribbon's"));
        }
        Ok(Self {
            dir: dir.to_owned(),
            manifest,
            hash,
            report,
            ribbon,
            field,
            lines,
        })
    }

    pub fn lattice(&self) -> &Lattice {
        self.field.lattice()
    }

    /// Whether a scan was read for this state, or one that it was built on.
    pub fn holds(&self, scan: &Input) -> bool {
        let before = self.manifest.history.iter().flat_map(|v| &v.inputs);
        let mut all = before.chain(&self.manifest.inputs);
        all.any(|input| input.blake3 == scan.blake3)
    }

    /// Layout, rails and the heights beside breaklines.
    pub fn skeleton(&self) -> Result<Skeleton, BuildError> {
        let layout = Layout::new(&self.ribbon, self.lattice())?;
        let plan = SeamPlan::new(&layout, &self.lines);
        let folder = self.dir.join("beside");
        let store = BesideStore::open(&folder)?;
        let runs = self.lattice().rows.div_ceil(crate::field::SECTION_ROWS);
        let one = |section: usize| {
            let found = store.read(section)?;
            let places = plan.places(&layout, section);
            let alike = found.len() == places.len()
                && found
                    .iter()
                    .zip(&places)
                    .all(|((a, _), b)| same_place(*a, *b));
            if !alike {
                let why = "its places are not where this version lays rails";
                return Err(not_a_build(&store.file(section), why));
            }
            Ok(found.into_iter().map(|(_, height)| height).collect())
        };
        let beside: Result<Vec<Vec<RailNode>>, BuildError> = (0..runs).map(one).collect();
        Ok(Skeleton {
            beside: beside?,
            layout,
            plan,
        })
    }

    /// The states before the next one: this one last.
    pub fn history(&self) -> Vec<Version> {
        let mut out = self.manifest.history.clone();
        out.push(self.version());
        out
    }

    /// This state in the chain.
    pub fn version(&self) -> Version {
        Version {
            manifest: self.hash.clone(),
            inputs: self.manifest.inputs.clone(),
            changes: self.manifest.changes,
        }
    }

    /// The vertices' ids, in order, and the next that is free; a first build's are their indices.
    pub fn ids(&self) -> Result<(Option<Vec<u32>>, u32), BuildError> {
        let path = self.dir.join("ids.npy");
        match &self.report.rescan {
            None => Ok((None, 0)),
            Some(rescan) => {
                let ids = read_ids(&path).map_err(|e| not_a_build(&path, e))?;
                Ok((Some(ids), rescan.rebuilt.vertices.next_id))
            }
        }
    }
}

pub(super) fn same_place(a: [f64; 2], b: [f64; 2]) -> bool {
    a.map(f64::to_bits) == b.map(f64::to_bits)
}

fn read_text(path: &Path) -> Result<String, BuildError> {
    std::fs::read_to_string(path).map_err(|e| not_a_build(path, e))
}

/// The manifest of a finished folder and its hash.
pub(super) fn read_manifest(dir: &Path) -> Result<(Manifest, String), BuildError> {
    let path = dir.join("manifest.json");
    let text = read_text(&path)?;
    let any: serde_json::Value = serde_json::from_str(&text).map_err(|e| not_a_build(&path, e))?;
    let found = any["format_version"].as_u64();
    if found != Some(u64::from(FORMAT_VERSION)) {
        let found = found.map_or_else(|| "none".to_owned(), |v| v.to_string());
        let why = format!(
            "its format version is {found}, this program reads version {FORMAT_VERSION}: build it again from its scans"
        );
        return Err(not_a_build(&path, why));
    }
    let manifest = serde_json::from_value(any).map_err(|e| not_a_build(&path, e))?;
    let hash = blake3::hash(text.as_bytes()).to_hex().to_string();
    Ok((manifest, hash))
}

/// Whether every product that a manifest lists is there, byte for byte, but for the report.
pub(super) fn is_whole(
    dir: &Path,
    manifest: &Manifest,
    progress: &mut dyn Progress,
) -> Result<bool, BuildError> {
    let listed = manifest
        .products
        .iter()
        .filter(|(name, _)| *name != "report.json");
    let listed: Vec<(PathBuf, &String)> =
        listed.map(|(name, hash)| (dir.join(name), hash)).collect();
    let paths: Vec<&PathBuf> = listed.iter().map(|(path, _)| path).collect();
    begin_hashing(&paths, progress);
    for (path, hash) in &listed {
        match hash_file(path, progress) {
            Ok((_, found)) if found == **hash => {}
            Err(stop @ BuildError::Cancelled(_)) => return Err(stop),
            _ => return Ok(false),
        }
    }
    Ok(true)
}

/// The report is the one that the manifest lists.
pub(super) fn check_report(
    path: &Path,
    report: &Report,
    manifest: &Manifest,
) -> Result<(), BuildError> {
    let found = hash_report(report, path)?;
    match manifest.products.get("report.json") {
        Some(listed) if *listed == found => Ok(()),
        _ => Err(not_a_build(path, NOT_LISTED)),
    }
}

const NOT_LISTED: &str = "it is not the file that the manifest lists";

/// Every product that is needed is there as the manifest has it, byte for byte.
fn check_products(
    dir: &Path,
    manifest: &Manifest,
    progress: &mut dyn Progress,
) -> Result<(), BuildError> {
    check_listed(dir, manifest)?;
    let needed = manifest.products.iter().filter(|(name, _)| is_needed(name));
    let needed: Vec<(PathBuf, &String)> =
        needed.map(|(name, hash)| (dir.join(name), hash)).collect();
    let paths: Vec<&PathBuf> = needed.iter().map(|(path, _)| path).collect();
    begin_hashing(&paths, progress);
    for (path, hash) in &needed {
        let found = hash_file(path, progress).map_err(|error| match error {
            BuildError::Cancelled(_) => error,
            _ => not_a_build(path, error),
        });
        if found?.1 != **hash {
            return Err(not_a_build(path, NOT_LISTED));
        }
    }
    Ok(())
}

fn is_needed(product: &str) -> bool {
    NEEDED.contains(&product.split('/').next().unwrap_or_default())
}

/// The manifest lists every product that is needed.
fn check_listed(dir: &Path, manifest: &Manifest) -> Result<(), BuildError> {
    for name in NEEDED {
        let inner = format!("{name}/");
        let mut own = manifest.products.keys();
        // A course without breaklines has nothing beside them, a first build no ids of its own.
        let found = ["beside", "ids.npy"].contains(&name)
            || own.any(|k| k == name || k.starts_with(&inner));
        if !found {
            let why =
                "the manifest does not list it: the folder is older than rescans; build it again";
            return Err(not_a_build(&dir.join(name), why));
        }
    }
    Ok(())
}
