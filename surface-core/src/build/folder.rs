//! The build folder: files get their final names only when they are whole.

use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tempfile::TempDir;

use super::BuildError;
use super::work::{Sharing, Work};

/// Ending of what is not whole yet.
pub(super) const PART: &str = ".part";
/// Beginning of the names of passing scratch folders.
const PASSING: &str = "scratch-";
/// File in a passing scratch folder that its run holds locked.
const LOCK: &str = "lock";

/// A build folder in the making. Dropped before [`BuildFolder::publish`], it removes what it
/// began and leaves what was there before.
#[derive(Debug)]
pub(super) struct BuildFolder {
    folder: PathBuf,
    /// `None` once it is gone.
    scratch: Option<Scratch>,
    waiting: Vec<&'static str>,
    /// Those that a later run goes on with.
    lasting: Vec<&'static str>,
    made: bool,
    published: bool,
}

/// Where files lie that are no products.
#[derive(Debug)]
enum Scratch {
    /// Under a name of its own, so that two runs never meet, and gone after any end that is not
    /// sudden. A living run holds the lock in it.
    Passing(
        TempDir,
        #[expect(dead_code, reason = "held, not read")] File,
    ),
    /// With the records of whole stages, for a later run to go on from.
    Lasting(Arc<Work>),
}

pub(super) fn write_error(path: &Path) -> impl FnOnce(std::io::Error) -> BuildError + '_ {
    move |source| BuildError::Write {
        path: path.to_owned(),
        source,
    }
}

pub(super) fn read_error(path: &Path) -> impl FnOnce(std::io::Error) -> BuildError + '_ {
    move |source| BuildError::Unreadable {
        path: path.to_owned(),
        source,
    }
}

impl BuildFolder {
    fn make(folder: &Path) -> Result<Self, BuildError> {
        let made = !folder.exists();
        fs::create_dir_all(folder).map_err(write_error(folder))?;
        // From here on, what was made goes again after an error.
        Ok(Self {
            folder: folder.to_owned(),
            scratch: None,
            waiting: Vec::new(),
            lasting: Vec::new(),
            made,
            published: false,
        })
    }

    /// Make `folder` and a scratch folder in it (or in `scratch`) that keeps whole stages after a
    /// run that did not come to its end. Let go of the work folder before this.
    pub fn resumable(
        folder: &Path,
        scratch: Option<&Path>,
    ) -> Result<(Self, Arc<Work>), BuildError> {
        let mut out = Self::make(folder)?;
        let work = Arc::new(Work::open(folder, scratch, Sharing::Alone)?);
        out.scratch = Some(Scratch::Lasting(Arc::clone(&work)));
        Ok((out, work))
    }

    /// Make `folder` and a scratch folder in it (or in `scratch`).
    pub fn open(folder: &Path, scratch: Option<&Path>) -> Result<Self, BuildError> {
        let mut out = Self::make(folder)?;
        let beside = scratch.unwrap_or(folder);
        discard_orphans(beside);
        let (named, lock) = passing(beside).map_err(write_error(beside))?;
        out.scratch = Some(Scratch::Passing(named, lock));
        Ok(out)
    }

    /// The folder itself.
    pub fn path(&self) -> &Path {
        &self.folder
    }

    /// Remove what a killed run left under the names that `products` wait with, but for those that
    /// `last`: only where no other run can be at work.
    pub fn discard_parts(&self, products: &[&str], last: &[&str]) -> Result<(), BuildError> {
        let begins = |name: &str, p: &&str| name.starts_with(&format!("{p}{PART}"));
        let passing = products.iter().filter(|p| !last.contains(p));
        let goes = |name: &str| passing.clone().any(|p| begins(name, p));
        let entries = fs::read_dir(&self.folder).map_err(write_error(&self.folder))?;
        for path in entries.flatten().map(|entry| entry.path()) {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            if goes(&name) {
                remove(&path).map_err(write_error(&path))?;
            }
        }
        Ok(())
    }

    /// A scratch file.
    pub fn scratch(&self, name: &str) -> PathBuf {
        match &self.scratch {
            Some(Scratch::Passing(folder, _)) => folder.path().join(name),
            Some(Scratch::Lasting(work)) => work.scratch(name),
            None => self.folder.join(name),
        }
    }

