//! What lies on the smooth shape of a road: lots and their joints, patches, bumps, kerb ribs.

use super::rng::Rng;
use super::whole::to_index;
use serde::{Deserialize, Serialize};
use std::f64::consts::{PI, TAU};

/// Height of kerbs, metres, ribs included.
pub const KERB_HEIGHT_M: f64 = 0.050;
/// Height of the ribs on kerbs and their spacing along the line, metres.
pub const RIB_HEIGHT_M: f64 = 0.010;
/// Distance of ribs along the reference line, metres.
pub const RIB_SPACING_M: f64 = 0.5;
/// Height of patches above the asphalt around them, metres.
pub const PATCH_STEP_M: f64 = 0.005;
/// Length of one lot, metres, about.
const LOT_LENGTH_M: f64 = 70.0;
/// One feature in every such length of road, metres.
const FEATURE_SPACING_M: f64 = 52.0;
/// Length of road whose features are kept together, metres.
const BIN_M: f64 = 8.0;

/// A piece of asphalt laid at once, right and left of its longitudinal joint.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lot {
    /// Where it begins, metres along the line.
    pub from_s_m: f64,
    /// Mean t of its longitudinal joint, metres.
    pub joint_t_m: f64,
    /// Height of the right and left lane above the smooth shape, metres.
    pub offset_m: [f64; 2],
    /// Reflectance of the right and left lane.
    pub reflectance: [f64; 2],
}

/// A local change of height.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Feature {
    /// A smooth bump (or dip, when negative).
    Bump {
        /// Centre (s, t), metres.
        at: [f64; 2],
        /// Half lengths along s and t, metres.
        half: [f64; 2],
        /// Height in the centre, metres.
        height_m: f64,
    },
    /// A round hole with steep sides.
    Pothole {
        /// Centre (s, t), metres.
        at: [f64; 2],
        /// Radius at the rim, metres.
        radius_m: f64,
        /// Depth of its flat bottom, metres.
        depth_m: f64,
    },
    /// A rectangle laid higher by [`PATCH_STEP_M`], with vertical sides.
    Patch {
        /// Lowest (s, t), metres.
        low: [f64; 2],
        /// Highest (s, t), metres.
        high: [f64; 2],
    },
    /// A rectangle laid higher or milled lower, with vertical sides.
    Panel {
        /// Lowest (s, t), metres.
        low: [f64; 2],
        /// Highest (s, t), metres.
        high: [f64; 2],
        /// How much higher, metres.
        height_m: f64,
    },
    /// A kerb with vertical sides whose ribs are the teeth of a saw, [`RIB_SPACING_M`] apart: each a face
    /// across the kerb, then a ramp down to the next.
    SawnKerb {
        /// Lowest (s, t), metres.
        low: [f64; 2],
        /// Highest (s, t), metres.
        high: [f64; 2],
        /// Height of the teeth's tips, metres.
        height_m: f64,
        /// Height of their faces, metres.
        rib_m: f64,
        /// Share of light that it sends back.
        reflectance: f64,
    },
}

impl Feature {
    fn height_m(&self, s: f64, t: f64) -> f64 {
        match *self {
            Self::Bump { at, half, height_m } => {
                height_m * hump((s - at[0]) / half[0]) * hump((t - at[1]) / half[1])
            }
            Self::Pothole {
                at,
                radius_m,
                depth_m,
            } => {
                let r = (s - at[0]).hypot(t - at[1]) / radius_m;
                -depth_m * (1.0 - smoothstep((r - 0.6) / 0.4))
            }
            Self::Patch { .. } => f64::from(self.holds(s, t)) * PATCH_STEP_M,
            Self::Panel { height_m, .. } => f64::from(self.holds(s, t)) * height_m,
            Self::SawnKerb {
                low,
                height_m,
                rib_m,
                ..
            } => {
                let ramp = ((s - low[0]) / RIB_SPACING_M).rem_euclid(1.0);
                f64::from(self.holds(s, t)) * (height_m - rib_m * ramp)
            }
        }
    }

    /// Whether (s, t) lies on it.
    #[must_use]
    pub fn holds(&self, s: f64, t: f64) -> bool {
        match *self {
            Self::Bump { at, half, .. } => {
                (s - at[0]).abs() < half[0] && (t - at[1]).abs() < half[1]
            }
            Self::Pothole { at, radius_m, .. } => (s - at[0]).hypot(t - at[1]) < radius_m,
            Self::Patch { low, high }
            | Self::Panel { low, high, .. }
            | Self::SawnKerb { low, high, .. } => {
                s >= low[0] && s < high[0] && t >= low[1] && t < high[1]
            }
        }
    }

