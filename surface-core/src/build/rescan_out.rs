//! The changes as table, areas and picture.

use std::fmt::Write as _;

use serde_json::json;

use super::BuildError;
use super::finished::Finished;
use super::fit::write_picture;
use super::folder::BuildFolder;
use super::rescan_find::{Found, node_area_m2};
use super::rescan_tie::world;
use super::surface::Mesher;
use crate::deviation::{DeviationCells, DeviationMap, MapBuilder, SectionPoints, Spot, Why};
use crate::export::{MapPicture, Wording};
use crate::field::flags;
use crate::numeric::{to_index, to_u32};
use crate::report::{ChangeReport, DetectionReport, MOST_OUTSIDE_M2};
use crate::rescan::{Areas, Change, DetectParams, Detection};
use crate::ribbon::Ribbon;

/// Columns of `changes.csv`.
const HEAD: &str = "id,kind,s_m,t_m,x_m,y_m,from_s_m,to_s_m,from_t_m,to_t_m,area_m2,beyond_m2,volume_m3,mean_mm,most_mm,border_mm,stepped,offset_mm,cut_off,expected,outside_m2\n";
/// Cells this near to the areas are not outside of them, metres. Of a panel of 14 × 4 m whose area is
/// given exactly, 4.4 m² of cells lie outside, 1.3 beyond 0.1 m, 0.4 beyond 0.2 and 0.08 beyond 0.3 m
/// at a spacing of 0.1 m; the tests of the command hold that such a change is expected.
const SMEAR_M: f64 = 0.3;
/// Of a change that is expected at most this share lies outside: of a small one, more is its own.
const OUTSIDE_SHARE: f64 = 0.05;
/// Vertices of a change's outline are this far apart along s, metres.
const OUTLINE_M: f64 = 1.0;
/// Ends of the colour bar of the picture: so many levels of detection.
const BAR_LEVELS: f64 = 2.0;

fn rounded(value: f64, steps: f64) -> f64 {
    (value * steps).round() / steps
}

/// The changes in round numbers, with whether they were expected.
pub(super) fn change_reports(
    changes: &[Change],
    found: &Found,
    ribbon: &Ribbon,
    expect: Option<&Areas>,
) -> Vec<ChangeReport> {
    let one = |c: &Change| {
        let expected = expect.map(|areas| Expected::of(c, found, ribbon, areas));
        let mm = |v: f64| rounded(1e3 * v, 1e3);
        let metres = |v: f64| rounded(v, 1e3);
        ChangeReport {
            id: c.id,
            kind: c.kind,
            at_m: c.at_m.map(metres),
            xy_m: world(ribbon, c.at_m).map(metres),
            reach_m: c.reach_m.map(|r| r.map(metres)),
            area_m2: rounded(c.area_m2, 1e4),
            beyond_m2: rounded(c.beyond_m2, 1e4),
            volume_m3: rounded(c.volume_m3, 1e6),
            mean_mm: mm(c.mean_m),
            most_mm: mm(c.most_m),
            border_mm: mm(c.step_m),
            stepped: c.stepped,
            offset_mm: mm(c.offset_m),
            cut_off: c.cut_off,
            expected: expected.map(|e| e.holds()),
            outside_m2: expected.map(|e| rounded(e.outside_m2, 1e4)),
        }
    };
    changes.iter().map(one).collect()
}

/// How a change lies to the areas in which change is expected.
#[derive(Debug, Clone, Copy)]
struct Expected {
    /// Whether it touches one.
    touches: bool,
    area_m2: f64,
    /// Its area outside of all of them and of their smear.
    outside_m2: f64,
}

impl Expected {
    fn of(change: &Change, found: &Found, ribbon: &Ribbon, areas: &Areas) -> Self {
        let grid = &found.pair.grid;
        let mut out = Self {
            touches: false,
            area_m2: 0.0,
            outside_m2: 0.0,
        };
        for &node in &found.detection.regions.list[change.region].nodes {
            let (row, column) = grid.row_and_column(node);
            let area_m2 = node_area_m2(ribbon, grid.lattice(), row, column);
            let at = world(ribbon, grid.place(node));
            out.area_m2 += area_m2;
            if areas.contains(at) {
                out.touches = true;
            } else if !areas.reaches(at, SMEAR_M) {
                out.outside_m2 += area_m2;
            }
        }
        out
    }

    fn holds(self) -> bool {
        let most_m2 = MOST_OUTSIDE_M2.min(OUTSIDE_SHARE * self.area_m2);
        self.touches && self.outside_m2 <= most_m2
    }
}

/// How changes were told from chance.
pub(super) fn detection_report(found: &Detection, params: DetectParams) -> DetectionReport {
    let changed = found
        .regions
        .list
        .iter()
        .map(|r| r.nodes.len())
        .sum::<usize>();
    DetectionReport {
        compared: found.compared as u64,
        changed_share: changed as f64 / found.compared.max(1) as f64,
        false_share: params.false_share,
        p_limit: found.p_limit,
        scales: found.scales.clone(),
        published_share: found.published_share,
    }
}

/// Road on which the new heights count alone, and on which they are blended, m².
pub(super) fn rebuilt_m2(found: &Found, ribbon: &Ribbon) -> [f64; 2] {
    let (grid, blend) = (&found.pair.grid, &found.blend);
    let mut out = [0.0; 2];
    for k in 0..grid.nodes() {
        let weight = blend.weight(k);
        if weight > 0.0 && found.pair.inside[k] {
            let (row, column) = grid.row_and_column(k);
            out[usize::from(weight < 1.0)] += node_area_m2(ribbon, grid.lattice(), row, column);
        }
    }
    out.map(|v| rounded(v, 1e3))
}

