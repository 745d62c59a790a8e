//! Where a step lies among the places tried.

/// A cubic on either side and one step between leave this share of a step's gain untold: places that gain
/// as much but for that are as likely. Chosen with `a_kerb_with_vertical_sides_stands_on_rails`: with none
/// the hidden side is twice as far off.
const UNTOLD: f64 = 0.02;

/// The place of a step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place {
    pub mean_m: f64,
    /// What a step gains there at most.
    pub gain: f64,
    /// 1/variance, 1/m²; 0 where it may as well lie beyond those tried.
    weight: f64,
}

impl Place {
    /// The mean over places `step_m` apart, each as likely as the points are under a step there:
    /// exp(gain/2), as far as the ground is what the fit takes it for. Behind a kerb's face, where no beam
    /// falls, all gain alike for some centimetres: the middle of the gap errs least, and weighs little beside
    /// places that points tell. (That the higher side should be seen up to its rim tells little: rings of
    /// points run along a kerb, and the first lies anywhere within their distance of it.)
    pub fn of(gains: &[f64], tried: &[f64], step_m: f64) -> Self {
        let top = gains.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let sure = 0.5 / (1.0 + UNTOLD * top.max(0.0));
        let likely: Vec<f64> = gains.iter().map(|g| (sure * (g - top)).exp()).collect();
        let sum: f64 = likely.iter().sum();
        let mean = |of: &dyn Fn(f64) -> f64| {
            let each = likely.iter().zip(tried);
            each.map(|(p, at)| p * of(*at)).sum::<f64>() / sum
        };
        let mean_m = mean(&|at| at);
        let variance_m2 = mean(&|at| (at - mean_m).powi(2)) + step_m * step_m / 12.0;
        let inner = top > 0.0 && mean_m.abs() + variance_m2.sqrt() < tried[tried.len() - 1];
        Self {
            mean_m,
            gain: top,
            weight: if inner { variance_m2.recip() } else { 0.0 },
        }
    }

    /// What it weighs among places that gain so much in the median: beyond the end of a line, or where
    /// another crosses it, a step may be as sharp by chance, and gains little. Where most gain nothing
    /// (no points, or a step the other way) there is nothing to be held against.
    pub fn weight_among(&self, usual: Option<f64>) -> f64 {
        let usual = usual.filter(|usual| *usual > 0.0);
        let share = usual.map_or(1.0, |usual| self.gain / usual);
        self.weight * share.clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tried() -> Vec<f64> {
        (-20..=20).map(|k| 0.005 * f64::from(k)).collect()
    }

    /// From −10 to 60 mm all places are alike but for what the ground makes; beyond they gain less by 3 %
    /// every 5 mm.
    fn gap() -> Vec<f64> {
        let gain = |d: &f64| {
            let beyond = (-0.0101 - d).max(d - 0.0601).max(0.0) / 0.005;
            900.0 - 27.0 * beyond + 2.0 * (300.0 * d).sin()
        };
        tried().iter().map(gain).collect()
    }

    #[test]
    fn a_step_that_no_point_tells_the_place_of_lies_in_the_middle_of_the_gap_and_weighs_little() {
        let tried = tried();
        let gap = Place::of(&gap(), &tried, 0.005);
        assert!((gap.mean_m - 0.025).abs() < 0.004, "{gap:?}");
        let sharp = |d: &f64| 900.0 - 90.0 * ((d - 0.02) / 0.005).abs();
        let sharp: Vec<f64> = tried.iter().map(sharp).collect();
        let told = Place::of(&sharp, &tried, 0.005);
        assert!((told.mean_m - 0.02).abs() < 1e-4, "{told:?}");
        assert!(told.weight > 20.0 * gap.weight && gap.weight > 0.0);
        // Still rising at the end: it may be anywhere beyond.
        let rising: Vec<f64> = tried.iter().map(|d| 500.0 + 5e3 * d).collect();
        assert!(Place::of(&rising, &tried, 0.005).weight.abs() < 1e-9);
    }

    #[test]
    fn a_place_weighs_by_its_gain_among_others_and_in_full_where_most_gain_nothing() {
        let place = |gain: f64| Place {
            mean_m: 0.0,
            gain,
            weight: 8.0,
        };
        let weighs = |gain: f64, usual: Option<f64>, expected: f64| {
            let weight = place(gain).weight_among(usual);
            assert!(
                (weight - expected).abs() < 1e-12,
                "{gain} {usual:?}: {weight}"
            );
        };
        weighs(50.0, Some(200.0), 2.0);
        weighs(900.0, Some(200.0), 8.0);
        weighs(-5.0, Some(200.0), 0.0);
        for usual in [None, Some(0.0), Some(-3.0)] {
            weighs(50.0, usual, 8.0);
            weighs(0.0, usual, 8.0);
        }
    }
}
