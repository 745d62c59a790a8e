//! Breaklines as GeoJSON text in world coordinates, and back without losing a bit.

use serde::{Deserialize, Serialize};
use serde_json::json;

use super::breakline::{Breakline, Breaklines};
use crate::ribbon::{Ribbon, RibbonPoint};

/// Version of the file's layout.
const FORMAT_VERSION: u32 = 1;
/// World vertices are only for viewers ((s, t) carry the line); they are written in this unit.
const VERTEX_PER_M: f64 = 1e4;

/// Why a text is no list of breaklines.
#[derive(Debug, thiserror::Error)]
pub enum BreaklineFileError {
    /// Not JSON, or a member is missing or of the wrong kind.
    #[error("not a breakline file: {0}")]
    Layout(#[from] serde_json::Error),
    /// Written by a later version.
    #[error("the breakline file has format version {found}, this program reads up to {known}")]
    Version {
        /// What the file says.
        found: u32,
        /// What can be read.
        known: u32,
    },
    /// A line has not as many s as t.
    #[error("breakline {line} has {s} places along and {t} across")]
    Length {
        /// Which line of the file.
        line: usize,
        /// How many s it has.
        s: usize,
        /// How many t it has.
        t: usize,
    },
}

#[derive(Deserialize)]
struct FileIn {
    format_version: u32,
    features: Vec<FeatureIn>,
}

#[derive(Deserialize)]
struct FeatureIn {
    properties: LineProperties,
}

#[derive(Serialize, Deserialize)]
struct LineProperties {
    role: String,
    /// Mean height left of the line less right of it, metres.
    step_m: f64,
    sd_m: f64,
    s_m: Vec<f64>,
    t_m: Vec<f64>,
    /// What gives the line its place in the order ([`Breaklines::ranked`]).
    order_s_m: [f64; 2],
}

impl Breaklines {
    /// The lines as a GeoJSON FeatureCollection in world coordinates, with their (s, t) on
    /// `ribbon` as properties.
    ///
    /// # Errors
    /// [`BreaklineFileError::Layout`] when a number is not finite.
    pub fn to_geojson(&self, ribbon: &Ribbon) -> Result<String, BreaklineFileError> {
        let features: Vec<serde_json::Value> = self
            .with_ranks()
            .map(|(line, rank)| feature(line, rank, ribbon))
            .collect();
        let file = json!({
            "type": "FeatureCollection",
            "format_version": FORMAT_VERSION,
            "origin": ribbon.frame.origin_m,
            "features": features,
        });
        Ok(serde_json::to_string(&file)? + "\n")
    }

    /// Read what [`Breaklines::to_geojson`] wrote; the same lines, bit for bit.
    ///
    /// # Errors
    /// [`BreaklineFileError`] with what is missing or wrong.
    pub fn from_geojson(text: &str) -> Result<Self, BreaklineFileError> {
        let file: FileIn = serde_json::from_str(text)?;
        if file.format_version > FORMAT_VERSION {
            return Err(BreaklineFileError::Version {
                found: file.format_version,
                known: FORMAT_VERSION,
            });
        }
        let pieces = file.features.into_iter().enumerate().map(line_of);
        Ok(Self::ranked(pieces.collect::<Result<Vec<_>, _>>()?))
    }
}

fn feature(line: &Breakline, order_s_m: [f64; 2], ribbon: &Ribbon) -> serde_json::Value {
    let [east, north, _] = ribbon.frame.origin_m;
    let rounded = |v: f64| (v * VERTEX_PER_M).round() / VERTEX_PER_M;
    let world = |p: &RibbonPoint| {
        let s = ribbon.line.wrap_s(p.s);
        let [x, y] = ribbon.line.to_local(RibbonPoint { s, t: p.t });
        [rounded(x + east), rounded(y + north)]
    };
    let coordinates: Vec<[f64; 2]> = line.points.iter().map(world).collect();
    let properties = LineProperties {
        role: "breakline".to_owned(),
        step_m: line.step_m,
        sd_m: line.sd_m,
        s_m: line.points.iter().map(|p| p.s).collect(),
        t_m: line.points.iter().map(|p| p.t).collect(),
        order_s_m,
    };
    json!({
        "type": "Feature",
        "geometry": { "type": "LineString", "coordinates": coordinates },
        "properties": properties,
    })
}

fn line_of(
    (line, feature): (usize, FeatureIn),
) -> Result<(Breakline, [f64; 2]), BreaklineFileError> {
    let p = feature.properties;
    if p.s_m.len() != p.t_m.len() {
        let (s, t) = (p.s_m.len(), p.t_m.len());
        return Err(BreaklineFileError::Length { line, s, t });
    }
    let places = p.s_m.iter().zip(&p.t_m);
    let points = places.map(|(&s, &t)| RibbonPoint { s, t }).collect();
    let found = Breakline {
        points,
        step_m: p.step_m,
        sd_m: p.sd_m,
    };
    Ok((found, p.order_s_m))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::Frame;
    use crate::ribbon::{Edges, ReferenceLine};

    fn ribbon() -> Ribbon {
        let knots = (0..21)
            .map(|k| [f64::from(k), 0.1 * f64::from(k)])
            .collect();
        let line = ReferenceLine::through(knots, 1.0, false).unwrap();
        let samples = crate::numeric::to_index((line.length_m() / 0.5).ceil()) + 1;
        Ribbon {
            frame: Frame {
                origin_m: [500_000.0, 5_400_000.0, 200.0],
            },
            edges: Edges::new(0.5, vec![4.0; samples], vec![-4.0; samples], false).unwrap(),
            line,
            gaps: Vec::new(),
        }
    }

    #[test]
    fn lines_come_back_bit_for_bit_in_their_order() {
        let line = |from: f64, t: f64| Breakline {
            points: (0..9)
                .map(|k| RibbonPoint {
                    s: from + 0.25 * f64::from(k) / 3.0,
                    t: t + 1e-3 / 7.0 * f64::from(k),
                })
                .collect(),
            step_m: 0.004 / 3.0,
            sd_m: 1e-4 / 3.0,
        };
        let pieces = vec![
            (line(1.0, 0.1), [1.0, 15.0]),
            (line(9.0, 0.1), [1.0, 15.0]),
            (line(2.0, -1.5), [2.0, 2.7]),
        ];
        let lines = Breaklines::ranked(pieces);
        let text = lines.to_geojson(&ribbon()).unwrap();
        assert_eq!(Breaklines::from_geojson(&text).unwrap(), lines);
        assert!(text.contains("500001."), "{text}");
        let none = Breaklines::default();
        let text = none.to_geojson(&ribbon()).unwrap();
        assert_eq!(Breaklines::from_geojson(&text).unwrap(), none);
    }

    #[test]
    fn later_versions_and_uneven_lines_are_refused() {
        let later = r#"{"format_version": 2, "features": []}"#;
        let error = Breaklines::from_geojson(later).unwrap_err();
        assert!(matches!(
            error,
            BreaklineFileError::Version { found: 2, .. }
        ));
        let uneven = r#"{"format_version": 1, "features": [{"properties": {"role": "breakline",
            "step_m": 0, "sd_m": 0, "s_m": [1], "t_m": [], "order_s_m": [1, 1]}}]}"#;
        let error = Breaklines::from_geojson(uneven).unwrap_err();
        assert!(matches!(
            error,
            BreaklineFileError::Length { s: 1, t: 0, .. }
        ));
        assert!(Breaklines::from_geojson("{}").is_err());
    }
}
