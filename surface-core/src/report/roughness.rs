//! What the wheel paths of a build told, and whether it is enough.

use std::fmt::Write as _;

use super::content::{Input, RunReport};
use crate::roughness::{CarriedBand, FeltEvent, Indices, Radius, WavelengthAt};

/// Events that the summary names; the rest is in `events.csv`.
const NAMED_EVENTS: usize = 8;
/// Failed sections that the summary names; the rest is in `roughness.json`.
const NAMED_FAILURES: usize = 8;

/// How the paths were laid and read.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct PathParameters {
    /// Distance of stations, metres.
    pub step_m: f64,
    /// Distance between left and right wheel, metres.
    pub track_m: f64,
    /// Middle between the wheels, left of the reference (or driven) line, metres.
    pub offset_m: f64,
    /// Whether a driven line was given.
    pub line_given: bool,
    /// Speed for radius and acceleration, km/h.
    pub speed_km_h: f64,
}

/// Wavelengths that the surface carries along one path.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Carried {
    /// Shortest wavelength carried, metres; none when not even the longest is.
    pub resolved_m: Option<f64>,
    /// The bands, longest first.
    pub bands: Vec<CarriedBand>,
    /// Length of the segments that the bands are means over, metres: about 100 where that many are
    /// without a hole, else a half or a quarter.
    #[serde(default)]
    pub segment_m: f64,
    /// Shortest wavelength carried by section of 100 m: start, end, wavelength.
    pub sections: Vec<CarriedSection>,
    /// The same along the way: pieces of 20 m, each by the 100 m around it.
    #[serde(default)]
    pub along: Vec<WavelengthAt>,
    /// IRI of the surfaces of both halves, mm/m.
    pub iri_halves_mm_per_m: [Option<f64>; 2],
    /// The same by section of 100 m.
    pub iri_halves_by_section: Vec<[Option<f64>; 2]>,
    /// Share of stations with points of each half on the path's own track.
    pub coverage: [f64; 2],
}

impl Carried {
    /// Down to which wavelength the surface carries the road, and what is below it.
    #[must_use]
    pub fn words(&self) -> String {
        let Some(lambda) = self.resolved_m else {
            return if self.bands.is_empty() {
                "which waves this mesh carries cannot be told: no stretch is long enough without a hole in either half of the points".to_owned()
            } else {
                "this mesh carries no band of the road as the points show it".to_owned()
            };
        };
        // The first band that fails: by its amplitude, or by its noise.
        let below = match self.bands.iter().find(|b| b.margin() < 1.0) {
            Some(band) if band.road_m3 > 0.0 && band.gain < band.coherence => {
                "the mesh smooths its waves away"
            }
            Some(_) => "there is more noise than road",
            None => "the points tell nothing",
        };
        format!("this mesh carries the road down to λ = {lambda:.2} m; below it, {below}")
    }
}

/// A stretch with the shortest wavelength that the surface carries there.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CarriedSection {
    /// Start along the path, metres.
    pub from_m: f64,
    /// End along the path, metres.
    pub to_m: f64,
    /// Shortest wavelength carried, metres.
    pub resolved_m: Option<f64>,
    /// By how much the mesh's density is off the road's in the worst third octave of waves of 1 to
    /// 3 m, dB; none where that cannot be told.
    #[serde(default)]
    pub band_error_db: Option<f64>,
}

/// One wheel path.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct PathReport {
    /// "left" or "right".
    pub name: String,
    /// Indices of the mesh's profile.
    pub mesh: Indices,
    /// IRI of the height field's profile, mm/m.
    pub field_iri_mm_per_m: Option<f64>,
    /// What the points say of the surface; none without scans.
    pub carried: Option<Carried>,
}

/// The two halves of the points.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct HalvesReport {
    /// "setups" or "points".
    pub split: String,
    /// Points between the edges.
    pub points: u64,
    /// Points of the wheel paths, and how many of them are over 20 mm from the mesh: those are not
    /// taken for road.
    #[serde(default)]
    pub on_paths: [u64; 2],
    /// The scans.
    pub inputs: Vec<Input>,
}

/// A limit that was asked for, and where it is not kept.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct GateReport {
    /// As it is typed: `lambda<=0.5`.
    pub limit: String,
    /// The sections that fail, worst value first.
    pub failures: Vec<GateFailure>,
}

/// A section that fails.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct GateFailure {
    /// Which path.
    pub path: String,
    /// Start along the path, metres.
    pub from_m: f64,
    /// End along the path, metres.
    pub to_m: f64,
    /// The value; none where it could not be told.
    pub value: Option<f64>,
}

/// Everything that the wheel paths of a build told.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct RoughnessReport {
    /// [`super::FORMAT_VERSION`].
    pub format_version: u32,
    /// Version of the tool.
    pub version: String,
    /// BLAKE3 of the build's manifest; none for a folder without one.
    #[serde(default)]
    pub build: Option<String>,
    /// How the paths were laid.
    pub parameters: PathParameters,
    /// Whole-metre origin of the build's local coordinates.
    pub origin_m: [f64; 3],
    /// The paths, left first.
    pub paths: Vec<PathReport>,
    /// Least, mean and greatest crossfall of the height field over the track's width at the
    /// stations of both paths, m/m, positive where the left is higher.
    pub crossfall: Option<[f64; 3]>,
    /// The halves of the points; none without scans.
    pub halves: Option<HalvesReport>,
    /// Limits that were asked for.
    pub gates: Vec<GateReport>,
    /// What was not done, and why.
    pub left_out: Vec<String>,
    /// [`super::CAUTIONS`].
    pub cautions: Vec<String>,
    /// Times and memory; leave out when comparing two reports.
    pub run: RunReport,
}

