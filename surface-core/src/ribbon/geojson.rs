//! The ribbon as GeoJSON text in world coordinates, and back without losing a bit.

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::{
    CURVATURE_BOUND, EdgeError, Edges, Gap, LineError, ReferenceLine, Ribbon, RibbonPoint, Side,
};
use crate::cloud::Frame;

/// Version of the file's layout.
const FORMAT_VERSION: u32 = 1;
/// Edge vertices are only for viewers (t samples carry the edge); they are written in this unit.
const EDGE_VERTEX_PER_M: f64 = 1e4;

/// Why a text is not a ribbon.
#[derive(Debug, thiserror::Error)]
pub enum RibbonFileError {
    /// Not JSON, or a member is missing or of the wrong kind.
    #[error("not a ribbon file: {0}")]
    Layout(#[from] serde_json::Error),
    /// No feature plays a part that must be there.
    #[error("the ribbon file has no feature with the role {role:?}")]
    MissingRole {
        /// The role.
        role: &'static str,
    },
    /// Written by a later version.
    #[error("the ribbon file has format version {found}, this program reads up to {known}")]
    Version {
        /// What the file says.
        found: u32,
        /// What can be read.
        known: u32,
    },
    /// Samples and length of the edges do not go together.
    #[error("{samples} edge samples at {step_m} m do not cover a line of {length_m} m")]
    EdgeLength {
        /// How many samples.
        samples: usize,
        /// Their step, metres.
        step_m: f64,
        /// Length of the line, metres.
        length_m: f64,
    },
    /// The line is unusable.
    #[error("the ribbon file's line: {0}")]
    Line(#[from] LineError),
    /// The edges are unusable.
    #[error("the ribbon file's edges: {0}")]
    Edges(#[from] EdgeError),
}

impl RibbonFileError {
    /// What the user can do about it, as one sentence.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Version { .. } => {
                "make the ribbon again with `surface ribbon` of this version, or use the later one"
            }
            _ => {
                "the ribbon is damaged: make it again with `surface ribbon SCAN... --out FILE`, or give a rough line"
            }
        }
    }
}

#[derive(Deserialize)]
struct FileIn {
    format_version: u32,
    origin: [f64; 3],
    features: Vec<FeatureIn>,
}

#[derive(Deserialize)]
struct FeatureIn {
    geometry: GeometryIn,
    properties: Value,
}

#[derive(Deserialize)]
struct GeometryIn {
    coordinates: Vec<Vec<f64>>,
}

#[derive(Serialize, Deserialize)]
struct LineProperties {
    closed: bool,
    knot_step_m: f64,
    #[serde(default)]
    gaps: Vec<Gap>,
}

#[derive(Serialize, Deserialize)]
struct EdgeProperties {
    step_m: f64,
    t_m: Vec<f64>,
}

impl Ribbon {
    /// The ribbon as a GeoJSON FeatureCollection in world coordinates (those of the scans, not
    /// longitude and latitude): reference line, left edge, right edge.
    ///
    /// # Errors
    /// [`RibbonFileError::Layout`] when a number is not finite.
    pub fn to_geojson(&self) -> Result<String, RibbonFileError> {
        let file = json!({
            "type": "FeatureCollection",
            "format_version": FORMAT_VERSION,
            "origin": self.frame.origin_m,
            "features": [
                self.line_feature(),
                self.edge_feature(Side::Left),
                self.edge_feature(Side::Right),
            ],
        });
        let mut text = serde_json::to_string(&file)?;
        text.push('\n');
        Ok(text)
    }

    /// Whether a text is (or was) what [`Ribbon::to_geojson`] writes, so that one that is damaged is
    /// not taken for a rough line.
    #[must_use]
    pub fn is_ribbon(text: &str) -> bool {
        ["\"knot_step_m\"", "\"left_edge\""]
            .iter()
            .all(|part| text.contains(part))
    }

    /// Read what [`Ribbon::to_geojson`] wrote; the same ribbon, bit for bit.
    ///
    /// # Errors
    /// [`RibbonFileError`] with what is missing or wrong.
    pub fn from_geojson(text: &str) -> Result<Self, RibbonFileError> {
        let file: FileIn = serde_json::from_str(text)?;
        if file.format_version > FORMAT_VERSION {
            return Err(RibbonFileError::Version {
                found: file.format_version,
                known: FORMAT_VERSION,
            });
        }
        let frame = Frame {
            origin_m: file.origin,
        };
        let (coordinates, properties) = feature::<LineProperties>(&file, "reference_line")?;
        let line = line_from(&frame, coordinates, &properties)?;
        let (_, left) = feature::<EdgeProperties>(&file, "left_edge")?;
        let (_, right) = feature::<EdgeProperties>(&file, "right_edge")?;
        let edges = Edges::new(left.step_m, left.t_m, right.t_m, line.is_closed())?;
        check_cover(&edges, &line)?;
        let gaps = properties.gaps;
        Ok(Self {
            frame,
            line,
            edges,
            gaps,
        })
    }

    fn line_feature(&self) -> Value {
        let line = &self.line;
        let mut coordinates: Vec<[f64; 2]> = line.knots().iter().map(|k| self.world(*k)).collect();
        if line.is_closed() {
            coordinates.push(coordinates[0]);
        }
        let [least, mean, most] = self.widths_m();
        json!({
            "type": "Feature",
            "geometry": { "type": "LineString", "coordinates": coordinates },
            "properties": {
                "role": "reference_line",
                "closed": line.is_closed(),
                "length_m": line.length_m(),
                "knot_step_m": line.knot_step_m(),
                "curvature_bound": CURVATURE_BOUND,
                "curvature_bound_per_m": self.curvature_bound_per_m(),
                "width_min_m": least,
                "width_mean_m": mean,
                "width_max_m": most,
                "gaps": self.gaps,
            },
        })
    }

