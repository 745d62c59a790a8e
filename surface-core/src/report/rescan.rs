//! What a rescan found and did, and how two states differ.

use std::fmt::Write as _;

use super::content::{Input, RunReport};
use super::setups::SlowReport;
use super::text::grouped;
use crate::rescan::{Kind, ScaleReport};

/// Changes that the summary names; the rest is in `changes.csv`.
const NAMED: usize = 12;
/// All changes together lie at most by this outside of the areas in which they are expected, m².
///
/// What smears a change (squares of 0.3 m along which it is followed, windows of the fit) lies within
/// 0.3 m of it and is not counted: of a panel of 14 × 4 m it leaves 0.08 m², of a resurfaced corner of
/// 200 m ten times that. A change of one square metre that nobody expects is more.
pub const MOST_OUTSIDE_M2: f64 = 1.0;

/// How one setup of the new scan was tied to the old surface.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SetupTieReport {
    /// Its name.
    pub name: String,
    /// Whether it is tied, by itself or through others; one that is not was left out.
    pub tied: bool,
    /// Small places of road that it shares with the old surface.
    pub places: u64,
    /// Those of them that stayed.
    pub stable: u64,
    /// How far it was too high, millimetres.
    pub offset_mm: f64,
    /// Standard deviation of that, millimetres.
    pub offset_sd_mm: f64,
    /// How much it rose east and north, microradians.
    pub tilt_urad: [f64; 2],
    /// Root mean square of its slow angular error, microradians, where such are corrected.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slow_urad: Option<f64>,
    /// How many times as far as the usual setup's its heights scatter, where that shows beyond doubt:
    /// its points are weighed by it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub noise_factor: Option<f64>,
    /// Robust spread of its differences where the road stayed, after levelling, millimetres.
    pub misfit_mm: f64,
}

/// How the new scan was tied to what stayed.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct TieReport {
    /// Small places of road common to scan and old surface.
    pub places: u64,
    /// Those that stayed.
    pub stable: u64,
    /// The most frequent difference as delivered, new less old, millimetres.
    pub shift_mm: f64,
    /// Robust spread of differences where the road stayed, as delivered but for that shift.
    pub misfit_before_mm: f64,
    /// The same after levelling, millimetres.
    pub misfit_mm: f64,
    /// What showed of slow angular errors, where positions are known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slow_error: Option<SlowReport>,
    /// The setups.
    pub setups: Vec<SetupTieReport>,
}

/// How changes were told from chance.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct DetectionReport {
    /// Cells with an old and a new height.
    pub compared: u64,
    /// Cells called changed, share of those.
    pub changed_share: f64,
    /// Of the cells called changed, the share that may be chance.
    pub false_share: f64,
    /// The largest p-value that counts.
    pub p_limit: f64,
    /// By width of the squares: level of detection, and what lies beyond it where nothing changed.
    pub scales: Vec<ScaleReport>,
    /// Share of unchanged cells that the published level (with σ of both fits, no registration error)
    /// would call changed at 5 %.
    pub published_share: f64,
}

/// One connected change.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ChangeReport {
    /// Number, largest volume first.
    pub id: u32,
    /// What happened.
    pub kind: Kind,
    /// Its middle: station and offset, metres.
    pub at_m: [f64; 2],
    /// Its middle in world coordinates, metres.
    pub xy_m: [f64; 2],
    /// From where to where along s and t, metres.
    pub reach_m: [[f64; 2]; 2],
    /// Area where it is over half of its bulk height, m².
    pub area_m2: f64,
    /// Area over the level of detection, m².
    #[serde(default)]
    pub beyond_m2: f64,
    /// Volume, new less old, m³.
    pub volume_m3: f64,
    /// Mean and greatest height, millimetres.
    pub mean_mm: f64,
    /// See `mean_mm`.
    pub most_mm: f64,
    /// Rise within 0.4 m at its border, millimetres.
    pub border_mm: f64,
    /// Whether that is kept as a step.
    pub stepped: bool,
    /// What differs around it and is blended, millimetres.
    pub offset_mm: f64,
    /// The new scan ends at it.
    pub cut_off: bool,
    /// Whether it lies where change was expected; `None` when nothing was said of that.
    pub expected: Option<bool>,
    /// Area that lies more than 0.3 m outside of where change was expected, m².
    #[serde(default)]
    pub outside_m2: Option<f64>,
}

