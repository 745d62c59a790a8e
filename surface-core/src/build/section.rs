//! A cut through the road as a picture: its points, the mesh, and the band of the tolerance.

use std::path::{Path, PathBuf};

use super::BuildError;
use super::built::FinishedBuild;
use super::export::{carry_over, mesh_sections, straight_line};
use super::finished::not_a_build;
use super::keep::keep_file;
use crate::export::{Axis, Band, Chart, Dots, HeldReader, Line, Scale, TextFile};
use crate::mesh::{MeshSection, SectionIndex};
use crate::numeric::to_index;
use crate::progress::{Counted, Progress};
use crate::ribbon::RibbonPoint;

/// Points that are read at once.
const BATCH: usize = 200_000;
/// The mesh is drawn through places this far apart, metres.
const STEP_M: f64 = 0.01;
/// More dots than this hide each other; then every n-th is drawn.
const MOST_DOTS: usize = 6000;
/// Ground beside the edges that a cross-section shows, metres.
const BESIDE_M: f64 = 0.3;
/// Half of the width that is drawn around a spot, across and along, metres.
const AROUND_SPOT_M: [f64; 2] = [2.0, 5.0];

/// Where to cut.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CutAt {
    /// At this station, metres along the reference line.
    Station(f64),
    /// Through the spot of this number.
    Spot(u32),
}

/// What steers a cut.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CutParams {
    /// Where.
    pub at: CutAt,
    /// Along the road instead of across it.
    pub along: bool,
    /// For a cut along: how far left of the line, metres; a spot's own where absent, else 0.
    pub t_m: Option<f64>,
    /// Length of the picture, metres; the road's width, or 20 m along, where absent.
    pub length_m: Option<f64>,
    /// Points this far to either side belong to the cut, metres.
    pub reach_m: f64,
}

impl CutParams {
    /// A cut across at `at`, with points of 0.1 m.
    #[must_use]
    pub fn across(at: CutAt) -> Self {
        Self {
            at,
            along: false,
            t_m: None,
            length_m: None,
            reach_m: 0.05,
        }
    }

    /// # Errors
    /// [`BuildError::Parameter`] naming the option and what is wrong with it.
    pub fn check(&self) -> Result<(), BuildError> {
        let bad = |name, value: f64, why| {
            let value = format!("{value}");
            Err(BuildError::Parameter { name, value, why })
        };
        if let Some(length_m) = self.length_m.filter(|l| !(0.5..=500.0).contains(l)) {
            return bad("--length", length_m, "give 0.5 to 500 metres");
        }
        if !(0.001..=1.0).contains(&self.reach_m) {
            return bad("--reach", self.reach_m, "give 0.001 to 1 metre");
        }
        match (self.t_m, self.along) {
            (Some(t_m), false) => bad("--t", t_m, "only a cut along the road has it: add --along"),
            (Some(t_m), true) if !(-100.0..=100.0).contains(&t_m) => {
                bad("--t", t_m, "give -100 to 100 metres")
            }
            _ => Ok(()),
        }
    }
}

/// What a cut shows.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct CutReport {
    /// The picture.
    pub path: PathBuf,
    /// Station of its middle, metres.
    pub s_m: f64,
    /// Left of the line, metres: of its middle.
    pub t_m: f64,
    /// Points in the cut.
    pub points: u64,
    /// Of these, further from the surface than the tolerance.
    pub beyond: u64,
    /// Slope that was taken out: crossfall or grade.
    pub slope: f64,
    /// Share of the cut with a surface.
    pub covered: f64,
    /// What the picture cannot show, in words.
    pub notes: Vec<String>,
}

impl CutReport {
    /// The report for people.
    #[must_use]
    pub fn to_text(&self) -> String {
        let mut out = format!(
            "picture     {}\nplace       s {:.2} m, t {:+.2} m; slope {:+.2} % taken out\n\
             points      {} in the cut, {} of them beyond the tolerance\n",
            self.path.display(),
            self.s_m,
            self.t_m,
            1e2 * self.slope,
            self.points,
            self.beyond
        );
        for note in &self.notes {
            out.push_str(&format!("note        {note}\n"));
        }
        out
    }
}

/// A cut as it is laid: its middle, and how far it reaches.
#[derive(Debug, Clone)]
struct Cut {
    along: bool,
    s_m: f64,
    t_m: f64,
    /// From and to, of t across the road, of the way from `s_m` along it.
    range_m: [f64; 2],
    reach_m: f64,
    title: String,
}

