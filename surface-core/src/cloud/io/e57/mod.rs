//! E57 (ASTM E2807): each scan is a setup, its pose says where the scanner stood.
//!
//! Decoding is the crate `e57`'s, which checks the sum of every page. It runs on a thread of its
//! own that hands over batches, since its iterator borrows the file. Points whose flags call them
//! invalid, or a mere direction, are left out. Coordinates are metres by the standard.

mod clock;
mod count;

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

use ::e57::{
    CartesianCoordinate, E57Reader, Point, PointCloud, Record, RecordDataType, RecordName,
    RecordValue,
};

use clock::{Clock, has_time};
use count::{Held, held};

use super::crs::CrsRecord;
use super::error::{Place, ReadError};
use super::intensity::Scale;
use super::source::{Head, ListedSetup, Opened, SetupRule, Source};
use super::units::{self, CrsUnits, FileUnits, Unit};
use crate::cloud::Columns;

/// Points of a batch.
const BATCH: usize = 65_536;
/// Batches that may wait to be taken.
const WAITING: usize = 2;
/// The decoder reports a packet without points as an internal error and goes on when asked
/// again; more of them in a row than this are a damaged file.
const EMPTY_PACKETS: u32 = 10_000;
/// A rotation's quaternion may be off unit length by this (rounding of its decimal text).
const UNIT_TOLERANCE: f64 = 1e-3;

type Reader = E57Reader<BufReader<File>>;

/// Open an E57 file.
pub(super) fn open(path: &Path) -> Result<Opened, ReadError> {
    let reader = reader(path)?;
    let scans = reader.pointclouds();
    for (k, scan) in scans.iter().enumerate() {
        check(scan).map_err(|what| {
            ReadError::damaged(path, format!("scan {}: {what}", k + 1), Place::Header)
        })?;
    }
    let mut head = head(&reader, &scans);
    head.notes = check_counts(path, &reader, &scans)?;
    let source = E57Source {
        path: path.to_owned(),
        decoding: None,
        done: false,
        with_times: true,
    };
    Ok(Opened {
        head,
        source: Box::new(source),
    })
}

/// Hold the numbers of points against what the scans' sections hold: fewer are an error, more are
/// told.
fn check_counts(
    path: &Path,
    reader: &Reader,
    scans: &[PointCloud],
) -> Result<Vec<String>, ReadError> {
    let file = File::open(path).map_err(|e| ReadError::from_io(path, e))?;
    let page_bytes = reader.header().page_size;
    let mut notes = Vec::new();
    for (k, scan) in scans.iter().enumerate() {
        let (declared, number) = (scan.records, k + 1);
        match held(&file, page_bytes, scan) {
            Held::Fits => {}
            Held::Fewer(found) => {
                let all = scans.iter().map(|s| s.records).fold(0, u64::saturating_add);
                return Err(ReadError::WrongCount {
                    path: path.to_owned(),
                    declared: all,
                    found: all - (declared - found),
                });
            }
            Held::More(more) => notes.push(format!(
                "scan {number}: {declared} points are declared, but {more} more are there: they are not read"
            )),
        }
    }
    Ok(notes)
}

fn reader(path: &Path) -> Result<Reader, ReadError> {
    let file = File::open(path).map_err(|e| ReadError::from_io(path, e))?;
    // The decoder seeks to every page of 1 kB, and each seek empties the buffer: a buffer of 1 MB
    // reads a file a thousand times over (measured: 50 times slower than 8 kB, the usual size).
    let reader = E57Reader::new(BufReader::new(file));
    reader.map_err(|e| ReadError::damaged(path, describe(&e), Place::Header))
}

/// The error with its causes.
fn describe(error: &::e57::Error) -> String {
    let mut text = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(inner) = cause {
        text = format!("{text}: {inner}");
        cause = inner.source();
    }
    text
}

