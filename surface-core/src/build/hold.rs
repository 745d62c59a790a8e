//! Any mesh held against any cloud: where do they part?

use std::collections::BTreeSet;
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use super::BuildError;
use super::clock::StageClock;
use super::folder::{BuildFolder, write_error};
use super::heights::POINT_BYTES;
use super::hold_params::HoldParams;
use super::hold_tiles::{Holder, TileResult};
use super::ingest::{Ingested, Pass, ingest};
use super::keep::keep_inputs;
use super::manifest::{begin_hashing, hash_file};
use super::order::{in_order, in_order_within};
use super::params::{DeviationPoints, flight_bytes};
use super::report_parts::{inputs_of, spot_report};
use super::space::{POINT, check_folder, laz_bytes};
use crate::cloud::inspect::reading_doubts;
use crate::cloud::io::{ReadOptions, Scans};
use crate::cloud::{Frame, TILE_M, TileKey};
use crate::deviation::{CellFrame, DeviationCells, DeviationMap, MapBuilder, Spot};
use crate::export::{DeviationLaz, MapPicture, write_plane_spots_csv};
use crate::mesh::{MeshColumns, MeshReadError, SurfaceMesh};
use crate::numeric::{floor_i32, median, to_index};
use crate::progress::{Counted, Progress};
use crate::report::{CAUTIONS, FORMAT_VERSION, HoldReport, MeshInput, Report, RunReport};

/// What a deviation run leaves, in the order in which the files get their names.
pub const HOLD_PRODUCTS: [&str; 4] = [
    "deviation.png",
    "deviation.csv",
    "deviation.laz",
    "report.json",
];

/// Width of the cells of the map, metres, as in a build.
const CELL_M: f64 = super::surface::DEVIATION_CELL_M;

/// Hold the mesh in `mesh` against the clouds in `scans` and leave the map in the folder `out`.
///
/// Distances run along the upward normal of the triangle under or over a point, nearest in
/// height. Points off the mesh in plan, and points further from it than the search distance, are
/// counted apart and make no cell. The scans are sorted into squares on disk, so memory does not
/// grow with the number of points; it grows with the area that they cover, and the mesh is held
/// in memory.
///
/// # Errors
/// [`BuildError`] naming the file or place and the remedy; [`BuildError::NoOverlap`] when no point
/// lies over the mesh, [`BuildError::TooFar`] when all that do are out of reach.
pub fn hold(
    mesh: &Path,
    scans: &[PathBuf],
    out: &Path,
    params: &HoldParams,
    progress: &mut dyn Progress,
) -> Result<HoldReport, BuildError> {
    params.check()?;
    refuse_build_folder(out)?;
    keep_inputs(&[&[mesh.to_owned()], scans].concat(), out, &HOLD_PRODUCTS)?;
    let mut clock = StageClock::start();
    let (surface, mesh_input) = read_mesh(mesh, params, progress)?;
    let mut cloud = Scans::open(
        scans,
        &ReadOptions {
            units: params.units,
        },
    )?;
    clock.lap("mesh");
    let mut folder = BuildFolder::open(out, params.scratch.as_deref())?;
    let frame = frame_of(&surface);
    check_space(&cloud, &folder, params)?;
    let pass = Pass {
        frame,
        scratch: &folder.scratch("cloud"),
        budget_bytes: params.sorting_bytes(),
        grid_bytes: None,
        kept: None,
    };
    let points = ingest(&mut cloud, &pass, progress)?;
    clock.lap("read");
    let found = measure(&surface, (&points, &cloud), &mut folder, params, progress)?;
    found.check_overlap(&surface, &cloud, &points, params)?;
    clock.lap("hold");
    let [east, north, _] = frame.origin_m;
    let spots = found
        .map
        .spots(params.tolerance_m, &|x, y| [east + x, north + y]);
    write_map(&found.map, &spots, params, &mut folder)?;
    clock.lap("picture");
    let inputs = inputs_of(&cloud, scans, progress)?;
    clock.lap("hash");
    let mut report = report(
        &found,
        &spots,
        (mesh_input, inputs),
        &points,
        params,
        clock.report(),
    );
    report.doubts = reading_doubts(&cloud)
        .iter()
        .map(ToString::to_string)
        .collect();
    publish(&report, folder)?;
    Ok(report)
}

