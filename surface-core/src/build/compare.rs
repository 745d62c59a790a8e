//! Two states of one surface told apart without points, and the chain of states of a folder.

use std::path::Path;

use serde::Deserialize;

use super::BuildError;
use super::finished::{Finished, not_a_build, read_manifest};
use super::manifest::Version;
use super::rescan_find::{measure, row_ranges};
use super::rescan_out::change_reports;
use crate::progress::{Counted, Progress};
use crate::report::{CompareReport, FORMAT_VERSION, FieldCounts};
use crate::rescan::{Blend, DetectParams, Detection, Grid, Pair, Regions, detect};

/// Where at least this share of the nodes is the same to the last bit, whatever differs is a
/// change; else the two were fitted apart, and chance must be told from change.
const MOSTLY_SAME: f64 = 0.2;
/// Heights that differ by less are counted, not listed, metres: where a splice blends, two states
/// differ by less.
const LEAST_M: f64 = 5e-4;
/// Fewest nodes of a place that is listed.
const LEAST_NODES: usize = 6;
/// Small places this near to a large one are its rim, nodes.
const RIM_NODES: usize = 10;

/// The states that the folder's surface went through, oldest first, its own last.
///
/// # Errors
/// [`BuildError::NotABuild`] when the folder has no manifest that can be read.
pub fn versions(dir: &Path) -> Result<Vec<Version>, BuildError> {
    let (manifest, hash) = read_manifest(dir)?;
    let mut out = manifest.history;
    out.push(Version {
        manifest: hash,
        inputs: manifest.inputs,
        changes: manifest.changes,
    });
    Ok(out)
}

/// What became of the nodes of a finished build: heights, σ, resolved wavelengths.
///
/// # Errors
/// [`BuildError::NotABuild`] when the folder's report cannot be read or does not say.
pub fn field_counts(dir: &Path) -> Result<FieldCounts, BuildError> {
    let path = dir.join("report.json");
    let text = std::fs::read_to_string(&path).map_err(|e| not_a_build(&path, e))?;
    let report: serde_json::Value =
        serde_json::from_str(&text).map_err(|e| not_a_build(&path, e))?;
    FieldCounts::deserialize(&report["field"]).map_err(|e| not_a_build(&path, e))
}

/// How does the state in `second` differ from that in `first`? Both must lie on one lattice: made
/// from each other, from a common state, or with one ribbon and spacing.
///
/// # Errors
/// [`BuildError::NotABuild`] when a folder is not whole, [`BuildError::OtherLattice`] when the two have
/// different ones.
pub fn compare(
    first: &Path,
    second: &Path,
    progress: &mut dyn Progress,
) -> Result<CompareReport, BuildError> {
    let states = [first, second].map(|dir| Finished::read(dir, progress));
    let [a, b] = states;
    let states = [a?, b?];
    let [a, b] = &states;
    if a.lattice() != b.lattice() || a.ribbon != b.ribbon {
        return Err(BuildError::OtherLattice {
            first: first.to_owned(),
            second: second.to_owned(),
        });
    }
    let lattice = *a.lattice();
    let runs: Vec<usize> = (0..lattice.rows.div_ceil(crate::field::SECTION_ROWS)).collect();
    progress.stage("compare", runs.len() as u64, Counted::Sections);
    let mut pair = Pair::new(Grid::new(lattice, &row_ranges(&lattice, &runs)));
    let mut sections_differ = 0;
    for &run in &runs {
        let rows = [a.field.section(run)?, b.field.section(run)?];
        sections_differ += u64::from(!same_rows(&rows[0], &rows[1]));
        pair.put(&rows[0], &rows[1]);
        progress.advance(1)?;
    }
    let nodes = Nodes::of(&pair);
    let same = nodes.compared - nodes.differ;
    let detection = if same as f64 >= MOSTLY_SAME * nodes.compared as f64 {
        every_difference(&pair)
    } else {
        detect(&pair, DetectParams::default())
    };
    let changes = measure(&a.ribbon, &pair, &detection, [&a.lines, &b.lines]);
    let found = super::rescan_find::Found {
        blend: Blend::new(&pair, &Regions::default(), &[]),
        pair,
        detection,
        changes,
        touched: Vec::new(),
    };
    Ok(CompareReport {
        format_version: FORMAT_VERSION,
        manifests: [a.hash.clone(), b.hash.clone()],
        relation: relation(a, b).to_owned(),
        sections: runs.len() as u64,
        sections_differ,
        compared: nodes.compared,
        nodes_differ: nodes.differ,
        nodes_gained: nodes.gained,
        nodes_lost: nodes.lost,
        changes: change_reports(&found.changes, &found, &a.ribbon, None),
    })
}

