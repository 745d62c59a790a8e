//! Whether a disk has room for a run before it begins. Estimates are upper ones: who was let in does
//! not meet a full disk that could have been foretold. The record of the pass over the scans is not in
//! them: its grid depends on the ground that is seen (some 100 MB for 4 km), and points off the road,
//! which are not sorted along it, leave more room than that.

use std::os::unix::fs::MetadataExt;
use std::path::Path;

use super::BuildError;
use super::export::ExportFormat;
use super::folder::BuildFolder;
use super::params::DeviationPoints;
use crate::field::{Lattice, SECTION_ROWS};
use crate::numeric::to_index;

/// Bytes of a point in a scratch file, whether sorted by squares of the world or by sections of the
/// road. A road scanned from its verges may hold nearly all points, so they lie there twice while
/// they are sorted along it; the squares are gone when products are written.
pub(super) const POINT: u64 = 16;
/// Points by square, and by section as well.
pub(super) const SORTED_POINT: u64 = 2 * POINT;

/// Bytes of a point in `deviation.laz`: 9 to 10 were measured; a record is 34 before it is packed.
const LAZ_POINT: u64 = 16;
/// Bytes of a node of the field: its arrays, uncompressed.
const FIELD_NODE: u64 = 37;
/// Bytes of a row of it: both edges, and its station.
const FIELD_ROW: u64 = 50;
/// Bytes of a block of a disk; the last one of a file is unfinished.
const BLOCK: u64 = 4096;
/// Blocks of the files that describe the field's arrays, and of the columns' places.
const FIELD_WORDS: u64 = 64;
/// Files of a section of it.
const FIELD_FILES: u64 = 14;
/// Bytes of a node of the mesh: a vertex of 40, and two triangles of 14 that lie in a file of their
/// own until they are put behind the vertices.
const MESH_NODE: u64 = 96;
/// Vertices of a row besides the lattice's: the edges, and two rails for each of some breaklines.
const RAILS: u64 = 10;
/// Headers, materials, descriptions of tiles and lists of spots of another format, bytes.
const FORMAT_WORDS: u64 = 1 << 20;
/// Pictures, page and tables, bytes; of them a page of 4 km takes 6 MB.
const PAGES: u64 = 16 << 20;

/// Most bytes that the field of a lattice takes.
pub(super) fn field_bytes(lattice: &Lattice) -> u64 {
    let sections = lattice.rows.div_ceil(SECTION_ROWS) as u64;
    // The last section's chunk is as long as all others.
    let rows = sections * SECTION_ROWS as u64;
    let blocks = sections * FIELD_FILES + FIELD_WORDS;
    rows * (lattice.columns as u64 * FIELD_NODE + FIELD_ROW) + blocks * BLOCK
}

/// Most bytes that the products of a build take, with `points` on its road.
pub(super) fn product_bytes(lattice: &Lattice, points: u64, which: DeviationPoints) -> u64 {
    let vertices = (lattice.rows as u64) * (lattice.columns as u64 + RAILS);
    field_bytes(lattice) + vertices * MESH_NODE + laz_bytes(points, which) + PAGES
}

/// Most bytes that a build takes in these formats besides its own products.
pub(super) fn also_bytes(formats: &[ExportFormat], lattice: &Lattice, points: u64) -> u64 {
    let bytes = formats.iter().map(|f| format_bytes(*f, lattice, points));
    bytes.fold(0, u64::saturating_add)
}

/// Most bytes of a format. What is joined at the end lies there twice until then; numbers of vertices
/// are taken to have eight digits.
fn format_bytes(format: ExportFormat, lattice: &Lattice, points: u64) -> u64 {
    let rows = lattice.rows as u64;
    let vertices = rows * (lattice.columns as u64 + RAILS);
    let along_m = lattice.rows as f64 * lattice.s_step_m;
    let area_m2 = along_m * lattice.columns as f64 * lattice.t_step_m;
    let of = |bytes: f64| to_index(bytes) as u64;
    let body = match format {
        // A vertex of 28 and short indices of three levels, twice.
        ExportFormat::Gltf => vertices * 128,
        // Two lines of 70 characters, and two faces of 60.
        ExportFormat::Obj => vertices * 190,
        ExportFormat::Stl => vertices * 100,
        // A vertex of 40 and two faces of 13, those twice.
        ExportFormat::Ply => vertices * 92,
        // A single number a node, or eleven characters, and three more a row.
        ExportFormat::OpenCrg => vertices * 4,
        ExportFormat::OpenCrgText => vertices * 12,
        // Doubles; what lies beside the road is packed to next to nothing.
        ExportFormat::GeoTiff => vertices * 9,
        // A cubic of 200 characters a square metre, besides line and profiles along.
        ExportFormat::OpenDrive => of(300.0 * area_m2 + 2000.0 * along_m),
        // A point of 65 characters, and two faces of 34, those twice.
        ExportFormat::LandXml => vertices * 200,
        // Three places of 50 characters each half metre; spots are few.
        ExportFormat::GeoJson => of(400.0 * along_m),
        // Eighteen numbers a row.
        ExportFormat::Csv => rows * 270,
        ExportFormat::Parquet => rows * 160,
        ExportFormat::Laz => points.saturating_mul(LAZ_POINT),
    };
    body + FORMAT_WORDS
}

