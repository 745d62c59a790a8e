//! The road as an OpenCRG grid: which heights, and what the grid cannot hold.

use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;

use super::ExportParams;
use super::profile::{carry_over, straight_line};
use super::report::ExportReport;
use super::stream::sections;
use crate::build::BuildError;
use crate::build::built::FinishedBuild;
use crate::build::folder::write_error;
use crate::export::{Chords, CrgGrid, CrgWriter, crg_single as single};
use crate::field::SECTION_ROWS;
use crate::mesh::{MeshSection, SectionIndex};
use crate::numeric::{ceil_i32, floor_i32, to_index};
use crate::progress::Progress;
use crate::ribbon::RibbonPoint;

/// Heights and bankings of the reference line are means over ± this way, metres: what is shorter
/// stays in the grid.
const SMOOTH_M: f64 = 2.5;

/// Where the grid's nodes lie.
struct Nodes {
    chords: Chords,
    dv_m: f64,
    first_column: i32,
    columns: usize,
}

impl Nodes {
    fn of(build: &FinishedBuild, step_m: f64) -> Result<Self, BuildError> {
        let edges = &build.ribbon.edges;
        let least = edges
            .right_t_m
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min);
        let most = edges
            .left_t_m
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max);
        let first = ceil_i32(least / step_m);
        let last = floor_i32(most / step_m);
        let chords = Chords::along(&build.ribbon.line, step_m);
        if last <= first || chords.s_m.len() < 2 {
            return Err(BuildError::Parameter {
                name: "--spacing",
                value: format!("{step_m}"),
                why: "a third of the road's least width at most",
            });
        }
        Ok(Self {
            chords,
            dv_m: step_m,
            first_column: first,
            columns: usize::try_from(last - first).unwrap_or(0) + 1,
        })
    }

    fn v_m(&self, column: usize) -> f64 {
        (f64::from(self.first_column) + column as f64) * self.dv_m
    }

    /// The place of a node as readers have it: across the mean heading of the chords on either
    /// side, which is the line's own; at both ends there is one chord only.
    fn xy(&self, build: &FinishedBuild, row: usize, column: usize) -> [f64; 2] {
        let (s, t) = (self.chords.s_m[row], self.v_m(column));
        let last = self.chords.s_m.len() - 1;
        if row != 0 && row != last {
            return build.ribbon.line.to_local(RibbonPoint { s, t });
        }
        let phi = self.chords.phi_rad[row.max(1)];
        let [x, y] = build.ribbon.line.point(s);
        [x - t * phi.sin(), y + t * phi.cos()]
    }

    /// The rows whose stations lie in a section.
    fn rows(&self, build: &FinishedBuild, section: usize) -> std::ops::Range<usize> {
        let from = (section * SECTION_ROWS) as f64 * build.lattice.s_step_m;
        let to = ((section + 1) * SECTION_ROWS) as f64 * build.lattice.s_step_m;
        let before = |limit: f64| self.chords.s_m.partition_point(|s| *s < limit);
        let end = if section + 1 == build.lattice.sections() {
            self.chords.s_m.len()
        } else {
            before(to)
        };
        before(from)..end
    }
}

/// One cross section: its heights, and the straight line through them.
struct Cross {
    heights_m: Vec<f64>,
    /// Nodes inside the road without a surface, carried over.
    filled: usize,
    /// Height at v = 0 and slope across, of the heights there are.
    straight: Option<[f64; 2]>,
}

impl Cross {
    fn of(build: &FinishedBuild, nodes: &Nodes, index: &SectionIndex, row: usize) -> Self {
        let (s, line) = (nodes.chords.s_m[row], &build.ribbon.line);
        let at = |column: usize| {
            let t = nodes.v_m(column);
            // The end of the mesh lies across the line, a little off that of the chord.
            let there = index.at(nodes.xy(build, row, column));
            let there = there.or_else(|| index.at(line.to_local(RibbonPoint { s, t })));
            there.map_or(f64::NAN, |p| p.z_m)
        };
        let mut heights_m: Vec<f64> = (0..nodes.columns).map(at).collect();
        let filled = carry_over(&mut heights_m);
        let v_m: Vec<f64> = (0..nodes.columns).map(|k| nodes.v_m(k)).collect();
        let straight = straight_line(&v_m, &heights_m);
        Self {
            heights_m,
            filled,
            straight,
        }
    }

    fn none(columns: usize) -> Self {
        Self {
            heights_m: vec![f64::NAN; columns],
            filled: 0,
            straight: None,
        }
    }
}

/// Heights by row on disk, and what is kept of each row.
struct Sampled {
    rows: BufWriter<File>,
    straight: Vec<Option<[f64; 2]>>,
    filled: usize,
}

