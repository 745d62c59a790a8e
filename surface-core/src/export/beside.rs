//! Heights beside breaklines on disk: one CSV file a section that has some, so that sections that
//! do not change keep their bytes. Numbers are written with as many digits as give them back.

use std::fmt::Write as _;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::field::RailNode;

/// The head of every file.
const HEAD: &str = "s_m,t_m,z_m,sigma_m,slope_s,slope_t,flags\n";

/// Why heights beside breaklines could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum BesideError {
    /// A file could not be written or read.
    #[error("{path}: {source}")]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A line is not one of ours.
    #[error("{path} line {line} does not hold a height beside a breakline")]
    Line {
        /// The file.
        path: PathBuf,
        /// Which line, from 1.
        line: usize,
    },
}

/// Heights at places (s, t) beside breaklines, kept by section in a folder.
#[derive(Debug, Clone)]
pub struct BesideStore {
    folder: PathBuf,
}

impl BesideStore {
    /// The store in `folder`, made if missing.
    ///
    /// # Errors
    /// [`BesideError::Io`] when the folder cannot be made.
    pub fn create(folder: &Path) -> Result<Self, BesideError> {
        fs::create_dir_all(folder).map_err(at(folder))?;
        Ok(Self {
            folder: folder.to_owned(),
        })
    }

    /// The store that [`BesideStore::create`] and [`BesideStore::write`] left in `folder`.
    ///
    /// # Errors
    /// [`BesideError::Io`] when there is no such folder.
    pub fn open(folder: &Path) -> Result<Self, BesideError> {
        fs::read_dir(folder).map_err(at(folder))?;
        Ok(Self {
            folder: folder.to_owned(),
        })
    }

    /// The file of a section.
    #[must_use]
    pub fn file(&self, section: usize) -> PathBuf {
        self.folder.join(format!("{section}.csv"))
    }

    /// Write the heights of a section; nothing where it has no places.
    ///
    /// # Errors
    /// [`BesideError::Io`] when the file cannot be written.
    pub fn write(
        &self,
        section: usize,
        places: &[[f64; 2]],
        heights: &[RailNode],
    ) -> Result<(), BesideError> {
        if places.is_empty() {
            return Ok(());
        }
        let mut text = String::from(HEAD);
        for ([s, t], h) in places.iter().zip(heights) {
            let (slopes, flags) = ([h.slope_s, h.slope_t], h.flags);
            let [along, across] = slopes;
            // Writing to a String cannot fail.
            let _ = writeln!(
                text,
                "{s},{t},{},{},{along},{across},{flags}",
                h.z_m, h.sigma_m
            );
        }
        let path = self.file(section);
        fs::write(&path, text).map_err(at(&path))
    }

    /// Places and heights of a section, bit for bit as written; none where there is no file.
    ///
    /// # Errors
    /// [`BesideError`] naming the file, and the line that is not one of ours.
    pub fn read(&self, section: usize) -> Result<Vec<([f64; 2], RailNode)>, BesideError> {
        let path = self.file(section);
        let text = match fs::read_to_string(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            text => text.map_err(at(&path))?,
        };
        let lines = text.lines().enumerate().skip(1);
        lines
            .map(|(k, line)| {
                let wrong = || BesideError::Line {
                    path: path.clone(),
                    line: k + 1,
                };
                row(line).ok_or_else(wrong)
            })
            .collect()
    }
}

fn at(path: &Path) -> impl FnOnce(io::Error) -> BesideError + '_ {
    move |source| BesideError::Io {
        path: path.to_owned(),
        source,
    }
}

fn row(line: &str) -> Option<([f64; 2], RailNode)> {
    let cells: Vec<&str> = line.split(',').collect();
    let &[s, t, z, sigma, along, across, flags] = cells.as_slice() else {
        return None;
    };
    let height = RailNode {
        z_m: z.parse().ok()?,
        sigma_m: sigma.parse().ok()?,
        slope_s: along.parse().ok()?,
        slope_t: across.parse().ok()?,
        flags: flags.parse().ok()?,
    };
    Some(([s.parse().ok()?, t.parse().ok()?], height))
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "what was written comes back")]
mod tests {
    use super::*;

    #[test]
    fn heights_come_back_bit_for_bit_and_empty_sections_leave_no_file() {
        let dir = tempfile::tempdir().unwrap();
        let store = BesideStore::create(&dir.path().join("beside")).unwrap();
        let places = [[0.1 + 0.2, -1.0 / 3.0], [12.8, 2.5]];
        let height = RailNode {
            z_m: 4.0 / 7.0,
            sigma_m: 0.1,
            slope_s: -1e-7,
            slope_t: 0.02,
            flags: 17,
        };
        store.write(3, &places, &[height, RailNode::VOID]).unwrap();
        store.write(4, &[], &[]).unwrap();
        let store = BesideStore::open(&dir.path().join("beside")).unwrap();
        let found = store.read(3).unwrap();
        assert_eq!(found[0], (places[0], height));
        assert_eq!(found[1].0, places[1]);
        assert!(found[1].1.z_m.is_nan() && found[1].1.sigma_m.is_nan());
        assert!(store.read(4).unwrap().is_empty() && !store.file(4).exists());
        fs::write(store.file(5), "head\n1,2,3\n").unwrap();
        assert!(matches!(
            store.read(5),
            Err(BesideError::Line { line: 2, .. })
        ));
        assert!(BesideStore::open(&dir.path().join("none")).is_err());
    }
}