/// Put the report to the other products and give all of them their names.
fn publish(report: &HoldReport, mut folder: BuildFolder) -> Result<(), BuildError> {
    let path = folder.path().join("report.json");
    let text = report.to_json();
    let text = text.map_err(|e| write_error(&path)(e.into()))?;
    folder.put("report.json", text.as_bytes())?;
    folder.publish(&HOLD_PRODUCTS)
}

/// Refuse at once where points by square and points with their deviation do not fit.
fn check_space(cloud: &Scans, folder: &BuildFolder, params: &HoldParams) -> Result<(), BuildError> {
    let Some(points) = cloud.guessed_points() else {
        return Ok(());
    };
    let scratch = points.saturating_mul(POINT);
    let products = laz_bytes(points, params.deviation_points);
    let what = format!("scratch files and products of {points} points");
    check_folder(&what, folder, [scratch, products])
}

/// A finished build has a map and a report of its own under the same names.
fn refuse_build_folder(out: &Path) -> Result<(), BuildError> {
    if out.join("manifest.json").exists() {
        return Err(BuildError::Parameter {
            name: "--out",
            value: out.display().to_string(),
            why: "it holds a finished build, whose map and report would be replaced; give another folder",
        });
    }
    Ok(())
}

/// Read the mesh into metres; an origin in `params` goes over what the file says of its zero.
fn read_mesh(
    path: &Path,
    params: &HoldParams,
    progress: &mut dyn Progress,
) -> Result<(SurfaceMesh, MeshInput), BuildError> {
    let file = File::open(path).map_err(|source| MeshReadError::Io {
        file: path.to_owned(),
        source,
    })?;
    begin_hashing(&[path], progress);
    let (bytes, blake3) = hash_file(path, progress)?;
    let read = SurfaceMesh::read(BufReader::with_capacity(1 << 18, file), path)?;
    let mut columns = read.into_columns();
    let metres = |at: [f64; 3]| at.map(|v| v * params.mesh_unit.factor_m());
    columns.positions_m.iter_mut().for_each(|p| *p = metres(*p));
    columns.origin_m = params.origin_m.unwrap_or(metres(columns.origin_m));
    let input = MeshInput {
        name: path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned(),
        bytes,
        blake3,
        vertices: columns.positions_m.len() as u64,
        faces: columns.faces.len() as u64,
        units: params.mesh_unit.name().to_owned(),
        origin_m: columns.origin_m,
    };
    Ok((SurfaceMesh::new(columns)?, input))
}

/// Lowest and highest corner of a mesh, world metres.
pub(super) fn box_of(columns: &MeshColumns) -> [[f64; 3]; 2] {
    let mut out = [[f64::INFINITY; 3], [f64::NEG_INFINITY; 3]];
    for p in columns
        .faces
        .iter()
        .flatten()
        .map(|&v| columns.positions_m[v as usize])
    {
        for k in 0..3 {
            out[0][k] = out[0][k].min(p[k] + columns.origin_m[k]);
            out[1][k] = out[1][k].max(p[k] + columns.origin_m[k]);
        }
    }
    out
}

/// Local coordinates start at whole metres amid the mesh's vertices: at their medians, which a
/// stray vertex far off does not move.
fn frame_of(mesh: &SurfaceMesh) -> Frame {
    let columns = mesh.columns();
    let middle = |k: usize| {
        let mut along: Vec<f64> = columns.positions_m.iter().map(|p| p[k]).collect();
        median(&mut along).unwrap_or(0.0) + columns.origin_m[k]
    };
    Frame {
        origin_m: [0, 1, 2].map(|k| middle(k).floor()),
    }
}

