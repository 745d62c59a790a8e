//! What a run leaves for the next one when it does not come to its end: stages that are whole, and how
//! far the pass over the scans is ([`super::kept_pass`]).
//!
//! A stage's record holds a key, what the stage found, and a hash. The key chains the hashes of
//! all that went in (scans, parameters, version), so that a record of other scans, other
//! parameters or half a record is never taken for one of this run.

use std::fs::{self, File, TryLockError};
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::BuildError;
use super::folder::{remove, write_error};
use crate::progress::Progress;

/// Name of the folder in the build folder.
pub(super) const WORK: &str = "work.part";
/// Ending of a record.
const DONE: &str = "done";
/// Time between two looks at a part that somebody else works on.
const LOOK_AGAIN: Duration = Duration::from_millis(50);
/// Bytes of a hash.
const HASH: usize = blake3::OUT_LEN;

/// Hash of all that a stage depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(super) struct Key([u8; HASH]);

impl Key {
    /// The key of a stage called `name` that depends on what stands in `text`.
    pub fn first(name: &str, text: &str) -> Self {
        Self([0; HASH]).then(name, text)
    }

    /// The key of a later stage, which depends on `text` too.
    pub fn then(&self, name: &str, text: &str) -> Self {
        let mut hasher = blake3::Hasher::new();
        for part in [&self.0[..], name.as_bytes(), text.as_bytes()] {
            hasher.update(&(part.len() as u64).to_le_bytes());
            hasher.update(part);
        }
        Self(*hasher.finalize().as_bytes())
    }

    /// In hexadecimal digits.
    pub fn to_hex(self) -> String {
        blake3::Hash::from_bytes(self.0).to_hex().to_string()
    }
}

/// The folder of records and of the points between stages; gone after a run that ends well, and
/// after one that ends before its first stage is whole.
#[derive(Debug)]
pub(super) struct Work {
    folder: PathBuf,
    /// Where the points lie, if not in `folder`.
    scratch: Option<PathBuf>,
    /// Held as long as this run works here.
    _lock: File,
    /// The folder stays, whatever becomes of this run.
    keep: AtomicBool,
}

/// Who else may work in the folder at the same time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sharing {
    /// Nobody: this run may replace what is there.
    Alone,
    /// Others that each fit sections of their own.
    WithSections,
}

impl Work {
    /// The work folder of the build folder `out`, made if it is not there; points go to a folder
    /// in `scratch` where that is given.
    ///
    /// # Errors
    /// [`BuildError::Busy`] when another run works there, [`BuildError::Write`].
    pub fn open(out: &Path, scratch: Option<&Path>, sharing: Sharing) -> Result<Self, BuildError> {
        let folder = out.join(WORK);
        fs::create_dir_all(&folder).map_err(write_error(&folder))?;
        let path = folder.join("lock");
        let lock = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(write_error(&path))?;
        let locked = match sharing {
            Sharing::Alone => lock.try_lock(),
            Sharing::WithSections => lock.try_lock_shared(),
        };
        match locked {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(BuildError::Busy { folder: out.into() }),
            Err(TryLockError::Error(source)) => return Err(write_error(&path)(source)),
        }
        let work = Self {
            scratch: scratch.map(|beside| beside.join(scratch_name(out))),
            folder,
            _lock: lock,
            // Whoever shares the folder leaves it to the run that ends the job.
            keep: AtomicBool::new(sharing == Sharing::WithSections),
        };
        work.make_scratch()?;
        Ok(work)
    }

    /// Wait until nobody else works on `part`, and keep others from it as long as what is returned
    /// lives. `progress` may end the wait.
    pub fn alone_at(&self, part: &str, progress: &mut dyn Progress) -> Result<File, BuildError> {
        let path = self.folder.join(part).with_extension("lock");
        let wrong = |source| BuildError::Write {
            path: path.clone(),
            source,
        };
        let file = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(wrong)?;
        loop {
            match file.try_lock() {
                Ok(()) => return Ok(file),
                Err(TryLockError::WouldBlock) => {}
                Err(TryLockError::Error(source)) => return Err(wrong(source)),
            }
            progress.advance(0)?;
            std::thread::sleep(LOOK_AGAIN);
        }
    }

    fn make_scratch(&self) -> Result<(), BuildError> {
        match &self.scratch {
            // Not its parents: a mistyped folder is told and not made.
            Some(path) if !path.is_dir() => fs::create_dir(path).map_err(write_error(path)),
            _ => Ok(()),
        }
    }

    /// Where file `name` of the points between stages lies.
    pub fn scratch(&self, name: &str) -> PathBuf {
        self.scratch.as_ref().unwrap_or(&self.folder).join(name)
    }