    /// The curvature that a line in the middle of the widest place may have.
    fn curvature_bound_per_m(&self) -> f64 {
        2.0 * CURVATURE_BOUND / self.widths_m()[2]
    }

    fn edge_feature(&self, side: Side) -> Value {
        let (role, t_m) = match side {
            Side::Left => ("left_edge", &self.edges.left_t_m),
            Side::Right => ("right_edge", &self.edges.right_t_m),
        };
        let vertex = |(k, &t): (usize, &f64)| {
            let s = k as f64 * self.edges.step_m;
            let p = self.world(self.line.to_local(RibbonPoint { s, t }));
            p.map(|v| (v * EDGE_VERTEX_PER_M).round() / EDGE_VERTEX_PER_M)
        };
        let mut coordinates: Vec<[f64; 2]> = t_m.iter().enumerate().map(vertex).collect();
        if self.line.is_closed() {
            coordinates.push(coordinates[0]);
        }
        json!({
            "type": "Feature",
            "geometry": { "type": "LineString", "coordinates": coordinates },
            "properties": { "role": role, "step_m": self.edges.step_m, "t_m": t_m },
        })
    }

    fn world(&self, p: [f64; 2]) -> [f64; 2] {
        [p[0] + self.frame.origin_m[0], p[1] + self.frame.origin_m[1]]
    }
}

fn feature<'a, P: serde::de::DeserializeOwned>(
    file: &'a FileIn,
    role: &'static str,
) -> Result<(&'a [Vec<f64>], P), RibbonFileError> {
    let plays = |f: &&FeatureIn| f.properties.get("role").and_then(Value::as_str) == Some(role);
    let found = file.features.iter().find(plays);
    let found = found.ok_or(RibbonFileError::MissingRole { role })?;
    let properties = P::deserialize(&found.properties)?;
    Ok((&found.geometry.coordinates, properties))
}

fn line_from(
    frame: &Frame,
    coordinates: &[Vec<f64>],
    properties: &LineProperties,
) -> Result<ReferenceLine, LineError> {
    let local = |(index, c): (usize, &Vec<f64>)| match c.as_slice() {
        [x, y, ..] => Ok([x - frame.origin_m[0], y - frame.origin_m[1]]),
        _ => Err(LineError::NotFinite { index }),
    };
    let knots: Result<Vec<[f64; 2]>, LineError> =
        coordinates.iter().enumerate().map(local).collect();
    let mut knots = knots?;
    if properties.closed {
        knots.pop();
    }
    ReferenceLine::through(knots, properties.knot_step_m, properties.closed)
}

fn check_cover(edges: &Edges, line: &ReferenceLine) -> Result<(), RibbonFileError> {
    let samples = edges.left_t_m.len();
    let pieces = if edges.closed { samples } else { samples - 1 };
    let cover = pieces as f64 * edges.step_m;
    if (cover - line.length_m()).abs() <= 1e-6 * line.length_m() {
        Ok(())
    } else {
        Err(RibbonFileError::EdgeLength {
            samples,
            step_m: edges.step_m,
            length_m: line.length_m(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ribbon::LineParams;

    fn ribbon(closed: bool) -> Ribbon {
        let at = |k: i32| {
            let a = f64::from(k) * 0.0628;
            [
                700.0 + 40.0 * a.cos() + 0.1 * f64::from(k % 3),
                55.5 * a.sin(),
            ]
        };
        let rough: Vec<_> = (0..if closed { 100 } else { 70 }).map(at).collect();
        let line = ReferenceLine::fit(&rough, closed, &LineParams::default()).unwrap();
        let mut edges = Edges::constant(line.length_m(), closed, 0.5, 4.0, -5.0).unwrap();
        for (k, t) in edges.left_t_m.iter_mut().enumerate() {
            *t += 0.3 * (k as f64 / 9.0).sin();
        }
        let frame = Frame {
            origin_m: [487_654.0, 5_812_345.0, 123.0],
        };
        let gaps = vec![Gap {
            from_s_m: 12.25,
            to_s_m: 14.75,
            side: Side::Right,
            reason: "no points".to_owned(),
        }];
        Ribbon {
            frame,
            line,
            edges,
            gaps,
        }
    }

    #[test]
    fn a_ribbon_comes_back_from_text_bit_for_bit() {
        for closed in [false, true] {
            let before = ribbon(closed);
            let text = before.to_geojson().unwrap();
            let after = Ribbon::from_geojson(&text).unwrap();
            assert_eq!(before, after);
            for (a, b) in before
                .line
                .knots()
                .iter()
                .flatten()
                .zip(after.line.knots().iter().flatten())
            {
                assert_eq!(a.to_bits(), b.to_bits());
            }
            assert_eq!(after.to_geojson().unwrap(), text);
        }
    }

    #[test]
    fn a_file_without_an_edge_says_which() {
        let text = ribbon(true)
            .to_geojson()
            .unwrap()
            .replace("left_edge", "kerb");
        let error = Ribbon::from_geojson(&text).unwrap_err().to_string();
        assert!(error.contains("left_edge"), "{error}");
        let later = ribbon(true)
            .to_geojson()
            .unwrap()
            .replace("\"format_version\":1", "\"format_version\":9");
        assert!(matches!(
            Ribbon::from_geojson(&later),
            Err(RibbonFileError::Version { found: 9, .. })
        ));
    }
}
