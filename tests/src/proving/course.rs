//! The truth: a course whose height, edges and materials are known at every point.
//!
//! All positions are metres from the course's own origin; [`ORIGIN_M`] says where that lies in
//! the invented grid that the scans are written in.

use super::line::{Foot, Line};
use super::path::{PathError, knots};
use super::paving::{Paving, kerb_height_m, smoothstep};
use super::roughness::Tile;
use super::spec::CourseSpec;
use super::whole::{floor_i64, to_index};

/// East, north and height of the course's origin in the coordinates of written scans, metres.
pub const ORIGIN_M: [f64; 3] = [512_000.0, 5_403_000.0, 240.0];
/// Points nearer than this to a step in height belong to [`Zone::NearSeam`], metres.
pub const NEAR_M: f64 = 0.15;
/// The soil beside the road lies this much lower, metres.
pub const SOIL_DROP_M: f64 = 0.025;
/// The verge follows the road's edge and reaches the open ground over this width, metres.
const BANK_M: f64 = 4.0;
/// Soil is this many times rougher than asphalt.
const SOIL_ROUGHNESS: f64 = 6.0;
/// Distance of the reference line's knots, metres.
const KNOT_STEP_M: f64 = 0.5;
/// White lines begin and end this far inside the asphalt's edge, metres.
const LINE_T_M: (f64, f64) = (0.15, 0.27);
/// Where the start line lies, and half its length, metres.
const START_LINE_S_M: (f64, f64) = (5.0, 0.15);

/// What a place is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Zone {
    /// Clean asphalt: none of the others.
    Asphalt,
    /// Paved, within [`NEAR_M`] of a step in height.
    NearSeam,
    /// On a kerb.
    Kerb,
    /// Asphalt under paint.
    Paint,
    /// On a patch.
    Patch,
    /// On a bump, dip or pothole.
    Bump,
    /// Asphalt within [`NEAR_M`] of its outer edge or of the foot of a kerb.
    NearEdge,
    /// Not paved.
    Grass,
}

/// Smooth shape of the road at one s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// Height of the reference line, metres.
    pub z_m: f64,
    /// ∂z/∂t on the reference line.
    pub crossfall: f64,
    /// z falls by this times t² to both sides, 1/m.
    pub crown_per_m: f64,
    /// Asphalt to the left and right of the reference line, metres.
    pub half_m: [f64; 2],
    /// Width of the kerb on the left and right, metres, 0 for none.
    pub kerb_m: [f64; 2],
    /// Curvature of the reference line, 1/m.
    pub curvature_per_m: f64,
}

/// A place near the road: where it is beside which stretch of it.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// Foot on the reference line.
    pub foot: Foot,
    /// Shape of the road there.
    pub row: Row,
    /// Distance outside the paved edge along t, metres; negative on the road.
    pub outside_m: f64,
}

impl Place {
    fn side(&self) -> usize {
        usize::from(self.foot.t_m < 0.0)
    }

    /// Distance outside the foot of the kerb (or the asphalt's edge), metres.
    fn beyond_asphalt_m(&self) -> f64 {
        self.foot.t_m.abs() - self.row.half_m[self.side()]
    }
}

/// A course with known truth.
#[derive(Debug, Clone)]
pub struct Course {
    spec: CourseSpec,
    line: Line,
    rows: Vec<[f64; 8]>,
    tile: Tile,
    paving: Paving,
}

impl Course {
    /// Builds the truth of a description.
    ///
    /// # Errors
    /// When the polygon cannot be rounded with its radii.
    pub fn build(spec: &CourseSpec) -> Result<Self, PathError> {
        let line = Line::through(&knots(&spec.corners, spec.smoothing_m, KNOT_STEP_M)?);
        let rows = super::shape::rows(spec, &line);
        let tile = match spec.g0_m3 > 0.0 {
            true => Tile::draw(&spec.spectrum(), spec.seed),
            false => Tile::flat(),
        };
        let paving = Paving::lay(
            line.length_m(),
            spec.joints,
            spec.features,
            &spec.works,
            spec.seed,
        );
        Ok(Self {
            spec: spec.clone(),
            line,
            rows,
            tile,
            paving,
        })
    }

