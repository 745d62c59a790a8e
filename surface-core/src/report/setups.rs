//! What was found of the setups: how far they were off, and how they scatter.

use super::content::Report;
use crate::setups::NoiseModel;
use std::fmt::Write as _;

/// Setups that the summary names; the rest is in `report.json`.
const NAMED: usize = 5;
/// A setup that scatters so many times as far as the others is named.
const NOISY: f64 = 1.5;

/// What became of one setup.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SetupState {
    /// Tied to the others and levelled.
    Levelled,
    /// The same, and far off before.
    WasOff,
    /// Shares too little with the others to be tied, and saw ground that they did not; used as
    /// delivered.
    Untied,
    /// Shares too little with the others to be tied, and they saw its ground too; its points are not
    /// used.
    Spare,
    /// Contradicts the others everywhere; its points are not used.
    LeftOut,
}

/// One setup.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SetupReport {
    /// Its name.
    pub name: String,
    /// Whether the scanner's position is known.
    pub position_known: bool,
    /// What became of it.
    pub state: SetupState,
    /// How far its heights were too high at the scanner (else at the middle of what it saw),
    /// millimetres.
    pub offset_mm: f64,
    /// Standard deviation of that, millimetres.
    pub offset_sd_mm: f64,
    /// How far they rose too much eastwards and northwards, microradians.
    pub tilt_urad: [f64; 2],
    /// Root mean square of its slow angular error, microradians, where such are corrected.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slow_urad: Option<f64>,
    /// How many times as far as the usual setup's its heights scatter, where that shows beyond doubt:
    /// its points are weighed by it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub noise_factor: Option<f64>,
    /// Its scatter over what the noise model of all expects, median; nothing without a position.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub over_model: Option<f64>,
    /// Places of smooth road that it shares with others.
    pub shared_places: u32,
}

/// Scatter of heights in a ring of distance from the scanner.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct RingReport {
    /// Distance from the scanner, from and to, metres.
    pub distance_m: [f64; 2],
    /// Share of the points on smooth road, percent.
    pub points_percent: f64,
    /// Median standard deviation of a height about its place's plane, millimetres.
    pub sigma_mm: f64,
    /// What the noise model expects there, millimetres.
    pub model_mm: f64,
    /// Scatter over what the model expects, of the darkest and the brightest quarter of what setups saw of places:
    /// alike where the model knows what intensity does; nothing without intensities.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub over_model: Option<[f64; 2]>,
}

/// Scatter of heights over a range of incidence or intensity.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ScatterReport {
    /// From and to: degrees off the vertical on level ground, or intensities as the scans give them.
    pub range: [f64; 2],
    /// Share of the points on smooth road, percent.
    pub points_percent: f64,
    /// Median standard deviation of a height about its place's plane, millimetres.
    pub sigma_mm: f64,
    /// What the noise model expects there, median, millimetres.
    pub model_mm: f64,
    /// Scatter of a place over what the model expects of it, median (of few points a place a twentieth low):
    /// where near and far places are alike in the range, it is told by this and not by the two medians.
    pub over_model: f64,
}

/// The learnt noise of a point, see [`crate::setups::NoiseModel`].
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct NoiseReport {
    /// Range noise at square incidence, millimetres.
    pub range_mm: f64,
    /// Range noise that grows with incidence, millimetres.
    pub grazing_mm: f64,
    /// Angle noise, microradians.
    pub angle_urad: f64,
    /// Texture, millimetres.
    pub texture_mm: f64,
    /// How range noise grows as intensity falls: γ of (I/I₀)^(−γ).
    #[serde(default)]
    pub fading: f64,
    /// The intensity I₀ that range noise is given for; 0 where it does not fade.
    #[serde(default)]
    pub intensity: f64,
}

impl NoiseReport {
    /// A model in round numbers.
    #[must_use]
    pub fn of(model: &NoiseModel) -> Self {
        let rounded = |value: f64, steps: f64| (value * steps).round() / steps;
        Self {
            range_mm: rounded(1e3 * model.range_m, 1e3),
            grazing_mm: rounded(1e3 * model.grazing_m, 1e3),
            angle_urad: rounded(1e6 * model.angle_rad, 10.0),
            texture_mm: rounded(1e3 * model.texture_m, 1e3),
            fading: rounded(model.fading, 1e3),
            intensity: rounded(model.intensity, 1.0),
        }
    }
}

/// What showed of the setups' slow angular errors, see [`crate::setups::SlowLevel`].
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SlowReport {
    /// Spread over setups and azimuths, root mean square, microradians: learnt where they are
    /// corrected, else a hint.
    pub spread_urad: f64,
    /// Whether they showed beyond doubt and are corrected.
    pub corrected: bool,
    /// By how much the weighted sum of squared misfits falls if they are fitted.
    pub misfit_drop: f64,
    /// By how much it would fall by chance: the number of their terms.
    pub unknowns: f64,
}

