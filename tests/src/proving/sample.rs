//! Points on the road without a scanner: even density, known noise.

use super::course::Course;
use super::rng::Rng;
use super::whole::to_index;

/// Points as plain columns, metres from the course's origin.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Columns {
    /// East.
    pub x_m: Vec<f64>,
    /// North.
    pub y_m: Vec<f64>,
    /// Up.
    pub z_m: Vec<f64>,
    /// Strength of the return.
    pub intensity: Vec<u16>,
}

/// Random points on the paved ribbon.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleParams {
    /// Points per square metre.
    pub density_per_m2: f64,
    /// Standard deviation of heights, metres.
    pub sigma_z_m: f64,
    /// Seed.
    pub seed: u64,
}

/// Points of even density (uniform and independent) on the ribbon between two places along s.
///
/// Candidates are drawn uniform in (s, t) on the strip as wide as the widest place and kept with
/// a chance proportional to the area 1 − κt that they stand for.
#[must_use]
pub fn sample(course: &Course, from_s_m: f64, to_s_m: f64, params: &SampleParams) -> Columns {
    let (reach, stretch) = bounds(course, from_s_m, to_s_m);
    let area = (to_s_m - from_s_m) * 2.0 * reach * stretch;
    let mut rng = Rng::stream(&[params.seed, 0x7361_6d70]);
    let mut out = Columns::default();
    for _ in 0..to_index((area * params.density_per_m2).round()) {
        let (s, t) = (rng.between(from_s_m, to_s_m), rng.between(-reach, reach));
        let (keep, noise) = (rng.unit() * stretch, params.sigma_z_m * rng.normal());
        let [left, right] = course.edges_t_m(s);
        if t > left || t < right || keep > 1.0 - course.line().curvature_per_m(s) * t {
            continue;
        }
        let [x, y] = course.line().at(s, t);
        out.x_m.push(x);
        out.y_m.push(y);
        out.z_m.push(course.height_at_m(s, t) + noise);
        out.intensity.push(10_000);
    }
    out
}

/// Widest |t| and largest 1 − κt between two places, with a margin for what lies between knots.
fn bounds(course: &Course, from_s_m: f64, to_s_m: f64) -> (f64, f64) {
    let count = to_index((to_s_m - from_s_m) / 0.25) + 1;
    let (mut reach, mut bend) = (0.0_f64, 0.0_f64);
    for i in 0..=count {
        let s = from_s_m + (to_s_m - from_s_m) * i as f64 / count as f64;
        let [left, right] = course.edges_t_m(s);
        reach = reach.max(left).max(-right);
        bend = bend.max(course.line().curvature_per_m(s).abs());
    }
    (1.01 * reach, 1.0 + 1.05 * bend * reach)
}

#[cfg(test)]
mod tests {
    use super::super::spec::CourseSpec;
    use super::*;

    #[test]
    fn samples_have_the_density_and_the_noise_asked_for() {
        let course = Course::build(&CourseSpec::tight_hairpin().smooth()).unwrap();
        let params = SampleParams {
            density_per_m2: 200.0,
            sigma_z_m: 2e-3,
            seed: 1,
        };
        let points = sample(&course, 0.0, course.length_m(), &params);
        let n = points.x_m.len() as f64;
        // Width is constant and the edges lie at ±4.5 m: the area is the length times 9 m.
        let expected = course.length_m() * 9.0 * 200.0;
        assert!(
            (n / expected - 1.0).abs() < 4.0 / expected.sqrt(),
            "{n} {expected}"
        );
        let squares: f64 = (0..points.x_m.len())
            .map(|i| points.z_m[i] - course.height_m(points.x_m[i], points.y_m[i]).unwrap())
            .map(|e| e * e)
            .sum();
        // Standard error of a standard deviation: 1/√(2n) = 0.12 %.
        assert!(((squares / n).sqrt() / 2e-3 - 1.0).abs() < 0.006);
    }
}
