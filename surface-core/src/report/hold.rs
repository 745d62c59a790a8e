//! What holding a mesh against a cloud found.

use std::fmt::Write as _;

use super::content::{Input, RunReport, SpotReport};
use super::text::grouped;
use crate::deviation::{Summary, Verdict};

/// Spots that the summary names; the rest is in `deviation.csv`.
const NAMED_SPOTS: usize = 5;

/// The mesh that was held against the cloud.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct MeshInput {
    /// The file's name without its folder.
    pub name: String,
    /// Size, bytes.
    pub bytes: u64,
    /// BLAKE3 of the whole file, hexadecimal.
    pub blake3: String,
    /// Vertices.
    pub vertices: u64,
    /// Triangles, polygons cut.
    pub faces: u64,
    /// Unit that the file was taken to be in.
    #[serde(default)]
    pub units: String,
    /// World coordinates of the mesh's zero, metres.
    pub origin_m: [f64; 3],
}

/// Everything that holding a mesh against a cloud found.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct HoldReport {
    /// [`super::FORMAT_VERSION`].
    pub format_version: u32,
    /// Version of the tool.
    pub version: String,
    /// Tolerance, millimetres.
    pub tolerance_mm: f64,
    /// Points further off than this were not compared, metres.
    pub search_m: f64,
    /// The mesh.
    pub mesh: MeshInput,
    /// The scans.
    pub inputs: Vec<Input>,
    /// Whole-metre origin of the local coordinates (`at_m` of the spots).
    pub origin_m: [f64; 3],
    /// Points read.
    pub points: u64,
    /// Points over or under the mesh, within reach.
    pub points_on_mesh: u64,
    /// Points over or under the mesh, out of reach.
    pub points_too_far: u64,
    /// The deviation map in numbers, and the verdict.
    pub deviation: Summary,
    /// The spots, most severe first, at most [`super::Report::MOST_SPOTS`].
    pub spots: Vec<SpotReport>,
    /// What reading the scans left in doubt.
    pub doubts: Vec<String>,
    /// [`super::CAUTIONS`].
    pub cautions: Vec<String>,
    /// Times and memory; leave out when comparing two reports.
    pub run: RunReport,
}

impl HoldReport {
    /// The report as JSON text.
    ///
    /// # Errors
    /// Never for a report of finite numbers; whatever `serde_json` says otherwise.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        Ok(serde_json::to_string_pretty(self)? + "\n")
    }

    /// The summary: verdict first, then mesh, cloud, deviation, spots.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut out = self.deviation.verdict_line(self.tolerance_mm);
        let mesh = &self.mesh;
        let _ = writeln!(
            out,
            "mesh        {}: {} triangles",
            mesh.name,
            grouped(mesh.faces)
        );
        let _ = writeln!(
            out,
            "cloud       {} points; {} held to the mesh, {} further off than {} m, {} beside it",
            grouped(self.points),
            grouped(self.points_on_mesh),
            grouped(self.points_too_far),
            self.search_m,
            grouped(self.deviation.coverage.points_without_surface)
        );
        let cover = &self.deviation.coverage;
        let _ = writeln!(
            out,
            "cover       {:.2} % of the mesh has points; {:.2} % enough for a verdict",
            100.0 * cover.share_with_points,
            100.0 * cover.cells_judged as f64 / cover.cells.max(1) as f64
        );
        let _ = writeln!(out, "{}", self.deviation.line(self.tolerance_mm));
        for spot in self.spots.iter().take(NAMED_SPOTS) {
            let _ = writeln!(
                out,
                "  spot {:<3} x {:.1}  y {:.1}  {:+6.1} mm  {:6.2} m²  {}",
                spot.id, spot.xy_m[0], spot.xy_m[1], spot.worst_mm, spot.area_m2, spot.why
            );
        }
        if self.spots.len() > NAMED_SPOTS {
            let _ = writeln!(out, "  … all spots are in deviation.csv");
        }
        for doubt in &self.doubts {
            let _ = writeln!(out, "doubt       {doubt}");
        }
        out
    }
}

impl Summary {
    /// The verdict as a headline.
    pub(super) fn verdict_line(&self, tolerance_mm: f64) -> String {
        match self.verdict {
            Verdict::WithinTolerance => format!("WITHIN TOLERANCE ({tolerance_mm} mm)\n"),
            Verdict::Beyond { spots, share } => format!(
                "TOLERANCE NOT MET ({tolerance_mm} mm): {spots} spots, {:.2} % of the cells\n",
                100.0 * share
            ),
            Verdict::NothingJudged => "NOTHING COULD BE JUDGED: no cell has enough points\n".into(),
        }
    }

    /// Share of cells within tolerance, and quantiles of the points' distances.
    pub(super) fn line(&self, tolerance_mm: f64) -> String {
        let quantiles = self.d_quantiles_m.map_or_else(String::new, |q| {
            let [half, most, nearly_all] = q.map(|v| 1e3 * v);
            format!("; points |d| {half:.1} / {most:.1} / {nearly_all:.1} mm (50 / 95 / 99 %)")
        });
        format!(
            "deviation   {:.2} % of the cells within {tolerance_mm} mm{quantiles}",
            100.0 * self.share_within
        )
    }
}
