//! Two halves of the points that share the road and not their noise, each fitted as the whole was.

use std::path::{Path, PathBuf};

use super::BuildError;
use super::breaklines::find_breaklines;
use super::clock::StageClock;
use super::folder::{BuildFolder, write_error};
use super::heights::{HeightFitter, Steps};
use super::levelled::{Course, LevelledRoad};
use super::params::FitParams;
use super::plain_runs::PlainRuns;
use super::profiles::{along_all, from_mesh};
use super::report_parts::inputs_of;
use super::road::{Squares, find_road, open};
use super::space::{SORTED_POINT, check_room, field_bytes};
use super::strip::{OnStrip, Strip, from_points};
use crate::cloud::io::Scans;
use crate::cloud::{PackedPoint, TileStore, TileWriter};
use crate::export::FieldStore;
use crate::field::Lattice;
use crate::mesh::{Layout, SeamPlan, SurfaceMesh};
use crate::progress::{Counted, Progress};
use crate::ribbon::{Ribbon, RibbonPoint};
use crate::roughness::{PointMeans, Profile, TRACKS, TrackProfiles, WheelPath};
use crate::setups::SetupModels;
use crate::zones::Breaklines;

/// Halves are whole setups where this share of the stations has points of both.
const SHARED_STATIONS: f64 = 0.7;
/// Memory for points that wait to be written, bytes a half.
const BUDGET: usize = 64 << 20;

/// How the points were split.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Split {
    /// Setups of even and of odd number.
    Setups,
    /// Points in turn.
    Points,
}

/// The mesh and the halves along one path and the tracks beside it.
#[derive(Debug)]
pub(super) struct HalfProfiles {
    pub middle: TrackProfiles,
    pub beside: Vec<TrackProfiles>,
}

/// The halves' profiles along every path.
#[derive(Debug)]
pub(super) struct Halves {
    pub split: Split,
    pub points: u64,
    pub paths: Vec<HalfProfiles>,
    pub inputs: Vec<crate::report::Input>,
}

/// The finished build that the halves are held against.
#[derive(Debug)]
pub(super) struct Finished<'a> {
    pub ribbon: &'a Ribbon,
    pub field: &'a FieldStore,
    pub mesh: &'a SurfaceMesh,
    /// Level of the road's spectrum that it was fitted with, m.
    pub level_m: f64,
    pub bridge_m: f64,
    /// What checkpoints took off all heights, metres.
    pub shift_m: f64,
}

/// Read the scans again and fit both halves on the ribbon and lattice of the build.
pub(super) fn halves(
    scans: &[PathBuf],
    built: &Finished,
    paths: &[WheelPath],
    params: &FitParams,
    folder: &BuildFolder,
    progress: &mut dyn Progress,
) -> Result<Halves, BuildError> {
    let params = FitParams {
        ribbon: Some(built.ribbon.clone()),
        bridge_m: built.bridge_m,
        ..params.clone()
    };
    let mut cloud = open(scans, &params)?;
    check_space(&cloud, built.field.lattice(), folder)?;
    let mut clock = StageClock::start();
    let scratch = folder.scratch("cloud");
    let squares = Squares::Passing(&scratch);
    let road = find_road(&mut cloud, squares, &params, &mut clock, progress)?;
    let course = Course {
        ribbon: &road.ribbon,
        lattice: built.field.lattice(),
        setups: &road.setups,
        marks: &[],
    };
    let levelled = LevelledRoad::new(road.cloud, course, &params, folder, &mut clock, progress)?;
    let lines = find_breaklines(&levelled.fitter(course, built.bridge_m), progress)?;
    let LevelledRoad {
        points, trusted, ..
    } = levelled;
    let setups = trusted.models.shifted(built.shift_m);
    let strips = strips_along(built, paths)?;
    let split = choose(&points, &road.ribbon, &setups, &strips)?;
    let count = points.keys().map(|key| points.count(key)).sum();
    let mut found: Vec<Half> = Vec::new();
    for (store, name) in parted(points, split, folder)?
        .iter()
        .zip(["half-a", "half-b"])
    {
        let fitter = HeightFitter {
            points: store,
            ribbon: course.ribbon,
            lattice: course.lattice,
            setups: &setups,
            bridge_m: built.bridge_m,
            flight_bytes: params.flight_bytes(),
            plain: PlainRuns::default(),
        };
        let scratch = folder.scratch(name);
        let half = (&fitter, built.level_m, &lines);
        found.push(fit_half(half, &strips, &scratch, progress)?);
    }
    Ok(Halves {
        split,
        points: count,
        paths: joined(built, &strips, found)?,
        inputs: inputs_of(&cloud, scans, progress)?,
    })
}

/// Refuse at once where points by square and section, or by section and half, and the fields of both
/// halves do not fit.
fn check_space(cloud: &Scans, lattice: &Lattice, folder: &BuildFolder) -> Result<(), BuildError> {
    let Some(points) = cloud.guessed_points() else {
        return Ok(());
    };
    let needed = points.saturating_mul(SORTED_POINT) + 2 * field_bytes(lattice);
    let what = format!("scratch files of {points} points and their halves");
    check_room(&what, &[(&folder.scratch(""), needed)])
}

/// Means of the points of a half, and its surface, along each track of each path.
type Half = Vec<Vec<(PointMeans, Profile)>>;

fn strips_along(built: &Finished, paths: &[WheelPath]) -> Result<Vec<Strip>, BuildError> {
    let along = |path: &WheelPath| Strip::new(built.field, built.ribbon, path);
    paths.iter().map(along).collect()
}

