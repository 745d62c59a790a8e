//! Areas in which change is expected.

/// Why a text holds no areas.
#[derive(Debug, thiserror::Error)]
pub enum AreaError {
    /// Not JSON.
    #[error("not GeoJSON: {0}")]
    Json(#[from] serde_json::Error),
    /// A geometry is no area.
    #[error("a geometry of type {0:?} is no area: give Polygon or MultiPolygon")]
    NotAnArea(String),
    /// A ring of a polygon has too few places, or they are no numbers.
    #[error("ring {ring} is no list of four places or more")]
    Ring {
        /// Which ring of the file.
        ring: usize,
    },
}

/// Polygons in world coordinates (those of the scans).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Areas {
    /// Rings; a place is inside where it is inside an odd number of the rings of a polygon.
    polygons: Vec<Vec<Vec<[f64; 2]>>>,
}

impl Areas {
    /// Read GeoJSON: a FeatureCollection, a Feature or a geometry, of polygons. No polygons at all
    /// say that no change is expected anywhere.
    ///
    /// # Errors
    /// [`AreaError`] with what is wrong.
    ///
    /// ```
    /// let text = r#"{"type": "Polygon", "coordinates": [[[0, 0], [9, 0], [9, 9], [0, 0]]]}"#;
    /// let areas = surface_core::rescan::Areas::parse(text)?;
    /// assert!(areas.contains([6.0, 3.0]) && !areas.contains([3.0, 6.0]));
    /// # Ok::<(), surface_core::rescan::AreaError>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self, AreaError> {
        let mut out = Self::default();
        let (file, mut rings) = (serde_json::from_str(text)?, 0);
        out.add(&file, &mut rings)?;
        Ok(out)
    }

    fn add(&mut self, value: &serde_json::Value, rings: &mut usize) -> Result<(), AreaError> {
        let kind = value["type"].as_str().unwrap_or("none");
        let none = Vec::new();
        let list = |name: &str| value[name].as_array().unwrap_or(&none);
        match kind {
            "FeatureCollection" => list("features").iter().try_for_each(|f| self.add(f, rings)),
            "GeometryCollection" => list("geometries")
                .iter()
                .try_for_each(|g| self.add(g, rings)),
            "Feature" => self.add(&value["geometry"], rings),
            "Polygon" => self.polygon(list("coordinates"), rings),
            "MultiPolygon" => list("coordinates")
                .iter()
                .try_for_each(|polygon| self.polygon(polygon.as_array().unwrap_or(&none), rings)),
            other => Err(AreaError::NotAnArea(other.to_owned())),
        }
    }

    fn polygon(&mut self, list: &[serde_json::Value], rings: &mut usize) -> Result<(), AreaError> {
        let mut polygon = Vec::new();
        for ring in list {
            *rings += 1;
            let place = |p: &serde_json::Value| Some([p[0].as_f64()?, p[1].as_f64()?]);
            let places: Option<Vec<[f64; 2]>> =
                ring.as_array().and_then(|r| r.iter().map(place).collect());
            let places = places.filter(|p| p.len() >= 4);
            polygon.push(places.ok_or(AreaError::Ring { ring: *rings })?);
        }
        self.polygons.push(polygon);
        Ok(())
    }

    /// The areas with all coordinates times `factor`: from another unit to metres.
    #[must_use]
    pub fn scaled(mut self, factor: f64) -> Self {
        let rings = self.polygons.iter_mut().flatten();
        let places = rings.flat_map(|ring| ring.iter_mut());
        places.flatten().for_each(|v| *v *= factor);
        self
    }

    /// Whether a place (world x, y) lies in one of the areas.
    #[must_use]
    pub fn contains(&self, at: [f64; 2]) -> bool {
        let inside = |polygon: &Vec<Vec<[f64; 2]>>| {
            polygon.iter().filter(|ring| is_inside(ring, at)).count() % 2 == 1
        };
        self.polygons.iter().any(inside)
    }

    /// Whether a place lies in one of the areas or within `reach_m` of one's border.
    #[must_use]
    pub fn reaches(&self, at: [f64; 2], reach_m: f64) -> bool {
        let mut rings = self.polygons.iter().flatten();
        self.contains(at) || rings.any(|ring| distance_m(ring, at) <= reach_m)
    }
}

/// How far the nearest place of a ring is, metres.
fn distance_m(ring: &[[f64; 2]], [x, y]: [f64; 2]) -> f64 {
    let ends = ring.iter().zip(ring.iter().cycle().skip(1));
    let to = |(a, b): (&[f64; 2], &[f64; 2])| {
        let (along, from) = ([b[0] - a[0], b[1] - a[1]], [x - a[0], y - a[1]]);
        let square = along[0] * along[0] + along[1] * along[1];
        let foot = (from[0] * along[0] + from[1] * along[1]) / square.max(f64::MIN_POSITIVE);
        let foot = foot.clamp(0.0, 1.0);
        (from[0] - foot * along[0]).hypot(from[1] - foot * along[1])
    };
    ends.map(to).fold(f64::INFINITY, f64::min)
}

/// Whether a line eastward from the place crosses the ring an odd number of times.
fn is_inside(ring: &[[f64; 2]], [x, y]: [f64; 2]) -> bool {
    let ends = ring.iter().zip(ring.iter().cycle().skip(1));
    let crosses = |(a, b): &(&[f64; 2], &[f64; 2])| {
        (a[1] > y) != (b[1] > y) && x < a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
    };
    ends.filter(crosses).count() % 2 == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holes_are_outside_and_what_is_no_area_is_refused() {
        let text = r#"{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {},
            "geometry": {"type": "MultiPolygon", "coordinates": [
                [[[0,0],[10,0],[10,10],[0,10],[0,0]], [[4,4],[6,4],[6,6],[4,6],[4,4]]],
                [[[20,0],[30,0],[30,10],[20,10],[20,0]]]]}}]}"#;
        let areas = Areas::parse(text).unwrap();
        let found = [[5.0, 2.0], [5.0, 5.0], [25.0, 5.0], [15.0, 5.0]].map(|p| areas.contains(p));
        assert_eq!(found, [true, false, true, false]);
        // 1 m within the hole, 3 m beside the second polygon, 5 m off its corner.
        let near = |at, reach_m| areas.reaches(at, reach_m);
        assert!(near([5.0, 5.0], 1.0) && !near([5.0, 5.0], 0.9));
        assert!(near([33.0, 5.0], 3.0) && !near([33.0, 5.0], 2.9));
        assert!(near([33.0, 14.0], 5.01) && !near([33.0, 14.0], 4.99));
        assert!(near([25.0, 5.0], 0.0));
        let point = r#"{"type": "Point", "coordinates": [1, 2]}"#;
        assert!(matches!(Areas::parse(point), Err(AreaError::NotAnArea(_))));
        let short = r#"{"type": "Polygon", "coordinates": [[[0, 0], [1, 1]]]}"#;
        assert!(matches!(
            Areas::parse(short),
            Err(AreaError::Ring { ring: 1 })
        ));
        assert!(Areas::parse("{").is_err());
        let nothing = r#"{"type": "FeatureCollection", "features": []}"#;
        assert!(!Areas::parse(nothing).unwrap().contains([0.0, 0.0]));
    }
}
