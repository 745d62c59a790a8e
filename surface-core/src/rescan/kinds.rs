//! What kind of change a place shows.

/// What happened to a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// It lies higher: a new layer, a new panel, a filled dip.
    Raised,
    /// It lies lower: milled, settled, worn.
    Lowered,
    /// A bump or ridge stands there no more.
    BumpGone,
    /// A bump stands where the road was even.
    NewBump,
    /// A step along a line lies elsewhere, or is of another height.
    SeamMoved,
    /// A kerb was replaced, or its height changed.
    KerbChanged,
}

impl Kind {
    /// The word in reports and tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Lowered => "lowered",
            Self::BumpGone => "bump gone",
            Self::NewBump => "new bump",
            Self::SeamMoved => "seam moved",
            Self::KerbChanged => "kerb changed",
        }
    }
}

/// Share of a place that must be by the edge for a kerb, or along a breakline for a seam.
const MOSTLY: f64 = 0.75;
/// Narrower places along a breakline are the seam itself, metres.
const SEAM_WIDTH_M: f64 = 0.5;
/// A kerb stands out of the ground around it by this, metres.
const KERB_M: f64 = 0.010;
/// Larger places are no bumps, m².
const BUMP_M2: f64 = 16.0;
/// The middle of a bump stands over its mean by this factor; a panel is even.
const PEAKED: f64 = 1.35;

/// What of a place tells its kind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Signs {
    pub rose: bool,
    pub area_m2: f64,
    pub length_m: f64,
    /// Greatest over mean difference.
    pub peak: f64,
    /// Root mean square of old and new heights about the plane of the ground around, metres.
    pub relief_m: [f64; 2],
    /// How alike the change (its opposite) is to the new (the old) heights about that plane: their
    /// correlation. A bump that came is like the new ground, one that went was like the old.
    pub alike: [f64; 2],
    /// Share of its cells beside an edge of the road.
    pub by_edge: f64,
    /// Share of its cells beside an old or new breakline.
    pub along_line: f64,
}

impl Signs {
    pub fn kind(&self) -> Kind {
        let [old, new] = self.relief_m;
        let width_m = self.area_m2 / self.length_m.max(0.1);
        if self.by_edge > MOSTLY && old.max(new) > KERB_M {
            return Kind::KerbChanged;
        }
        if self.along_line > MOSTLY && width_m < SEAM_WIDTH_M && self.length_m > 3.0 * width_m {
            return Kind::SeamMoved;
        }
        let bump = self.area_m2 < BUMP_M2 && self.peak > PEAKED;
        let [went, came] = self.alike;
        match self.rose {
            true if bump && came > went => Kind::NewBump,
            false if bump && went > came => Kind::BumpGone,
            true => Kind::Raised,
            false => Kind::Lowered,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_are_told_by_shape_surroundings_and_what_is_evener() {
        let panel = Signs {
            rose: true,
            area_m2: 56.0,
            length_m: 14.0,
            peak: 1.1,
            relief_m: [0.001, 0.009],
            alike: [0.0, 0.9],
            by_edge: 0.1,
            along_line: 0.2,
        };
        assert_eq!(panel.kind(), Kind::Raised);
        let bump = Signs {
            area_m2: 1.4,
            length_m: 3.0,
            peak: 2.2,
            ..panel
        };
        assert_eq!(bump.kind(), Kind::NewBump);
        let planed = Signs {
            rose: false,
            alike: [0.7, 0.1],
            area_m2: 4.0,
            ..bump
        };
        assert_eq!(planed.kind(), Kind::BumpGone);
        let milled = Signs {
            rose: false,
            ..panel
        };
        assert_eq!(milled.kind(), Kind::Lowered);
        let seam = Signs {
            area_m2: 3.0,
            length_m: 20.0,
            along_line: 0.9,
            ..panel
        };
        assert_eq!(seam.kind(), Kind::SeamMoved);
        let kerb = Signs {
            by_edge: 0.95,
            relief_m: [0.02, 0.03],
            ..panel
        };
        assert_eq!(kerb.kind(), Kind::KerbChanged);
    }
}
