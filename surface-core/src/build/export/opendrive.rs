//! The road as OpenDRIVE: cross sections of the mesh, and how far they are from it.

use std::path::Path;

use super::ExportParams;
use super::profile::{carry_over, filled_ends, straight_line};
use super::report::ExportReport;
use super::stream::sections;
use crate::build::BuildError;
use crate::build::built::FinishedBuild;
use crate::cloud::io::CrsRecord;
use crate::export::{Cubic, OpenDriveRoad, Shape, Spans, cubics};
use crate::mesh::{MeshSection, SectionIndex};
use crate::numeric::{ceil_i32, floor_i32, to_index};
use crate::progress::Progress;
use crate::ribbon::{Ribbon, RibbonPoint};

/// Distance of cross sections, and of heights in them, unless another is asked for, metres: a
/// road of 4 km makes a file of some 10 MB that programs for traffic still read.
const STEP_M: f64 = 1.0;

/// Where cross sections lie.
struct Plan<'a> {
    ribbon: &'a Ribbon,
    spans: Spans,
    /// True distance of cross sections, metres.
    step_m: f64,
    /// Distance of heights across, metres.
    across_m: f64,
    /// Cross sections; on a closed course the last one is the first.
    count: usize,
}

impl<'a> Plan<'a> {
    fn of(build: &'a FinishedBuild, wanted_m: f64) -> Self {
        let spans = Spans::of(&build.ribbon.line);
        let pieces = to_index((spans.length_m() / wanted_m).round()).max(4);
        Self {
            ribbon: &build.ribbon,
            step_m: spans.length_m() / pieces as f64,
            across_m: wanted_m,
            spans,
            count: pieces + 1,
        }
    }

    fn station_m(&self, k: f64) -> f64 {
        let s = self.spans.station_m(k * self.step_m);
        self.ribbon.line.wrap_s(s)
    }

    fn edges_m(&self, s: f64) -> [f64; 2] {
        [self.ribbon.edges.right_m(s), self.ribbon.edges.left_m(s)]
    }

    /// The places across: whole multiples of the step, and both edges.
    fn places(&self, s: f64) -> Vec<f64> {
        let [right, left] = self.edges_m(s);
        let from = ceil_i32(right / self.across_m + 1e-3);
        let to = floor_i32(left / self.across_m - 1e-3);
        let inner = (from..=to).map(|k| f64::from(k) * self.across_m);
        // The last place before an edge: the mesh's sides are straight from row to row, the edges
        // are not, and part by the sagitta of a row's step, some 0.1 mm.
        const INSIDE_M: f64 = 0.002;
        let mut out = vec![right + INSIDE_M];
        out.extend(inner);
        out.push(left - INSIDE_M);
        out
    }

    fn xy(&self, s: f64, t: f64) -> [f64; 2] {
        self.ribbon.line.to_local(RibbonPoint { s, t })
    }
}

/// A cross section as it is met in the mesh: t and height, NaN where there is none.
#[derive(Clone, Default)]
struct Cross {
    t_m: Vec<f64>,
    z_m: Vec<f64>,
}

/// Heights between the cross sections, to hold the road against.
struct Check {
    /// Cross sections passed, and t, metres.
    at: [f64; 2],
    z_m: f64,
}

fn met(plan: &Plan, section: &MeshSection, range: [f64; 2]) -> (Vec<(usize, Cross)>, Vec<Check>) {
    let index = SectionIndex::new(section);
    let z = |s: f64, t: f64| index.at(plan.xy(s, t)).map(|p| p.z_m);
    let (mut crosses, mut checks) = (Vec::new(), Vec::new());
    let closed = plan.ribbon.line.is_closed();
    for k in 0..plan.count - usize::from(closed) {
        let s = plan.station_m(k as f64);
        if (range[0]..range[1]).contains(&s) {
            let t_m = plan.places(s);
            let z_m = t_m.iter().map(|t| z(s, *t).unwrap_or(f64::NAN)).collect();
            crosses.push((k, Cross { t_m, z_m }));
        }
        let half = k as f64 + 0.5;
        let s = plan.station_m(half);
        if (range[0]..range[1]).contains(&s) && k + 1 < plan.count {
            for t in plan.places(s).windows(2).map(|w| 0.5 * (w[0] + w[1])) {
                checks.extend(z(s, t).map(|z_m| Check { at: [half, t], z_m }));
            }
        }
    }
    (crosses, checks)
}