    /// The description that this course was built from.
    #[must_use]
    pub fn spec(&self) -> &CourseSpec {
        &self.spec
    }

    /// The reference line.
    #[must_use]
    pub fn line(&self) -> &Line {
        &self.line
    }

    /// Lots, joints and features.
    #[must_use]
    pub fn paving(&self) -> &Paving {
        &self.paving
    }

    /// Length of the reference line, metres.
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.line.length_m()
    }

    /// Smooth shape of the road at `s` (Catmull–Rom between knots, C¹).
    #[must_use]
    #[inline]
    pub fn row(&self, s_m: f64) -> Row {
        let n = self.rows.len();
        let (i, beyond) = self.line.knot_before(s_m);
        let f = beyond / self.line.knots().1;
        let w = [
            f * (-0.5 + f * (1.0 - 0.5 * f)),
            1.0 + f * f * (-2.5 + 1.5 * f),
            f * (0.5 + f * (2.0 - 1.5 * f)),
            f * f * (-0.5 + 0.5 * f),
        ];
        let wrap = |j: usize| if j >= n { j - n } else { j };
        let at = [wrap(i + n - 1), i, wrap(i + 1), wrap(i + 2)].map(|j| &self.rows[j]);
        let c: [f64; 8] = std::array::from_fn(|k| (0..4).map(|j| w[j] * at[j][k]).sum::<f64>());
        Row {
            z_m: c[0],
            crossfall: c[1],
            crown_per_m: c[2],
            half_m: [c[3], c[4]],
            kerb_m: [c[5].max(0.0), c[6].max(0.0)],
            curvature_per_m: c[7],
        }
    }

    /// t of the left and right paved edge at `s`, metres (kerbs are paved).
    #[must_use]
    pub fn edges_t_m(&self, s_m: f64) -> [f64; 2] {
        let row = self.row(s_m);
        [
            row.half_m[0] + row.kerb_m[0],
            -row.half_m[1] - row.kerb_m[1],
        ]
    }

    /// The stretch of road that (x, y) lies on or is nearest to; none far from the course.
    #[must_use]
    #[inline]
    pub fn place(&self, x: f64, y: f64) -> Option<Place> {
        let mut best: Option<Place> = None;
        for foot in self.line.feet(x, y) {
            let place = self.beside(foot);
            if best.is_none_or(|b| place.outside_m < b.outside_m) {
                best = Some(place);
            }
            if place.outside_m <= 0.0 {
                break;
            }
        }
        best
    }

    fn beside(&self, foot: Foot) -> Place {
        let row = self.row(foot.s_m);
        let side = usize::from(foot.t_m < 0.0);
        let outside_m = foot.t_m.abs() - row.half_m[side] - row.kerb_m[side];
        Place {
            foot,
            row,
            outside_m,
        }
    }

    /// (s, t) of a point on the paved ribbon.
    #[must_use]
    pub fn locate(&self, x: f64, y: f64) -> Option<Foot> {
        self.place(x, y)
            .filter(|p| p.outside_m <= 0.0)
            .map(|p| p.foot)
    }

    /// Height of the paved ribbon at (x, y), metres; none beside it.
    #[must_use]
    pub fn height_m(&self, x: f64, y: f64) -> Option<f64> {
        let place = self.place(x, y)?;
        (place.outside_m <= 0.0).then(|| self.paved_m(&place, x, y))
    }

    /// Height of the ribbon at (s, t), metres, continued to the nearest edge outside of it.
    #[must_use]
    pub fn height_at_m(&self, s_m: f64, t_m: f64) -> f64 {
        let [left, right] = self.edges_t_m(s_m);
        let foot = Foot {
            s_m: s_m.rem_euclid(self.length_m()),
            t_m: t_m.clamp(right, left),
        };
        let [x, y] = self.line.at(foot.s_m, foot.t_m);
        self.paved_m(&self.beside(foot), x, y)
    }

    /// Height of the ground at (x, y), metres: the ribbon, or the soil beside it.
    #[must_use]
    pub fn ground_m(&self, x: f64, y: f64) -> f64 {
        self.ground_at_m(self.place(x, y).as_ref(), x, y)
    }

    /// Height of the ground at a place already looked up, metres.
    #[must_use]
    #[inline]
    pub fn ground_at_m(&self, place: Option<&Place>, x: f64, y: f64) -> f64 {
        match place {
            Some(place) if place.outside_m <= 0.0 => self.paved_m(place, x, y),
            place => self.soil_m(place, x, y),
        }
    }

    fn paved_m(&self, place: &Place, x: f64, y: f64) -> f64 {
        let Foot { s_m, t_m } = place.foot;
        let v = place.beyond_asphalt_m();
        let kerb = if v > 0.0 {
            kerb_height_m(s_m, v, place.row.kerb_m[place.side()])
        } else {
            0.0
        };
        smooth_m(&place.row, t_m) + kerb + self.paving.height_m(s_m, t_m) + self.tile.height_m(x, y)
    }

    fn soil_m(&self, place: Option<&Place>, x: f64, y: f64) -> f64 {
        let open = super::shape::terrain_m(&self.spec, x, y);
        let rough = SOIL_ROUGHNESS * self.tile.height_m(x, y) - SOIL_DROP_M;
        let Some(place) = place else {
            return open + rough;
        };
        let edge = place.foot.t_m - place.outside_m * place.foot.t_m.signum();
        let bank = smoothstep(place.outside_m / BANK_M);
        let near = smoothstep(place.outside_m);
        (1.0 - bank) * smooth_m(&place.row, edge)
            + bank * open
            + rough.mul_add(near, -SOIL_DROP_M * (1.0 - near))
    }

    /// What (x, y) is made of.
    #[must_use]
    pub fn zone(&self, x: f64, y: f64) -> Zone {
        self.place(x, y)
            .map_or(Zone::Grass, |place| self.zone_at(&place))
    }

    /// What a place already looked up is made of.
    #[must_use]
    pub fn zone_at(&self, place: &Place) -> Zone {
        let Foot { s_m, t_m } = place.foot;
        let stretch = 1.0 - place.row.curvature_per_m * t_m;
        let beyond = place.beyond_asphalt_m();
        match () {
            () if place.outside_m > 0.0 => Zone::Grass,
            () if beyond > 0.0 => Zone::Kerb,
            () if self.paving.step_distance_m(s_m, t_m, stretch) < NEAR_M => Zone::NearSeam,
            () if beyond > -NEAR_M => Zone::NearEdge,
            () if self.paving.patch(s_m, t_m) => Zone::Patch,
            () if self.paving.bump(s_m, t_m) => Zone::Bump,
            () if painted(s_m, beyond) => Zone::Paint,
            () => Zone::Asphalt,
        }
    }

    /// Share of light that a place sends back.
    #[must_use]
    pub fn reflectance(&self, place: Option<&Place>) -> f64 {
        const GRASS: f64 = 0.50;
        const PAINT: f64 = 0.85;
        const KERB: [f64; 2] = [0.30, 0.80];
        let Some(place) = place.filter(|p| p.outside_m <= 0.0) else {
            return GRASS;
        };
        let (s, beyond) = (place.foot.s_m, place.beyond_asphalt_m());
        if beyond > 0.0 {
            return KERB[usize::from(floor_i64(s).rem_euclid(2) == 0)];
        }
        if painted(s, beyond) {
            PAINT
        } else {
            self.paving.reflectance(s, place.foot.t_m)
        }
    }

    /// The left and right paved edge as closed polylines with vertices `step_m` apart along s.
    #[must_use]
    pub fn edge_polylines(&self, step_m: f64) -> [Vec<[f64; 2]>; 2] {
        let count = to_index((self.length_m() / step_m).ceil()).max(3);
        let s = |i: usize| self.length_m() * i as f64 / count as f64;
        [0, 1].map(|side| {
            (0..count)
                .map(|i| self.line.at(s(i), self.edges_t_m(s(i))[side]))
                .collect()
        })
    }

    /// Lowest and highest radius of an edge's inner side, metres: 1/|κ| − |t| where it bends in.
    #[must_use]
    pub fn smallest_inner_radius_m(&self) -> f64 {
        let (count, step) = self.line.knots();
        let radius = |i: usize| {
            let s = i as f64 * step;
            let (k, [left, right]) = (self.line.curvature_per_m(s), self.edges_t_m(s));
            1.0 / k.abs().max(1e-9) - if k > 0.0 { left } else { -right }
        };
        (0..count).map(radius).fold(f64::INFINITY, f64::min)
    }
}

