//! The charts of roughness along wheel paths.

use super::axes::{Axis, Chart, Line, Scale};
use crate::roughness::{
    Band, CLASS_A_M3, CLASS_RATIO, CarriedBand, Indices, REFERENCE_PER_M, Section,
};

/// What the charts show of one wheel path.
#[derive(Debug, Clone, Copy)]
pub struct PathFigures<'a> {
    /// "left" or "right".
    pub name: &'a str,
    /// Indices of the mesh's profile.
    pub mesh: &'a Indices,
    /// The mesh against the points, band by band; empty without points.
    pub bands: &'a [CarriedBand],
    /// Shortest wavelength carried, metres.
    pub resolved_m: Option<f64>,
}

fn axis(title: &str, range: [f64; 2], scale: Scale) -> Axis {
    Axis {
        title: title.to_owned(),
        range,
        scale,
    }
}

/// Classes drawn, from the smoothest on. Class A has no lower limit: what lies a class below its
/// upper part is drawn apart, since that is where circuits are.
const CLASSES: [&str; 5] = ["A, lower part", "A", "B", "C", "D"];

/// Spectra of the paths over the classes of ISO 8608.
#[must_use]
pub fn spectrum_chart(paths: &[PathFigures]) -> Chart {
    let range = [0.01, 10.0];
    let at = |level: f64, n: f64| [n, level * (n / REFERENCE_PER_M).powi(-2)];
    let class = |(k, name): (i32, &&str)| {
        let high = CLASS_A_M3 * CLASS_RATIO.powi(k - 1);
        let (low, [a, b]) = (high / CLASS_RATIO, range);
        (
            (*name).to_owned(),
            [at(low, a), at(low, b), at(high, b), at(high, a)],
        )
    };
    let third = |b: &Band| [b.n_per_m, b.density_m3];
    let mut lines: Vec<Line> = paths
        .iter()
        .enumerate()
        .map(|(style, p)| Line {
            name: format!("mesh, {}", p.name),
            points: p.mesh.third_octaves.iter().map(third).collect(),
            style,
        })
        .collect();
    if let Some(carried) = paths.first().filter(|p| !p.bands.is_empty()) {
        let over = |of: fn(&CarriedBand) -> f64| {
            let point = |b: &CarriedBand| {
                let v = of(b);
                [1.0 / b.wavelength_m, if v > 0.0 { v } else { f64::NAN }]
            };
            carried.bands.iter().map(point).collect()
        };
        lines.push(Line {
            name: "points, free of noise (left)".to_owned(),
            points: over(|b| where_sure(b, b.road_m3)),
            style: 4,
        });
        lines.push(Line {
            name: "noise of half the points (left)".to_owned(),
            points: over(|b| b.noise_m3),
            style: 2,
        });
    }
    Chart {
        title: "Spectrum of the wheel paths, third octaves, over the classes of ISO 8608"
            .to_owned(),
        x: axis("cycles per metre", range, Scale::Log),
        y: axis("displacement spectrum, m³", [1e-11, 1e-1], Scale::Log),
        areas: (0..).zip(&CLASSES).map(class).collect(),
        bands: Vec::new(),
        dots: Vec::new(),
        rules: Vec::new(),
        lines,
    }
}

/// Nothing where the points do not tell the road: noise would pass for coherence and gain.
fn where_sure(band: &CarriedBand, value: f64) -> f64 {
    if band.is_sure() { value } else { f64::NAN }
}

/// Coherence and gain of mesh and road by wavelength, as far as the points tell.
#[must_use]
pub fn coherence_chart(paths: &[PathFigures]) -> Chart {
    let mut lines = Vec::new();
    let mut rules = vec![(
        "half road, half noise".to_owned(),
        [[0.2, 0.5], [10.0, 0.5]],
    )];
    for (k, path) in paths.iter().enumerate() {
        let carried = path;
        if carried.bands.is_empty() {
            continue;
        }
        let of = |value: fn(&CarriedBand) -> f64| {
            carried
                .bands
                .iter()
                .map(|b| [b.wavelength_m, where_sure(b, value(b))])
                .collect()
        };
        let name = |what: &str| format!("{what}, {}", path.name);
        lines.push(Line {
            name: name("coherence²"),
            points: of(|b| b.coherence),
            style: 2 * k,
        });
        lines.push(Line {
            name: name("gain"),
            points: of(|b| b.gain),
            style: 2 * k + 1,
        });
        if let Some(lambda) = carried.resolved_m {
            let ends = [[lambda, 1.18 - 0.1 * k as f64], [lambda, 0.0]];
            rules.push((format!("{}: λ = {lambda:.2} m", path.name), ends));
        }
    }
    Chart {
        title: "How much of the road the mesh carries, by wavelength, as far as the points tell"
            .to_owned(),
        x: axis("wavelength, m", [0.2, 10.0], Scale::Log),
        y: axis(
            "squared coherence with the road; gain",
            [0.0, 1.2],
            Scale::Linear,
        ),
        areas: Vec::new(),
        bands: Vec::new(),
        dots: Vec::new(),
        rules,
        lines,
    }
}