impl Cut {
    fn of(build: &FinishedBuild, params: &CutParams) -> Result<Self, BuildError> {
        let (s_m, t_m, half, name) = match params.at {
            CutAt::Station(s) => (station(build, s)?, None, None, String::new()),
            CutAt::Spot(id) => {
                let spot = spot(build, id)?;
                let half = [0, 1].map(|k| AROUND_SPOT_M[k].max(1.5 * spot.size_m[k]));
                let name = format!(" through spot {id} ({})", spot.why);
                (spot.s_m, Some(spot.t_m), Some(half), name)
            }
        };
        let (right, left) = (
            build.ribbon.edges.right_m(s_m),
            build.ribbon.edges.left_m(s_m),
        );
        let asked = params.length_m.map(|l| 0.5 * l);
        let (t_m, range_m) = if params.along {
            let half = asked.or(half.map(|h| h[1])).unwrap_or(10.0);
            (params.t_m.or(t_m).unwrap_or(0.0), [-half, half])
        } else {
            let middle = t_m.unwrap_or(0.5 * (left + right));
            let all = 0.5 * (left - right) + BESIDE_M;
            let half = asked.or(half.map(|h| h[0])).unwrap_or(all);
            // A little of what lies beside the road, but no more.
            let (from, to) = (right - BESIDE_M, left + BESIDE_M);
            (middle, [(middle - half).max(from), (middle + half).min(to)])
        };
        let kind = if params.along {
            "profile"
        } else {
            "cross-section"
        };
        Ok(Self {
            along: params.along,
            s_m,
            t_m,
            range_m,
            reach_m: params.reach_m,
            title: format!("{kind} at s {s_m:.2} m, t {t_m:+.2} m{name}"),
        })
    }

    /// The place of the ribbon at `u` of the picture's axis.
    fn place(&self, u: f64) -> RibbonPoint {
        if self.along {
            RibbonPoint {
                s: self.s_m + u,
                t: self.t_m,
            }
        } else {
            RibbonPoint { s: self.s_m, t: u }
        }
    }

    /// Where on the picture's axis a place of the ribbon belongs, when it is in the cut.
    fn axis(&self, place: RibbonPoint, lap_m: Option<f64>) -> Option<f64> {
        let mut ds = place.s - self.s_m;
        if let Some(lap) = lap_m {
            ds -= lap * (ds / lap).round();
        }
        let (u, off) = if self.along {
            (ds, place.t - self.t_m)
        } else {
            (place.t, ds)
        };
        let inside = off.abs() <= self.reach_m && (self.range_m[0]..=self.range_m[1]).contains(&u);
        inside.then_some(u)
    }
}

fn station(build: &FinishedBuild, s: f64) -> Result<f64, BuildError> {
    let line = &build.ribbon.line;
    if s.is_finite() && (line.is_closed() || (0.0..=line.length_m()).contains(&s)) {
        return Ok(line.wrap_s(s));
    }
    Err(BuildError::Parameter {
        name: "--s",
        value: format!("{s}"),
        why: "the road does not reach there",
    })
}

struct SpotPlace {
    s_m: f64,
    t_m: f64,
    /// Across and along.
    size_m: [f64; 2],
    why: String,
}

fn spot(build: &FinishedBuild, id: u32) -> Result<SpotPlace, BuildError> {
    let path = build.path("deviation.csv");
    let text = std::fs::read_to_string(&path).map_err(|e| not_a_build(&path, e))?;
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().unwrap_or_default().split(',').collect();
    let column = |name: &str| names.iter().position(|n| *n == name);
    let word = |row: &str, name: &str| -> Option<String> {
        Some(row.split(',').nth(column(name)?)?.to_owned())
    };
    let is = |row: &&str| word(row, "id").is_some_and(|w| w == id.to_string());
    let row = lines.find(is).ok_or_else(|| BuildError::Parameter {
        name: "--spot",
        value: id.to_string(),
        why: "deviation.csv has no spot of this number",
    })?;
    let number = |name: &str| {
        let value = word(row, name).and_then(|w| w.parse::<f64>().ok());
        value.ok_or_else(|| not_a_build(&path, format!("no {name} of spot {id} in it")))
    };
    Ok(SpotPlace {
        s_m: build.ribbon.line.wrap_s(number("s_m")?),
        t_m: number("t_m")?,
        size_m: [number("width_m")?, number("length_m")?],
        why: word(row, "why").unwrap_or_default(),
    })
}

