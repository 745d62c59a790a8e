//! Where the truth's height jumps: joints between lots and the sides of patches, as curves.

use super::course::Course;
use super::paving::{Feature, joint_t_m};
use super::whole::to_index;

/// Distance of the vertices of curves, metres.
const VERTEX_M: f64 = 0.2;

/// The curves (x, y) at which the height of a course's paving jumps: longitudinal joints of its
/// lots, joints across between lots, and the four sides of each patch, panel and kerb with vertical
/// sides (the ribs of those are not among them).
#[must_use]
pub fn step_lines(course: &Course) -> Vec<Vec<[f64; 2]>> {
    let mut lines = along_lots(course);
    lines.extend(course.paving().lots().iter().map(|lot| {
        let [left, right] = course.edges_t_m(lot.from_s_m);
        between([lot.from_s_m, right], [lot.from_s_m, left])
    }));
    for feature in course.paving().features() {
        if let Feature::Patch { low, high }
        | Feature::Panel { low, high, .. }
        | Feature::SawnKerb { low, high, .. } = *feature
        {
            let corners = [low, [high[0], low[1]], high, [low[0], high[1]]];
            let side = |k: usize| between(corners[k], corners[(k + 1) % 4]);
            lines.extend((0..4).map(side));
        }
    }
    let place = |&[s, t]: &[f64; 2]| course.line().at(s, t);
    let to_plan = |line: Vec<[f64; 2]>| line.iter().map(place).collect();
    lines.into_iter().map(to_plan).collect()
}

/// Longitudinal joints, (s, t), each from the beginning of its lot to that of the next.
fn along_lots(course: &Course) -> Vec<Vec<[f64; 2]>> {
    let lots = course.paving().lots();
    let length = course.length_m();
    let joint = |k: usize| {
        let lot = &lots[k];
        let end = lots
            .get(k + 1)
            .map_or(lots[0].from_s_m + length, |l| l.from_s_m);
        let along = between([lot.from_s_m, 0.0], [end, 0.0]);
        let at = |[s, _]: [f64; 2]| {
            // The joint is a function of s within the course.
            let wrapped = if s >= length { s - length } else { s };
            [wrapped, joint_t_m(lot, wrapped)]
        };
        along.into_iter().map(at).collect()
    };
    (0..lots.len()).map(joint).collect()
}

fn between(a: [f64; 2], b: [f64; 2]) -> Vec<[f64; 2]> {
    let count = to_index((b[0] - a[0]).hypot(b[1] - a[1]) / VERTEX_M) + 1;
    let at = |k: usize| {
        let share = k as f64 / count as f64;
        [0, 1].map(|d| a[d] + share * (b[d] - a[d]))
    };
    (0..=count).map(at).collect()
}

#[cfg(test)]
mod tests {
    use super::super::spec::CourseSpec;
    use super::*;

    #[test]
    fn every_step_is_on_a_curve_and_curves_are_nowhere_else() {
        let course = Course::build(&CourseSpec::oval()).unwrap();
        let lines = step_lines(&course);
        assert!(lines.len() > 2 * course.paving().lots().len());
        let near = |p: &[f64; 2]| {
            let foot = course.locate(p[0], p[1])?;
            let stretch = 1.0 - course.line().curvature_per_m(foot.s_m) * foot.t_m;
            Some(course.paving().step_distance_m(foot.s_m, foot.t_m, stretch))
        };
        // A joint of the truth jumps in t where the course's length is no multiple of its waves.
        let off = lines
            .iter()
            .flatten()
            .filter_map(near)
            .filter(|d| *d > 1e-6);
        assert!(off.count() <= 2);
    }
}