/// What became of the vertices.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
pub struct VertexCounts {
    /// Byte for byte as before.
    pub kept: u64,
    /// The same vertex with another height, normal or σ.
    pub moved: u64,
    /// New ones.
    pub added: u64,
    /// Gone.
    pub removed: u64,
    /// Of the moved, added and removed, those away from every change and its blending.
    pub outside: u64,
    /// Whether every vertex that was kept has its old index too.
    pub same_indices: bool,
    /// The id that the next new vertex gets.
    pub next_id: u32,
}

/// What was, or would be, rebuilt.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct RebuiltReport {
    /// Sections of the course, and those that were fitted anew.
    pub sections: u64,
    /// See `sections`.
    pub fitted: u64,
    /// Road on which the new heights count alone, and on which they are blended, m².
    pub new_m2: f64,
    /// See `new_m2`.
    pub blended_m2: f64,
    /// The vertices; all zero on a dry run.
    pub vertices: VertexCounts,
    /// On a dry run: about how long the rest would take, seconds.
    pub seconds_left: Option<f64>,
}

/// Everything that a rescan found.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct RescanReport {
    /// Version of the shape of this report.
    pub format_version: u32,
    /// Version of the tool.
    pub version: String,
    /// BLAKE3 of the manifest of the state before.
    pub previous: String,
    /// The scans of the new state.
    pub inputs: Vec<Input>,
    /// Points read, and points on the road.
    pub points: u64,
    /// See `points`.
    pub points_on_road: u64,
    /// Nothing was written.
    pub dry_run: bool,
    /// Whether the new heights sharpened the old ones away from changes.
    pub refined: bool,
    /// How the scan was tied.
    pub tie: TieReport,
    /// How changes were told from chance.
    pub detection: DetectionReport,
    /// The changes, largest volume first.
    pub changes: Vec<ChangeReport>,
    /// What was rebuilt.
    pub rebuilt: RebuiltReport,
    /// Places beyond tolerance where something was rebuilt; `None` on a dry run.
    pub spots: Option<u64>,
    /// What is wrong with the new mesh, in words; `None` for a clean sheet and on a dry run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mesh_defects: Option<String>,
    /// What a reader should doubt.
    pub doubts: Vec<String>,
    /// Times and memory; leave out when comparing.
    pub run: RunReport,
}

impl RescanReport {
    /// Whether nothing changed beyond what was expected, the tolerance is met where something was
    /// rebuilt, and the mesh has no defect. Where nothing was said of what is expected, every change is.
    #[must_use]
    pub fn is_expected(&self) -> bool {
        let outside = self.outside_m2() > MOST_OUTSIDE_M2;
        let tolerated = self.spots.unwrap_or(0) == 0 && self.mesh_defects.is_none();
        self.unexpected() == 0 && !outside && tolerated
    }

    /// Area of all changes that lies more than 0.3 m outside of where change was expected, m².
    #[must_use]
    pub fn outside_m2(&self) -> f64 {
        self.changes.iter().filter_map(|c| c.outside_m2).sum()
    }

    /// Changes that were not expected.
    #[must_use]
    pub fn unexpected(&self) -> usize {
        let beyond = |c: &&ChangeReport| c.expected == Some(false);
        self.changes.iter().filter(beyond).count()
    }