/// Height of the road's smooth shape at `t`, metres.
#[inline]
fn smooth_m(row: &Row, t: f64) -> f64 {
    row.z_m + row.crossfall * t - row.crown_per_m * t * t
}

/// Whether asphalt at `s` and `beyond` (negative inside) its edge lies under paint.
fn painted(s: f64, beyond: f64) -> bool {
    let inside = -beyond;
    let line = inside >= LINE_T_M.0 && inside < LINE_T_M.1;
    line || (inside >= 0.0 && (s - START_LINE_S_M.0).abs() < START_LINE_S_M.1)
}

#[cfg(test)]
mod tests {
    use super::super::paving::{Feature, PATCH_STEP_M, joint_t_m};
    use super::*;

    fn bare(spec: CourseSpec) -> Course {
        Course::build(&CourseSpec { g0_m3: 0.0, ..spec }).unwrap()
    }

    #[test]
    fn the_demo_course_is_as_long_and_wide_as_announced() {
        let course = bare(CourseSpec::demo());
        assert!(
            (500.0..700.0).contains(&course.length_m()),
            "{}",
            course.length_m()
        );
        for i in 0..600 {
            let s = f64::from(i);
            let [left, right] = course.edges_t_m(s);
            assert!(
                (9.0..=13.0).contains(&(left - right)),
                "{} at {s}",
                left - right
            );
        }
        assert!((4.5..6.5).contains(&course.smallest_inner_radius_m()));
    }