/// One half: means of its points and its surface, along each track of each path.
fn fit_half(
    (fitter, level_m, lines): (&HeightFitter, f64, &Breaklines),
    strips: &[Strip],
    scratch: &Path,
    progress: &mut dyn Progress,
) -> Result<Half, BuildError> {
    std::fs::create_dir_all(scratch).map_err(write_error(scratch))?;
    let origin_m = fitter.ribbon.frame.origin_m;
    let store = FieldStore::create(scratch, *fitter.lattice, origin_m)?;
    // Windows go with (level × points)^(−1/3): half the points and twice the level give the
    // windows of the whole.
    let layout = Layout::new(fitter.ribbon, fitter.lattice)?;
    let plan = SeamPlan::new(&layout, lines);
    let steps = Steps {
        lines,
        layout: &layout,
        plan: &plan,
    };
    progress.stage("fit", fitter.points_of(0..fitter.runs()), Counted::Points);
    let level = (2.0 * level_m, &mut Vec::new());
    fitter.fit_part(0..fitter.runs(), level, &steps, &store, progress)?;
    let along = |strip: &Strip| {
        let points = from_points(fitter.points, fitter.ribbon, fitter.setups, strip)?;
        let surfaces = along_all(&store, &strip.tracks)?;
        Ok(points.into_iter().zip(surfaces).collect())
    };
    strips.iter().map(along).collect()
}

/// The mesh along every strip, with what both halves have there.
fn joined(
    built: &Finished,
    strips: &[Strip],
    found: Vec<Half>,
) -> Result<Vec<HalfProfiles>, BuildError> {
    let mut halves = found.into_iter();
    let (Some(a), Some(b)) = (halves.next(), halves.next()) else {
        return Ok(Vec::new());
    };
    let one = |(strip, (a, b)): (&Strip, (Vec<_>, Vec<_>))| {
        let near = along_all(built.field, &strip.tracks)?;
        let both = strip.tracks.iter().zip(&near).zip(a.into_iter().zip(b));
        let mut tracks = both.map(|(path, halves)| track(built, path, halves));
        Ok(tracks.next().map(|middle| HalfProfiles {
            middle,
            beside: tracks.collect(),
        }))
    };
    let strips = strips.iter().zip(a.into_iter().zip(b));
    strips.filter_map(|strip| one(strip).transpose()).collect()
}

/// One track: the mesh along it, where it is on the paving, and both halves.
fn track(
    built: &Finished,
    (path, near): (&WheelPath, &Profile),
    (a, b): ((PointMeans, Profile), (PointMeans, Profile)),
) -> TrackProfiles {
    let mut surface = from_mesh(built.mesh, built.ribbon, path, near);
    for (z, point) in surface.z_m.iter_mut().zip(&path.points) {
        if point.at.s.is_nan() {
            *z = f64::NAN;
        }
    }
    TrackProfiles {
        surface,
        points: [a.0, b.0],
        fits: [a.1, b.1],
    }
}

/// By setups where enough stations have points of setups of both halves.
fn choose(
    points: &TileStore,
    ribbon: &Ribbon,
    setups: &SetupModels,
    strips: &[Strip],
) -> Result<Split, BuildError> {
    let stations = |s: &Strip| vec![[false; 2]; TRACKS * s.len()];
    let mut seen: Vec<Vec<[bool; 2]>> = strips.iter().map(stations).collect();
    let mut packed: Vec<PackedPoint> = Vec::new();
    for key in points.keys() {
        packed.clear();
        points.read(key, &mut packed)?;
        for point in &packed {
            let [s, t, z] = point.metres();
            let near = |strip: &Strip| strip.may_hold(s, t);
            if setups.left_out(point.setup) || !strips.iter().any(near) {
                continue;
            }
            let place = ribbon.line.to_local(RibbonPoint { s, t });
            let z = z - setups.correction_m(point.setup, place);
            for (strip, seen) in strips.iter().zip(&mut seen) {
                if let Some(on) = strip.place(s, t, z).filter(OnStrip::is_road) {
                    let half = usize::from(point.setup % 2);
                    seen[TRACKS * on.station + on.track][half] = true;
                }
            }
        }
    }
    let (mut both, mut all) = (0usize, 0usize);
    for (strip, stations) in strips.iter().zip(&seen) {
        all += strip.with_surface();
        both += stations.iter().filter(|s| s[0] && s[1]).count();
    }
    let enough = both as f64 >= SHARED_STATIONS * all as f64;
    Ok(if enough { Split::Setups } else { Split::Points })
}

/// The points in two stores of the same sections; `points` is gone afterwards.
fn parted(
    points: TileStore,
    split: Split,
    folder: &BuildFolder,
) -> Result<[TileStore; 2], BuildError> {
    let mut a = TileWriter::create(&folder.scratch("points-a"), BUDGET)?;
    let mut b = TileWriter::create(&folder.scratch("points-b"), BUDGET)?;
    let mut packed: Vec<PackedPoint> = Vec::new();
    for key in points.keys() {
        packed.clear();
        points.read(key, &mut packed)?;
        let mut halves = [Vec::new(), Vec::new()];
        for (k, point) in packed.iter().enumerate() {
            let half = match split {
                Split::Setups => usize::from(point.setup % 2),
                Split::Points => k % 2,
            };
            halves[half].push(*point);
        }
        a.append(key, &halves[0])?;
        b.append(key, &halves[1])?;
    }
    Ok([a.finish()?, b.finish()?])
}
