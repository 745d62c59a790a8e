//! What a reader should doubt of a rescan, and of the surface after it.

use crate::mesh::{MaskReport, MeshCheck};
use crate::report::{FieldCounts, Input, Report, RescanReport, noisy_doubt};

/// Doubts about scans, ties and changes; `holds` says which scans the old state has already.
pub(super) fn rescan_doubts(report: &RescanReport, holds: impl Fn(&Input) -> bool) -> Vec<String> {
    let again = report.inputs.iter().filter(|input| holds(input));
    let mut out: Vec<String> = again.map(read_already).collect();
    for setup in report.tie.setups.iter().filter(|s| !s.tied && s.places > 0) {
        out.push(format!(
            "setup {} is left out: {} of its {} places agree with what stayed",
            setup.name, setup.stable, setup.places
        ));
    }
    let setups = report.tie.setups.iter();
    out.extend(setups.filter_map(|s| noisy_doubt(&s.name, s.noise_factor)));
    for change in report.changes.iter().filter(|c| c.cut_off) {
        out.push(format!(
            "change {} at s {:.1} m reaches the end of the scan: more may have changed there",
            change.id, change.at_m[0]
        ));
    }
    out
}

/// Heights of the same points agree beyond chance, which is learnt from how they differ.
fn read_already(again: &Input) -> String {
    format!(
        "{} was read for the old state already: it is no second look at the road, and small changes may be none",
        again.name
    )
}

/// The doubts of the old report, with those about mesh and heights as they are now; those that
/// checkpoints raised go where they hold no longer.
pub(super) fn doubts_after(
    old: &Report,
    (check, mask, counts): (&MeshCheck, &MaskReport, &FieldCounts),
    checkpoints_hold: bool,
) -> Vec<String> {
    let spacing_m = old.parameters.spacing_m;
    let mut gone = of_heights(&old.field, &old.mask, spacing_m);
    gone.extend(old.mesh.defects_doubt());
    let checkpoints = old.checkpoints.iter().filter(|_| !checkpoints_hold);
    gone.extend(checkpoints.flat_map(|c| c.doubts().to_vec()));
    let kept = old.doubts.iter().filter(|doubt| !gone.contains(doubt));
    let mut out: Vec<String> = check.defects_doubt().into_iter().collect();
    out.extend(kept.cloned());
    out.extend(of_heights(counts, mask, spacing_m));
    out
}

fn of_heights(field: &FieldCounts, mask: &MaskReport, spacing_m: f64) -> Vec<String> {
    let mut out = field.hidden_doubts();
    out.extend(field.thin_doubt(spacing_m));
    out.extend(mask.cut_off_doubt());
    out
}