    #[test]
    fn the_tight_hairpin_has_an_inner_edge_of_three_metres_radius() {
        let course = bare(CourseSpec::tight_hairpin());
        let radius = course.smallest_inner_radius_m();
        // A spline through knots 0.5 m apart follows an arc of 7.5 m to 0.03 % in curvature.
        assert!((radius - 3.0).abs() < 0.03, "{radius}");
    }

    #[test]
    fn the_near_legs_run_eight_metres_apart_edge_to_edge() {
        let course = bare(CourseSpec::near_legs());
        for x in [75.0, 85.0, 95.0] {
            let gap = (0..2000).filter(|i| course.locate(x, f64::from(*i) * 0.01 - 2.0).is_none());
            assert!((gap.count() as f64 * 0.01 - 8.0).abs() < 0.05);
        }
    }

    #[test]
    fn a_serpentine_has_the_length_asked_for() {
        for length in [1_000.0, 4_000.0] {
            let course = bare(CourseSpec::of_length(length));
            // Smoothing shortens each of its corners by some centimetres.
            assert!(
                (course.length_m() / length - 1.0).abs() < 0.01,
                "{}",
                course.length_m()
            );
        }
    }

    #[test]
    fn s_and_t_of_points_on_the_ribbon_are_given_back() {
        for spec in [
            CourseSpec::demo(),
            CourseSpec::tight_hairpin(),
            CourseSpec::near_legs(),
        ] {
            let course = bare(spec);
            for i in 0..2000 {
                let s = course.length_m() * f64::from(i) / 2000.0;
                let [left, right] = course.edges_t_m(s);
                let t = right + (left - right) * (0.005 + 0.99 * f64::from(i % 97) / 96.0);
                let [x, y] = course.line().at(s, t);
                let foot = course.locate(x, y).unwrap();
                let off = (foot.s_m - s + 1.0).rem_euclid(course.length_m()) - 1.0;
                assert!(
                    off.abs() < 1e-5 && (foot.t_m - t).abs() < 1e-7,
                    "{s} {t} {foot:?}"
                );
            }
        }
    }

