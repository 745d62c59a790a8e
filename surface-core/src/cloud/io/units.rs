//! In what unit is a file, and how do we know?

use super::wkt::{self, Length};

/// A unit of length that scans come in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unit {
    /// 1 m.
    Metre,
    /// 0.3048 m exactly.
    InternationalFoot,
    /// 1200/3937 m.
    UsSurveyFoot,
}

/// Two factors this near (relatively) are the same unit: files round the US survey foot to eight
/// to twelve digits, and the two feet differ by 2e-6.
const FACTOR_TOLERANCE: f64 = 2e-7;

impl Unit {
    /// All units.
    pub const ALL: [Self; 3] = [Self::Metre, Self::InternationalFoot, Self::UsSurveyFoot];

    /// Metres in one unit.
    #[must_use]
    pub fn factor_m(self) -> f64 {
        match self {
            Self::Metre => 1.0,
            Self::InternationalFoot => 0.3048,
            Self::UsSurveyFoot => 1200.0 / 3937.0,
        }
    }

    /// The unit's name in reports.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Metre => "metres",
            Self::InternationalFoot => "international feet",
            Self::UsSurveyFoot => "US survey feet",
        }
    }

    /// The unit with `factor_m` metres, if there is one.
    #[must_use]
    pub fn from_factor(factor_m: f64) -> Option<Self> {
        let near = |u: &Self| (factor_m / u.factor_m() - 1.0).abs() < FACTOR_TOLERANCE;
        Self::ALL.into_iter().find(near)
    }

    /// The unit of an EPSG unit code: 9001 metre, 9002 foot, 9003 US survey foot.
    #[must_use]
    pub fn from_epsg(code: u16) -> Option<Self> {
        match code {
            9001 => Some(Self::Metre),
            9002 => Some(Self::InternationalFoot),
            9003 => Some(Self::UsSurveyFoot),
            _ => None,
        }
    }
}

/// The units of one file and how they are known.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct FileUnits {
    /// Unit of x and y.
    pub horizontal: Unit,
    /// Unit of z.
    pub vertical: Unit,
    /// How they are known, a sentence fragment for reports.
    pub how: String,
    /// False when nothing in the file or the call tells the unit and metres are assumed.
    pub known: bool,
    /// False when the unit of z is taken from that of x and y.
    pub vertical_told: bool,
}

impl FileUnits {
    /// Nothing tells the unit: metres, as a guess.
    #[must_use]
    pub fn assumed(why: &str) -> Self {
        Self {
            horizontal: Unit::Metre,
            vertical: Unit::Metre,
            how: format!("assumed: {why}"),
            known: false,
            vertical_told: false,
        }
    }

    /// The same unit on all axes, known from `how`.
    #[must_use]
    pub fn all(unit: Unit, how: impl Into<String>) -> Self {
        Self {
            horizontal: unit,
            vertical: unit,
            how: how.into(),
            known: true,
            vertical_told: true,
        }
    }

    /// The caller's word over the file's.
    #[must_use]
    pub fn overridden(self, unit: Option<Unit>) -> Self {
        match unit {
            None => self,
            Some(unit) if self.known => {
                let own = self.describe_own();
                Self::all(
                    unit,
                    format!("given by --units; the file's own records say {own}"),
                )
            }
            Some(unit) => Self::all(unit, "given by --units"),
        }
    }

    fn describe_own(&self) -> String {
        if self.horizontal == self.vertical {
            self.horizontal.name().to_owned()
        } else {
            format!(
                "{} and z in {}",
                self.horizontal.name(),
                self.vertical.name()
            )
        }
    }
}

/// What a coordinate system's records say about lengths; the reason when they say none.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum CrsUnits {
    /// The units are told.
    Known(FileUnits),
    /// There is a system, but it tells no unit.
    Silent,
    /// Degrees or earth-centred.
    NotProjected(String),
    /// A unit that is neither metre nor foot.
    Unknown(String),
}

/// The units that a WKT text tells.
pub(super) fn from_wkt(text: &str) -> CrsUnits {
    let Some(system) = wkt::read(text) else {
        return CrsUnits::Silent;
    };
    match (system.horizontal, system.angular) {
        (None, Some(kind)) => CrsUnits::NotProjected(kind),
        (None, None) => CrsUnits::Silent,
        (Some(length), _) => both(length, system.vertical, "the file's WKT record"),
    }
}

/// Horizontal and vertical length as units; z follows the horizontal unit where nothing is told.
pub(super) fn both(horizontal: Length, vertical: Option<Length>, source: &str) -> CrsUnits {
    let Some(h) = Unit::from_factor(horizontal.factor_m) else {
        return CrsUnits::Unknown(horizontal.name);
    };
    let Some(v) = vertical else {
        let how = format!("{source}; it tells none for z, taken as the horizontal one");
        let vertical_told = false;
        return CrsUnits::Known(FileUnits {
            vertical_told,
            ..FileUnits::all(h, how)
        });
    };
    match Unit::from_factor(v.factor_m) {
        None => CrsUnits::Unknown(v.name),
        Some(vertical) => CrsUnits::Known(FileUnits {
            horizontal: h,
            vertical,
            how: source.to_owned(),
            known: true,
            vertical_told: true,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_feet_are_told_apart_by_their_factor() {
        assert_eq!(Unit::from_factor(0.3048), Some(Unit::InternationalFoot));
        assert_eq!(
            Unit::from_factor(0.304_800_609_601_2),
            Some(Unit::UsSurveyFoot)
        );
        assert_eq!(Unit::from_factor(0.304_800_61), Some(Unit::UsSurveyFoot));
        assert_eq!(Unit::from_factor(0.9144), None);
        assert_eq!(Unit::from_factor(f64::NAN), None);
    }

    #[test]
    fn the_caller_wins_and_the_files_own_word_is_told() {
        let own = FileUnits::all(Unit::Metre, "its WKT");
        let units = own.overridden(Some(Unit::UsSurveyFoot));
        assert_eq!(units.vertical, Unit::UsSurveyFoot);
        assert!(
            units.how.contains("own records say metres"),
            "{}",
            units.how
        );
        let guess = FileUnits::assumed("nothing tells").overridden(Some(Unit::Metre));
        assert!(guess.known);
    }

    #[test]
    fn a_silent_vertical_follows_the_horizontal_and_says_so() {
        let foot = Length::new("foot", 0.3048);
        let CrsUnits::Known(units) = both(foot, None, "its keys") else {
            panic!("feet are known");
        };
        assert_eq!(units.vertical, Unit::InternationalFoot);
        assert!(units.how.contains("none for z"));
    }
}
