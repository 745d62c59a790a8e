//! What a build found, as plain data.

use super::checkpoints::CheckpointsReport;
use super::rescan::RescanReport;
use super::setups::{NoiseReport, SetupsReport};
use crate::deviation::Summary;
use crate::field::HiddenGround;
use crate::mesh::{MaskReport, MeshCheck, SeamReport};
use crate::ribbon::Gap;

/// Version of `report.json` and of build folders; raised when a field changes its meaning or goes, and
/// when heights change so much that a rescan would take it for a change of the road.
pub const FORMAT_VERSION: u32 = 8;

/// Said in every report: what the surface must not be trusted for without others.
pub const CAUTIONS: [&str; 3] = [
    "The surface is as good as the scan and its registration: have control and checkpoints by a licensed surveyor before anything is built or judged by it.",
    "It is made for simulation. For a real road, its repair or the safety of people on it, a licensed engineer and the local codes decide.",
    "Scanning beside traffic and with a laser is dangerous work: follow the site's rules and the instrument's laser class.",
];

/// One input file.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Input {
    /// The file's name without its folder, so that a moved project gives the same report.
    pub name: String,
    /// Format and variant.
    pub format: String,
    /// Size, bytes.
    pub bytes: u64,
    /// BLAKE3 of the whole file, hexadecimal.
    pub blake3: String,
    /// Its unit and how it is known.
    pub units: String,
}

/// The ribbon in numbers.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct RibbonReport {
    /// Length of the reference line, metres.
    pub length_m: f64,
    /// Whether it closes.
    pub closed: bool,
    /// Least, mean and greatest width, metres.
    pub widths_m: [f64; 3],
    /// Greatest |κ| · distance to the inner edge; the coordinates fold at 1.
    pub fold_ratio: f64,
    /// Stretches where an edge was not seen, with the reason.
    pub gaps: Vec<Gap>,
    /// What was decided on the way.
    pub notes: Vec<String>,
}

/// What became of the nodes, summed over the course.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FieldCounts {
    /// Nodes between the edges.
    pub inside: u64,
    /// Of these, with a height.
    pub fitted: u64,
    /// Heights carried over a narrow hole.
    pub bridged: u64,
    /// Nodes with one or two points only.
    pub sparse: u64,
    /// Nodes where many points were set aside as not road.
    pub outliers: u64,
    /// Nodes at a step.
    pub step: u64,
    /// Median σ of the fitted heights, millimetres (to 0.01 mm).
    pub sigma_median_mm: f64,
    /// σ that 95 % of the fitted heights stay below, millimetres (to 0.01 mm).
    pub sigma_95_mm: f64,
    /// Median of the shortest wavelengths of which the heights hold more road than noise, metres
    /// (to 0.01 m).
    pub wavelength_median_m: f64,
    /// The wavelength that 95 % of the heights stay below, metres (to 0.01 m).
    pub wavelength_95_m: f64,
    /// Share of the heights that hold waves shorter than 0.5 m.
    pub share_under_half_metre: f64,
    /// Level A of the road's spectrum S(k) = A·k⁻³, m.
    pub level_m: f64,
    /// Median number of points a fitted node has in its cell.
    pub points_median: u32,
    /// Holes under what stood on the road in every setup.
    #[serde(default)]
    pub hidden: Vec<HiddenGround>,
}

/// Holes under what stood on the road that are named one by one.
const MOST_HIDDEN: usize = 5;
/// Cells with fewer points than this do not carry a spacing.
const FEW_POINTS: u32 = 3;

impl FieldCounts {
    /// The holes that are there because something stood in the way, in words.
    #[must_use]
    pub fn hidden_doubts(&self) -> Vec<String> {
        let one = |hole: &HiddenGround| {
            let ([s0, s1], [t0, t1]) = (hole.s_m, hole.t_m);
            let area_m2 = hole.area_m2;
            format!(
                "something stood on the road in every setup at s {s0:.1} to {s1:.1} m, t {t0:.1} to {t1:.1} m: \
                 the surface has a hole of {area_m2:.1} m² there"
            )
        };
        let mut out: Vec<String> = self.hidden.iter().take(MOST_HIDDEN).map(one).collect();
        let more = self.hidden.len().saturating_sub(MOST_HIDDEN);
        if more > 0 {
            out.push(format!(
                "{more} more holes of that kind are in report.json, field, hidden"
            ));
        }
        out
    }

    /// That the nodes stand too close for the points, in words.
    #[must_use]
    pub fn thin_doubt(&self, spacing_m: f64) -> Option<String> {
        let points = f64::from(self.points_median);
        let enough = spacing_m * (f64::from(FEW_POINTS) / points.max(0.5)).sqrt();
        (self.points_median < FEW_POINTS).then(|| {
            format!(
                "half of the nodes have {points} points or fewer: a spacing of {enough:.2} m suits this cloud"
            )
        })
    }
}

