//! How well the surface meets surveyed points, as the ASPRS Positional Accuracy Standards for
//! Digital Geospatial Data (edition 2, 2023) count it: RMSE and mean error in height (7.1, 7.2), at
//! least thirty checkpoints (7.13). That the survey's own error belongs into the product's RMSE is
//! the standard's idea; the root of the sum of squares for it is from memory.

use std::fmt::Write as _;

/// Fewer checkpoints than this need a statement with the figures (7.13).
const ENOUGH: usize = 30;
/// A mean error above this share of the RMSE has a cause that should be looked for (7.2).
const BIAS_SHARE: f64 = 0.25;
/// Scans are registered to a few centimetres; checkpoints that move them further are suspicious,
/// millimetres.
const SUSPICIOUS_MM: f64 = 100.0;

/// One checkpoint.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CheckpointReport {
    /// Its name, or its number in the file.
    pub name: String,
    /// Station and offset, metres.
    pub at_m: [f64; 2],
    /// Surface less survey, millimetres.
    pub error_mm: f64,
}

/// All checkpoints.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CheckpointsReport {
    /// Given.
    pub given: usize,
    /// With a surface over or under them.
    pub on_surface: usize,
    /// Root mean square of surface less survey, millimetres.
    pub rmse_mm: f64,
    /// Mean, millimetres.
    pub mean_mm: f64,
    /// Largest, signed, millimetres.
    pub worst_mm: f64,
    /// Standard deviation of the survey that was reckoned with, millimetres.
    pub survey_sd_mm: f64,
    /// RMSE of the product: the fit to the checkpoints and the survey's own error together.
    pub product_rmse_mm: f64,
    /// The scans were too high by this at the checkpoints and are lowered, millimetres.
    pub shift_mm: f64,
    /// What the standard asks to be said.
    pub notes: Vec<String>,
    /// One by one.
    pub points: Vec<CheckpointReport>,
}

impl CheckpointsReport {
    /// Figures of the checkpoints that have a surface.
    #[must_use]
    pub fn new(
        given: usize,
        points: Vec<CheckpointReport>,
        survey_sd_mm: f64,
        shift_mm: f64,
    ) -> Self {
        let n = points.len().max(1) as f64;
        let mean = points.iter().map(|p| p.error_mm).sum::<f64>() / n;
        let rmse = (points.iter().map(|p| p.error_mm.powi(2)).sum::<f64>() / n).sqrt();
        let by_size = |a: &&CheckpointReport, b: &&CheckpointReport| {
            a.error_mm.abs().total_cmp(&b.error_mm.abs())
        };
        let worst = points.iter().max_by(by_size).map_or(0.0, |p| p.error_mm);
        let round = |v: f64| (1e3 * v).round() / 1e3;
        let mut out = Self {
            given,
            on_surface: points.len(),
            rmse_mm: round(rmse),
            mean_mm: round(mean),
            worst_mm: worst,
            survey_sd_mm,
            product_rmse_mm: round(rmse.hypot(survey_sd_mm)),
            shift_mm: round(shift_mm),
            notes: Vec::new(),
            points,
        };
        out.notes = out.notes();
        out
    }

    fn notes(&self) -> Vec<String> {
        if self.on_surface == 0 {
            return vec![
                "no checkpoint lies on the surface: heights are as they were delivered".to_owned(),
            ];
        }
        let mut out = vec![
            "the checkpoints hold the height of the surface: they do not test it independently"
                .to_owned(),
        ];
        if self.on_surface < ENOUGH {
            out.push(format!(
                "{} checkpoints: fewer than the {ENOUGH} that the standard asks for",
                self.on_surface
            ));
        }
        if self.mean_mm.abs() > BIAS_SHARE * self.rmse_mm {
            out.push(format!(
                "the mean error of {:+.2} mm is more than a quarter of the RMSE: look for its cause",
                self.mean_mm
            ));
        }
        if self.shift_mm.abs() > SUSPICIOUS_MM {
            out.push(format!(
                "heights were moved by {:+.1} mm to meet the checkpoints: see that both are in the same height system and unit",
                -self.shift_mm
            ));
        }
        out
    }

    /// What a reader should doubt: the notes that are not said of every checkpoint.
    #[must_use]
    pub fn doubts(&self) -> &[String] {
        let usual = usize::from(self.on_surface > 0);
        &self.notes[usual.min(self.notes.len())..]
    }

    /// In one line.
    pub(super) fn line(&self) -> String {
        if self.on_surface == 0 {
            return format!("checkpoints none of {} on the surface", self.given);
        }
        let mut out = format!(
            "checkpoints {} of {} on the surface: RMSE {:.2} mm, mean {:+.2} mm, worst {:+.2} mm",
            self.on_surface, self.given, self.rmse_mm, self.mean_mm, self.worst_mm
        );
        let _ = write!(
            out,
            "; with the survey's {} mm {:.2} mm; heights moved by {:+.2} mm",
            self.survey_sd_mm, self.product_rmse_mm, -self.shift_mm
        );
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_millimetres_of_fit_and_two_of_survey_make_three_point_six() {
        // An example of our own: √(3² + 2²) = 3.606 mm.
        let point = |k: u32, error_mm: f64| CheckpointReport {
            name: k.to_string(),
            at_m: [0.0, 0.0],
            error_mm,
        };
        let points = (0..30)
            .map(|k| point(k, if k % 2 == 0 { 3.0 } else { -3.0 }))
            .collect();
        let got = CheckpointsReport::new(31, points, 2.0, 15.0);
        assert!((got.product_rmse_mm - 3.606).abs() < 5e-4, "{got:?}");
        assert!((got.rmse_mm - 3.0).abs() < 1e-12 && got.mean_mm.abs() < 1e-12);
        assert_eq!(got.notes.len(), 1, "{:?}", got.notes);
        let few = CheckpointsReport::new(2, vec![point(1, 4.0), point(2, 5.0)], 2.0, 0.0);
        assert_eq!(few.notes.len(), 3, "{:?}", few.notes);
        assert_eq!(few.doubts().len(), 2);
    }

    #[test]
    fn checkpoints_beside_the_road_or_in_another_height_system_are_doubted() {
        let none = CheckpointsReport::new(5, Vec::new(), 2.0, 0.0);
        assert_eq!(none.doubts().len(), 1, "{:?}", none.notes);
        assert!(none.line().contains("none of 5"), "{}", none.line());
        let point = |error_mm: f64| CheckpointReport {
            name: "P".to_owned(),
            at_m: [0.0, 0.0],
            error_mm,
        };
        let points = (0..40)
            .map(|k| point(if k % 2 == 0 { 1.0 } else { -1.0 }))
            .collect();
        let far = CheckpointsReport::new(40, points, 2.0, -41_300.0);
        assert!(far.doubts()[0].contains("+41300.0 mm"), "{:?}", far.notes);
    }
}