fn longest_m(paths: &[PathFigures]) -> f64 {
    paths.iter().map(|p| p.mesh.length_m).fold(1.0, f64::max)
}

/// A chart of steps along the lap, one line a path.
fn along(
    paths: &[PathFigures],
    title: &str,
    unit: &str,
    of: impl Fn(&PathFigures) -> Vec<[f64; 3]>,
) -> Chart {
    let mut lines = Vec::new();
    let mut most = 1e-3f64;
    for (style, path) in paths.iter().enumerate() {
        let mut points = Vec::new();
        for [from, to, value] in of(path) {
            points.extend([[from, value], [to, value]]);
            most = if value.is_finite() {
                most.max(value)
            } else {
                most
            };
        }
        lines.push(Line {
            name: path.name.to_owned(),
            points,
            style,
        });
    }
    Chart {
        title: title.to_owned(),
        x: axis(
            "way along the path, m",
            [0.0, longest_m(paths)],
            Scale::Linear,
        ),
        y: axis(unit, [0.0, 1.1 * most], Scale::Linear),
        areas: Vec::new(),
        bands: Vec::new(),
        dots: Vec::new(),
        rules: Vec::new(),
        lines,
    }
}

/// IRI along the lap by sections of 20 m.
#[must_use]
pub fn iri_chart(paths: &[PathFigures]) -> Chart {
    let of = |p: &PathFigures| {
        let value = |s: &Section| [s.from_m, s.to_m, s.iri_mm_per_m.unwrap_or(f64::NAN)];
        p.mesh.sections_20_m.iter().map(value).collect()
    };
    along(
        paths,
        "IRI along the lap, sections of 20 m",
        "IRI, mm/m",
        of,
    )
}

/// Largest straightedge gap along the lap by sections of 20 m.
#[must_use]
pub fn straightedge_chart(paths: &[PathFigures]) -> Chart {
    let of = |p: &PathFigures| {
        let gap = |s: &Section| s.straightedge.map_or(f64::NAN, |g| 1e3 * g.depth_m);
        let value = |s: &Section| [s.from_m, s.to_m, gap(s)];
        p.mesh.sections_20_m.iter().map(value).collect()
    };
    along(
        paths,
        "Largest gap under the 3 m straightedge, sections of 20 m",
        "gap, mm",
        of,
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::roughness::{EventParams, IndexParams, Profile};

    #[test]
    fn bands_that_noise_hides_are_not_drawn() {
        let band = |wavelength_m: f64, road_sd_m3: f64| CarriedBand {
            wavelength_m,
            limits_per_m: [0.9 / wavelength_m, 1.1 / wavelength_m],
            road_m3: 1e-8,
            road_sd_m3,
            plain_m3: 2e-8,
            noise_m3: 2e-8,
            halves_coherence: 0.1,
            surface_m3: 1e-8,
            surface_db: Some(0.0),
            gain: 1.4,
            coherence: 1.4,
        };
        let profile = Profile {
            step_m: 0.05,
            z_m: vec![0.0; 4000],
            closed: false,
        };
        let params = IndexParams {
            speed_km_h: 200.0,
            events: EventParams::default(),
        };
        let figures = PathFigures {
            name: "left",
            mesh: &profile.indices(&params),
            bands: &[band(1.0, 1e-9), band(0.4, 6e-9)],
            resolved_m: Some(0.5),
        };
        let chart = coherence_chart(&[figures]);
        for line in &chart.lines {
            assert!((line.points[0][1] - 1.4).abs() < 1e-12 && line.points[1][1].is_nan());
        }
        assert_eq!(chart.lines.len(), 2);
    }
}
