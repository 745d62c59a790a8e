//! What the report page draws, gathered from the finished stages.

use std::collections::BTreeSet;
use std::io::BufWriter;
use std::path::Path;

use super::BuildError;
use super::folder::write_error;
use super::order::in_order;
use super::surface::{DEVIATION_CELL_M, LevelledPoints, Mesher};
use crate::deviation::{DeviationMap, Spot};
use crate::export::{
    PageData, PageGrid, PageSection, Profile, ProfilePoint, ReportPage, SpotProfiles,
};
use crate::mesh::PatchIndex;
use crate::numeric::to_index;
use crate::progress::{Counted, Progress};
use crate::report::{Report, RunReport};
use crate::ribbon::RibbonPoint;

/// Samples of the mesh along a section, metres: rails of a seam are 10 mm apart.
const SAMPLE_M: f64 = 0.02;
/// A section shows this much road on either side of a spot, metres.
const BESIDE_M: f64 = 1.5;
/// Half of the longest section, metres.
const LONGEST_M: f64 = 8.0;
/// Points are shown up to this far from the line of a section, metres: half a cell of the map.
const REACH_M: f64 = 0.125;
/// Points of a section at most; of more the nearest are shown.
const MOST_POINTS: usize = 1200;

/// Pack the finished course for its page; `None` when there is nothing on it.
///
/// # Errors
/// [`BuildError`] when scratch files fail, or on a stop.
pub(super) fn gather(
    mesher: &Mesher,
    points: LevelledPoints,
    map: &DeviationMap,
    spots: &[Spot],
    progress: &mut dyn Progress,
) -> Result<Option<PageData>, BuildError> {
    let lattice = *mesher.layout.lattice();
    let Some(grid) = PageGrid::new(&lattice, map) else {
        return Ok(None);
    };
    let spots = &spots[..spots.len().min(Report::MOST_SPOTS)];
    let sections: Vec<usize> = (0..lattice.sections()).collect();
    progress.stage(
        "page",
        (sections.len() + spots.len()) as u64,
        Counted::Parts,
    );
    let packing = || write_error(Path::new("report.html"));
    let ribbon = mesher.ribbon;
    let mut data = PageData::new(&grid, ribbon, DEVIATION_CELL_M).map_err(packing())?;
    in_order(
        &sections,
        |&section| {
            let rows = mesher.field.section_and_next(section)?;
            PageSection::new(&grid, section, &rows, map, ribbon).map_err(packing())
        },
        |_, packed| {
            data.add(packed);
            Ok(progress.advance(1)?)
        },
    )?;
    let mut with_profiles = Vec::with_capacity(spots.len());
    in_order(
        spots,
        |spot| profiles(mesher, points, spot),
        |spot, profiles| {
            with_profiles.push((spot.clone(), profiles));
            Ok::<(), BuildError>(progress.advance(1)?)
        },
    )?;
    data.finish(&with_profiles).map_err(packing())?;
    Ok(Some(data))
}

/// Write the page to `path`.
///
/// # Errors
/// [`BuildError`] when it cannot be written.
pub(super) fn write(data: &PageData, report: &Report, path: &Path) -> Result<(), BuildError> {
    let lasting = Report {
        run: RunReport::default(),
        ..report.clone()
    };
    let json = serde_json::to_value(&lasting).map_err(|e| write_error(path)(e.into()))?;
    let file = std::fs::File::create(path).map_err(write_error(path))?;
    let page = ReportPage {
        data,
        report: &json,
    };
    page.write(BufWriter::new(file)).map_err(write_error(path))
}

/// A line through a spot's worst cell, in (s, t).
struct Cut {
    centre: RibbonPoint,
    is_across: bool,
    /// From and to, metres from the centre.
    span_m: [f64; 2],
}

impl Cut {
    fn of(mesher: &Mesher, spot: &Spot, is_across: bool) -> Self {
        let [s, t] = spot.at_m;
        let size = if is_across {
            spot.width_m
        } else {
            spot.length_m
        };
        let half = (0.75 * size + BESIDE_M).min(LONGEST_M);
        let edges = &mesher.ribbon.edges;
        let line = &mesher.ribbon.line;
        let limits = if is_across {
            [edges.right_m(s) - t, edges.left_m(s) - t]
        } else if line.is_closed() {
            [-half, half]
        } else {
            [-s, line.length_m() - s]
        };
        Self {
            centre: RibbonPoint { s, t },
            is_across,
            span_m: [limits[0].max(-half), limits[1].min(half)],
        }
    }

    fn samples(&self) -> usize {
        to_index((self.span_m[1] - self.span_m[0]) / SAMPLE_M) + 1
    }

    /// Way of a sample along the cut, metres.
    fn sample_m(&self, k: usize) -> f64 {
        self.span_m[0] + k as f64 * SAMPLE_M
    }

    /// The place of a sample; s unwrapped.
    fn at(&self, along_m: f64) -> RibbonPoint {
        let RibbonPoint { s, t } = self.centre;
        if self.is_across {
            RibbonPoint { s, t: t + along_m }
        } else {
            RibbonPoint { s: s + along_m, t }
        }
    }