    /// Whether its border is vertical.
    fn has_sides(&self) -> bool {
        !matches!(self, Self::Bump { .. } | Self::Pothole { .. })
    }

    fn range_s(&self) -> (f64, f64) {
        match *self {
            Self::Bump { at, half, .. } => (at[0] - half[0], at[0] + half[0]),
            Self::Pothole { at, radius_m, .. } => (at[0] - radius_m, at[0] + radius_m),
            Self::Patch { low, high }
            | Self::Panel { low, high, .. }
            | Self::SawnKerb { low, high, .. } => (low[0] - 0.5, high[0] + 0.5),
        }
    }

    /// Distance to the vertical side of a patch, panel or kerb, metres.
    fn side_distance_m(&self, s: f64, t: f64, stretch: f64) -> f64 {
        let (Self::Patch { low, high }
        | Self::Panel { low, high, .. }
        | Self::SawnKerb { low, high, .. }) = *self
        else {
            return f64::INFINITY;
        };
        let outside = |v: f64, a: f64, b: f64| (a - v).max(v - b);
        let (ds, dt) = (
            outside(s, low[0], high[0]) * stretch,
            outside(t, low[1], high[1]),
        );
        if ds <= 0.0 && dt <= 0.0 {
            -ds.max(dt)
        } else {
            ds.max(0.0).hypot(dt.max(0.0))
        }
    }
}

/// Everything that was laid on the course.
#[derive(Debug, Clone, Default)]
pub struct Paving {
    length_m: f64,
    lots: Vec<Lot>,
    features: Vec<Feature>,
    bins: Vec<Vec<u16>>,
}

impl Paving {
    /// Draws lots and features for a course of this length; `works` were done besides.
    #[must_use]
    pub fn lay(length_m: f64, joints: bool, features: bool, works: &[Feature], seed: u64) -> Self {
        let lots = if joints {
            draw_lots(length_m, seed)
        } else {
            Vec::new()
        };
        let mut features = if features {
            draw_features(length_m, seed)
        } else {
            Vec::new()
        };
        features.extend_from_slice(works);
        let mut bins = vec![Vec::new(); to_index(length_m / BIN_M) + 1];
        for (i, feature) in features.iter().enumerate() {
            let (from, to) = feature.range_s();
            for bin in &mut bins[to_index(from / BIN_M)..=to_index(to / BIN_M)] {
                bin.push(u16::try_from(i).unwrap_or(u16::MAX));
            }
        }
        Self {
            length_m,
            lots,
            features,
            bins,
        }
    }

    /// The lots, in order of s.
    #[must_use]
    pub fn lots(&self) -> &[Lot] {
        &self.lots
    }

    /// Patches, bumps, dips, potholes and what was done besides.
    #[must_use]
    pub fn features(&self) -> &[Feature] {
        &self.features
    }

    fn lot(&self, s: f64) -> Option<&Lot> {
        let after = self.lots.partition_point(|lot| lot.from_s_m <= s);
        self.lots.get(after.wrapping_sub(1)).or(self.lots.last())
    }

    fn near(&self, s: f64) -> impl Iterator<Item = &Feature> {
        let bin = self
            .bins
            .get(to_index(s / BIN_M))
            .map_or(&[][..], Vec::as_slice);
        bin.iter().map(|&i| &self.features[usize::from(i)])
    }

    /// Height above the smooth shape at (s, t), metres.
    #[must_use]
    #[inline]
    pub fn height_m(&self, s: f64, t: f64) -> f64 {
        let lot = self
            .lot(s)
            .map_or(0.0, |lot| lot.offset_m[usize::from(t > joint_t_m(lot, s))]);
        lot + self.near(s).map(|f| f.height_m(s, t)).sum::<f64>()
    }

    /// Reflectance of bare asphalt at (s, t).
    #[must_use]
    pub fn reflectance(&self, s: f64, t: f64) -> f64 {
        const PLAIN: f64 = 0.16;
        const PATCH: f64 = 0.09;
        let mut own = self.near(s).filter(|f| f.has_sides() && f.holds(s, t));
        if let Some(feature) = own.next() {
            return match *feature {
                Feature::SawnKerb { reflectance, .. } => reflectance,
                _ => PATCH,
            };
        }
        self.lot(s).map_or(PLAIN, |lot| {
            lot.reflectance[usize::from(t > joint_t_m(lot, s))]
        })
    }

    /// Whether (s, t) lies on a patch, panel or kerb with vertical sides.
    #[must_use]
    pub fn patch(&self, s: f64, t: f64) -> bool {
        self.near(s).any(|f| f.has_sides() && f.holds(s, t))
    }

    /// Whether (s, t) lies on a bump, dip or pothole.
    #[must_use]
    pub fn bump(&self, s: f64, t: f64) -> bool {
        self.near(s).any(|f| !f.has_sides() && f.holds(s, t))
    }