fn head(reader: &Reader, scans: &[PointCloud]) -> Head {
    let setup = |scan: &PointCloud| ListedSetup {
        name: scan.name.clone().filter(|n| !n.trim().is_empty()),
        position: scan.transform.as_ref().map(|t| {
            let p = &t.translation;
            [p.x, p.y, p.z]
        }),
    };
    let metres = FileUnits::all(Unit::Metre, "E57 is in metres by its standard");
    Head {
        format: format!("E57, {} scan(s)", scans.len()),
        declared_points: Some(scans.iter().map(|s| s.records).fold(0, u64::saturating_add)),
        bounds: None,
        step: None,
        units: CrsUnits::Known(metres.clone()),
        crs: reader
            .coordinate_metadata()
            .and_then(super::wkt::read)
            .map(|s| s.name),
        crs_record: reader
            .coordinate_metadata()
            .map(|text| CrsRecord::Wkt(text.to_owned())),
        crs_units: reader.coordinate_metadata().map(units::from_wkt),
        has_intensity: scans.iter().any(PointCloud::has_intensity),
        has_time: scans.iter().any(has_time),
        setups: SetupRule::Listed(scans.iter().map(setup).collect()),
        notes: Vec::new(),
    }
}

/// What the decoder takes for granted about a scan.
fn check(scan: &PointCloud) -> Result<(), String> {
    if !scan.has_cartesian() && !scan.has_spherical() {
        return Err("points without x y z and without range and angles".to_owned());
    }
    if let Some(transform) = &scan.transform {
        let q = &transform.rotation;
        let length = q.w * q.w + q.x * q.x + q.y * q.y + q.z * q.z;
        if (length - 1.0).abs().is_nan() || (length - 1.0).abs() > UNIT_TOLERANCE {
            return Err(format!(
                "a pose whose quaternion has a squared length of {length}"
            ));
        }
    }
    let backwards = |r: &&Record| integer_range(r).is_some_and(|(min, max)| min > max);
    if let Some(record) = scan.prototype.iter().find(backwards) {
        return Err(format!("an empty range of {:?}", record.name));
    }
    // A number with one possible value takes no bits; if all are such, there is nothing to count.
    let constant = |r: &Record| integer_range(r).is_some_and(|(min, max)| min == max);
    if scan.records > 0 && scan.prototype.iter().all(constant) {
        return Err("points that are all the same by declaration".to_owned());
    }
    Ok(())
}

fn integer_range(record: &Record) -> Option<(i64, i64)> {
    match record.data_type {
        RecordDataType::ScaledInteger { min, max, .. } | RecordDataType::Integer { min, max } => {
            Some((min, max))
        }
        RecordDataType::Single { .. } | RecordDataType::Double { .. } => None,
    }
}

/// The scale of a scan's intensity: the limits it states, else those of the type.
fn intensity_scale(scan: &PointCloud) -> Option<Scale> {
    let record = scan
        .prototype
        .iter()
        .find(|r| r.name == RecordName::Intensity)?;
    let value = |v: &Option<RecordValue>| v.as_ref().and_then(|v| v.to_f64(&record.data_type).ok());
    let limits = scan.intensity_limits.as_ref();
    let stated =
        limits.and_then(|l| Scale::of_range(value(&l.intensity_min)?, value(&l.intensity_max)?));
    stated.or_else(|| match record.data_type {
        RecordDataType::Single { min, max } => Scale::of_range(min?.into(), max?.into()),
        RecordDataType::Double { min, max } => Scale::of_range(min?, max?),
        RecordDataType::ScaledInteger {
            min,
            max,
            scale,
            offset,
        } => Scale::of_range(as_f64(min) * scale + offset, as_f64(max) * scale + offset),
        RecordDataType::Integer { min, max } => Scale::of_range(as_f64(min), as_f64(max)),
    })
}

#[expect(
    clippy::cast_precision_loss,
    reason = "a scale needs no more than 53 bits"
)]
fn as_f64(v: i64) -> f64 {
    v as f64
}

struct E57Source {
    path: PathBuf,
    decoding: Option<Decoding>,
    done: bool,
    with_times: bool,
}

struct Decoding {
    batches: Receiver<Result<Columns, ReadError>>,
    thread: JoinHandle<()>,
}

impl Source for E57Source {
    fn skip_times(&mut self) {
        self.with_times = false;
    }

    fn next(&mut self, out: &mut Columns) -> Result<usize, ReadError> {
        out.clear();
        if self.done {
            return Ok(0);
        }
        if self.decoding.is_none() {
            self.decoding = Some(start(&self.path, self.with_times)?);
        }
        let received = self.decoding.as_ref().map(|d| d.batches.recv());
        if let Some(Ok(batch)) = received {
            *out = batch?;
            return Ok(out.len());
        }
        self.done = true;
        match self.decoding.take().map(|d| d.thread.join()) {
            Some(Err(_)) => Err(ReadError::damaged(
                &self.path,
                "data that the decoder cannot make sense of",
                Place::Header,
            )),
            _ => Ok(0),
        }
    }
}

