//! Vertex ids as a NumPy array file of version 1.0: one unsigned number of 32 bits a vertex.

use std::io;
use std::path::Path;

/// Begin of every file: magic and version.
const MAGIC: &[u8; 8] = b"\x93NUMPY\x01\x00";
/// Length of magic, length and text: a multiple of 64 as the format asks for.
const HEAD: usize = 128;

/// The head of a file of `count` ids.
fn head(count: usize) -> Vec<u8> {
    let mut out = MAGIC.to_vec();
    let text = format!("{{'descr': '<u4', 'fortran_order': False, 'shape': ({count},), }}");
    // The head and so the text have a fixed length below 2^16.
    let length = u16::try_from(HEAD - 10).unwrap_or(u16::MAX);
    out.extend_from_slice(&length.to_le_bytes());
    out.extend_from_slice(text.as_bytes());
    out.resize(HEAD - 1, b' ');
    out.push(b'\n');
    out
}

/// Write the ids of a mesh's vertices, in order.
///
/// # Errors
/// What the system says.
pub fn write_ids(path: &Path, ids: &[u32]) -> io::Result<()> {
    let mut bytes = head(ids.len());
    bytes.extend(ids.iter().flat_map(|id| id.to_le_bytes()));
    std::fs::write(path, bytes)
}

/// Read what [`write_ids`] wrote.
///
/// # Errors
/// What the system says, or [`io::ErrorKind::InvalidData`] for another file.
pub fn read_ids(path: &Path) -> io::Result<Vec<u32>> {
    let bytes = std::fs::read(path)?;
    let count = bytes.len().saturating_sub(HEAD) / 4;
    if bytes.len() != HEAD + 4 * count || bytes[..HEAD] != head(count)[..] {
        let what = "not a file of vertex ids";
        return Err(io::Error::new(io::ErrorKind::InvalidData, what));
    }
    let id = |b: &[u8]| u32::from_le_bytes([b[0], b[1], b[2], b[3]]);
    Ok(bytes[HEAD..].chunks_exact(4).map(id).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_come_back_and_other_files_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("ids.npy");
        for ids in [vec![], vec![7, 0, u32::MAX]] {
            write_ids(&path, &ids).unwrap();
            assert_eq!(read_ids(&path).unwrap(), ids);
        }
        let mut bytes = std::fs::read(&path).unwrap();
        assert_eq!(&bytes[..6], b"\x93NUMPY");
        bytes.pop();
        std::fs::write(&path, bytes).unwrap();
        assert!(read_ids(&path).is_err());
    }
}