/// Draw the cut of the build in `dir` that `params` ask for into the SVG file `out`.
///
/// # Errors
/// [`BuildError`] naming the file or option and the remedy.
pub fn section(
    dir: &Path,
    out: &Path,
    params: &CutParams,
    progress: &mut dyn Progress,
) -> Result<CutReport, BuildError> {
    params.check()?;
    keep_file(out, &[], Some(dir))?;
    let build = FinishedBuild::open(dir)?;
    let tolerance_m = build.tolerance_m()?;
    let cut = Cut::of(&build, params)?;
    let mesh = mesh_line(&build, &cut, progress)?;
    let (points, mut notes) = points(&build, &cut, tolerance_m, progress)?;
    let z: Vec<f64> = mesh.iter().map(|p| p[1]).collect();
    let u: Vec<f64> = mesh.iter().map(|p| p[0]).collect();
    let Some([level, slope]) = straight_line(&u, &z) else {
        return Err(BuildError::Parameter {
            name: "--s",
            value: format!("{}", cut.s_m),
            why: "there is no surface in the cut",
        });
    };
    let over = |p: &[f64; 2]| [p[0], 1e3 * (p[1] - level - slope * p[0])];
    let picture = Picture {
        cut: &cut,
        slope,
        tolerance_mm: 1e3 * tolerance_m,
        mesh: mesh.iter().map(over).collect(),
        points: points.iter().map(|(p, d)| (over(p), *d)).collect(),
    };
    let (chart, hidden) = picture.chart();
    if hidden > 0 {
        notes.push(format!("{hidden} points lie above or below the picture"));
    }
    let mut file = TextFile::create(out)?;
    file.put(&chart.to_svg())?;
    file.finish()?;
    let there = z.iter().filter(|z| z.is_finite()).count();
    Ok(CutReport {
        path: out.to_owned(),
        s_m: cut.s_m,
        t_m: cut.t_m,
        points: points.len() as u64,
        beyond: points.iter().filter(|(_, d)| d.abs() > tolerance_m).count() as u64,
        slope,
        covered: there as f64 / z.len() as f64,
        notes,
    })
}

/// Axis and height of the mesh along the cut; NaN where there is none.
fn mesh_line(
    build: &FinishedBuild,
    cut: &Cut,
    progress: &mut dyn Progress,
) -> Result<Vec<[f64; 2]>, BuildError> {
    let [from, to] = cut.range_m;
    let count = to_index((to - from) / STEP_M) + 1;
    let line = &build.ribbon.line;
    let axis = |k: usize| from + (to - from) * k as f64 / (count - 1) as f64;
    let section_of = |place: RibbonPoint| {
        let row = to_index(line.wrap_s(place.s) / build.lattice.s_step_m);
        (row / crate::field::SECTION_ROWS).min(build.lattice.sections() - 1)
    };
    let inside =
        |place: RibbonPoint| line.is_closed() || (0.0..=line.length_m()).contains(&place.s);
    let places: Vec<RibbonPoint> = (0..count).map(|k| cut.place(axis(k))).collect();
    let mut out: Vec<[f64; 2]> = (0..count).map(|k| [axis(k), f64::NAN]).collect();
    let work = |section: &MeshSection| -> Vec<(usize, f64)> {
        let mine = |k: &usize| inside(places[*k]) && section_of(places[*k]) == section.section;
        let mine: Vec<usize> = (0..count).filter(mine).collect();
        if mine.is_empty() {
            return Vec::new();
        }
        let index = SectionIndex::new(section);
        let z = |k: usize| Some((k, index.at(line.to_local(places[k]))?.z_m));
        mine.into_iter().filter_map(z).collect()
    };
    let mut mesh = build.mesh()?;
    let total = build.lattice.sections();
    mesh_sections(&mut mesh, total, progress, work, |_, found| {
        found.into_iter().for_each(|(k, z)| out[k][1] = z);
        Ok(())
    })?;
    Ok(out)
}

/// Points of the cut: axis and height, and deviation, metres.
type CutPoints = Vec<([f64; 2], f64)>;

