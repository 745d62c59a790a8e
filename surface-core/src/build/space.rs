//! Whether a disk has room for the points before a run begins.

use std::path::Path;

use super::BuildError;

/// Bytes of scratch files a point: 16 in its square, and as much again for the half of a usual
/// scan's points that lie on the road. A course scanned from its verges has more of them there.
const BYTES_A_POINT: u64 = 24;

/// Refuse at once where `folder` has less free space than scratch files of so many points take.
/// Disks that do not tell are believed.
pub(super) fn check_space(folder: &Path, points: Option<u64>) -> Result<(), BuildError> {
    let free = rustix::fs::statvfs(folder)
        .ok()
        .map(|disk| disk.f_bavail.saturating_mul(disk.f_frsize));
    match (points, free) {
        (Some(points), Some(free_bytes)) => enough(folder, points, free_bytes),
        _ => Ok(()),
    }
}

fn enough(folder: &Path, points: u64, free_bytes: u64) -> Result<(), BuildError> {
    let needed_bytes = points.saturating_mul(BYTES_A_POINT);
    if free_bytes >= needed_bytes {
        return Ok(());
    }
    Err(BuildError::Scratch {
        path: folder.to_owned(),
        points,
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
        assert!(enough(folder, 1_000_000, 24_000_000).is_ok());
        let error = enough(folder, 250_000_000, 4_000_000_000).unwrap_err();
        let said = error.to_string();
        for part in ["/data/out", "4.0 GB free", "250000000 points", "6.0 GB"] {
            assert!(said.contains(part), "{said}");
        }
        assert!(error.hint().contains("--scratch"));
    }

    #[test]
    fn a_disk_is_asked_and_unknown_numbers_of_points_pass() {
        let here = tempfile::tempdir().unwrap();
        assert!(check_space(here.path(), Some(1)).is_ok());
        assert!(check_space(here.path(), Some(u64::MAX)).is_err());
        assert!(check_space(here.path(), None).is_ok());
        assert!(check_space(&here.path().join("nowhere"), Some(u64::MAX)).is_ok());
    }
}