/// Most bytes that `deviation.laz` takes: how many points are beyond the tolerance nobody knows yet.
pub(super) fn laz_bytes(points: u64, which: DeviationPoints) -> u64 {
    match which {
        DeviationPoints::None => 0,
        DeviationPoints::All | DeviationPoints::Beyond => points.saturating_mul(LAZ_POINT),
    }
}

/// A folder and what is to be written into it.
pub(super) type Need<'a> = (&'a Path, u64);

/// Refuse at once where a disk has less free space than all that is to be written to it. Disks that do
/// not tell are believed.
pub(super) fn check_room(what: &str, needs: &[Need]) -> Result<(), BuildError> {
    needs.iter().try_for_each(|(folder, _)| {
        let beside = needs.iter().filter(|need| same_disk(need.0, folder));
        let needed = beside.fold(0, |sum: u64, need| sum.saturating_add(need.1));
        enough(what, folder, needed)
    })
}

/// [`check_room`] for a folder in the making: bytes of its scratch files and of its products.
pub(super) fn check_folder(
    what: &str,
    folder: &BuildFolder,
    [scratch, products]: [u64; 2],
) -> Result<(), BuildError> {
    let beside = folder.scratch("");
    check_room(what, &[(&beside, scratch), (folder.path(), products)])
}

/// [`check_room`] for scratch files of so many `bytes` for each of the `points` of scans, as they promise
/// or their lengths tell, of which `there` bytes are written; scans that tell nothing are believed.
pub(super) fn check_scratch(
    folder: &Path,
    points: Option<u64>,
    bytes: u64,
    there: u64,
) -> Result<(), BuildError> {
    let Some(points) = points else { return Ok(()) };
    let needed = points.saturating_mul(bytes).saturating_sub(there);
    enough(&format!("scratch files of {points} points"), folder, needed)
}

/// Bytes that the files of a folder take on their disk.
pub(super) fn bytes_in(folder: &Path) -> u64 {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let bytes = entries.map(|entry| match entry.metadata() {
        Ok(meta) if meta.is_dir() => bytes_in(&entry.path()),
        // Blocks of a file are counted in 512 bytes, whatever those of the disk are.
        Ok(meta) => meta.blocks() * 512,
        Err(_) => 0,
    });
    bytes.sum()
}

fn same_disk(a: &Path, b: &Path) -> bool {
    let disk = |path: &Path| std::fs::metadata(path).ok().map(|m| m.dev());
    disk(a) == disk(b)
}

fn enough(what: &str, folder: &Path, needed_bytes: u64) -> Result<(), BuildError> {
    match rustix::fs::statvfs(folder) {
        Ok(disk) => fits(
            what,
            (folder, needed_bytes),
            disk.f_bavail.saturating_mul(disk.f_frsize),
        ),
        Err(_) => Ok(()),
    }
}

