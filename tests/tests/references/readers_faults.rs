//! Damaged files: always an error or points, never a panic, never a runaway.

use std::path::{Path, PathBuf};

use proptest::prelude::*;
use surface_core::cloud::Columns;
use surface_core::cloud::io::{ReadError, ReadOptions, Scans};

const FIXTURES: [&str; 9] = [
    "ascii.ply",
    "big.ply",
    "little.ply",
    "format1.las",
    "format10.las",
    "format3.laz",
    "format7.laz",
    "named-columns.xyz",
    "setups.e57",
];

/// No fixture has more bytes than this, so no damaged one may give more points.
const MOST_POINTS: u64 = 200_000;

fn fixture(name: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../fixtures")
        .join(name);
    std::fs::read(path).unwrap()
}

fn written(dir: &tempfile::TempDir, name: &str, bytes: &[u8]) -> PathBuf {
    let path = dir.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    path
}

/// Read all points; how many there are.
fn read(path: PathBuf) -> Result<u64, ReadError> {
    let mut scans = Scans::open(&[path], &ReadOptions::default())?;
    let (mut batch, mut n) = (Columns::default(), 0);
    while scans.next_batch(&mut batch)? > 0 {
        n += batch.len() as u64;
        assert!(n <= MOST_POINTS, "more points than bytes");
    }
    Ok(n)
}

/// The CRC-32C (Castagnoli) of the bytes, by the definition, one bit at a time.
fn crc32c(bytes: &[u8]) -> u32 {
    let mut crc = u32::MAX;
    for &byte in bytes {
        crc ^= u32::from(byte);
        for _ in 0..8 {
            let carry = if crc & 1 == 1 { 0x82f6_3b78 } else { 0 };
            crc = (crc >> 1) ^ carry;
        }
    }
    !crc
}

/// Make the check sums of an E57 file's pages right again, so that damage gets past them.
fn repair(name: &str, bytes: &mut [u8]) {
    if Path::new(name).extension().is_some_and(|e| e == "e57") {
        for page in bytes.chunks_exact_mut(1024) {
            let sum = crc32c(&page[..1020]).to_be_bytes();
            page[1020..].copy_from_slice(&sum);
        }
    }
}

#[test]
fn the_fixtures_are_whole_and_all_of_them_are_in_the_readme() {
    let readme = String::from_utf8(fixture("README.md")).unwrap();
    let dir = tempfile::tempdir().unwrap();
    for name in FIXTURES {
        assert!(readme.contains(&format!("| `{name}` |")), "{name}");
        let mut bytes = fixture(name);
        let before = bytes.clone();
        repair(name, &mut bytes);
        assert!(
            bytes == before,
            "{name}: the check sums here are not the file's"
        );
        let n = read(written(&dir, name, &bytes)).unwrap();
        assert_eq!(n, if name == "setups.e57" { 80 } else { 40 }, "{name}");
    }
}

#[test]
fn a_file_cut_off_anywhere_is_an_error_with_a_remedy() {
    let dir = tempfile::tempdir().unwrap();
    for name in FIXTURES {
        let bytes = fixture(name);
        // Text has no check sum: a last number cut short is a number all the same.
        let needed = match name {
            "ascii.ply" => bytes.len() - 1,
            "named-columns.xyz" => 0,
            _ => bytes.len(),
        };
        for len in 0..bytes.len() {
            match read(written(&dir, name, &bytes[..len])) {
                Ok(n) => assert!(len >= needed, "{name} cut at {len} gives {n} points"),
                Err(error) => {
                    assert!(error.to_string().contains(name), "{error}");
                    assert!(!error.hint().is_empty());
                }
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..Default::default() })]

    #[test]
    fn flipped_bytes_never_panic(
        which in 0..FIXTURES.len(),
        flips in prop::collection::vec((any::<prop::sample::Index>(), 1u8..), 1..6),
        in_header in any::<bool>(),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let name = FIXTURES[which];
        let mut bytes = fixture(name);
        // Half of the time only in the first bytes, where counts and lengths are.
        let end = if in_header { bytes.len().min(600) } else { bytes.len() };
        for (index, flip) in flips {
            bytes[index.index(end)] ^= flip;
        }
        repair(name, &mut bytes);
        if let Err(error) = read(written(&dir, name, &bytes)) {
            prop_assert!(error.to_string().contains(name), "{}", error);
        }
    }

    #[test]
    fn noise_behind_a_right_beginning_never_panics(
        which in 0..FIXTURES.len(),
        kept in 0usize..700,
        noise in prop::collection::vec(any::<u8>(), 0..3000),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let name = FIXTURES[which];
        let mut bytes = fixture(name);
        bytes.truncate(kept);
        bytes.extend(noise);
        repair(name, &mut bytes);
        let _ = read(written(&dir, name, &bytes));
    }
}

#[test]
fn a_file_without_permission_is_told_apart() {
    use std::os::unix::fs::PermissionsExt;
    let dir = tempfile::tempdir().unwrap();
    let path = written(&dir, "a.las", &fixture("format1.las"));
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o000)).unwrap();
    if std::fs::File::open(&path).is_ok() {
        surface_tests::python::skip("permissions do not bind this user");
        return;
    }
    assert!(matches!(read(path), Err(ReadError::Permission { .. })));
}