    /// Where file `name` beside the records lies.
    pub fn beside(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    fn record(&self, stage: &str) -> PathBuf {
        self.folder.join(stage).with_extension(DONE)
    }

    /// What an earlier run recorded of `stage` with the same key; `None` where nothing whole is.
    pub fn load<T: DeserializeOwned>(&self, stage: &str, key: &Key) -> Option<T> {
        let bytes = fs::read(self.record(stage)).ok()?;
        let (body, hash) = bytes.split_last_chunk::<HASH>()?;
        let content = body.strip_prefix(&key.0[..])?;
        (blake3::hash(body).as_bytes() == hash).then_some(())?;
        postcard::from_bytes(content).ok()
    }

    /// Whether a record of `stage` with this key is there; the rest of it may be damaged.
    pub fn is_recorded(&self, stage: &str, key: &Key) -> bool {
        let mut begin = [0; HASH];
        let read = File::open(self.record(stage)).and_then(|mut file| file.read_exact(&mut begin));
        read.is_ok() && begin == key.0
    }

    /// Record what `stage` found; the record gets its name when it is whole.
    pub fn save<T: Serialize>(&self, stage: &str, key: &Key, found: &T) -> Result<(), BuildError> {
        let path = self.record(stage);
        let part = path.with_extension("part");
        write_record(&part, key, found).map_err(write_error(&part))?;
        fs::rename(&part, &path).map_err(write_error(&path))
    }

    /// Remove points that a killed run left in the files `names`: their space counts as free.
    pub fn discard(&self, names: &[&str]) -> Result<(), BuildError> {
        names.iter().try_for_each(|name| {
            let path = self.scratch(name);
            remove(&path).map_err(write_error(&path))
        })
    }

    /// Remove the folders `names` beside the records.
    pub fn discard_folders(&self, names: &[&str]) -> Result<(), BuildError> {
        names.iter().try_for_each(|name| {
            let path = self.folder.join(name);
            remove(&path).map_err(write_error(&path))
        })
    }

    /// An empty folder called `name` beside the records.
    pub fn empty_folder(&self, name: &str) -> Result<PathBuf, BuildError> {
        let path = self.folder.join(name);
        remove(&path).map_err(write_error(&path))?;
        fs::create_dir(&path).map_err(write_error(&path))?;
        Ok(path)
    }

    /// Remove the records of `stages`, before what they speak of is replaced.
    pub fn forget(&self, stage: &str) -> Result<(), BuildError> {
        let path = self.record(stage);
        remove(&path).map_err(write_error(&path))
    }

    /// Remove every record whose stage's name begins so.
    pub fn forget_all(&self, begin: &str) -> Result<(), BuildError> {
        let named = |name: &String| name.starts_with(begin);
        for name in self.records().into_iter().filter(named) {
            let path = self.folder.join(name);
            remove(&path).map_err(write_error(&path))?;
        }
        Ok(())
    }

    /// Names of the records' files, in order.
    fn records(&self) -> Vec<String> {
        let files = fs::read_dir(&self.folder).into_iter().flatten().flatten();
        let mut names: Vec<String> = files
            .map(|file| file.file_name().to_string_lossy().into_owned())
            .filter(|name| name.ends_with(DONE))
            .collect();
        names.sort_unstable();
        names
    }

    /// Whether a later run can go on from here.
    pub fn lasts(&self) -> bool {
        !self.records().is_empty()
    }

    /// The job is done: the folder goes when this is dropped.
    pub fn finish(&self) {
        for stage in self.records() {
            // What cannot be removed here is tried again with the whole folder.
            let _ = remove(&self.folder.join(stage));
        }
        self.keep.store(false, Ordering::Relaxed);
    }
}

/// Key, what was found, and the hash of both: written as it is made, since some records are large.
fn write_record<T: Serialize>(path: &Path, key: &Key, found: &T) -> std::io::Result<()> {
    let file = BufWriter::with_capacity(1 << 18, File::create(path)?);
    let mut hashed = Hashed {
        file,
        hasher: blake3::Hasher::new(),
        failed: None,
    };
    hashed.write_all(&key.0)?;
    if let Err(error) = postcard::to_io(found, &mut hashed) {
        return Err(hashed
            .failed
            .unwrap_or_else(|| std::io::Error::other(error)));
    }
    let hash = hashed.hasher.finalize();
    hashed.file.write_all(hash.as_bytes())?;
    hashed.file.flush()
}

/// A file and the hash of what is written to it.
struct Hashed {
    file: BufWriter<File>,
    hasher: blake3::Hasher,
    /// What the system said, which the serialiser does not tell.
    failed: Option<std::io::Error>,
}

impl Write for Hashed {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        if let Err(error) = self.file.write_all(bytes) {
            let told = error.kind().into();
            self.failed = Some(error);
            return Err(told);
        }
        self.hasher.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }
}

/// A name that two build folders do not share.
fn scratch_name(out: &Path) -> String {
    let whole = fs::canonicalize(out).unwrap_or_else(|_| out.to_owned());
    let hash = blake3::hash(whole.as_os_str().as_encoded_bytes()).to_hex();
    format!("surface-{}.part", &hash[..16])
}

