//! The report in words: what a track modeller reads in ten seconds.

use std::fmt::Write as _;

use super::content::{FieldCounts, Report, RibbonReport, RunReport};

/// Spots that the summary names; the rest is in `deviation.csv`.
const NAMED_SPOTS: usize = 5;

/// Last line of the summary of a run that made nothing.
const UNCHANGED: &str = "unchanged   this very build was there and whole: nothing was made again";

impl Report {
    /// The summary: verdict first, then road, surface, deviation, doubts.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut out = self.deviation.verdict_line(self.parameters.tolerance_mm);
        let _ = writeln!(out, "{}", self.road_line());
        let _ = writeln!(out, "{}", self.setups_line());
        if let Some(checkpoints) = &self.checkpoints {
            let _ = writeln!(out, "{}", checkpoints.line());
        }
        let _ = writeln!(out, "{}", self.surface_line());
        let _ = writeln!(out, "{}", self.field.resolved_line());
        let _ = writeln!(out, "{}", self.narrow_line());
        let _ = writeln!(out, "{}", self.mesh_line());
        let _ = writeln!(out, "{}", self.deviation.line(self.parameters.tolerance_mm));
        for spot in self.spots.iter().take(NAMED_SPOTS) {
            let _ = writeln!(
                out,
                "  spot {:<3} s {:8.1} m  t {:+6.2} m  {:+6.1} mm  {:6.2} m²  {}",
                spot.id, spot.at_m[0], spot.at_m[1], spot.worst_mm, spot.area_m2, spot.why
            );
        }
        if self.spots.len() > NAMED_SPOTS {
            let _ = writeln!(out, "  … all spots are in deviation.csv");
        }
        for doubt in &self.doubts {
            let _ = writeln!(out, "doubt       {doubt}");
        }
        if self.run.taken_over == [RunReport::ALL] {
            let _ = writeln!(out, "{UNCHANGED}");
        }
        out
    }

    fn road_line(&self) -> String {
        format!(
            "{}; {} of {} points on it",
            self.ribbon.line(),
            grouped(self.points_on_road),
            grouped(self.points)
        )
    }

    fn surface_line(&self) -> String {
        let f = &self.field;
        let share = |n: u64| 100.0 * n as f64 / f.inside.max(1) as f64;
        format!(
            "surface     {} heights at {} m, σ {:.2} mm (95 % below {:.2}); {:.2} % bridged, {:.2} % holes",
            grouped(f.fitted),
            self.parameters.spacing_m,
            f.sigma_median_mm,
            f.sigma_95_mm,
            share(f.bridged),
            share(f.inside.saturating_sub(f.fitted))
        )
    }

    /// What no lattice holds, however dense the points.
    fn narrow_line(&self) -> String {
        format!(
            "narrow      cracks, slots and holes under {} m wide are smoothed",
            self.parameters.spacing_m
        )
    }

    fn mesh_line(&self) -> String {
        let m = &self.mesh;
        let state = if m.is_valid() { "no defect" } else { "DEFECTS" };
        let mut out = format!(
            "mesh        {} triangles, {state}; least angle off the rails {:.1}°",
            grouped(m.faces),
            m.least_angle_off_rails_deg
        );
        for (name, count) in m.defects().iter().filter(|d| d.1 > 0) {
            let _ = write!(out, "; {count} {name}");
        }
        out
    }
}

impl FieldCounts {
    /// Which waves the heights hold, as a line of text.
    #[must_use]
    pub fn resolved_line(&self) -> String {
        format!(
            "resolved    waves from {:.2} m (95 % from {:.2} m); under 0.5 m on {:.1} % of the heights",
            self.wavelength_median_m,
            self.wavelength_95_m,
            100.0 * self.share_under_half_metre
        )
    }
}

impl RibbonReport {
    fn line(&self) -> String {
        let [least, mean, most] = self.widths_m;
        let shape = if self.closed { "closed" } else { "open" };
        format!(
            "road        {:.1} m {shape}, {least:.2} to {most:.2} m wide (mean {mean:.2})",
            self.length_m
        )
    }

    /// The ribbon in words: the road, gaps in its edges, what was decided.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut out = self.line() + "\n";
        for gap in &self.gaps {
            let _ = writeln!(
                out,
                "gap         {} edge, s {:.1} to {:.1} m: {}",
                gap.side, gap.from_s_m, gap.to_s_m, gap.reason
            );
        }
        for note in &self.notes {
            let _ = writeln!(out, "note        {note}");
        }
        out
    }
}

/// 1234567 → "1 234 567" (narrow no-break spaces).
pub(super) fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (k, digit) in digits.chars().enumerate() {
        if k > 0 && (digits.len() - k).is_multiple_of(3) {
            out.push('\u{202f}');
        }
        out.push(digit);
    }
    out
}

#[cfg(test)]
mod tests {
    #[test]
    fn large_counts_are_grouped_by_three() {
        assert_eq!(super::grouped(1_234_567), "1\u{202f}234\u{202f}567");
        assert_eq!(super::grouped(12), "12");
    }
}