/// Height of the line, roll, and the heights over the rolled plane at equal steps.
struct Rolled {
    z_m: f64,
    roll_rad: f64,
    /// Edges as the rolled t has them, right and left.
    edges_m: [f64; 2],
    shape: Shape,
}

impl Rolled {
    /// `None` where the cross section has no height at all.
    fn of(cross: &Cross, step_m: f64) -> Option<Self> {
        let mut z = cross.z_m.clone();
        carry_over(&mut z);
        let [z_m, slope] = straight_line(&cross.t_m, &z)?;
        filled_ends(&mut z, |k| z_m + slope * cross.t_m[k]);
        let roll_rad = slope.atan();
        let (c, s) = (roll_rad.cos(), roll_rad.sin());
        let turned = |(t, z): (&f64, &f64)| [t * c + (z - z_m) * s, (z - z_m) * c - t * s];
        let points: Vec<[f64; 2]> = cross.t_m.iter().zip(&z).map(turned).collect();
        let edges_m = [points[0][0], points[points.len() - 1][0]];
        let from = f64::from(floor_i32(edges_m[0] / step_m)) * step_m;
        let count = to_index((edges_m[1] - from) / step_m).saturating_add(2);
        let at = |k: usize| between(&points, from + k as f64 * step_m);
        Some(Self {
            z_m,
            roll_rad,
            edges_m,
            shape: Shape {
                from_m: from,
                step_m,
                heights_m: (0..count).map(at).collect(),
            },
        })
    }
}

/// A height on straight lines between points, drawn on beyond both ends.
fn between(points: &[[f64; 2]], t: f64) -> f64 {
    let k = points
        .partition_point(|p| p[0] <= t)
        .clamp(1, points.len() - 1);
    let ([t0, z0], [t1, z1]) = (points[k - 1], points[k]);
    z0 + (t - t0) / (t1 - t0) * (z1 - z0)
}

/// The road's heights, to be held against the mesh.
struct Heights<'a> {
    step_m: f64,
    elevation: &'a [Cubic],
    roll: &'a [Cubic],
    shapes: &'a [Shape],
}

impl Heights<'_> {
    /// Height at `k` cross sections along and `t` across in plan, as the standard puts heights
    /// together: elevation, roll, and the shape straight along s.
    fn at(&self, k: f64, t: f64) -> f64 {
        let whole = to_index(k).min(self.elevation.len() - 1);
        let s = k * self.step_m;
        let (z, roll) = (self.elevation[whole].at(s), self.roll[whole].at(s));
        let share = k - whole as f64;
        let shape = |t: f64| {
            (1.0 - share) * self.shapes[whole].at(t) + share * self.shapes[whole + 1].at(t)
        };
        let mut across = t / roll.cos();
        for _ in 0..3 {
            across = (t + shape(across) * roll.sin()) / roll.cos();
        }
        z + across * roll.sin() + shape(across) * roll.cos()
    }
}

pub(super) fn opendrive(
    build: &FinishedBuild,
    out: &Path,
    params: &ExportParams,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let plan = Plan::of(build, params.spacing_m.unwrap_or(STEP_M));
    let mut crosses = vec![Cross::default(); plan.count];
    let mut checks = Vec::new();
    let mut mesh = build.mesh()?;
    let total = build.lattice.sections();
    let range = |section: usize| {
        let [from, to] = build.lattice.section_rows(section);
        let end = if section + 1 == total {
            f64::INFINITY
        } else {
            to as f64
        };
        [from as f64, end].map(|row| row * build.lattice.s_step_m)
    };
    let work = |section: &MeshSection| met(&plan, section, range(section.section));
    sections(&mut mesh, total, progress, work, |_, (found, held)| {
        found.into_iter().for_each(|(k, cross)| crosses[k] = cross);
        checks.extend(held);
        Ok(())
    })?;
    let (rolled, empty) = whole(&plan, &crosses)?;
    let closed = build.ribbon.line.is_closed();
    let along = |of: &dyn Fn(&Rolled) -> f64| {
        let values: Vec<f64> = rolled.iter().map(of).collect();
        cubics(&values, plan.step_m, closed)
    };
    let road = OpenDriveRoad {
        line: &build.ribbon.line,
        spans: &plan.spans,
        origin_m: build.ribbon.frame.origin_m,
        crs: crs(build)?,
        box_m: plan_box(&plan),
        step_m: plan.step_m,
        elevation: along(&|r| r.z_m),
        superelevation: along(&|r| r.roll_rad),
        lane_offset: along(&|r| 0.5 * (r.edges_m[0] + r.edges_m[1])),
        half_width: along(&|r| 0.5 * (r.edges_m[1] - r.edges_m[0])),
        shapes: rolled.iter().map(|r| r.shape.clone()).collect(),
    };
    road.write(out)?;
    Ok(report(&road, &checks, out, empty))
}