fn start(path: &Path, with_times: bool) -> Result<Decoding, ReadError> {
    let (sender, batches) = sync_channel(WAITING);
    let path = path.to_owned();
    let name = std::thread::Builder::new().name("e57".to_owned());
    let failed = path.clone();
    let thread = name.spawn(move || {
        // A receiver that is gone wants no more points: that is no error.
        if let Err(Some(error)) = decode(&path, with_times, &sender) {
            let _ = sender.send(Err(error));
        }
    });
    let thread = thread.map_err(|e| ReadError::from_io(&failed, e))?;
    Ok(Decoding { batches, thread })
}

type Sender = SyncSender<Result<Columns, ReadError>>;

/// Send all points; `Err(None)` when nobody takes them any more.
fn decode(path: &Path, with_times: bool, sender: &Sender) -> Result<(), Option<ReadError>> {
    let mut reader = reader(path)?;
    let mut before = 0;
    let scans = reader.pointclouds();
    let timed = with_times && scans.iter().any(has_time);
    for (k, scan) in scans.iter().enumerate() {
        let setup = u16::try_from(k).unwrap_or(u16::MAX);
        let batcher = Batcher::new(path, scan, setup, before);
        let mut clock = Clock::open(path, scan, timed)?;
        batcher.scan(&mut reader, scan, &mut clock, sender)?;
        before += scan.records;
    }
    Ok(())
}

struct Batcher<'a> {
    path: &'a Path,
    setup: u16,
    scale: Option<Scale>,
    /// Points of the file read before the current one.
    done: u64,
    batch: Columns,
    raw_intensity: Vec<f64>,
}

impl<'a> Batcher<'a> {
    fn new(path: &'a Path, scan: &PointCloud, setup: u16, done: u64) -> Self {
        Self {
            path,
            setup,
            scale: intensity_scale(scan),
            done,
            batch: Columns::default(),
            raw_intensity: Vec::new(),
        }
    }

    fn damaged(&self, error: &::e57::Error) -> ReadError {
        ReadError::damaged(self.path, describe(error), Place::Point(self.done + 1))
    }

    fn scan(
        mut self,
        reader: &mut Reader,
        scan: &PointCloud,
        clock: &mut Clock,
        sender: &Sender,
    ) -> Result<(), Option<ReadError>> {
        let mut points = reader
            .pointcloud_simple(scan)
            .map_err(|e| self.damaged(&e))?;
        points.normalize_intensity(false);
        points.intensity_to_color(false);
        let mut times = clock.times(scan).map_err(|e| self.damaged(&e))?;
        let mut empty = 0;
        for point in points {
            match point {
                Ok(point) => {
                    let time = times.as_mut().and_then(Iterator::next).transpose();
                    self.push(&point, time.map_err(|e| self.damaged(&e))?);
                }
                Err(::e57::Error::Internal { .. }) if empty < EMPTY_PACKETS => {
                    empty += 1;
                    continue;
                }
                Err(e) => return Err(Some(self.damaged(&e))),
            }
            empty = 0;
            self.done += 1;
            if self.batch.len() == BATCH {
                self.send(sender)?;
            }
        }
        self.send(sender)
    }

    fn push(&mut self, point: &Point, time_s: Option<f64>) {
        if let CartesianCoordinate::Valid { x, y, z } = point.cartesian {
            self.batch.push([x, y, z], 0, self.setup);
            self.raw_intensity
                .push(point.intensity.map_or(f64::NAN, f64::from));
            if let Some(time_s) = time_s {
                self.batch.time_s.get_or_insert_default().push(time_s);
            }
        }
    }

    fn send(&mut self, sender: &Sender) -> Result<(), Option<ReadError>> {
        if self.batch.is_empty() {
            return Ok(());
        }
        let raw = &self.raw_intensity;
        let scale = *self.scale.get_or_insert_with(|| Scale::learned(raw));
        self.batch.intensity.clear();
        self.batch
            .intensity
            .extend(raw.iter().map(|&v| scale.apply(v)));
        self.raw_intensity.clear();
        sender
            .send(Ok(std::mem::take(&mut self.batch)))
            .map_err(|_| None)
    }
}

#[cfg(test)]
mod tests;
