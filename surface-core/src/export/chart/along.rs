//! Shortest wavelength carried along the lap, a strip a path.

use super::axes::{Axis, Chart, Line, Scale};
use super::sheet::Sheet;
use crate::roughness::WavelengthAt;

/// Wavelengths that are drawn, metres: spectra of 100 m tell no longer ones.
const SHOWN_M: [f64; 2] = [0.1, 3.5];
/// Where places are marked at which none is carried, metres.
const UNRESOLVED_M: f64 = 3.3;

/// λ along each path, by name; of paths of `length_m`.
#[must_use]
pub fn wavelength_sheet(paths: &[(&str, &[WavelengthAt])], length_m: f64) -> Sheet {
    let strip = |(name, along): &(&str, &[WavelengthAt])| strip(name, along, length_m);
    Sheet {
        title: "Shortest wavelength that the mesh carries, each 20 m by the 100 m around it"
            .to_owned(),
        columns: 1,
        size: [960.0, 270.0],
        charts: paths.iter().map(strip).collect(),
    }
}

fn strip(name: &str, along: &[WavelengthAt], length_m: f64) -> Chart {
    let steps = |of: &dyn Fn(&WavelengthAt) -> Option<f64>| -> Vec<[f64; 2]> {
        let ends = |w: &WavelengthAt| {
            let v = of(w).unwrap_or(f64::NAN);
            [[w.from_m, v], [w.to_m, v]]
        };
        along.iter().flat_map(ends).collect()
    };
    let line = |name: &str, points, style| Line {
        name: name.to_owned(),
        points,
        style,
    };
    let none = |w: &WavelengthAt| w.resolved_m.is_none().then_some(UNRESOLVED_M);
    Chart {
        title: format!("{name} wheel path"),
        x: Axis {
            title: "way along the path, m".to_owned(),
            range: [0.0, length_m],
            scale: Scale::Linear,
        },
        y: Axis {
            title: "λ, m".to_owned(),
            range: SHOWN_M,
            scale: Scale::Log,
        },
        areas: Vec::new(),
        bands: Vec::new(),
        dots: Vec::new(),
        rules: Vec::new(),
        lines: vec![
            line("λ: waves above it are carried", steps(&|w| w.resolved_m), 0),
            line("none is, or too few points to tell", steps(&none), 1),
            line(
                "shortest wave that the points can tell",
                steps(&|w| w.told_m),
                2,
            ),
        ],
    }
}