/// `changes.csv`, `changes.geojson` and `changes.png`.
pub(super) fn put_changes(
    old: &Finished,
    found: &Found,
    changes: &[ChangeReport],
    mesher: &Mesher,
    folder: &mut BuildFolder,
) -> Result<(), BuildError> {
    folder.put("changes.csv", table(changes).as_bytes())?;
    folder.put("changes.geojson", areas(changes, &old.ribbon).as_bytes())?;
    let lod_m = found.detection.scales.first().map_or(1e-3, |s| s.lod95_m);
    let (map, spots) = (map(old, found, mesher)?, spots(changes));
    let picture = MapPicture::of_ribbon(&map, &spots, &old.ribbon, (BAR_LEVELS * lod_m).max(1e-3));
    let picture = picture.worded(Wording {
        title: "Change: new heights minus old",
        sides: ["lower", "little change", "higher"],
        points: ["nodes", "not scanned again"],
        ring: "change, numbered by volume",
        verdict: ["NO CHANGE", "CHANGED"],
        spots: ["Changes, largest volume first", "No changes"],
        why: changes.iter().map(|c| c.kind.word()).collect(),
    });
    write_picture(&picture, folder.part("changes.png")?)
}

fn table(changes: &[ChangeReport]) -> String {
    let mut out = String::from(HEAD);
    for c in changes {
        let [[from_s, to_s], [from_t, to_t]] = c.reach_m;
        let expected = c.expected.map_or(String::new(), |e| e.to_string());
        let outside_m2 = c.outside_m2.map_or(String::new(), |m2| m2.to_string());
        // Writing to a String cannot fail.
        let _ = writeln!(
            out,
            "{},{},{},{},{},{},{from_s},{to_s},{from_t},{to_t},{},{},{},{},{},{},{},{},{},{expected},{outside_m2}",
            c.id,
            c.kind.word(),
            c.at_m[0],
            c.at_m[1],
            c.xy_m[0],
            c.xy_m[1],
            c.area_m2,
            c.beyond_m2,
            c.volume_m3,
            c.mean_mm,
            c.most_mm,
            c.border_mm,
            c.stepped,
            c.offset_mm,
            c.cut_off
        );
    }
    out
}

/// Changes as polygons in world coordinates: what they reach along and across the road.
fn areas(changes: &[ChangeReport], ribbon: &Ribbon) -> String {
    let feature = |c: &ChangeReport| {
        json!({
            "type": "Feature",
            "geometry": { "type": "Polygon", "coordinates": [outline(c, ribbon)] },
            "properties": c,
        })
    };
    let features: Vec<serde_json::Value> = changes.iter().map(feature).collect();
    let file = json!({ "type": "FeatureCollection", "features": features });
    format!("{file}\n")
}

fn outline(c: &ChangeReport, ribbon: &Ribbon) -> Vec<[f64; 2]> {
    let [[from, to], [right, left]] = c.reach_m;
    let count = to_index(((to - from) / OUTLINE_M).ceil()).max(1);
    let at = |k: usize, t: f64| {
        let s = from + (to - from) * k as f64 / count as f64;
        world(ribbon, [s, t]).map(|v| rounded(v, 1e4))
    };
    let mut out: Vec<[f64; 2]> = (0..=count).map(|k| at(k, right)).collect();
    out.extend((0..=count).rev().map(|k| at(k, left)));
    out.push(out[0]);
    out
}

fn spots(changes: &[ChangeReport]) -> Vec<Spot> {
    let spot = |c: &ChangeReport| {
        let [length_m, width_m] = c.reach_m.map(|r| r[1] - r[0]);
        Spot {
            id: c.id,
            at_m: c.at_m,
            xy_m: c.xy_m,
            middle_m: c.at_m,
            area_m2: c.area_m2,
            length_m,
            width_m,
            worst_m: 1e-3 * c.most_mm,
            mean_m: 1e-3 * c.mean_mm,
            cells: to_u32(to_index(c.area_m2 / 0.0625)),
            points: 0,
            why: Why::Step,
        }
    };
    changes.iter().map(spot).collect()
}

/// Differences of nodes as the cells of a map.
fn map(old: &Finished, found: &Found, mesher: &Mesher) -> Result<DeviationMap, BuildError> {
    let lattice = *old.lattice();
    let frame = mesher.cell_frame(&lattice)?;
    let cells = DeviationCells::new(frame.clone());
    let mut map = MapBuilder::new(frame);
    for section in 0..lattice.sections() {
        let rows = old.field.section(section)?;
        let across = mesher.across(&rows);
        let [first, last] = lattice.section_rows(section);
        let (mut s, mut t, mut d) = (Vec::new(), Vec::new(), Vec::new());
        for row in first..last {
            for column in 0..lattice.columns {
                let Some(k) = found.pair.grid.node(row, column) else {
                    continue;
                };
                let difference = found.pair.difference_m(k);
                if difference.is_finite() {
                    s.push(lattice.row_s_m(row));
                    t.push(lattice.column_t_m(column));
                    d.push(difference);
                }
            }
        }
        let scanned = !d.is_empty();
        map.push(cells.section(&SectionPoints {
            key: (i32::try_from(section).unwrap_or(i32::MAX), 0),
            u_m: &s,
            v_m: &t,
            d_m: &d,
            intensity: &[],
            across_m: across,
            ground: &|_, _| scanned.then_some(flags::INSIDE),
        })?);
    }
    Ok(map.finish())
}