/// What the measuring left.
struct Found {
    map: DeviationMap,
    on_mesh: u64,
    too_far: u64,
}

impl Found {
    /// A map without a point says nothing: tell why there is none.
    fn check_overlap(
        &self,
        mesh: &SurfaceMesh,
        scans: &Scans,
        points: &Ingested,
        params: &HoldParams,
    ) -> Result<(), BuildError> {
        if self.on_mesh > 0 {
            return Ok(());
        }
        if self.too_far > 0 {
            let (points, search_m) = (self.too_far, params.search_m);
            return Err(BuildError::TooFar { points, search_m });
        }
        let mesh_box_m = box_of(mesh.columns());
        Err(BuildError::NoOverlap {
            mesh_box_m,
            cloud_box_m: cloud_box(scans, points),
        })
    }
}

/// Where the cloud is, world metres: as the files say, else by the squares that hold points.
fn cloud_box(scans: &Scans, points: &Ingested) -> Option<[[f64; 2]; 2]> {
    let told: Option<Vec<[[f64; 3]; 2]>> = scans.files().iter().map(|f| f.header_box_m).collect();
    let told = told.into_iter().flatten().map(|b| b.map(|p| [p[0], p[1]]));
    let origin = points.frame.origin_m;
    let corner = |v: i32, axis: usize| f64::from(v) * TILE_M + origin[axis];
    let squares = points.tiles.keys().map(|(i, j)| {
        let low = [corner(i, 0), corner(j, 1)];
        [low, low.map(|v| v + TILE_M)]
    });
    let join = |a: [[f64; 2]; 2], b: [[f64; 2]; 2]| {
        let low = [0, 1].map(|k| a[0][k].min(b[0][k]));
        [low, [0, 1].map(|k| a[1][k].max(b[1][k]))]
    };
    told.reduce(join).or_else(|| squares.reduce(join))
}

/// A triangle whose box in plan holds more squares than this, 16 km², is no part of a course's
/// mesh: one stray vertex far off makes such, of up to 10⁹ squares.
const MOST_SQUARES: f64 = 65_536.0;

/// Where the mesh has no points near it.
#[derive(Debug, Default)]
struct Bare {
    /// Squares without points that the mesh touches.
    tiles: BTreeSet<TileKey>,
    /// Area in plan of triangles of more than [`MOST_SQUARES`], m².
    vast_m2: f64,
}

impl Bare {
    fn of(mesh: &SurfaceMesh, points: &Ingested) -> Self {
        let columns = mesh.columns();
        let held: BTreeSet<TileKey> = points.tiles.keys().collect();
        let shift = [0, 1].map(|k| columns.origin_m[k] - points.frame.origin_m[k]);
        let mut bare = Self::default();
        for face in &columns.faces {
            let corner = |v: u32| [0, 1].map(|k| columns.positions_m[v as usize][k] + shift[k]);
            bare.add(face.map(corner), &held);
        }
        bare
    }

    fn add(&mut self, corners: [[f64; 2]; 3], held: &BTreeSet<TileKey>) {
        let [u, v] = [0, 1].map(|k| corners.map(|c| c[k] / TILE_M));
        let low = [u, v].map(|c| c.into_iter().fold(f64::INFINITY, f64::min).floor());
        let high = [u, v].map(|c| c.into_iter().fold(f64::NEG_INFINITY, f64::max).floor());
        if (high[0] - low[0] + 1.0) * (high[1] - low[1] + 1.0) > MOST_SQUARES {
            let [a, b, c] = corners;
            let twice = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
            self.vast_m2 += 0.5 * twice.abs();
            return;
        }
        for i in floor_i32(low[0])..=floor_i32(high[0]) {
            let squares = (floor_i32(low[1])..=floor_i32(high[1])).map(|j| (i, j));
            self.tiles.extend(squares.filter(|key| !held.contains(key)));
        }
    }
}

