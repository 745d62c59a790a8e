//! Rasters in world axes: height, its standard deviation, deviation of the points.

use std::collections::BTreeMap;
use std::path::Path;

use super::points::no_points;
use super::report::ExportReport;
use super::resolved::ResolvedAt;
use super::stream::sections;
use super::{ExportParams, Layer};
use crate::build::BuildError;
use crate::build::built::FinishedBuild;
use crate::build::surface::DEVIATION_CELL_M;
use crate::export::{GeoKeys, HeldReader, Raster, RasterWriter, TILE};
use crate::mesh::{MeshSection, SectionIndex};
use crate::numeric::to_index;
use crate::progress::{Counted, Progress};
use crate::ribbon::RibbonPoint;

/// Heights over this are written as doubles, metres.
const MOST_SINGLE_M: f64 = 1000.0;
/// Points that are read at once.
const BATCH: usize = 200_000;

/// Where pixels lie: local metres to pixel and back.
#[derive(Debug, Clone, Copy)]
struct Grid {
    /// Left and upper side, local metres.
    corner_m: [f64; 2],
    pixel_m: f64,
    size: [usize; 2],
}

impl Grid {
    /// Pixels over the whole road, on whole multiples of their size in world coordinates.
    fn of(build: &FinishedBuild, pixel_m: f64) -> Self {
        let boxes = (0..build.lattice.sections()).map(|k| plan_box(build, k));
        let all = boxes.fold(EMPTY_BOX, joined);
        let origin = build.ribbon.frame.origin_m;
        let low = [0, 1].map(|k| ((all[0][k] + origin[k]) / pixel_m).floor() - 1.0);
        let high = [0, 1].map(|k| ((all[1][k] + origin[k]) / pixel_m).ceil() + 1.0);
        Self {
            corner_m: [low[0] * pixel_m - origin[0], high[1] * pixel_m - origin[1]],
            pixel_m,
            size: [0, 1].map(|k| to_index(high[k] - low[k])),
        }
    }

    /// Column and row of the pixel around a place; `None` outside.
    fn pixel(&self, xy_m: [f64; 2]) -> Option<[usize; 2]> {
        let across = (xy_m[0] - self.corner_m[0]) / self.pixel_m;
        let down = (self.corner_m[1] - xy_m[1]) / self.pixel_m;
        let inside = across >= 0.0 && down >= 0.0;
        let found = [to_index(across), to_index(down)];
        (inside && found[0] < self.size[0] && found[1] < self.size[1]).then_some(found)
    }

    fn middle(&self, [column, row]: [usize; 2]) -> [f64; 2] {
        [
            self.corner_m[0] + (column as f64 + 0.5) * self.pixel_m,
            self.corner_m[1] - (row as f64 + 0.5) * self.pixel_m,
        ]
    }
}

type PlanBox = [[f64; 2]; 2];
const EMPTY_BOX: PlanBox = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];

fn joined(a: PlanBox, b: PlanBox) -> PlanBox {
    [
        [a[0][0].min(b[0][0]), a[0][1].min(b[0][1])],
        [a[1][0].max(b[1][0]), a[1][1].max(b[1][1])],
    ]
}

/// The plan of a section by the edges of its rows.
fn plan_box(build: &FinishedBuild, section: usize) -> PlanBox {
    let [from, to] = build.lattice.section_rows(section);
    let mut out = EMPTY_BOX;
    for row in from..=to {
        let s = build.lattice.row_s_m(row);
        let edges = &build.ribbon.edges;
        for t in [edges.left_m(s), edges.right_m(s)] {
            let p = build.ribbon.line.to_local(RibbonPoint { s, t });
            out = joined(out, [p, p]);
        }
    }
    out
}

/// Values of a tile; of surfaces one over the other the higher counts.
struct Tile {
    values: Vec<f64>,
    heights: Vec<f64>,
}

/// Tiles that wait for the sections that reach into them.
struct Tiles {
    open: BTreeMap<[usize; 2], Tile>,
    /// The last section that reaches into a tile.
    last: BTreeMap<[usize; 2], usize>,
}