impl Sampled {
    fn put(&mut self, cross: &Cross, path: &Path) -> Result<(), BuildError> {
        for z in &cross.heights_m {
            let done = self.rows.write_all(&z.to_le_bytes());
            done.map_err(write_error(path))?;
        }
        self.straight.push(cross.straight);
        self.filled += cross.filled;
        Ok(())
    }
}

fn sample(
    build: &FinishedBuild,
    nodes: &Nodes,
    out: &Path,
    progress: &mut dyn Progress,
) -> Result<Sampled, BuildError> {
    let beside = out.parent().filter(|p| !p.as_os_str().is_empty());
    let scratch = tempfile::tempfile_in(beside.unwrap_or(Path::new(".")));
    let mut sampled = Sampled {
        rows: BufWriter::with_capacity(1 << 18, scratch.map_err(write_error(out))?),
        straight: Vec::new(),
        filled: 0,
    };
    let mut mesh = build.mesh()?;
    let work = |section: &MeshSection| -> (usize, Vec<Cross>) {
        let index = SectionIndex::new(section);
        let rows = nodes.rows(build, section.section);
        let first = rows.start;
        (
            first,
            rows.map(|row| Cross::of(build, nodes, &index, row))
                .collect(),
        )
    };
    sections(
        &mut mesh,
        build.lattice.sections(),
        progress,
        work,
        |_, (first, rows)| {
            while sampled.straight.len() < first {
                sampled.put(&Cross::none(nodes.columns), out)?;
            }
            rows.iter().try_for_each(|cross| sampled.put(cross, out))
        },
    )?;
    while sampled.straight.len() < nodes.chords.s_m.len() {
        sampled.put(&Cross::none(nodes.columns), out)?;
    }
    Ok(sampled)
}

/// Missing values between known ones become straight lines, before and behind them constant.
fn without_gaps(values: &[Option<[f64; 2]>], which: usize) -> Vec<f64> {
    let mut out: Vec<f64> = values
        .iter()
        .map(|v| v.map_or(f64::NAN, |v| v[which]))
        .collect();
    carry_over(&mut out);
    let first = out.iter().copied().find(|v| v.is_finite()).unwrap_or(0.0);
    let mut last = first;
    for v in &mut out {
        if v.is_finite() {
            last = *v;
        } else {
            *v = last;
        }
    }
    out
}

/// Mean over ±`reach` values, of those that there are.
fn mean_over(values: &[f64], reach: usize) -> Vec<f64> {
    let mut sums = vec![0.0];
    for v in values {
        sums.push(sums[sums.len() - 1] + v);
    }
    let mean = |k: usize| {
        // As far to either side, so that a grade stays one up to the ends.
        let reach = reach.min(k).min(values.len() - 1 - k);
        (sums[k + reach + 1] - sums[k - reach]) / (2 * reach + 1) as f64
    };
    (0..values.len()).map(mean).collect()
}

/// Height, slope and banking of the reference line as the file keeps them.
struct Profile {
    z_m: Vec<f64>,
    slope: Vec<f64>,
    banking: Vec<f64>,
}

impl Profile {
    fn of(straight: &[Option<[f64; 2]>], du_m: f64) -> Self {
        let reach = to_index(SMOOTH_M / du_m);
        let wanted = mean_over(&without_gaps(straight, 0), reach);
        let banking = mean_over(&without_gaps(straight, 1), reach);
        let mut out = Self {
            z_m: vec![wanted[0]],
            slope: vec![f64::NAN],
            banking: banking.into_iter().map(single).collect(),
        };
        for (k, to) in wanted.iter().enumerate().skip(1) {
            // From where rounded slopes have led, so that roundings do not add up.
            let from = out.z_m[k - 1];
            let slope = single((to - from) / du_m);
            out.slope.push(slope);
            out.z_m.push(from + slope * du_m);
        }
        out
    }

    fn ends(&self) -> [[f64; 2]; 2] {
        let last = self.z_m.len() - 1;
        [
            [self.slope[1.min(last)], self.banking[0]],
            [self.slope[last], self.banking[last]],
        ]
    }
}

/// Places where cross-lines of the grid meet within its width: turns tighter than the grid is
/// wide. Returns how many rows, and the first station.
fn folded(build: &FinishedBuild, nodes: &Nodes) -> Option<(usize, f64)> {
    let reach = [nodes.v_m(0), nodes.v_m(nodes.columns - 1)];
    let meets = |s: &&f64| {
        let kappa = build.ribbon.line.curvature_per_m(**s);
        reach.iter().any(|v| kappa * v >= 1.0)
    };
    let rows: Vec<f64> = nodes.chords.s_m.iter().filter(meets).copied().collect();
    rows.first().map(|s| (rows.len(), *s))
}