    /// The report as JSON text.
    ///
    /// # Errors
    /// Never for a report of finite numbers; whatever `serde_json` says otherwise.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        Ok(serde_json::to_string_pretty(self)? + "\n")
    }

    /// The summary: what changed first, then how that was told, then what was rebuilt.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut out = self.verdict();
        put_changes(&self.changes, &mut out);
        let t = &self.tie;
        let left_out = t.setups.iter().filter(|s| !s.tied).count();
        let _ = writeln!(
            out,
            "tied        by {} of {} places that stayed, to {:.2} mm (shift {:+.2} mm); {} setups, {left_out} left out{}",
            grouped(t.stable),
            grouped(t.places),
            t.misfit_mm,
            t.shift_mm,
            t.setups.len(),
            SlowReport::words(t.slow_error.as_ref())
        );
        let d = &self.detection;
        let levels: Vec<String> = d.scales.iter().map(level).collect();
        let _ = writeln!(
            out,
            "detection   {} cells, {:.2} % changed; level of detection {}",
            grouped(d.compared),
            100.0 * d.changed_share,
            levels.join(", ")
        );
        out += &self.rebuilt_line();
        for doubt in &self.doubts {
            let _ = writeln!(out, "doubt       {doubt}");
        }
        out
    }

    fn verdict(&self) -> String {
        let count = match self.changes.len() {
            0 => "NO CHANGE".to_owned(),
            1 => "1 CHANGE".to_owned(),
            n => format!("{n} CHANGES"),
        };
        let beyond = match (self.unexpected(), self.outside_m2()) {
            (0, m2) if m2 <= MOST_OUTSIDE_M2 => String::new(),
            (0, m2) => format!(", {m2:.2} m² OUTSIDE OF --expect"),
            (n, m2) => format!(", {n} NOT EXPECTED ({m2:.2} m² outside of --expect)"),
        };
        let spots = match self.spots {
            None | Some(0) => String::new(),
            Some(n) => format!("; {n} spots beyond tolerance where it was rebuilt"),
        };
        let dry = if self.dry_run {
            " (dry run: nothing was written)"
        } else {
            ""
        };
        format!("{count}{beyond}{spots}{dry}\n")
    }

    fn rebuilt_line(&self) -> String {
        let (r, v) = (&self.rebuilt, &self.rebuilt.vertices);
        let mut out = format!(
            "rebuilt     {} of {} sections; {:.1} m² new, {:.1} m² blended",
            r.fitted, r.sections, r.new_m2, r.blended_m2
        );
        if let Some(seconds) = r.seconds_left {
            let _ = write!(out, "; about {seconds:.0} s to go");
        } else {
            let _ = write!(
                out,
                "; vertices: {} kept, {} moved, {} added, {} removed, {} of these away from changes",
                grouped(v.kept),
                grouped(v.moved),
                grouped(v.added),
                grouped(v.removed),
                grouped(v.outside)
            );
        }
        out + "\n"
    }
}

fn level(scale: &ScaleReport) -> String {
    let (lod, width) = (1e3 * scale.lod95_m, scale.width_m);
    if width > 0.0 {
        format!("{lod:.2} mm over {width} m")
    } else {
        format!("{lod:.2} mm a node")
    }
}

fn put_changes(changes: &[ChangeReport], out: &mut String) {
    for c in changes.iter().take(NAMED) {
        let beyond = if c.expected == Some(false) {
            "  NOT EXPECTED"
        } else {
            ""
        };
        let _ = writeln!(
            out,
            "  change {:<3} s {:8.1} m  t {:+6.2} m  {:+6.1} mm  {:7.2} m²  {:+8.4} m³  {}{beyond}",
            c.id,
            c.at_m[0],
            c.at_m[1],
            c.mean_mm,
            c.area_m2,
            c.volume_m3,
            c.kind.word()
        );
    }
    if changes.len() > NAMED {
        let _ = writeln!(out, "  … all changes are in changes.csv");
    }
}

/// How two states of one surface differ, told without points.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CompareReport {
    /// Version of the shape of this report.
    pub format_version: u32,
    /// BLAKE3 of the two manifests.
    pub manifests: [String; 2],
    /// How they are related: `same`, `descends`, `ancestor`, `siblings` or `apart`.
    pub relation: String,
    /// Sections of the course, and those with any other byte in the height field.
    pub sections: u64,
    /// See `sections`.
    pub sections_differ: u64,
    /// Nodes compared, and those with any other bit in their height.
    pub compared: u64,
    /// See `compared`.
    pub nodes_differ: u64,
    /// Nodes with a height in the second alone, and in the first alone.
    #[serde(default)]
    pub nodes_gained: u64,
    /// See `nodes_gained`.
    #[serde(default)]
    pub nodes_lost: u64,
    /// Where heights differ, second less first.
    pub changes: Vec<ChangeReport>,
}

impl CompareReport {
    /// The report as JSON text.
    ///
    /// # Errors
    /// Never for a report of finite numbers; whatever `serde_json` says otherwise.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        Ok(serde_json::to_string_pretty(self)? + "\n")
    }

    /// The summary in words.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut out = match self.changes.len() {
            0 => "NO CHANGE".to_owned(),
            1 => "1 CHANGE".to_owned(),
            n => format!("{n} CHANGES"),
        };
        let (gained, lost) = (grouped(self.nodes_gained), grouped(self.nodes_lost));
        if self.nodes_gained + self.nodes_lost > 0 {
            out += ", OTHER HOLES";
        }
        out += "\n";
        put_changes(&self.changes, &mut out);
        let _ = writeln!(
            out,
            "states      {}; {} of {} sections and {} of {} nodes differ, {gained} gained a height and {lost} lost it",
            self.relation,
            self.sections_differ,
            self.sections,
            grouped(self.nodes_differ),
            grouped(self.compared)
        );
        out
    }
}