impl Tiles {
    fn new(build: &FinishedBuild, grid: Grid) -> Self {
        let mut last = BTreeMap::new();
        for section in 0..build.lattice.sections() {
            let [low, high] = plan_box(build, section);
            let corner = |x: f64, y: f64| grid.pixel([x, y]).unwrap_or_default();
            let (from, to) = (corner(low[0], high[1]), corner(high[0], low[1]));
            for row in from[1] / TILE..=to[1] / TILE {
                for column in from[0] / TILE..=to[0] / TILE {
                    last.insert([column, row], section);
                }
            }
        }
        Self {
            open: BTreeMap::new(),
            last,
        }
    }

    fn put(&mut self, sample: &Sample) {
        let [column, row] = sample.pixel;
        let key = [column / TILE, row / TILE];
        let tile = self.open.entry(key).or_insert_with(|| Tile {
            values: vec![f64::NAN; TILE * TILE],
            heights: vec![f64::NEG_INFINITY; TILE * TILE],
        });
        let k = (row % TILE) * TILE + column % TILE;
        if sample.z_m > tile.heights[k] {
            tile.heights[k] = sample.z_m;
            tile.values[k] = sample.value;
        }
    }

    /// Write the tiles that no section after `section` reaches into.
    fn flush(&mut self, section: usize, writer: &mut RasterWriter) -> Result<(), BuildError> {
        let done = |key: &[usize; 2]| self.last.get(key).is_none_or(|last| *last <= section);
        let ready: Vec<[usize; 2]> = self.open.keys().copied().filter(done).collect();
        for key in ready {
            if let Some(tile) = self.open.remove(&key) {
                writer.tile(key, &tile.values)?;
            }
        }
        Ok(())
    }
}

struct Sample {
    pixel: [usize; 2],
    z_m: f64,
    value: f64,
}

/// The values at the middles of the pixels over a section.
fn samples(
    build: &FinishedBuild,
    section: &MeshSection,
    grid: &Grid,
    up_m: f64,
    layer: Layer,
) -> Result<Vec<Sample>, BuildError> {
    let resolved = match layer {
        Layer::Wavelength => Some(ResolvedAt::new(build, section.section)?),
        Layer::Height | Layer::Sigma | Layer::Deviation => None,
    };
    let index = SectionIndex::new(section);
    let positions = section.vertices.positions_m.iter();
    let plan = positions.fold(EMPTY_BOX, |a, p| joined(a, [[p[0], p[1]]; 2]));
    let from = grid.pixel([plan[0][0], plan[1][1]]).unwrap_or_default();
    let to = grid.pixel([plan[1][0], plan[0][1]]).unwrap_or_default();
    let mut out = Vec::new();
    for row in from[1]..=to[1] {
        for column in from[0]..=to[0] {
            let pixel = [column, row];
            if let Some(at) = index.at(grid.middle(pixel)) {
                let value = match layer {
                    Layer::Sigma => at.sigma_m,
                    Layer::Wavelength => resolved
                        .as_ref()
                        .map_or(f64::NAN, |resolved| resolved.at(grid.middle(pixel))),
                    Layer::Height | Layer::Deviation => at.z_m + up_m,
                };
                let z_m = at.z_m;
                out.push(Sample { pixel, z_m, value });
            }
        }
    }
    Ok(out)
}

pub(super) fn geotiff(
    build: &FinishedBuild,
    out: &Path,
    params: &ExportParams,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let layer = params.layer.unwrap_or_default();
    let own = match layer {
        Layer::Deviation => DEVIATION_CELL_M,
        Layer::Height | Layer::Sigma | Layer::Wavelength => build.lattice.t_step_m,
    };
    let grid = Grid::of(build, params.spacing_m.unwrap_or(own));
    let writer = RasterWriter::create(out, raster(build, &grid, layer)?)?;
    let mut report = match layer {
        Layer::Deviation => of_points(build, out, grid, writer, progress)?,
        layer => of_mesh(build, out, grid, writer, layer, progress)?,
    };
    report.holds(format!(
        "{} x {} pixels of {} m: {}",
        grid.size[0],
        grid.size[1],
        grid.pixel_m,
        layer.what()
    ));
    if build.crs().is_none() {
        report.loses("the coordinate system: the scans name none");
    }
    Ok(report)
}

