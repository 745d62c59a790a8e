//! What stands between a scanner and the road: cars and people as simple upright bodies.

use super::course::Course;
use super::rng::Rng;
use super::setups::Setup;

/// Outline of a body on the ground, metres from the course's origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outline {
    /// A rectangle: half its length along `axis` (a unit vector), half its width across.
    Rectangle {
        /// Direction of its length.
        axis: [f64; 2],
        /// Half length and half width, metres.
        half_m: [f64; 2],
    },
    /// A circle.
    Circle {
        /// Radius, metres.
        radius_m: f64,
    },
}

/// An upright body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Object {
    /// Centre on the ground, metres from the course's origin.
    pub centre_m: [f64; 2],
    /// Its outline.
    pub outline: Outline,
    /// Height of its underside, metres.
    pub base_z_m: f64,
    /// Height of its top, metres.
    pub top_z_m: f64,
    /// Share of light that it sends back.
    pub reflectance: f64,
    /// The only setup that sees it; every setup when none.
    pub seen_by: Option<u16>,
}

impl Object {
    /// Where the line from `origin` in direction `d` (unit) enters and leaves the outline, metres.
    #[must_use]
    pub fn crossing_m(&self, origin: [f64; 2], d: [f64; 2]) -> Option<(f64, f64)> {
        let c = [self.centre_m[0] - origin[0], self.centre_m[1] - origin[1]];
        let (from, to) = match self.outline {
            Outline::Circle { radius_m } => {
                let (along, across) = (c[0] * d[0] + c[1] * d[1], c[0] * d[1] - c[1] * d[0]);
                let half = (radius_m * radius_m - across * across).sqrt();
                (along - half, along + half)
            }
            Outline::Rectangle { axis, half_m } => slabs(c, d, axis, half_m),
        };
        (from < to && from > 0.0).then_some((from, to))
    }

    /// Horizontal distance at which a ray from height `z` with slope `tan` meets the body.
    #[must_use]
    pub fn hit_m(&self, (from, to): (f64, f64), z: f64, tan: f64) -> Option<f64> {
        let entry = z + from * tan;
        if (self.base_z_m..=self.top_z_m).contains(&entry) {
            return Some(from);
        }
        let roof = (self.top_z_m - z) / tan;
        (entry > self.top_z_m && tan < 0.0 && roof < to).then_some(roof)
    }
}

/// Crossing of a rectangle centred at `c`, in its own axes.
fn slabs(c: [f64; 2], d: [f64; 2], axis: [f64; 2], half: [f64; 2]) -> (f64, f64) {
    let turn = |v: [f64; 2]| {
        [
            v[0] * axis[0] + v[1] * axis[1],
            v[1] * axis[0] - v[0] * axis[1],
        ]
    };
    let (c, d) = (turn(c), turn(d));
    let (mut from, mut to) = (f64::NEG_INFINITY, f64::INFINITY);
    for i in 0..2 {
        let (a, b) = ((c[i] - half[i]) / d[i], (c[i] + half[i]) / d[i]);
        (from, to) = (from.max(a.min(b)), to.min(a.max(b)));
    }
    (from, to)
}

/// A car on the course at (s, t), along the line.
#[must_use]
pub fn car(course: &Course, s_m: f64, t_m: f64, seen_by: Option<u16>) -> Object {
    let (centre_m, n) = (course.line().at(s_m, t_m), course.line().normal(s_m));
    let ground = course.ground_m(centre_m[0], centre_m[1]);
    Object {
        centre_m,
        outline: Outline::Rectangle {
            axis: [n[1], -n[0]],
            half_m: [2.25, 0.9],
        },
        base_z_m: ground + 0.14,
        top_z_m: ground + 1.30,
        reflectance: 0.6,
        seen_by,
    }
}

/// A car with skirts down to the road, that stands there in every setup: nothing is seen below it.
#[must_use]
pub fn parked(course: &Course, s_m: f64, t_m: f64) -> Object {
    let car = car(course, s_m, t_m, None);
    Object {
        base_z_m: car.base_z_m - 0.2,
        ..car
    }
}

/// A person standing at (s, t).
#[must_use]
pub fn person(course: &Course, s_m: f64, t_m: f64, seen_by: Option<u16>) -> Object {
    let centre_m = course.line().at(s_m, t_m);
    let ground = course.ground_m(centre_m[0], centre_m[1]);
    Object {
        centre_m,
        outline: Outline::Circle { radius_m: 0.22 },
        base_z_m: ground - 0.05,
        top_z_m: ground + 1.75,
        reflectance: 0.4,
        seen_by,
    }
}

/// People on the verge whom every setup sees, and, each seen by one setup only, a passing car
/// and a person on the road.
#[must_use]
pub fn clutter(course: &Course, setups: &[Setup], seed: u64) -> Vec<Object> {
    const VERGE_PERSON_EVERY_M: f64 = 110.0;
    let mut rng = Rng::stream(&[seed, 0x636c_7574]);
    let mut objects = Vec::new();
    let mut s = rng.between(20.0, 60.0);
    while s < course.length_m() {
        let [left, right] = course.edges_t_m(s);
        let out = rng.between(0.8, 2.4);
        let t = if rng.unit() < 0.5 {
            left + out
        } else {
            right - out
        };
        objects.push(person(course, s, t, None));
        s += VERGE_PERSON_EVERY_M * rng.between(0.7, 1.3);
    }
    if let [_, .., last] = setups {
        let driven = &setups[setups.len() / 3];
        objects.push(car(course, driven.s_m + 9.0, 2.3, Some(driven.id)));
        objects.push(person(course, last.s_m + 6.0, -1.5, Some(last.id)));
    }
    objects
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit_box() -> Object {
        Object {
            centre_m: [10.0, 0.0],
            outline: Outline::Rectangle {
                axis: [1.0, 0.0],
                half_m: [2.0, 1.0],
            },
            base_z_m: 0.0,
            top_z_m: 1.0,
            reflectance: 0.5,
            seen_by: None,
        }
    }

    #[test]
    fn a_ray_meets_the_side_the_roof_or_nothing_of_a_box() {
        let object = unit_box();
        let crossing = object.crossing_m([0.0, 0.0], [1.0, 0.0]).unwrap();
        assert!((crossing.0 - 8.0).abs() < 1e-12 && (crossing.1 - 12.0).abs() < 1e-12);
        assert_eq!(object.hit_m(crossing, 2.0, -1.5 / 8.0), Some(8.0));
        assert_eq!(object.hit_m(crossing, 2.0, -0.1), Some(10.0));
        assert_eq!(object.hit_m(crossing, 2.0, -0.01), None);
        assert_eq!(object.crossing_m([0.0, 0.0], [0.0, 1.0]), None);
    }

    #[test]
    fn a_ray_past_a_cylinder_misses_it_and_through_its_axis_meets_it_at_the_radius() {
        let object = Object {
            outline: Outline::Circle { radius_m: 0.5 },
            ..unit_box()
        };
        assert!((object.crossing_m([0.0, 0.0], [1.0, 0.0]).unwrap().0 - 9.5).abs() < 1e-12);
        assert_eq!(object.crossing_m([0.0, 0.6], [1.0, 0.0]), None);
    }
}
