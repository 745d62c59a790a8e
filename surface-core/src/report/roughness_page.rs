//! The roughness of a road to look at: one page without script that needs no network.

use std::fmt::Write as _;

use super::roughness::{Carried, GateReport, PathReport, RoughnessReport, number};
use crate::roughness::{Radius, Section};

const STYLE: &str = include_str!("roughness_page.css");
/// Rows of a table of sections or events; what is more is in the files.
const MOST_ROWS: usize = 300;

fn escaped(text: &str) -> String {
    let text = text.replace('&', "&amp;").replace('<', "&lt;");
    text.replace('>', "&gt;").replace('"', "&quot;")
}

/// A table of rows that are text already.
fn table(head: &[&str], rows: impl IntoIterator<Item = Row>, out: &mut String) {
    out.push_str("<div class=\"wide\"><table>\n<thead><tr>");
    for name in head {
        let _ = write!(out, "<th scope=\"col\">{}</th>", escaped(name));
    }
    out.push_str("</tr></thead>\n<tbody>\n");
    for row in rows {
        let class = if row.missed { " class=\"missed\"" } else { "" };
        let _ = write!(out, "<tr{class}>");
        for cell in &row.cells {
            let _ = write!(out, "<td>{}</td>", escaped(cell));
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody></table></div>\n");
}

struct Row {
    cells: Vec<String>,
    /// Whether a limit is not kept there.
    missed: bool,
}

impl Row {
    fn of(cells: Vec<String>) -> Self {
        Self {
            cells,
            missed: false,
        }
    }
}

impl RoughnessReport {
    /// The page, with these pictures (SVG text) in their order. A function of the report without
    /// its times, so the same run gives the same bytes.
    #[must_use]
    pub fn to_html<'a>(&self, pictures: impl IntoIterator<Item = &'a str>) -> String {
        let mut out = format!(
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
             <title>Roughness of the road</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n\
             <h1>Roughness of the road</h1>\n"
        );
        self.verdict(&mut out);
        self.limits(&mut out);
        self.paths_table(&mut out);
        for svg in pictures {
            let _ = writeln!(out, "<section><figure>\n{svg}</figure></section>");
        }
        self.sections_table(&mut out);
        self.events_table(&mut out);
        self.end(&mut out);
        out.push_str("</body>\n</html>\n");
        out
    }

    /// What the mesh carries, by the path that it carries least of.
    fn verdict(&self, out: &mut String) {
        let class = match (self.gates.is_empty(), self.gates_kept()) {
            (true, _) => "open",
            (false, true) => "met",
            (false, false) => "missed",
        };
        let _ = writeln!(out, "<section class=\"verdict {class}\">");
        let size = |p: &&PathReport| {
            let carried = p.carried.as_ref();
            carried.map_or(f64::NAN, |c| c.resolved_m.unwrap_or(f64::INFINITY))
        };
        let told = self.paths.iter().filter(|p| p.carried.is_some());
        match told.max_by(|a, b| size(a).total_cmp(&size(b))) {
            Some(PathReport {
                carried: Some(worst),
                ..
            }) => {
                let _ = writeln!(out, "<p>{}</p>", escaped(&capital(&worst.words())));
            }
            _ => {
                out.push_str("<p>Which waves this mesh carries is told with its scans only.</p>\n")
            }
        }
        for path in &self.paths {
            let iri = number(path.mesh.iri_mm_per_m, 2);
            let waves = path.carried.as_ref().map_or_else(String::new, |c| {
                format!("λ {} m, ", number(c.resolved_m, 2))
            });
            let class = path.mesh.iso8608.as_ref();
            let class =
                class.map_or_else(String::new, |f| format!(", class {} of ISO 8608", f.class));
            let name = escaped(&path.name);
            let _ = writeln!(out, "<p>{name}: {waves}IRI {iri} mm/m{class}</p>");
        }
        out.push_str("</section>\n");
    }

    fn limits(&self, out: &mut String) {
        if self.gates.is_empty() {
            return;
        }
        out.push_str("<section><h2>Limits</h2>\n");
        for gate in &self.gates {
            let limit = escaped(&gate.limit);
            let word = match gate.failures.len() {
                0 => "<span class=\"met-word\">kept</span> in every section of 100 m".to_owned(),
                n => {
                    format!("<span class=\"missed-word\">not kept</span> in {n} sections of 100 m")
                }
            };
            let _ = writeln!(out, "<p>{limit}: {word}</p>");
        }
        let failure = |gate: &GateReport| -> Vec<Row> {
            let row = |f: &super::roughness::GateFailure| Row {
                cells: vec![
                    gate.limit.clone(),
                    f.path.clone(),
                    format!("{:.0}", f.from_m),
                    format!("{:.0}", f.to_m),
                    f.value
                        .map_or_else(|| "cannot be told".to_owned(), |v| format!("{v:.3}")),
                ],
                missed: true,
            };
            gate.failures.iter().map(row).collect()
        };
        let rows: Vec<Row> = self.gates.iter().flat_map(failure).collect();
        if !rows.is_empty() {
            let all = rows.len();
            let shown = rows.into_iter().take(MOST_ROWS);
            table(&["limit", "path", "from, m", "to, m", "value"], shown, out);
            left(all, "roughness.json", out);
        }
        out.push_str("</section>\n");
    }

    fn paths_table(&self, out: &mut String) {
        out.push_str("<section><h2>Paths</h2>\n");
        let names = self.paths.iter().map(|p| p.name.as_str());
        let head: Vec<&str> = std::iter::once("").chain(names).collect();
        let line = |name: &str, of: &dyn Fn(&PathReport) -> String| {
            let values = self.paths.iter().map(of);
            Row::of(std::iter::once(name.to_owned()).chain(values).collect())
        };
        let radius = |r: Option<Radius>| {
            r.map_or_else(
                || "–".to_owned(),
                |r| format!("{:.0} m at {:.0} m", r.radius_m, r.x_m),
            )
        };
        let speed = self.parameters.speed_km_h;
        let rows = [
            line("length", &|p| format!("{:.1} m", p.mesh.length_m)),
            line("with a surface", &|p| {
                format!("{:.1} %", 1e2 * p.mesh.coverage)
            }),
            line("IRI of the mesh, mm/m", &|p| number(p.mesh.iri_mm_per_m, 3)),
            line("IRI of the height field, mm/m", &|p| {
                number(p.field_iri_mm_per_m, 3)
            }),
            line("IRI of both halves' surfaces, mm/m", &halves_iri),
            line("λ, m", &|p| {
                number(p.carried.as_ref().and_then(|c| c.resolved_m), 2)
            }),
            line("ISO 8608: level at 0.1 cycles/m, exponent", &|p| {
                let fit = p.mesh.iso8608.as_ref();
                fit.map_or_else(
                    || "–".to_owned(),
                    |f| format!("{} ({:.2e} m³, {:.2})", f.class, f.level_m3, f.exponent),
                )
            }),
            line("3 m straightedge", &|p| gap(p.mesh.straightedge)),
            line("rolling 3 m straightedge", &|p| gap(p.mesh.rolling)),
            line("grade over 20 m", &|p| {
                let grade = p.mesh.grade.map(|g| g.map(|v| 1e2 * v));
                grade.map_or_else(|| "–".to_owned(), |[a, b]| format!("{a:.2} to {b:.2} %"))
            }),
            line("tightest sag", &|p| radius(p.mesh.sag)),
            line("tightest crest", &|p| radius(p.mesh.crest)),
            line(&format!("below the radius for {speed} km/h"), &|p| {
                format!("{:.0} m", p.mesh.below_rule_m)
            }),
        ];
        table(&head, rows, out);
        if let Some([least, mean, most]) = self.crossfall.map(|c| c.map(|v| 1e2 * v)) {
            let _ = writeln!(
                out,
                "<p>Crossfall {mean:.2} % in the mean, {least:.2} to {most:.2} %.</p>"
            );
        }
        out.push_str("</section>\n");
    }

    fn sections_table(&self, out: &mut String) {
        out.push_str("<section><h2>Sections of 100 m</h2>\n");
        let head = [
            "path",
            "from, m",
            "to, m",
            "IRI, mm/m",
            "IRI of half A, B",
            "λ, m",
            "worst band of 1 to 3 m, dB",
            "3 m straightedge, mm",
        ];
        let failed = |path: &str, section: &Section| {
            let here = |f: &super::roughness::GateFailure| {
                f.path == path && (f.from_m - section.from_m).abs() < 1e-9
            };
            self.gates.iter().any(|g| g.failures.iter().any(here))
        };
        let rows = self.paths.iter().flat_map(|p| {
            let sections = p.mesh.sections_100_m.iter().enumerate();
            sections.map(move |(k, s)| Row {
                cells: section_cells(p, k, s),
                missed: failed(&p.name, s),
            })
        });
        table(&head, rows.take(MOST_ROWS), out);
        let all: usize = self.paths.iter().map(|p| p.mesh.sections_100_m.len()).sum();
        left(all, "roughness.json", out);
        out.push_str("</section>\n");
    }

    fn events_table(&self, out: &mut String) {
        out.push_str("<section><h2>Events</h2>\n");
        let all: usize = self.paths.iter().map(|p| p.mesh.events.len()).sum();
        if all == 0 {
            out.push_str("<p>No bump or dip of 5 mm, no step of 3 mm.</p></section>\n");
            return;
        }
        let head = [
            "path",
            "what",
            "way, m",
            "height, mm",
            "length, m",
            "vertical acceleration, m/s²",
        ];
        let rows = self.paths.iter().flat_map(|p| {
            p.mesh.events.iter().map(|e| {
                Row::of(vec![
                    p.name.clone(),
                    e.event.kind.name().to_owned(),
                    format!("{:.1}", e.event.x_m),
                    format!("{:+.1}", 1e3 * e.event.signed_m()),
                    format!("{:.2}", e.event.length_m),
                    format!("{:.1}", e.acceleration_m_s2),
                ])
            })
        });
        table(&head, rows.take(MOST_ROWS), out);
        left(all, "events.csv", out);
        out.push_str("</section>\n");
    }

    fn end(&self, out: &mut String) {
        let list = |name: &str, lines: &[String], out: &mut String| {
            if lines.is_empty() {
                return;
            }
            let _ = writeln!(out, "<section><h2>{name}</h2><ul>");
            for line in lines {
                let _ = writeln!(out, "<li>{}</li>", escaped(line));
            }
            out.push_str("</ul></section>\n");
        };
        list("Left out", &self.left_out, out);
        list("Cautions", &self.cautions, out);
        let p = &self.parameters;
        let halves = self.halves.as_ref().map_or_else(String::new, |h| {
            format!("; halves of {} points by {}", h.points, escaped(&h.split))
        });
        let _ = writeln!(
            out,
            "<footer>surface {}; stations {} m apart, wheels {} m apart, {} m left of the line{halves}</footer>",
            escaped(&self.version),
            p.step_m,
            p.track_m,
            p.offset_m
        );
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(char::to_uppercase);
    first.into_iter().flatten().chain(letters).collect()
}

fn gap(gap: Option<crate::roughness::Gap>) -> String {
    gap.map_or_else(
        || "–".to_owned(),
        |g| format!("{:.2} mm at {:.1} m", 1e3 * g.depth_m, g.x_m),
    )
}

fn halves_iri(path: &PathReport) -> String {
    let both = |c: &Carried| c.iri_halves_mm_per_m.map(|v| number(v, 3)).join(", ");
    path.carried.as_ref().map_or_else(|| "–".to_owned(), both)
}

fn section_cells(path: &PathReport, k: usize, section: &Section) -> Vec<String> {
    let carried = path.carried.as_ref();
    let halves = carried.and_then(|c| c.iri_halves_by_section.get(k));
    let halves = halves.map_or_else(|| "–".to_owned(), |h| h.map(|v| number(v, 3)).join(", "));
    let gap_mm = section.straightedge.map(|g| 1e3 * g.depth_m);
    vec![
        path.name.clone(),
        format!("{:.0}", section.from_m),
        format!("{:.0}", section.to_m),
        number(section.iri_mm_per_m, 3),
        halves,
        number(carried.and_then(|c| c.sections.get(k)?.resolved_m), 2),
        number(carried.and_then(|c| c.sections.get(k)?.band_error_db), 2),
        number(gap_mm, 2),
    ]
}

fn left(all: usize, file: &str, out: &mut String) {
    if all > MOST_ROWS {
        let _ = writeln!(out, "<p>{} more are in {file}.</p>", all - MOST_ROWS);
    }
}