fn raster(build: &FinishedBuild, grid: &Grid, layer: Layer) -> Result<Raster, BuildError> {
    let record = build.crs_record()?;
    let origin = build.ribbon.frame.origin_m;
    Ok(Raster {
        corner_m: [0, 1].map(|k| grid.corner_m[k] + origin[k]),
        pixel_m: grid.pixel_m,
        size: grid.size,
        double: layer == Layer::Height && origin[2].abs() >= MOST_SINGLE_M,
        what: layer.what().to_owned(),
        keys: GeoKeys::of(record.as_ref(), build.crs()),
    })
}

fn of_mesh(
    build: &FinishedBuild,
    out: &Path,
    grid: Grid,
    mut writer: RasterWriter,
    layer: Layer,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let mut tiles = Tiles::new(build, grid);
    let mut mesh = build.mesh()?;
    let up_m = mesh.origin_m()[2];
    let work = |section: &MeshSection| samples(build, section, &grid, up_m, layer);
    sections(
        &mut mesh,
        build.lattice.sections(),
        progress,
        work,
        |section, found| {
            found?.iter().for_each(|sample| tiles.put(sample));
            tiles.flush(section.section, &mut writer)
        },
    )?;
    tiles.flush(usize::MAX, &mut writer)?;
    writer.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    report.loses("steps: values at the middles of pixels; where the road passes over itself, the lower level");
    Ok(report)
}

/// Sum and count of the deviations in each pixel of a tile.
type Sums = Vec<(f64, u32)>;

fn of_points(
    build: &FinishedBuild,
    out: &Path,
    grid: Grid,
    mut writer: RasterWriter,
    progress: &mut dyn Progress,
) -> Result<ExportReport, BuildError> {
    let path = build.points().ok_or_else(|| no_points(build))?;
    let mut points = HeldReader::open(&path, build.ribbon.frame.origin_m)?;
    progress.stage("export", points.total(), Counted::Points);
    let mut tiles: BTreeMap<[usize; 2], Sums> = BTreeMap::new();
    let mut batch = Vec::new();
    while points.next(BATCH, &mut batch)? > 0 {
        for point in batch.iter().filter(|p| p.d_m.is_finite()) {
            if let Some([column, row]) = grid.pixel([point.xyz_m[0], point.xyz_m[1]]) {
                let sums = tiles.entry([column / TILE, row / TILE]);
                let sums = sums.or_insert_with(|| vec![(0.0, 0); TILE * TILE]);
                let sum = &mut sums[(row % TILE) * TILE + column % TILE];
                sum.0 += point.d_m;
                sum.1 += 1;
            }
        }
        progress.advance(batch.len() as u64)?;
    }
    for (key, sums) in tiles {
        let mean = |(sum, n): &(f64, u32)| match n {
            0 => f64::NAN,
            n => sum / f64::from(*n),
        };
        writer.tile(key, &sums.iter().map(mean).collect::<Vec<f64>>())?;
    }
    writer.finish()?;
    let mut report = ExportReport::of([out.to_owned()]);
    if points.only_beyond(build.tolerance_m()?) {
        report.loses("points within the tolerance: build with --deviation-points all to have them");
    }
    Ok(report)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_lies_in_the_pixel_whose_middle_is_nearest() {
        let grid = Grid {
            corner_m: [-3.0, 7.0],
            pixel_m: 0.5,
            size: [20, 30],
        };
        assert_eq!(grid.pixel([-2.9, 6.6]), Some([0, 0]));
        assert_eq!(grid.pixel([6.9, -7.9]), Some([19, 29]));
        assert_eq!(
            (grid.pixel([-3.1, 0.0]), grid.pixel([7.1, 0.0])),
            (None, None)
        );
        assert_eq!(grid.pixel(grid.middle([13, 4])), Some([13, 4]));
    }
}
