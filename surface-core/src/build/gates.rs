//! Limits that a pipeline asks for, and the sections that do not keep them.

use crate::report::{GateFailure, GateReport, PathReport};

/// What a limit is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Lambda,
    IriDifference,
    BandError,
    Straightedge,
}

impl Kind {
    /// How its unit may be written. No other is converted: a limit a thousand times too wide would
    /// always be kept.
    fn units(self) -> &'static [&'static str] {
        match self {
            Self::Lambda => &["m"],
            Self::IriDifference => &["mm/m", "m/km"],
            Self::BandError => &["dB"],
            Self::Straightedge => &["mm"],
        }
    }
}

/// A limit on what the sections of 100 m may show.
///
/// ```
/// use surface_core::build::Gate;
/// let gate: Gate = "λ ≤ 0.5 m".parse()?;
/// assert_eq!(gate, "lambda<=0.5".parse()?);
/// assert!("beauty<=1".parse::<Gate>().is_err());
/// # Ok::<(), surface_core::build::GateError>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gate {
    kind: Kind,
    most: f64,
}

/// Why a text is no limit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error(
    "{text:?} is no limit: give lambda<=METRES, iri-difference<=MM_PER_M, band-error<=DB or straightedge<=MM"
)]
pub struct GateError {
    text: String,
}

impl GateError {
    /// What the user can do about it, as one sentence.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        "put the limit in quotes for the shell, as in --require 'lambda<=0.5'"
    }
}

impl std::str::FromStr for Gate {
    type Err = GateError;

    fn from_str(text: &str) -> Result<Self, GateError> {
        let wrong = || GateError {
            text: text.to_owned(),
        };
        let plain = text.replace('≤', "<=");
        let (name, value) = plain
            .split_once("<=")
            .or_else(|| plain.split_once('='))
            .ok_or_else(wrong)?;
        let kind = match name.trim().to_lowercase().as_str() {
            "lambda" | "λ" => Kind::Lambda,
            "iri-difference" => Kind::IriDifference,
            "band-error" => Kind::BandError,
            "straightedge" => Kind::Straightedge,
            _ => return Err(wrong()),
        };
        let value = value.trim();
        let end = value.find(|c: char| c.is_alphabetic() && !"eE".contains(c));
        let (number, unit) = value.split_at(end.unwrap_or(value.len()));
        if !unit.is_empty() && !kind.units().contains(&unit) {
            return Err(wrong());
        }
        let most: f64 = number.trim().parse().map_err(|_| wrong())?;
        if !(most.is_finite() && most > 0.0) {
            return Err(wrong());
        }
        Ok(Self { kind, most })
    }
}

impl Gate {
    /// Whether it can only be judged with the scans.
    #[must_use]
    pub fn needs_scans(&self) -> bool {
        self.kind != Kind::Straightedge
    }

    fn name(&self) -> &'static str {
        match self.kind {
            Kind::Lambda => "lambda",
            Kind::IriDifference => "iri-difference",
            Kind::BandError => "band-error",
            Kind::Straightedge => "straightedge",
        }
    }

    /// The sections of 100 m that do not keep the limit, worst first; those whose value cannot be
    /// told fail.
    pub(super) fn judge(&self, paths: &[PathReport]) -> GateReport {
        let mut failures: Vec<GateFailure> = paths.iter().flat_map(|p| self.of_path(p)).collect();
        let kept = |f: &GateFailure| f.value.is_some_and(|v| v <= self.most);
        failures.retain(|f| !kept(f));
        let size = |f: &GateFailure| f.value.unwrap_or(f64::INFINITY);
        failures.sort_by(|a, b| size(b).total_cmp(&size(a)));
        GateReport {
            limit: format!("{}<={}", self.name(), self.most),
            failures,
        }
    }

    fn of_path(&self, path: &PathReport) -> Vec<GateFailure> {
        let value = |k: usize| {
            let carried = path.carried.as_ref();
            match self.kind {
                Kind::Straightedge => path.mesh.sections_100_m[k]
                    .straightedge
                    .map(|g| 1e3 * g.depth_m),
                Kind::Lambda => carried.and_then(|c| c.sections.get(k)?.resolved_m),
                Kind::BandError => carried.and_then(|c| c.sections.get(k)?.band_error_db),
                Kind::IriDifference => carried.and_then(|c| {
                    let [a, b] = *c.iri_halves_by_section.get(k)?;
                    Some((a? - b?).abs())
                }),
            }
        };
        let sections = path.mesh.sections_100_m.iter().enumerate();
        let one = |(k, s): (usize, &crate::roughness::Section)| GateFailure {
            path: path.name.clone(),
            from_m: s.from_m,
            to_m: s.to_m,
            value: value(k),
        };
        sections.map(one).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_read_with_signs_and_units_and_nonsense_is_refused() {
        let gate = |text: &str| text.parse::<Gate>();
        assert_eq!(
            gate("straightedge ≤ 3 mm").unwrap().most.to_bits(),
            3f64.to_bits()
        );
        assert_eq!(
            gate("iri-difference=0.03 m/km").unwrap().name(),
            "iri-difference"
        );
        assert_eq!(gate("band-error ≤ 1.5 dB").unwrap().name(), "band-error");
        let wrong_units = [
            "band-error<=2%",
            "lambda<=500mm",
            "straightedge<=3 cm",
            "straightedge<=0.003 m",
        ];
        let nonsense = [
            "lambda",
            "lambda<=-1",
            "lambda<=x",
            "width<=3",
            "iri<=2",
            "",
        ];
        for bad in wrong_units.into_iter().chain(nonsense) {
            assert!(gate(bad).is_err(), "{bad}");
        }
    }
}