    #[test]
    fn away_from_joints_kerbs_and_features_the_height_is_continuous() {
        let course = Course::build(&CourseSpec::oval()).unwrap();
        let (mut checked, e) = (0, 1e-5);
        for i in 0..4000 {
            let (s, t) = (f64::from(i) * 0.06, f64::from(i % 101) * 0.1 - 5.0);
            let [x, y] = course.line().at(s, t);
            if course.zone(x, y) != Zone::Asphalt {
                continue;
            }
            let (a, b) = (course.height_m(x, y), course.height_m(x + e, y + e));
            // Slopes stay below 0.2: a continuous height moves by less than 3e-6 m.
            assert!((a.unwrap() - b.unwrap()).abs() < 3e-6, "{s} {t}");
            checked += 1;
        }
        assert!(checked > 2000, "{checked}");
    }

    #[test]
    fn every_joint_is_a_step_of_two_to_six_millimetres() {
        let course = bare(CourseSpec {
            features: false,
            kerbs: false,
            ..CourseSpec::demo()
        });
        let e = 1e-6;
        let check = |a: f64, b: f64| {
            let step_mm = 1e3 * (a - b).abs();
            assert!((1.99..6.01).contains(&step_mm), "{step_mm}");
        };
        for (i, lot) in course.paving().lots().iter().enumerate() {
            let s = lot.from_s_m;
            for t in [-3.0, 3.0] {
                check(course.height_at_m(s - e, t), course.height_at_m(s + e, t));
            }
            let (s, t) = (s + 10.0, joint_t_m(lot, s + 10.0));
            check(course.height_at_m(s, t - e), course.height_at_m(s, t + e));
            assert_eq!(i % 2 == 0, lot.offset_m[0] == 0.0, "lots alternate");
        }
        assert!(course.paving().lots().len() >= 6);
    }

    #[test]
    fn a_patch_stands_five_millimetres_above_the_asphalt_around_it() {
        let course = bare(CourseSpec {
            joints: false,
            kerbs: false,
            ..CourseSpec::demo()
        });
        let patches = course.paving().features().iter().filter_map(|f| match f {
            Feature::Patch { low, high } => Some((*low, *high)),
            _ => None,
        });
        let mut count = 0;
        for (low, high) in patches {
            let (s, e) = (0.5 * (low[0] + high[0]), 1e-6);
            for (inside, outside) in [(low[1] + e, low[1] - e), (high[1] - e, high[1] + e)] {
                let step = course.height_at_m(s, inside) - course.height_at_m(s, outside);
                assert!((step - PATCH_STEP_M).abs() < 1e-6);
            }
            count += 1;
        }
        assert!(count >= 1);
    }

    #[test]
    fn kerbs_stand_fifty_millimetres_high_with_ribs_of_ten() {
        let course = bare(CourseSpec {
            joints: false,
            features: false,
            ..CourseSpec::demo()
        });
        let (mut low, mut high) = (f64::INFINITY, 0.0_f64);
        for i in 0..12_000 {
            let s = f64::from(i) * 0.05;
            let row = course.row(s);
            if row.kerb_m[0] > 0.999 {
                let t = row.half_m[0] + 0.9;
                let height = course.height_at_m(s, t) - smooth_m(&row, t);
                (low, high) = (low.min(height), high.max(height));
            }
        }
        assert!(
            (high - 0.050).abs() < 2e-4 && (low - 0.040).abs() < 2e-4,
            "{low} {high}"
        );
    }

    #[test]
    fn the_same_description_is_the_same_truth_and_another_seed_is_not() {
        let build = |seed| Course::build(&CourseSpec::oval().with_seed(seed)).unwrap();
        let (a, b, c) = (build(4), build(4), build(5));
        let at = |course: &Course| course.ground_m(40.3, 1.1).to_bits();
        assert_eq!(at(&a), at(&b));
        assert_ne!(at(&a), at(&c));
    }
}