pub(super) fn number(value: Option<f64>, digits: usize) -> String {
    value.map_or_else(|| "–".to_owned(), |v| format!("{v:.digits$}"))
}

impl RoughnessReport {
    /// The report as JSON text.
    ///
    /// # Errors
    /// Never for a report of finite numbers; whatever `serde_json` says otherwise.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        Ok(serde_json::to_string_pretty(self)? + "\n")
    }

    /// Whether every limit that was asked for is kept.
    #[must_use]
    pub fn gates_kept(&self) -> bool {
        self.gates.iter().all(|g| g.failures.is_empty())
    }

    /// The summary: limits first, then each path.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut out = String::new();
        self.gates.iter().for_each(|g| gate_text(g, &mut out));
        for path in &self.paths {
            path_text(path, &mut out);
        }
        if let Some([least, mean, most]) = self.crossfall.map(|c| c.map(|v| 100.0 * v)) {
            let _ = writeln!(
                out,
                "crossfall   {mean:.2} % in the mean, {least:.2} to {most:.2} %"
            );
        }
        for text in &self.left_out {
            let _ = writeln!(out, "left out    {text}");
        }
        out
    }
}

fn gate_text(gate: &GateReport, out: &mut String) {
    let verdict = match gate.failures.len() {
        0 => "KEPT".to_owned(),
        n => format!("NOT KEPT in {n} sections"),
    };
    let _ = writeln!(out, "{:<11} {verdict}", gate.limit);
    for f in gate.failures.iter().take(NAMED_FAILURES) {
        let value = number(f.value, 3);
        let _ = writeln!(
            out,
            "  {} {:.0} to {:.0} m: {value}",
            f.path, f.from_m, f.to_m
        );
    }
}

fn path_text(path: &PathReport, out: &mut String) {
    let m = &path.mesh;
    let _ = writeln!(
        out,
        "{:<11} {:.1} m, {:.1} % of it has a surface",
        path.name,
        m.length_m,
        100.0 * m.coverage
    );
    iri_text(path, out);
    shape_text(m, out);
    carried_text(path, out);
    for felt in m.events.iter().take(NAMED_EVENTS) {
        event_text(felt, out);
    }
    if m.events.len() > NAMED_EVENTS {
        let _ = writeln!(out, "  … all {} events are in events.csv", m.events.len());
    }
}

fn iri_text(path: &PathReport, out: &mut String) {
    let sections = path.mesh.sections_100_m.iter();
    let worst = sections.filter_map(|s| s.iri_mm_per_m).reduce(f64::max);
    let _ = writeln!(
        out,
        "  IRI       {} mm/m (height field {}); worst 100 m {}",
        number(path.mesh.iri_mm_per_m, 3),
        number(path.field_iri_mm_per_m, 3),
        number(worst, 3)
    );
}

/// Spectrum, straightedge and vertical radius.
fn shape_text(m: &Indices, out: &mut String) {
    if let Some(fit) = &m.iso8608 {
        let _ = writeln!(
            out,
            "  ISO 8608  class {}, level {:.3e} m³ at 0.1 cycles/m, exponent {:.2}",
            fit.class, fit.level_m3, fit.exponent
        );
    }
    if let Some(gap) = m.straightedge {
        let (depth_mm, x_m) = (1e3 * gap.depth_m, gap.x_m);
        let _ = writeln!(out, "  3 m edge  {depth_mm:.2} mm at {x_m:.1} m");
    }
    let radius = |r: Option<Radius>| {
        r.map_or_else(
            || "–".to_owned(),
            |r| format!("{:.0} m at {:.0} m", r.radius_m, r.x_m),
        )
    };
    let _ = writeln!(
        out,
        "  radius    sag {}, crest {}; below the rule for {} km/h along {:.0} m",
        radius(m.sag),
        radius(m.crest),
        m.rule.speed_km_h,
        m.below_rule_m
    );
}

fn event_text(felt: &FeltEvent, out: &mut String) {
    let kind = felt.event.kind.name();
    let _ = writeln!(
        out,
        "  {kind:<9} at {:.1} m: {:+.1} mm over {:.1} m, {:.1} m/s²",
        felt.event.x_m,
        1e3 * felt.event.signed_m(),
        felt.event.length_m,
        felt.acceleration_m_s2
    );
}

fn carried_text(path: &PathReport, out: &mut String) {
    let Some(carried) = &path.carried else { return };
    let said = carried.words();
    let _ = writeln!(out, "  waves     {said}");
    let [a, b] = carried.iri_halves_mm_per_m.map(|v| number(v, 3));
    let _ = writeln!(
        out,
        "  halves    IRI {a} and {b} mm/m from two halves of the points"
    );
}