    /// Where a point stands along the cut and how far beside it; s as near to the centre as a lap
    /// allows.
    fn place(&self, s: f64, t: f64, lap_m: Option<f64>) -> (f64, f64) {
        let ds = s - self.centre.s;
        let ds = lap_m.map_or(ds, |lap| ds - (ds / lap).round() * lap);
        let dt = t - self.centre.t;
        if self.is_across { (dt, ds) } else { (ds, dt) }
    }
}

fn profiles(
    mesher: &Mesher,
    points: LevelledPoints,
    spot: &Spot,
) -> Result<SpotProfiles, BuildError> {
    let mut traces = [true, false].map(|is_across| Trace::new(mesher, spot, is_across));
    let sections: BTreeSet<usize> = traces.iter().flat_map(|t| &t.sections).copied().collect();
    for section in sections {
        let (patch, _) = mesher.patch(section)?;
        let index = PatchIndex::new(&patch);
        for trace in &mut traces {
            trace.sample(mesher, section, &index);
        }
        let is_near = |s, t| traces.iter().any(|trace| trace.near(s, t).is_some());
        let mut found = Vec::new();
        mesher.near(section, points, &index, is_near, &mut |s, t, d_m| {
            found.push((s, t, d_m));
        })?;
        for trace in &mut traces {
            found.iter().for_each(|&(s, t, d_m)| trace.take(s, t, d_m));
        }
    }
    let [across, along] = traces.map(Trace::finish);
    Ok(SpotProfiles { across, along })
}

/// A profile while it is being made.
struct Trace {
    cut: Cut,
    lap_m: Option<f64>,
    /// Of each sample.
    sections: Vec<usize>,
    z_m: Vec<Option<f64>>,
    /// Distance from the cut, and the point.
    points: Vec<(f64, ProfilePoint)>,
}

impl Trace {
    fn new(mesher: &Mesher, spot: &Spot, is_across: bool) -> Self {
        let cut = Cut::of(mesher, spot, is_across);
        let line = &mesher.ribbon.line;
        let section = |k| mesher.section_at(cut.at(cut.sample_m(k)).s);
        let sections: Vec<usize> = (0..cut.samples()).map(section).collect();
        Self {
            lap_m: line.is_closed().then(|| line.length_m()),
            z_m: vec![None; sections.len()],
            sections,
            points: Vec::new(),
            cut,
        }
    }

    /// Heights of the samples in a section.
    fn sample(&mut self, mesher: &Mesher, section: usize, index: &PatchIndex) {
        let samples = self.z_m.iter_mut().zip(&self.sections).enumerate();
        for (k, (z_m, _)) in samples.filter(|(_, (_, own))| **own == section) {
            let [x, y] = mesher
                .ribbon
                .line
                .to_local(self.cut.at(self.cut.sample_m(k)));
            *z_m = index.height_at(x, y);
        }
    }

    /// Where a point at (s, t) stands along the cut and how far beside it, if it is shown.
    fn near(&self, s: f64, t: f64) -> Option<(f64, f64)> {
        let (along, beside) = self.cut.place(s, t, self.lap_m);
        let [from, to] = self.cut.span_m;
        (beside.abs() <= REACH_M && (from..=to).contains(&along)).then_some((along, beside))
    }

    fn take(&mut self, s: f64, t: f64, d_m: f64) {
        if let Some((along_m, beside)) = self.near(s, t) {
            let point = ProfilePoint { along_m, d_m };
            self.points.push((beside.abs(), point));
        }
    }

    fn finish(self) -> Profile {
        let (points, reach_m) = nearest(self.points);
        Profile {
            from_m: self.cut.span_m[0],
            step_m: SAMPLE_M,
            z_m: self.z_m,
            points,
            reach_m,
        }
    }
}

/// The nearest points in order of place, and how far from the line they reach.
fn nearest(mut near: Vec<(f64, ProfilePoint)>) -> (Vec<ProfilePoint>, f64) {
    let order = |p: &ProfilePoint, q: &ProfilePoint| {
        p.along_m
            .total_cmp(&q.along_m)
            .then(p.d_m.total_cmp(&q.d_m))
    };
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| order(&a.1, &b.1)));
    let reach_m = near.get(MOST_POINTS).map_or(REACH_M, |next| next.0);
    near.truncate(MOST_POINTS);
    let mut points: Vec<ProfilePoint> = near.into_iter().map(|n| n.1).collect();
    points.sort_by(order);
    (points, reach_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_many_points_the_nearest_are_shown_in_order_of_place() {
        let point = |k: usize| {
            let along_m = (k * 7919 % 2000) as f64;
            (k as f64 * 1e-5, ProfilePoint { along_m, d_m: 0.0 })
        };
        let (points, reach) = nearest((0..2000).rev().map(point).collect());
        assert_eq!(points.len(), MOST_POINTS);
        assert!((reach - MOST_POINTS as f64 * 1e-5).abs() < 1e-12);
        assert!(points.windows(2).all(|w| w[0].along_m <= w[1].along_m));
        let (few, reach) = nearest(vec![point(3)]);
        assert_eq!(few.len(), 1);
        assert!((reach - REACH_M).abs() < 1e-12);
    }
}