/// Cross sections without a height are those before them; how many there were.
fn whole(plan: &Plan, crosses: &[Cross]) -> Result<(Vec<Rolled>, usize), BuildError> {
    let one = |c: &Cross| {
        (!c.t_m.is_empty())
            .then(|| Rolled::of(c, plan.across_m))
            .flatten()
    };
    let known: Vec<usize> = (0..crosses.len())
        .filter(|k| one(&crosses[*k]).is_some())
        .collect();
    let Some(&first) = known.first() else {
        return Err(BuildError::NoSurface {
            inside: 0,
            spacing_m: plan.across_m,
        });
    };
    let closed = plan.ribbon.line.is_closed();
    let mut out = Vec::with_capacity(crosses.len());
    for k in 0..crosses.len() {
        let k = if closed && k + 1 == crosses.len() {
            0
        } else {
            k
        };
        let before = known
            .iter()
            .rev()
            .find(|known| **known <= k)
            .unwrap_or(&first);
        out.extend(one(&crosses[*before]));
    }
    let last = usize::from(closed);
    Ok((out, crosses.len() - last - known.len()))
}

fn plan_box(plan: &Plan) -> [[f64; 2]; 2] {
    let mut out = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];
    for k in 0..plan.count {
        let s = plan.station_m(k as f64);
        for p in plan.edges_m(s).map(|t| plan.xy(s, t)) {
            for axis in [0, 1] {
                out[0][axis] = out[0][axis].min(p[axis]);
                out[1][axis] = out[1][axis].max(p[axis]);
            }
        }
    }
    out
}

/// The coordinate system as PROJ takes it.
fn crs(build: &FinishedBuild) -> Result<Option<String>, BuildError> {
    let record = build.crs_record()?;
    let number = record
        .as_ref()
        .and_then(CrsRecord::epsg)
        .map(|n| format!("EPSG:{n}"));
    Ok(match (number, record) {
        (Some(number), _) => Some(number),
        (None, Some(CrsRecord::Wkt(text))) => Some(text),
        _ => build.crs().map(str::to_owned),
    })
}

fn report(road: &OpenDriveRoad, checks: &[Check], out: &Path, empty: usize) -> ExportReport {
    let heights = Heights {
        step_m: road.step_m,
        elevation: &road.elevation,
        roll: &road.superelevation,
        shapes: &road.shapes,
    };
    let off = |c: &Check| (heights.at(c.at[0], c.at[1]) - c.z_m).abs();
    let mut off_m: Vec<f64> = checks.iter().map(off).collect();
    off_m.sort_unstable_by(f64::total_cmp);
    let quantile = |share: f64| {
        let k = to_index(share * off_m.len() as f64);
        1e3 * off_m
            .get(k.min(off_m.len().saturating_sub(1)))
            .copied()
            .unwrap_or(0.0)
    };
    let mut report = ExportReport::of([out.to_owned()]);
    report.holds(format!(
        "the reference line exactly, {} cross sections {:.3} m apart, two lanes between the edges",
        road.shapes.len(),
        road.step_m
    ));
    report.loses(format!(
        "waves under {:.1} m: between cross sections heights are off by {:.2} mm (50 %), {:.2} mm (95 %), {:.1} mm at most",
        2.0 * road.step_m,
        quantile(0.5),
        quantile(0.95),
        quantile(1.0)
    ));
    if empty > 0 {
        report.loses(format!(
            "holes: {empty} cross sections without a surface repeat the one before"
        ));
    } else {
        report.loses("holes: heights run straight across them");
    }
    report
}