fn measure(
    mesh: &SurfaceMesh,
    (points, scans): (&Ingested, &Scans),
    folder: &mut BuildFolder,
    params: &HoldParams,
    progress: &mut dyn Progress,
) -> Result<Found, BuildError> {
    let frame = CellFrame::plane(TILE_M, CELL_M)?;
    let tiles: Vec<TileKey> = points.tiles.keys().collect();
    let bare = Bare::of(mesh, points);
    let count = |key: &TileKey| points.tiles.count(*key);
    progress.stage("hold", tiles.iter().map(count).sum(), Counted::Points);
    let cells = DeviationCells::new(frame.clone());
    let holder = Holder::new(mesh, points, &cells, params);
    let mut laz = match params.deviation_points {
        DeviationPoints::None => None,
        _ => Some(DeviationLaz::create(
            &folder.part("deviation.laz")?,
            points.frame.origin_m,
            scans.product_crs().record(),
        )?),
    };
    let mut map = MapBuilder::new(frame);
    let (mut on_mesh, mut too_far) = (0, 0);
    in_order_within(
        &tiles,
        (
            &|key| count(key) * POINT_BYTES,
            flight_bytes(params.memory_bytes),
        ),
        |&key| holder.tile(key),
        |key, tile: TileResult| {
            map.push(tile.cells);
            on_mesh += tile.on_mesh;
            too_far += tile.too_far;
            if let Some(laz) = &mut laz {
                laz.add(&tile.kept)?;
            }
            Ok(progress.advance(count(key))?)
        },
    )?;
    map.count_off_surface(points.strays, 0);
    map.count_bare(to_index(bare.vast_m2 / (CELL_M * CELL_M)) as u64);
    let bare: Vec<TileKey> = bare.tiles.into_iter().collect();
    in_order(
        &bare,
        |&key| holder.bare_cells(key),
        |_, cells| {
            map.count_bare(cells);
            Ok::<(), BuildError>(progress.advance(0)?)
        },
    )?;
    if let Some(laz) = laz {
        laz.finish()?;
    }
    Ok(Found {
        map: map.finish(),
        on_mesh,
        too_far,
    })
}

fn write_map(
    map: &DeviationMap,
    spots: &[Spot],
    params: &HoldParams,
    folder: &mut BuildFolder,
) -> Result<(), BuildError> {
    let mut csv = Vec::new();
    let path = folder.part("deviation.csv")?;
    write_plane_spots_csv(spots, &mut csv).map_err(write_error(&path))?;
    folder.put("deviation.csv", &csv)?;
    let path = folder.part("deviation.png")?;
    let file = File::create(&path).map_err(write_error(&path))?;
    let picture = MapPicture::of_plane(map, spots, params.tolerance_m);
    picture
        .write_png(std::io::BufWriter::new(file))
        .map_err(write_error(&path))
}

fn report(
    found: &Found,
    spots: &[Spot],
    (mesh, inputs): (MeshInput, Vec<crate::report::Input>),
    points: &Ingested,
    params: &HoldParams,
    run: RunReport,
) -> HoldReport {
    HoldReport {
        format_version: FORMAT_VERSION,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        tolerance_mm: 1e3 * params.tolerance_m,
        search_m: params.search_m,
        mesh,
        inputs,
        origin_m: points.frame.origin_m,
        points: points.points,
        points_on_mesh: found.on_mesh,
        points_too_far: found.too_far,
        deviation: found.map.summary(spots, params.tolerance_m),
        spots: spots
            .iter()
            .take(Report::MOST_SPOTS)
            .map(spot_report)
            .collect(),
        doubts: Vec::new(),
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
        run,
    }
}

#[cfg(test)]
#[path = "hold_tests.rs"]
mod tests;
