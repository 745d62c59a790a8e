//! Patches of smooth asphalt, and what each setup measured there.

/// The setup number of a surveyed height among the sights of a place.
pub const SURVEYED: u16 = u16::MAX;

/// What one setup measured of a place.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Sight {
    /// Which setup.
    pub setup: u16,
    /// Points that count.
    pub n: f32,
    /// Their mean height over the place's plane, metres.
    pub mean_m: f32,
    /// Variance of one point's height about that mean, m².
    pub variance_m2: f32,
    /// Mean intensity of its points; 0 where the scans have none.
    pub intensity: f32,
}

/// One place: where it is, and who saw it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place<'a> {
    /// Local x, y and the plane's height there, metres.
    pub xyz_m: [f64; 3],
    /// One entry a setup.
    pub sights: &'a [Sight],
}

/// All places of a course. Twenty bytes a sight: some 20 MB for 6 km of road that five setups see
/// everywhere.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Places {
    xyz_m: Vec<[f64; 3]>,
    end: Vec<usize>,
    sights: Vec<Sight>,
}

impl Places {
    /// Add a place.
    pub fn push(&mut self, xyz_m: [f64; 3], sights: &[Sight]) {
        self.xyz_m.push(xyz_m);
        self.sights.extend_from_slice(sights);
        self.end.push(self.sights.len());
    }

    /// Add the places of another part of the course after these.
    pub fn append(&mut self, other: &Self) {
        for place in other.iter() {
            self.push(place.xyz_m, place.sights);
        }
    }

    /// Number of places.
    #[must_use]
    pub fn len(&self) -> usize {
        self.end.len()
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.end.is_empty()
    }

    /// All places in order.
    pub fn iter(&self) -> impl Iterator<Item = Place<'_>> {
        (0..self.len()).map(|k| {
            let from = k.checked_sub(1).map_or(0, |before| self.end[before]);
            Place {
                xyz_m: self.xyz_m[k],
                sights: &self.sights[from..self.end[k]],
            }
        })
    }
}