fn points(
    build: &FinishedBuild,
    cut: &Cut,
    tolerance_m: f64,
    progress: &mut dyn Progress,
) -> Result<(CutPoints, Vec<String>), BuildError> {
    let path = build.path("deviation.laz");
    if !path.exists() {
        let note = "the build kept no points: build with --deviation-points all to see them";
        return Ok((Vec::new(), vec![note.to_owned()]));
    }
    let mut reader = HeldReader::open(&path, build.ribbon.frame.origin_m)?;
    progress.stage("points", reader.total(), Counted::Points);
    let line = &build.ribbon.line;
    let lap_m = line.is_closed().then(|| line.length_m());
    let middle = line.to_local(cut.place(0.5 * (cut.range_m[0] + cut.range_m[1])));
    let far = 0.5 * (cut.range_m[1] - cut.range_m[0]) + cut.reach_m;
    let (mut batch, mut out) = (Vec::new(), Vec::new());
    while reader.next(BATCH, &mut batch)? > 0 {
        for point in batch.iter().filter(|p| p.d_m.is_finite()) {
            let [x, y, z] = point.xyz_m;
            // No point of the cut is further from its middle than along the axis, on a straight
            // line; in a bend it is nearer.
            if (x - middle[0]).hypot(y - middle[1]) > 1.2 * far + 0.1 {
                continue;
            }
            let place = build.ribbon.locate([x, y]);
            let u = place.and_then(|place| cut.axis(place, lap_m));
            out.extend(u.map(|u| ([u, z], point.d_m)));
        }
        progress.advance(batch.len() as u64)?;
    }
    let mut notes = Vec::new();
    if reader.total() > 0 && reader.only_beyond(tolerance_m) {
        let note = "only points beyond the tolerance are kept in this build: build with --deviation-points all to see all";
        notes.push(note.to_owned());
    }
    Ok((out, notes))
}

/// Everything that is drawn, heights in millimetres over the straight line.
struct Picture<'a> {
    cut: &'a Cut,
    slope: f64,
    tolerance_mm: f64,
    mesh: Vec<[f64; 2]>,
    points: Vec<([f64; 2], f64)>,
}

impl Picture<'_> {
    /// Heights that are shown: the band everywhere, and all but the last hundredth of the points.
    fn range_mm(&self) -> [f64; 2] {
        let band = 1.6 * self.tolerance_mm;
        let mut mesh: Vec<f64> = self.mesh.iter().map(|p| p[1]).collect();
        carry_over(&mut mesh);
        let there = || mesh.iter().filter(|z| z.is_finite());
        let mut low = there().fold(f64::INFINITY, |m, z| m.min(*z)) - band;
        let mut high = there().fold(f64::NEG_INFINITY, |m, z| m.max(*z)) + band;
        let mut z: Vec<f64> = self.points.iter().map(|p| p.0[1]).collect();
        z.sort_unstable_by(f64::total_cmp);
        if let (Some(first), Some(last)) =
            (z.get(z.len() / 100), z.get(z.len() - 1 - z.len() / 100))
        {
            low = low.min(first - 1.0);
            high = high.max(last + 1.0);
        }
        [low, high]
    }

    /// The chart, and how many points lie outside of it.
    fn chart(&self) -> (Chart, usize) {
        let range = self.range_mm();
        let shown = |p: &&([f64; 2], f64)| (range[0]..=range[1]).contains(&p.0[1]);
        let all: Vec<&([f64; 2], f64)> = self.points.iter().filter(shown).collect();
        let hidden = self.points.len() - all.len();
        let every = all.len().div_ceil(MOST_DOTS).max(1);
        let dots = |beyond: bool| -> Vec<[f64; 2]> {
            let mine = all.iter().step_by(every);
            mine.filter(|p| (1e3 * p.1.abs() > self.tolerance_mm) == beyond)
                .map(|p| p.0)
                .collect()
        };
        let (tolerance, slope) = (self.tolerance_mm, 1e2 * self.slope);
        let kind = if self.cut.along { "grade" } else { "crossfall" };
        let moved = |by: f64| self.mesh.iter().map(|p| [p[0], p[1] + by]).collect();
        let x_title = if self.cut.along {
            format!("way from s {:.2} m, m", self.cut.s_m)
        } else {
            "t, m (left of the line is positive)".to_owned()
        };
        let chart = Chart {
            title: self.cut.title.clone(),
            x: Axis {
                title: x_title,
                range: self.cut.range_m,
                scale: Scale::Linear,
            },
            y: Axis {
                title: format!("height over {kind} {slope:+.2} %, mm"),
                range,
                scale: Scale::Linear,
            },
            areas: Vec::new(),
            bands: vec![Band {
                name: format!("±{tolerance} mm"),
                lower: moved(-tolerance),
                upper: moved(tolerance),
            }],
            rules: Vec::new(),
            dots: vec![
                Dots {
                    name: "points".to_owned(),
                    points: dots(false),
                    style: 4,
                },
                Dots {
                    name: "points beyond".to_owned(),
                    points: dots(true),
                    style: 1,
                },
            ],
            lines: vec![Line {
                name: "mesh".to_owned(),
                points: self.mesh.clone(),
                style: 0,
            }],
        };
        (chart, hidden)
    }
}