impl SlowReport {
    /// What a summary adds where they are corrected; nothing otherwise.
    pub(super) fn words(slow: Option<&Self>) -> String {
        slow.filter(|slow| slow.corrected)
            .map_or_else(String::new, |slow| {
                let spread_urad = slow.spread_urad;
                format!("; slow angular errors of {spread_urad:.0} µrad corrected")
            })
    }
}

/// All setups.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SetupsReport {
    /// Places of smooth road that two or more setups saw.
    pub places: u64,
    /// Robust spread of setups about each other at a place before levelling, millimetres.
    pub misfit_before_mm: f64,
    /// The same after.
    pub misfit_mm: f64,
    /// Learnt spread of the setups' offsets, millimetres.
    pub offset_spread_mm: f64,
    /// Learnt spread of their tilts, microradians.
    pub tilt_spread_urad: f64,
    /// What showed of slow angular errors, where positions are known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slow_error: Option<SlowReport>,
    /// Noise of points, where positions are known.
    pub noise: Option<NoiseReport>,
    /// By distance from the scanner, where positions are known.
    pub rings: Vec<RingReport>,
    /// By incidence, where positions are known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub incidences: Vec<ScatterReport>,
    /// By intensity, where positions and intensities are known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub intensities: Vec<ScatterReport>,
    /// By setup.
    pub setups: Vec<SetupReport>,
}

/// That a setup scatters far more than the others, in words.
pub(crate) fn noisy_doubt(name: &str, factor: Option<f64>) -> Option<String> {
    factor.filter(|f| *f >= NOISY).map(|factor| {
        format!(
            "setup {name} scatters {factor:.1} times as far as the others, and counts less: was the road wet, or the tripod shaken?"
        )
    })
}

impl SetupsReport {
    /// What a reader should doubt.
    #[must_use]
    pub fn doubts(&self) -> Vec<String> {
        let mut out = Vec::new();
        let of = |state| self.setups.iter().filter(move |s| s.state == state);
        for setup in of(SetupState::WasOff) {
            out.push(format!(
                "setup {} was {:+.1} mm off and is corrected; check its registration",
                setup.name, setup.offset_mm
            ));
        }
        for setup in of(SetupState::LeftOut) {
            out.push(format!(
                "setup {} contradicts the others and is left out; check its registration",
                setup.name
            ));
        }
        for setup in of(SetupState::Spare) {
            out.push(format!(
                "setup {} shares too little with the others to be levelled ({} places) and is left out; they saw its ground too",
                setup.name, setup.shared_places
            ));
        }
        let noisy = self.setups.iter();
        out.extend(noisy.filter_map(|s| noisy_doubt(&s.name, s.noise_factor)));
        let alone: Vec<&str> = of(SetupState::Untied).map(|s| s.name.as_str()).collect();
        if !alone.is_empty() && self.setups.len() > 1 {
            let more = if alone.len() > NAMED { ", …" } else { "" };
            out.push(format!(
                "{} of {} setups share too little with the others to be levelled and saw ground that these did not, so they are used as delivered: {}{more}",
                alone.len(),
                self.setups.len(),
                alone[..alone.len().min(NAMED)].join(", ")
            ));
        }
        out
    }
}

impl Report {
    /// The setups in one line.
    pub(super) fn setups_line(&self) -> String {
        let l = &self.levelling;
        let levelled = l
            .setups
            .iter()
            .filter(|s| matches!(s.state, SetupState::Levelled | SetupState::WasOff))
            .count();
        let mut out = format!("setups      {} of {} levelled", levelled, l.setups.len());
        if l.places > 0 {
            let _ = write!(
                out,
                "; they differ by {:.2} mm at a place ({:.2} before)",
                l.misfit_mm, l.misfit_before_mm
            );
        }
        out.push_str(&SlowReport::words(l.slow_error.as_ref()));
        let ring = l.rings.iter().find(|r| r.distance_m[0] >= 10.0);
        if let Some(ring) = ring {
            let [from, to] = ring.distance_m;
            let _ = write!(
                out,
                "; a point's σ {:.2} mm at {from} to {to} m",
                ring.sigma_mm
            );
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_report_of_older_code_does_not_hold_is_not_in_it_when_it_is_written_again() {
        // The manifest has the hash of a report as it is written again: of a build that an earlier version
        // left, a rescan would take no other.
        let older = r#"{"places":1,"misfit_before_mm":0.5,"misfit_mm":0.2,"offset_spread_mm":0.3,"tilt_spread_urad":9.0,"noise":null,"rings":[{"distance_m":[0.0,5.0],"points_percent":100.0,"sigma_mm":1.0,"model_mm":1.1}],"setups":[{"name":"1","position_known":true,"state":"levelled","offset_mm":0.1,"offset_sd_mm":0.2,"tilt_urad":[1.0,2.0],"shared_places":7}]}"#;
        let read: SetupsReport = serde_json::from_str(older).unwrap();
        assert_eq!(serde_json::to_string(&read).unwrap(), older);
    }
}