    /// Distance to the nearest step in height (joint or patch side), metres.
    ///
    /// `stretch` is the length on the ground of one metre of s at this t.
    #[must_use]
    pub fn step_distance_m(&self, s: f64, t: f64, stretch: f64) -> f64 {
        let sides = self.near(s).map(|f| f.side_distance_m(s, t, stretch));
        sides.fold(self.joint_distance_m(s, t, stretch), f64::min)
    }

    fn joint_distance_m(&self, s: f64, t: f64, stretch: f64) -> f64 {
        let Some(lot) = self.lot(s) else {
            return f64::INFINITY;
        };
        let along = (t - joint_t_m(lot, s)).abs();
        let after = self.lots.partition_point(|l| l.from_s_m <= s);
        let next = self
            .lots
            .get(after)
            .map_or(self.lots[0].from_s_m + self.length_m, |l| l.from_s_m);
        let begin = if lot.from_s_m > s {
            lot.from_s_m - self.length_m
        } else {
            lot.from_s_m
        };
        along.min((s - begin) * stretch).min((next - s) * stretch)
    }
}

/// t of a lot's longitudinal joint at `s`: a paver does not steer quite straight.
#[must_use]
pub fn joint_t_m(lot: &Lot, s: f64) -> f64 {
    const WANDER_M: f64 = 0.12;
    const WANDER_LENGTH_M: f64 = 33.0;
    lot.joint_t_m + WANDER_M * (TAU * s / WANDER_LENGTH_M).sin()
}

/// An even number of lots, so that heights alternate all the way round: every step between
/// neighbours is 2 to 6 mm.
fn draw_lots(length_m: f64, seed: u64) -> Vec<Lot> {
    let pairs = to_index(length_m / LOT_LENGTH_M / 2.0).max(1);
    let mut rng = Rng::stream(&[seed, 0x006c_6f74]);
    let mut lots = Vec::with_capacity(2 * pairs);
    for i in 0..2 * pairs {
        let slot = (i as f64 + 0.5 + rng.between(-0.15, 0.15)) / (2 * pairs) as f64;
        let offset_mm = if i % 2 == 0 {
            [0.0, rng.between(2.0, 3.0)]
        } else {
            [rng.between(2.0, 3.4), rng.between(-2.5, -0.5)]
        };
        lots.push(Lot {
            from_s_m: slot * length_m,
            joint_t_m: rng.between(-0.8, 0.8),
            offset_m: offset_mm.map(|v| v * 1e-3),
            reflectance: [rng.between(0.12, 0.16), rng.between(0.17, 0.22)],
        });
    }
    lots
}

fn draw_features(length_m: f64, seed: u64) -> Vec<Feature> {
    let mut rng = Rng::stream(&[seed, 0x6665_6174]);
    let count = to_index(length_m / FEATURE_SPACING_M);
    (0..count)
        .map(|i| {
            let s = (i as f64 + rng.between(0.3, 0.7)) * length_m / count as f64;
            let t = rng.between(-2.5, 2.5);
            match i % 4 {
                0 => Feature::Patch {
                    low: [s - 3.0, t - 1.25],
                    high: [s + 3.0, t + 1.25],
                },
                1 => Feature::Bump {
                    at: [s, t],
                    half: [0.25, 1.8],
                    height_m: 0.012,
                },
                2 => Feature::Pothole {
                    at: [s, t],
                    radius_m: 0.175,
                    depth_m: 0.030,
                },
                _ => Feature::Bump {
                    at: [s, t],
                    half: [2.0, 1.5],
                    height_m: -0.020,
                },
            }
        })
        .collect()
}

/// Height of a kerb `v` metres out from its foot, when it is `width_m` of a full metre wide.
#[must_use]
#[inline]
pub fn kerb_height_m(s: f64, v: f64, width_m: f64) -> f64 {
    // The face rises over seven tenths of the width, then the top is level.
    let rise = smoothstep(v / (0.7 * width_m)) * width_m.min(1.0);
    let rib = 0.5 + 0.5 * (TAU * s / RIB_SPACING_M).cos();
    rise * (KERB_HEIGHT_M - RIB_HEIGHT_M + RIB_HEIGHT_M * rib)
}

/// 3u² − 2u³ held at 0 and 1 outside the unit interval.
#[must_use]
#[inline]
pub fn smoothstep(u: f64) -> f64 {
    let u = u.clamp(0.0, 1.0);
    u * u * (3.0 - 2.0 * u)
}

fn hump(u: f64) -> f64 {
    if u.abs() < 1.0 {
        0.5 + 0.5 * (PI * u).cos()
    } else {
        0.0
    }
}