pub(super) fn crg(
    build: &FinishedBuild,
    out: &Path,
    text: bool,
    params: &ExportParams,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    // Readers ask for steps of whole millimetres.
    let step_m = (1e3 * params.spacing_m.unwrap_or(build.lattice.t_step_m)).round() * 1e-3;
    let nodes = Nodes::of(build, step_m)?;
    let sampled = sample(build, &nodes, out, progress)?;
    let profile = Profile::of(&sampled.straight, nodes.chords.du_m);
    let loses = loses(build, &nodes, &sampled);
    let grid = CrgGrid {
        chords: &nodes.chords,
        origin_m: build.ribbon.frame.origin_m,
        ends_z_m: [profile.z_m[0], profile.z_m[profile.z_m.len() - 1]],
        dv_m: nodes.dv_m,
        first_column: nodes.first_column,
        columns: nodes.columns,
        ends_slope_banking: profile.ends(),
    };
    let writer = CrgWriter::create(out, &grid, text, &loses)?;
    write_rows(writer, &nodes, &profile, sampled, out)?;
    let mut report = ExportReport::of([out.to_owned()]);
    report.holds(format!(
        "{} cross sections of {} heights, {} m apart along and across",
        nodes.chords.s_m.len(),
        nodes.columns,
        nodes.dv_m
    ));
    loses.into_iter().for_each(|line| report.loses(line));
    Ok(report)
}

fn write_rows(
    mut writer: CrgWriter,
    nodes: &Nodes,
    profile: &Profile,
    sampled: Sampled,
    out: &Path,
) -> Result<(), BuildError> {
    let unwrapped = sampled.rows.into_inner().map_err(|e| e.into_error());
    let mut file = unwrapped.map_err(write_error(out))?;
    file.seek(SeekFrom::Start(0)).map_err(write_error(out))?;
    let mut rows = BufReader::with_capacity(1 << 18, file);
    let middle = to_index(f64::from(-nodes.first_column)).min(nodes.columns - 1);
    let mut bytes = [0; 8];
    for (k, phi) in nodes.chords.phi_rad.iter().enumerate() {
        let mut grid = Vec::with_capacity(nodes.columns);
        for column in 0..nodes.columns {
            rows.read_exact(&mut bytes).map_err(write_error(out))?;
            let plane = profile.z_m[k] + profile.banking[k] * nodes.v_m(column);
            grid.push(single(f64::from_le_bytes(bytes) - plane));
        }
        if sampled.straight[k].is_none() {
            // A cross section must have a height.
            grid[middle] = 0.0;
        }
        writer.row([*phi, profile.slope[k], profile.banking[k]], &grid)?;
    }
    Ok(writer.finish()?)
}

/// What the format cannot hold, in words.
fn loses(build: &FinishedBuild, nodes: &Nodes, sampled: &Sampled) -> Vec<String> {
    let mut out = vec![format!(
        "steps: heights between nodes {} m apart are interpolated; up to {} m of paving beside the edges",
        nodes.dv_m, nodes.dv_m
    )];
    let cell_m2 = nodes.dv_m * nodes.dv_m;
    if sampled.filled > 0 {
        out.push(format!(
            "holes: {:.2} m2 without a surface are filled with straight lines across",
            sampled.filled as f64 * cell_m2
        ));
    }
    let empty = sampled.straight.iter().filter(|s| s.is_none()).count();
    if empty > 0 {
        out.push(format!(
            "{empty} cross sections without a surface: each holds one height on a straight line"
        ));
    }
    if let Some((rows, s)) = folded(build, nodes) {
        out.push(format!(
            "tight turns: cross-lines of {rows} rows meet within the width of the grid, first at s {s:.1} m, off the road; readers that check the whole grid refuse it"
        ));
    }
    if build.ribbon.line.is_closed() {
        let last = nodes.chords.s_m[nodes.chords.s_m.len() - 1];
        out.push(format!(
            "closure: the last cross section is {:.3} m before the first",
            build.ribbon.line.length_m() - last
        ));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_grade_stays_one_when_it_is_smoothed_and_rounded() {
        let straight: Vec<Option<[f64; 2]>> = (0..400)
            .map(|k| (k % 7 != 3).then_some([0.003 * f64::from(k), 0.02]))
            .collect();
        let profile = Profile::of(&straight, 0.1);
        for (k, z) in profile.z_m.iter().enumerate() {
            assert!((z - 0.003 * k as f64).abs() < 1e-7, "{k}: {z}");
        }
        assert!(profile.slope[1..].iter().all(|s| (s - 0.03).abs() < 1e-6));
        assert!(profile.banking.iter().all(|b| (b - 0.02).abs() < 1e-8));
    }
}