fn fits(what: &str, (folder, needed_bytes): Need, free_bytes: u64) -> Result<(), BuildError> {
    if free_bytes >= needed_bytes {
        return Ok(());
    }
    Err(BuildError::Room {
        path: folder.to_owned(),
        what: what.to_owned(),
        needed_bytes,
        free_bytes,
    })
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;

    use super::*;
    use crate::build::fit::lattice_of;
    use crate::build::{FitParams, fit_and_export};
    use crate::cloud::Frame;
    use crate::progress::Silent;
    use crate::ribbon::{Edges, ReferenceLine, Ribbon};

    #[test]
    fn too_little_room_is_told_in_gigabytes_with_a_way_out() {
        let folder = Path::new("/data/out");
        assert!(fits("points", (folder, 32_000_000), 32_000_000).is_ok());
        let error = fits("250 points", (folder, 8_000_000_000), 4_000_000_000).unwrap_err();
        let said = error.to_string();
        for part in ["/data/out", "4.0 GB free", "250 points", "8.0 GB"] {
            assert!(said.contains(part), "{said}");
        }
        assert!(error.hint().contains("--scratch"));
        let small = fits("x", (folder, 2_500_000), 1_000_000).unwrap_err();
        assert!(small.to_string().contains("1.0 MB free"), "{small}");
    }

    #[test]
    fn a_disk_is_asked_and_unknown_numbers_of_points_pass() {
        let here = tempfile::tempdir().unwrap();
        let check = |points| check_scratch(here.path(), points, SORTED_POINT, 0);
        assert!(check(Some(1)).is_ok());
        assert!(check(Some(u64::MAX)).is_err());
        assert!(check(None).is_ok());
        assert!(check_scratch(&here.path().join("nowhere"), Some(u64::MAX), POINT, 0).is_ok());
        // What is written already needs no room.
        assert!(check_scratch(here.path(), Some(1 << 50), POINT, 16 << 50).is_ok());
    }

    #[test]
    fn what_two_folders_on_one_disk_need_is_added() {
        let here = tempfile::tempdir().unwrap();
        let disk = rustix::fs::statvfs(here.path()).unwrap();
        let most = disk.f_bavail.saturating_mul(disk.f_frsize) / 4 * 3;
        let (a, b) = (here.path(), here.path());
        assert!(check_room("x", &[(a, most), (b, 0)]).is_ok());
        assert!(check_room("x", &[(a, most), (b, most)]).is_err());
    }

    /// Far from zero, as surveyors' coordinates are.
    const ORIGIN_M: [f64; 3] = [512_000.0, 5_403_000.0, 1_204.0];

    fn straight_ribbon() -> Ribbon {
        let knots = (0..=60).map(|x| [f64::from(x), 0.0]).collect();
        Ribbon {
            frame: Frame { origin_m: ORIGIN_M },
            line: ReferenceLine::through(knots, 1.0, false).unwrap(),
            edges: Edges::constant(60.0, false, 0.5, 4.0, -4.0).unwrap(),
            gaps: Vec::new(),
        }
    }

    /// A wavy road along it with a point each 0.1 m, as text.
    fn wavy_scan() -> String {
        let mut rows = String::new();
        for (i, j) in (0..600).flat_map(|i| (0..80).map(move |j| (i, j))) {
            let (x, y) = (0.05 + 0.1 * f64::from(i), 0.1 * f64::from(j) - 3.95);
            let z = 0.5 * (0.3 * x + 0.2 * y).sin() + 0.02 * y;
            let [east, north, up] = ORIGIN_M;
            let [x, y, z] = [east + x, north + y, up + z];
            let _ = writeln!(rows, "{x:.3} {y:.3} {z:.4} 700");
        }
        rows
    }

    /// The lattice of a build with all other formats beside it, and the points on its road.
    fn build_in_all_formats(out: &Path) -> (Lattice, u64) {
        let scan = out.with_extension("xyz");
        std::fs::write(&scan, wavy_scan()).unwrap();
        let params = FitParams {
            ribbon: Some(straight_ribbon()),
            deviation_points: DeviationPoints::All,
            ..FitParams::default()
        };
        let formats: Vec<ExportFormat> = ExportFormat::all().collect();
        let scans = [scan];
        let (report, _) = fit_and_export(&scans, out, &params, &formats, &mut Silent).unwrap();
        assert!(10 * report.field.fitted > 9 * report.field.inside);
        let lattice = lattice_of(&straight_ribbon(), params.spacing_m).unwrap();
        (lattice, report.points_on_road)
    }

    #[test]
    fn other_formats_take_no_more_than_was_said_and_not_much_less() {
        let here = tempfile::tempdir().unwrap();
        let out = here.path().join("out");
        let (lattice, points) = build_in_all_formats(&out);
        let mut wrong = false;
        for format in ExportFormat::all() {
            let file = |name: &str| out.join(name).metadata().unwrap().len();
            let taken: u64 = format.products().map(file).sum();
            let said = format_bytes(format, &lattice, points);
            // What is joined at the end lay there twice; short numbers of vertices, packing and bends
            // that cubics follow do the rest.
            let body = said - FORMAT_WORDS;
            println!("{}: {taken} of {body}", format.name());
            wrong |= taken > said || 8 * taken < body;
        }
        assert!(!wrong, "more than was said, or less than an eighth of it");
        let all: Vec<ExportFormat> = ExportFormat::all().collect();
        let sum: u64 = all.iter().map(|f| format_bytes(*f, &lattice, points)).sum();
        assert_eq!(also_bytes(&all, &lattice, points), sum);
        assert_eq!(also_bytes(&[], &lattice, points), 0);
    }

    #[test]
    fn a_field_on_disk_takes_no_more_than_was_said() {
        let here = tempfile::tempdir().unwrap();
        let lattice = Lattice::along(40.0, 0.1, [-3.0, 3.0], false).unwrap();
        let store = crate::export::FieldStore::create(here.path(), lattice, [0.0; 3]).unwrap();
        for first in (0..lattice.rows).step_by(SECTION_ROWS) {
            let count = SECTION_ROWS.min(lattice.rows - first);
            let rows = crate::field::FieldRows::empty(lattice, first, count).unwrap();
            store.write(&rows).unwrap();
            let cells = crate::field::CellMeans::empty(first, count, lattice.columns);
            store.write_cells(&cells).unwrap();
        }
        let mut taken = 0;
        for array in std::fs::read_dir(here.path()).unwrap().flatten() {
            for file in std::fs::read_dir(array.path()).into_iter().flatten() {
                taken += file
                    .unwrap()
                    .metadata()
                    .unwrap()
                    .len()
                    .next_multiple_of(BLOCK);
            }
        }
        let said = field_bytes(&lattice);
        assert!(taken <= said && taken > said / 2, "{taken} of {said} bytes");
    }
}