/// What became of the nodes.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Nodes {
    /// With a height in both states, and those of them with another bit in it.
    compared: u64,
    differ: u64,
    /// With a height in the second state alone, in the first alone.
    gained: u64,
    lost: u64,
}

impl Nodes {
    fn of(pair: &Pair) -> Self {
        let mut out = Self::default();
        for (old, new) in pair.old_m.iter().zip(&pair.new_m) {
            let (was, is) = (old.is_finite(), new.is_finite());
            out.compared += u64::from(was && is);
            out.differ += u64::from(was && is && old.to_bits() != new.to_bits());
            out.gained += u64::from(is && !was);
            out.lost += u64::from(was && !is);
        }
        out
    }
}

fn same_rows(a: &crate::field::FieldRows, b: &crate::field::FieldRows) -> bool {
    let bits = |z: &[f64]| z.iter().map(|v| v.to_bits()).collect::<Vec<u64>>();
    let floats = |v: &[f32]| v.iter().map(|v| v.to_bits()).collect::<Vec<u32>>();
    bits(&a.z_m) == bits(&b.z_m)
        && floats(&a.sigma_m) == floats(&b.sigma_m)
        && floats(&a.wavelength_m) == floats(&b.wavelength_m)
        && a.n == b.n
        && a.flags == b.flags
}

/// What the chains of two states say of them.
fn relation(a: &Finished, b: &Finished) -> &'static str {
    let has = |of: &Finished, hash: &str| of.manifest.history.iter().any(|v| v.manifest == hash);
    let root = |of: &Finished| of.history().into_iter().next().map(|v| v.manifest);
    match () {
        () if a.hash == b.hash => "same",
        () if has(b, &a.hash) => "descends",
        () if has(a, &b.hash) => "ancestor",
        () if root(a) == root(b) => "siblings",
        () => "apart",
    }
}

/// Everything that differs, of states that were spliced from each other.
fn every_difference(pair: &Pair) -> Detection {
    let sign = |k: usize| match pair.difference_m(k) {
        d if d >= LEAST_M => 1,
        d if d <= -LEAST_M => -1,
        _ => 0,
    };
    let nodes = 0..pair.grid.nodes();
    let signs: Vec<i8> = nodes.clone().map(sign).collect();
    let all = vec![true; signs.len()];
    let regions = Regions::join(&pair.grid, &signs, &all, LEAST_NODES);
    let regions = regions.without_rims(&pair.grid, RIM_NODES);
    Detection {
        lod95_m: vec![0.0; signs.len()],
        scales: Vec::new(),
        compared: nodes.filter(|&k| pair.difference_m(k).is_finite()).count(),
        p_limit: 0.0,
        published_share: 0.0,
        regions,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::Lattice;

    #[test]
    fn nodes_that_gain_or_lose_a_height_are_counted_apart() {
        let lattice = Lattice::new([0.1, 0.1], 3, 0..2, false).unwrap();
        let mut pair = Pair::new(Grid::new(lattice, std::slice::from_ref(&(0..3))));
        let none = f64::NAN;
        pair.old_m = vec![1.0, 1.0, none, none, 2.0, none];
        pair.new_m = vec![1.0, 1.5, 3.0, 4.0, none, none];
        let counts = Nodes {
            compared: 2,
            differ: 1,
            gained: 2,
            lost: 1,
        };
        assert_eq!(Nodes::of(&pair), counts);
    }
}