    /// Where product `name` is written until everything is whole. An older part is removed.
    pub fn part(&mut self, name: &'static str) -> Result<PathBuf, BuildError> {
        let path = self.part_path(name);
        remove(&path).map_err(write_error(&path))?;
        if !self.waiting.contains(&name) {
            self.waiting.push(name);
        }
        Ok(path)
    }

    /// Take over the file at `made`, if it is there, as product `name`.
    pub fn adopt(&mut self, name: &'static str, made: &Path) -> Result<(), BuildError> {
        if !made.exists() {
            return Ok(());
        }
        let path = self.part(name)?;
        fs::rename(made, &path).map_err(write_error(&path))
    }

    /// Where product `name` is written by this run or by one before it; it stays for the next run
    /// if this one does not come to its end.
    pub fn lasting_part(&mut self, name: &'static str) -> PathBuf {
        for list in [&mut self.waiting, &mut self.lasting] {
            if !list.contains(&name) {
                list.push(name);
            }
        }
        self.part_path(name)
    }

    /// The products written so far, in order, with where they wait.
    pub fn waiting(&self) -> impl Iterator<Item = (&'static str, PathBuf)> + '_ {
        self.waiting
            .iter()
            .map(|&name| (name, self.part_path(name)))
    }

    fn part_path(&self, name: &str) -> PathBuf {
        self.folder.join(format!("{name}{PART}"))
    }

    /// Write a small product at once.
    pub fn put(&mut self, name: &'static str, bytes: &[u8]) -> Result<(), BuildError> {
        let path = self.part(name)?;
        fs::write(&path, bytes).map_err(write_error(&path))
    }

    /// Give every product its final name, replacing what an earlier run left under `all_names`;
    /// products of that run that this one did not make go too. The old ones go last to first, so
    /// that the manifest goes before anything it speaks of.
    pub fn publish(mut self, all_names: &[&'static str]) -> Result<(), BuildError> {
        for name in all_names.iter().rev() {
            let path = self.folder.join(name);
            remove(&path).map_err(write_error(&path))?;
        }
        for name in &self.waiting {
            let path = self.folder.join(name);
            fs::rename(self.part_path(name), &path).map_err(write_error(&path))?;
        }
        self.published = true;
        if let Some(Scratch::Lasting(work)) = &self.scratch {
            work.finish();
        }
        Ok(())
    }
}

/// A scratch folder of this run alone, and the lock that says that it lives.
fn passing(beside: &Path) -> std::io::Result<(TempDir, File)> {
    loop {
        let folder = tempfile::Builder::new()
            .prefix(PASSING)
            .suffix(PART)
            .tempdir_in(beside)?;
        let path = folder.path().join(LOCK);
        let lock = match File::create_new(&path) {
            // Whoever took it for an orphan while it was still empty has removed it.
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
            made => made?,
        };
        match lock.try_lock() {
            // Whoever took it for an orphan before it was locked has removed it.
            Ok(()) if !path.exists() => {}
            Err(TryLockError::WouldBlock) => {}
            // A disk without locks has no orphans removed either.
            Ok(()) | Err(TryLockError::Error(_)) => return Ok((folder, lock)),
        }
    }
}

/// Remove scratch folders of runs that were killed: nobody holds their locks. What cannot be removed
/// is left; it is in nobody's way.
fn discard_orphans(beside: &Path) {
    for path in fs::read_dir(beside).into_iter().flatten().flatten() {
        let (name, path) = (path.file_name(), path.path());
        let name = name.to_string_lossy();
        if !(name.starts_with(PASSING) && name.ends_with(PART)) {
            continue;
        }
        let Ok(lock) = File::options().write(true).open(path.join(LOCK)) else {
            // Killed before it had a lock, it is empty; a living run that is as far makes another.
            let _ = fs::remove_dir(&path);
            continue;
        };
        if lock.try_lock().is_ok() {
            let _ = fs::remove_dir_all(&path);
        }
    }
}

pub(super) fn remove(path: &Path) -> std::io::Result<()> {
    match fs::symlink_metadata(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(error),
        Ok(meta) if meta.is_dir() => fs::remove_dir_all(path),
        Ok(_) => fs::remove_file(path),
    }
}

impl Drop for BuildFolder {
    fn drop(&mut self) {
        // Cleaning up after an error must not hide it; what cannot be removed keeps its `.part`.
        let lasts = match &self.scratch {
            Some(Scratch::Lasting(work)) => work.lasts(),
            _ => false,
        };
        drop(self.scratch.take());
        if !self.published {
            let goes = |name: &&&str| !(lasts && self.lasting.contains(name));
            for name in self.waiting.iter().filter(goes) {
                let _ = remove(&self.part_path(name));
            }
            if self.made {
                let _ = fs::remove_dir(&self.folder);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_that_fails_leaves_the_old_products_and_nothing_else() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("report.json"), "old").unwrap();
        let mut folder = BuildFolder::open(dir.path(), None).unwrap();
        folder.put("report.json", b"new").unwrap();
        fs::create_dir(folder.part("field").unwrap()).unwrap();
        drop(folder);
        let left: Vec<_> = fs::read_dir(dir.path())
            .unwrap()
            .map(|e| e.unwrap().file_name())
            .collect();
        assert_eq!(left, ["report.json"]);
        assert_eq!(fs::read(dir.path().join("report.json")).unwrap(), b"old");
    }

    #[test]
    fn a_folder_that_a_failed_run_made_goes_with_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("new");
        let mut folder = BuildFolder::open(&path, None).unwrap();
        folder.put("report.json", b"x").unwrap();
        drop(folder);
        assert!(!path.exists());
    }

    #[test]
    fn a_folder_goes_when_there_is_no_place_for_scratch_files() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("new");
        let nowhere = dir.path().join("no/such");
        assert!(BuildFolder::open(&path, Some(&nowhere)).is_err());
        assert!(!path.exists());
    }

    #[test]
    fn two_runs_in_one_folder_keep_their_scratch_files_apart() {
        let dir = tempfile::tempdir().unwrap();
        let first = BuildFolder::open(dir.path(), None).unwrap();
        fs::write(first.scratch("cloud"), "first").unwrap();
        let second = BuildFolder::open(dir.path(), None).unwrap();
        fs::write(second.scratch("cloud"), "second").unwrap();
        drop(second);
        assert_eq!(fs::read(first.scratch("cloud")).unwrap(), b"first");
        drop(first);
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
    }

    #[test]
    fn scratch_files_of_a_killed_run_go_and_those_of_a_living_one_stay() {
        let dir = tempfile::tempdir().unwrap();
        let living = BuildFolder::open(dir.path(), None).unwrap();
        fs::write(living.scratch("cloud"), "living").unwrap();
        let orphan = dir.path().join("scratch-killed.part");
        let strange = dir.path().join("scratch-strange.part");
        fs::create_dir(&orphan).unwrap();
        fs::create_dir(&strange).unwrap();
        fs::write(strange.join("notes"), "not ours").unwrap();
        let early = dir.path().join("scratch-early.part");
        fs::create_dir(&early).unwrap();
        fs::write(orphan.join(LOCK), "").unwrap();
        fs::write(orphan.join("cloud"), "killed").unwrap();
        drop(BuildFolder::open(dir.path(), None).unwrap());
        assert!(!orphan.exists() && !early.exists() && strange.exists());
        assert_eq!(fs::read(living.scratch("cloud")).unwrap(), b"living");
    }

    #[test]
    fn parts_of_a_killed_run_go_but_for_those_that_last() {
        let dir = tempfile::tempdir().unwrap();
        let names = ["a.ply", "a.ply.part", "a.ply.part.part", "b.part", "x.part"];
        for name in names {
            fs::write(dir.path().join(name), "x").unwrap();
        }
        let folder = BuildFolder::make(dir.path()).unwrap();
        folder.discard_parts(&["a.ply", "b"], &["b"]).unwrap();
        let left = names.map(|name| dir.path().join(name).exists());
        assert_eq!(left, [true, false, false, true, true]);
    }

    #[test]
    fn publishing_replaces_the_old_products() {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("deviation.laz"), "old").unwrap();
        let mut folder = BuildFolder::open(dir.path(), None).unwrap();
        folder.put("report.json", b"new").unwrap();
        folder.publish(&["report.json", "deviation.laz"]).unwrap();
        assert!(!dir.path().join("deviation.laz").exists());
        assert_eq!(fs::read(dir.path().join("report.json")).unwrap(), b"new");
    }
}