impl Drop for Work {
    fn drop(&mut self) {
        if self.keep.load(Ordering::Relaxed) || self.lasts() {
            return;
        }
        // Cleaning up must not hide the error that ended the run.
        if let Some(scratch) = &self.scratch {
            let _ = fs::remove_dir_all(scratch);
        }
        let _ = fs::remove_dir_all(&self.folder);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::progress::{Cancelled, Counted, Silent};

    struct Stopped;

    impl Progress for Stopped {
        fn stage(&mut self, _: &str, _: u64, _: Counted) {}

        fn advance(&mut self, _: u64) -> Result<(), Cancelled> {
            Err(Cancelled)
        }
    }

    fn open(out: &Path) -> Work {
        Work::open(out, None, Sharing::Alone).unwrap()
    }

    #[test]
    fn a_record_comes_back_with_its_key_alone() {
        let out = tempfile::tempdir().unwrap();
        let key = Key::first("sort", "a scan");
        let found = (vec![1.0 / 3.0, f64::NAN, f64::INFINITY], "words".to_owned());
        open(out.path()).save("sorted", &key, &found).unwrap();
        let work = open(out.path());
        let (numbers, words): (Vec<f64>, String) = work.load("sorted", &key).unwrap();
        assert_eq!(words, "words");
        assert!(numbers[0].to_bits() == found.0[0].to_bits() && numbers[1].is_nan());
        for other in [key.then("sort", ""), Key::first("sort", "another")] {
            assert_eq!(work.load::<(Vec<f64>, String)>("sorted", &other), None);
        }
        work.forget("sorted").unwrap();
        assert_eq!(work.load::<(Vec<f64>, String)>("sorted", &key), None);
    }

    #[test]
    fn a_record_that_is_damaged_anywhere_counts_as_none() {
        let out = tempfile::tempdir().unwrap();
        let work = open(out.path());
        let key = Key::first("level", "");
        work.save("level", &key, &vec![7u64; 9]).unwrap();
        let path = work.record("level");
        let whole = fs::read(&path).unwrap();
        for k in 0..whole.len() {
            fs::write(&path, &whole[..k]).unwrap();
            assert_eq!(work.load::<Vec<u64>>("level", &key), None, "{k} bytes");
            let mut turned = whole.clone();
            turned[k] ^= 0x10;
            fs::write(&path, &turned).unwrap();
            assert_eq!(work.load::<Vec<u64>>("level", &key), None, "byte {k}");
        }
    }

    #[test]
    fn the_folder_stays_as_long_as_a_stage_is_recorded() {
        let out = tempfile::tempdir().unwrap();
        let beside = tempfile::tempdir().unwrap();
        let with = || Work::open(out.path(), Some(beside.path()), Sharing::Alone).unwrap();
        drop(with());
        let count = |path: &Path| fs::read_dir(path).unwrap().count();
        assert_eq!((count(out.path()), count(beside.path())), (0, 0));
        let key = Key::first("x", "");
        with().save("x", &key, &1u8).unwrap();
        assert_eq!((count(out.path()), count(beside.path())), (1, 1));
        let work = with();
        assert_eq!(work.load::<u8>("x", &key), Some(1));
        work.finish();
        drop(work);
        assert_eq!((count(out.path()), count(beside.path())), (0, 0));
    }

    #[test]
    fn whoever_works_on_a_part_works_there_alone() {
        let out = tempfile::tempdir().unwrap();
        let [a, b] = [0, 1].map(|_| Work::open(out.path(), None, Sharing::WithSections).unwrap());
        let first = a.alone_at("part-1", &mut Silent).unwrap();
        assert!(b.alone_at("part-2", &mut Silent).is_ok());
        // Whoever waits hears of a stop.
        let mut stopped = Stopped;
        let waited = b.alone_at("part-1", &mut stopped);
        assert!(matches!(waited, Err(BuildError::Cancelled(_))));
        let (told, heard) = std::sync::mpsc::channel();
        let waiting = std::thread::spawn(move || {
            let second = b.alone_at("part-1", &mut Silent).unwrap();
            told.send(()).unwrap();
            second
        });
        let soon = std::time::Duration::from_millis(50);
        assert!(heard.recv_timeout(soon).is_err());
        drop(first);
        heard.recv().unwrap();
        drop(waiting.join().unwrap());
    }

    #[test]
    fn two_runs_do_not_meet_in_one_folder_but_for_those_that_fit_sections() {
        let out = tempfile::tempdir().unwrap();
        let first = open(out.path());
        let second = Work::open(out.path(), None, Sharing::WithSections);
        assert!(matches!(second, Err(BuildError::Busy { .. })));
        drop(first);
        let parts = [0, 1].map(|_| Work::open(out.path(), None, Sharing::WithSections).unwrap());
        let whole = Work::open(out.path(), None, Sharing::Alone);
        assert!(matches!(whole, Err(BuildError::Busy { .. })));
        drop(parts);
        assert!(out.path().join(WORK).exists());
    }
}
