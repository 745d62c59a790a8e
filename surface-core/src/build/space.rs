//! Whether a disk has room for a run before it begins. Estimates are upper ones: who was let in does
//! not meet a full disk that could have been foretold.

use std::os::unix::fs::MetadataExt;
use std::path::Path;

use super::BuildError;
use super::folder::BuildFolder;
use super::params::DeviationPoints;
use crate::field::{Lattice, SECTION_ROWS};

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
/// or their lengths tell; scans that tell nothing are believed.
pub(super) fn check_scratch(
    folder: &Path,
    points: Option<u64>,
    bytes: u64,
) -> Result<(), BuildError> {
    let Some(points) = points else { return Ok(()) };
    let needed = points.saturating_mul(bytes);
    enough(&format!("scratch files of {points} points"), folder, needed)
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
    use super::*;

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
        let check = |points| check_scratch(here.path(), points, SORTED_POINT);
        assert!(check(Some(1)).is_ok());
        assert!(check(Some(u64::MAX)).is_err());
        assert!(check(None).is_ok());
        assert!(check_scratch(&here.path().join("nowhere"), Some(u64::MAX), POINT).is_ok());
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