/// A spot as it stands in the report.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SpotReport {
    /// Number, as in `deviation.csv` and on the picture.
    pub id: u32,
    /// Station and offset, metres.
    pub at_m: [f64; 2],
    /// World coordinates, metres.
    pub xy_m: [f64; 2],
    /// Area, m².
    pub area_m2: f64,
    /// Largest robust mean of its cells, signed, millimetres.
    pub worst_mm: f64,
    /// Why.
    pub why: String,
}

/// What the run was asked to do.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Parameters {
    /// Spacing asked for, metres.
    pub spacing_m: f64,
    /// Spacing along the line that divides it evenly, metres.
    pub s_step_m: f64,
    /// Tolerance, millimetres.
    pub tolerance_mm: f64,
    /// Widest hole that is bridged, metres.
    pub bridge_m: f64,
    /// Whether a rough line was given.
    pub line_given: bool,
    /// Whether the course was said to be closed.
    pub closed_given: Option<bool>,
    /// Whether scanner positions were known.
    pub setups_known: bool,
    /// The unit of all scans, where one was given over what they say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub units: Option<String>,
    /// Which points `deviation.laz` holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub deviation_points: Option<String>,
    /// Standard deviation of the checkpoints' heights, millimetres, where some were given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub checkpoint_sd_mm: Option<f64>,
    /// The noise of a point's height, where it was given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub noise: Option<NoiseReport>,
}

/// A file besides the scans that the run was given.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct GivenFile {
    /// The option that named it, without dashes.
    pub option: String,
    /// The file's name without its folder.
    pub name: String,
    /// Size, bytes.
    pub bytes: u64,
    /// BLAKE3 of the whole file, hexadecimal.
    pub blake3: String,
}

/// One stage's share of the run.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct StageRun {
    /// The stage.
    pub stage: String,
    /// Wall time, seconds.
    pub seconds: f64,
    /// Highest resident memory of the process so far, MiB; 0 where the system does not tell.
    pub peak_mib: u64,
}

/// What differs from run to run; nothing in it is part of the answer.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct RunReport {
    /// Worker threads.
    pub threads: usize,
    /// Stages in order.
    pub stages: Vec<StageRun>,
    /// Stages that an earlier run left whole.
    #[serde(default)]
    pub taken_over: Vec<String>,
}

impl RunReport {
    /// What a run took over that made nothing, since the very build was there and whole.
    pub const ALL: &str = "the whole build";
}

/// Everything that a build found.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Report {
    /// [`FORMAT_VERSION`].
    pub format_version: u32,
    /// Version of the tool.
    pub version: String,
    /// What it was asked to do.
    pub parameters: Parameters,
    /// What it read.
    pub inputs: Vec<Input>,
    /// What it was given besides scans: line, positions, checkpoints, config.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub given: Vec<GivenFile>,
    /// Points read, and points on the road.
    pub points: u64,
    /// Points between the edges.
    pub points_on_road: u64,
    /// Points dropped: not finite, marked as deleted, or more than 40 km from the origin.
    pub points_dropped: u64,
    /// How many setups there are.
    pub setups: u64,
    /// How far they were off, and how they scatter.
    pub levelling: SetupsReport,
    /// How the surface meets the surveyed points, where some were given.
    pub checkpoints: Option<CheckpointsReport>,
    /// Whole-metre origin of every local coordinate.
    pub origin_m: [f64; 3],
    /// Name of the coordinate system, where the files have one.
    pub crs: Option<String>,
    /// The ribbon.
    pub ribbon: RibbonReport,
    /// The field.
    pub field: FieldCounts,
    /// What was left out of the mesh.
    pub mask: MaskReport,
    /// The rails along breaklines.
    pub seams: SeamReport,
    /// The check of the mesh.
    pub mesh: MeshCheck,
    /// The deviation map in numbers, and the verdict.
    pub deviation: Summary,
    /// The spots, most severe first, at most [`Report::MOST_SPOTS`].
    pub spots: Vec<SpotReport>,
    /// What a rescan changed of the state before, for a surface that was rescanned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rescan: Option<Box<RescanReport>>,
    /// What a reader should doubt.
    pub doubts: Vec<String>,
    /// [`CAUTIONS`].
    pub cautions: Vec<String>,
    /// Times and memory; leave out when comparing two reports.
    pub run: RunReport,
}

impl Report {
    /// Spots listed in the report; `deviation.csv` has them all.
    pub const MOST_SPOTS: usize = 100;

    /// The report as JSON text.
    ///
    /// # Errors
    /// Never for a report of finite numbers; whatever `serde_json` says otherwise.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        Ok(serde_json::to_string_pretty(self)? + "\n")
    }
}
