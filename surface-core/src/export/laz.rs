//! The points with their signed deviation, as LAZ.

use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use las::{PointDataBuilder, Transform, Vector, Vlr, Writer, point::Format};

use crate::cloud::io::CrsRecord;
use crate::numeric::{round_i32, to_f32};

/// Why the file of points could not be written.
#[derive(Debug, thiserror::Error)]
pub enum LazError {
    /// The system refused to write (a full disk).
    #[error("{path}: {source}")]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The encoder refused.
    #[error("{path}: {source}")]
    Encode {
        /// The file.
        path: PathBuf,
        /// What the encoder said.
        source: Box<las::Error>,
    },
}

/// A point held to the surface.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeldPoint {
    /// x, y, z relative to the origin, metres.
    pub xyz_m: [f64; 3],
    /// Cloud minus surface along the surface's upward normal, metres; NaN where there is none.
    pub d_m: f64,
    /// Intensity as read.
    pub intensity: u16,
    /// Index of the setup.
    pub setup: u16,
}

/// Step of the stored coordinates, metres: half a hundredth of the tolerance usually asked for;
/// 32 bits then reach 107 km from the origin.
const STEP_M: f64 = 5e-5;
/// How a point is stored.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Layout {
    /// Point format (LAS 1.4 R15, tables 7 and 14).
    format: u8,
    /// First of one return, in the format's bits.
    returns: u8,
    /// Where the class stands.
    class: usize,
    /// Where the point source id stands.
    source_id: usize,
    /// Bytes of the format, behind which the deviation stands.
    own: usize,
}

/// With well-known text, or without any system.
const FORMAT_6: Layout = Layout {
    format: 6,
    returns: 0x11,
    class: 16,
    source_id: 20,
    own: 30,
};
/// With GeoTIFF keys, which the standard allows in formats 0 to 5 only.
const FORMAT_0: Layout = Layout {
    format: 0,
    returns: 0x09,
    class: 15,
    source_id: 18,
    own: 20,
};

impl Layout {
    fn of(crs: Option<&CrsRecord>) -> Self {
        match crs {
            Some(CrsRecord::GeoKeys { .. }) => FORMAT_0,
            Some(CrsRecord::Wkt(_)) | None => FORMAT_6,
        }
    }

    fn bytes(self) -> usize {
        self.own + size_of::<f32>()
    }
}

/// Points that are encoded at once: enough for every thread to get chunks of 50 000.
const BATCH: usize = 400_000;
/// Description of one extra dimension (LAS 1.4 R15, table 24), bytes.
const DESCRIPTION: usize = 192;
/// Most bytes that a record in front of the points holds.
const LARGEST_RECORD: usize = 65_535;

/// Writes points with their signed deviation as LAS 1.4, compressed: point format 6, or 0 where the
/// coordinate system is told by GeoTIFF keys.
///
/// The extra dimension `deviation` (32-bit float, metres) is described by the extra bytes record
/// (LAS 1.4 R15, section 2.6), so that readers show it under its name. Coordinates are in steps of
/// 0.05 mm, the header's offsets are the origin; the point source id is the setup's index plus 1.
/// The same points give the same bytes however they are handed over. The file is written under the
/// path that is given: whoever asks for it renames it when it is whole.
pub struct DeviationLaz {
    path: PathBuf,
    writer: Writer<Latch>,
    fault: Fault,
    origin_m: [f64; 3],
    layout: Layout,
    bytes: Vec<u8>,
    points: u64,
}

impl std::fmt::Debug for DeviationLaz {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (path, points) = (&self.path, self.points);
        f.debug_struct("DeviationLaz")
            .field("path", path)
            .field("points", &points)
            .finish_non_exhaustive()
    }
}

impl DeviationLaz {
    /// Begin the file `path`. `crs` is the coordinate system, in metres; it is handed on as it is.
    ///
    /// # Errors
    /// [`LazError`] when the file cannot be made.
    pub fn create(
        path: &Path,
        origin_m: [f64; 3],
        crs: Option<&CrsRecord>,
    ) -> Result<Self, LazError> {
        let io = |source| LazError::Io {
            path: path.to_owned(),
            source,
        };
        let encode = |source| LazError::Encode {
            path: path.to_owned(),
            source: Box::new(source),
        };
        let file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(true)
            .open(path);
        let fault = Fault::default();
        let latch = Latch {
            file: BufWriter::with_capacity(1 << 18, file.map_err(io)?),
            fault: fault.clone(),
        };
        let header = header(origin_m, crs).map_err(encode)?;
        let writer = Writer::new(latch, header).map_err(encode)?;
        let path = path.to_owned();
        Ok(Self {
            path,
            writer,
            fault,
            origin_m,
            layout: Layout::of(crs),
            bytes: Vec::new(),
            points: 0,
        })
    }

    /// Append points.
    ///
    /// # Errors
    /// [`LazError`] when writing fails.
    pub fn add(&mut self, points: &[HeldPoint]) -> Result<(), LazError> {
        self.add_classed(points, |_| 0)
    }

    /// Append points with a class of the standard (LAS 1.4 R15, table 17; 0 to 31).
    ///
    /// # Errors
    /// [`LazError`] when writing fails.
    pub fn add_classed(
        &mut self,
        points: &[HeldPoint],
        class: impl Fn(&HeldPoint) -> u8,
    ) -> Result<(), LazError> {
        for point in points {
            record(point, class(point), self.layout, &mut self.bytes);
        }
        self.points += points.len() as u64;
        if self.bytes.len() >= BATCH * self.layout.bytes() {
            self.encode()
        } else {
            Ok(())
        }
    }

    /// Points added so far.
    #[must_use]
    pub fn points(&self) -> u64 {
        self.points
    }

    fn encode(&mut self) -> Result<(), LazError> {
        let bytes = std::mem::take(&mut self.bytes);
        let points = PointDataBuilder::new()
            .for_header(self.writer.header())
            .build_from_bytes(bytes);
        let done = points.and_then(|points| self.writer.write_points(&points));
        done.map_err(|source| self.because(source))
    }

    /// What really went wrong: the system's word where there is one.
    fn because(&self, source: las::Error) -> LazError {
        match self.fault.take() {
            Some(source) => LazError::Io {
                path: self.path.clone(),
                source,
            },
            None => LazError::Encode {
                path: self.path.clone(),
                source: Box::new(source),
            },
        }
    }

    /// Write what is left and complete the header.
    ///
    /// # Errors
    /// [`LazError`] when writing fails; the file is then not whole.
    pub fn finish(mut self) -> Result<(), LazError> {
        self.encode()?;
        if let Err(source) = self.writer.close() {
            return Err(self.because(source));
        }
        let Self {
            path,
            writer,
            fault,
            origin_m,
            points,
            ..
        } = self;
        let io = |source| LazError::Io {
            path: path.clone(),
            source,
        };
        let encode = |source| LazError::Encode {
            path: path.clone(),
            source: Box::new(source),
        };
        let mut latch = writer.into_inner().map_err(encode)?;
        if points == 0 {
            empty_box(&mut latch, origin_m).map_err(io)?;
        }
        latch.flush().map_err(io)?;
        match fault.take() {
            Some(source) => Err(io(source)),
            None => latch.file.get_ref().sync_all().map_err(io),
        }
    }
}

/// The box of a file without points: the origin instead of infinities.
fn empty_box(out: &mut Latch, origin_m: [f64; 3]) -> io::Result<()> {
    /// Where the box stands in the header (LAS 1.4 R15, table 3).
    const BOX: u64 = 179;
    out.seek(SeekFrom::Start(BOX))?;
    origin_m
        .iter()
        .try_for_each(|v| out.write_all(&[v.to_le_bytes(); 2].concat()))
}

fn header(origin_m: [f64; 3], crs: Option<&CrsRecord>) -> las::Result<las::Header> {
    let mut builder = las::Builder::from((1, 4));
    let mut format = Format::new(Layout::of(crs).format)?;
    format.extra_bytes = 4;
    format.is_compressed = true;
    builder.point_format = format;
    builder.generating_software = concat!("surface ", env!("CARGO_PKG_VERSION")).to_owned();
    let axis = |offset| Transform {
        scale: STEP_M,
        offset,
    };
    let [x, y, z] = origin_m.map(axis);
    builder.transforms = Vector { x, y, z };
    builder.has_wkt_crs = format.is_extended;
    builder.vlrs.push(Vlr {
        user_id: "LASF_Spec".to_owned(),
        record_id: 4,
        description: "extra dimensions".to_owned(),
        data: dimension("deviation", "cloud minus surface, metres").to_vec(),
    });
    for system in crs.map(system_records).unwrap_or_default() {
        let in_front = system.data.len() <= LARGEST_RECORD;
        if in_front {
            &mut builder.vlrs
        } else {
            &mut builder.evlrs
        }
        .push(system);
    }
    builder.into_header()
}

/// The records that hold a coordinate system (LAS 1.4 R15, section 3).
fn system_records(crs: &CrsRecord) -> Vec<Vlr> {
    let record = |record_id, data| Vlr {
        user_id: "LASF_Projection".to_owned(),
        record_id,
        description: "coordinate system".to_owned(),
        data,
    };
    match crs {
        CrsRecord::Wkt(text) => vec![record(2112, [text.as_bytes(), &[0]].concat())],
        CrsRecord::GeoKeys {
            directory,
            doubles,
            text,
        } => [(34735, directory), (34736, doubles), (34737, text)]
            .into_iter()
            .filter(|(_, data)| !data.is_empty())
            .map(|(id, data)| record(id, data.clone()))
            .collect(),
    }
}

/// Description of an extra dimension of 32-bit floats without limits, scale or offset.
fn dimension(name: &str, what: &str) -> [u8; DESCRIPTION] {
    const FLOAT: u8 = 9;
    let mut out = [0; DESCRIPTION];
    out[2] = FLOAT;
    out[4..4 + name.len()].copy_from_slice(name.as_bytes());
    out[160..160 + what.len()].copy_from_slice(what.as_bytes());
    out
}

/// One point (LAS 1.4 R15, tables 7 and 14) and its deviation.
fn record(point: &HeldPoint, class: u8, layout: Layout, out: &mut Vec<u8>) {
    let start = out.len();
    out.resize(start + layout.bytes(), 0);
    let out = &mut out[start..];
    for (k, v) in point.xyz_m.iter().enumerate() {
        out[4 * k..4 * k + 4].copy_from_slice(&round_i32(v / STEP_M).to_le_bytes());
    }
    out[12..14].copy_from_slice(&point.intensity.to_le_bytes());
    out[14] = layout.returns;
    out[layout.class] = class & 31;
    let id = point.setup.saturating_add(1).to_le_bytes();
    out[layout.source_id..layout.source_id + 2].copy_from_slice(&id);
    out[layout.own..].copy_from_slice(&to_f32(point.d_m).to_le_bytes());
}

/// The first error of a file, kept for whoever can report it.
#[derive(Debug, Clone, Default)]
struct Fault(Arc<Mutex<Option<io::Error>>>);

impl Fault {
    fn take(&self) -> Option<io::Error> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    fn keep(&self, error: io::Error) {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .get_or_insert(error);
    }
}

/// A file that keeps its errors and goes on: the encoder ends the whole program when a file fails
/// while it is dropped, and on a full disk it would.
#[derive(Debug)]
struct Latch {
    file: BufWriter<File>,
    fault: Fault,
}

impl Write for Latch {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        Ok(self.file.write(bytes).unwrap_or_else(|error| {
            self.fault.keep(error);
            bytes.len()
        }))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file
            .flush()
            .unwrap_or_else(|error| self.fault.keep(error));
        Ok(())
    }
}

impl Seek for Latch {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        Ok(self.file.seek(to).unwrap_or_else(|error| {
            self.fault.keep(error);
            0
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ORIGIN_M: [f64; 3] = [500_123.0, 5_400_000.0, 250.0];

    fn points(n: u32) -> Vec<HeldPoint> {
        let one = |k: u32| {
            let v = f64::from(k);
            HeldPoint {
                xyz_m: [0.013 * v, 900.0 - 0.007 * v, 0.001 * (v * 0.1).sin()],
                d_m: 0.02 * (v * 0.37).sin(),
                intensity: (k % 60_000) as u16,
                setup: crate::numeric::to_u16(f64::from(k / 1000)),
            }
        };
        (0..n).map(one).collect()
    }

    fn write(path: &Path, points: &[HeldPoint], by: usize, crs: Option<&CrsRecord>) -> Vec<u8> {
        let mut laz = DeviationLaz::create(path, ORIGIN_M, crs).unwrap();
        points.chunks(by).for_each(|c| laz.add(c).unwrap());
        assert_eq!(laz.points(), points.len() as u64);
        laz.finish().unwrap();
        std::fs::read(path).unwrap()
    }

    #[test]
    fn points_come_back_with_their_deviation() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("deviation.laz.part");
        let written = points(120_000);
        let crs = CrsRecord::Wkt("PROJCS[\"somewhere\"]".to_owned());
        write(&path, &written, 7000, Some(&crs));
        let mut reader = las::Reader::new(io::Cursor::new(std::fs::read(&path).unwrap())).unwrap();
        assert_eq!(reader.header().number_of_points(), 120_000);
        assert_eq!(reader.header().point_format().to_u8().unwrap(), 6);
        let wkt = reader
            .header()
            .vlrs()
            .iter()
            .find(|v| v.record_id == 2112)
            .unwrap();
        assert_eq!(wkt.data, b"PROJCS[\"somewhere\"]\0");
        let mut back = PointDataBuilder::new().for_header(reader.header()).build();
        reader.fill_points(120_000, &mut back).unwrap();
        for (p, (q, raw)) in written
            .iter()
            .zip(back.points().zip(back.raw_bytes().chunks(34)))
        {
            let q = q.unwrap();
            let error = [q.x - ORIGIN_M[0], q.y - ORIGIN_M[1], q.z - ORIGIN_M[2]];
            for (a, b) in error.iter().zip(p.xyz_m) {
                // Half a step, and the last digit of a northing of 5 400 000 m.
                assert!((a - b).abs() <= 0.5 * STEP_M + 2e-9, "{a} {b}");
            }
            let d = f32::from_le_bytes([raw[30], raw[31], raw[32], raw[33]]);
            assert_eq!(d.to_bits(), to_f32(p.d_m).to_bits());
            assert_eq!((q.intensity, q.point_source_id), (p.intensity, p.setup + 1));
        }
    }

    #[test]
    fn geotiff_keys_are_handed_on_in_a_format_that_may_have_them() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("deviation.laz.part");
        let written = points(3000);
        let crs = CrsRecord::GeoKeys {
            directory: vec![1, 0, 1, 0, 0, 0, 0, 0],
            doubles: Vec::new(),
            text: b"somewhere|".to_vec(),
        };
        let bytes = write(&path, &written, 7000, Some(&crs));
        let mut reader = las::Reader::new(io::Cursor::new(bytes)).unwrap();
        assert!(!reader.header().has_wkt_crs());
        let system = |v: &&Vlr| v.user_id == "LASF_Projection";
        let ids = reader.header().vlrs().iter().filter(system);
        assert_eq!(ids.map(|v| v.record_id).collect::<Vec<_>>(), [34735, 34737]);
        let mut back = PointDataBuilder::new().for_header(reader.header()).build();
        reader.fill_points(3000, &mut back).unwrap();
        for (p, (q, raw)) in written
            .iter()
            .zip(back.points().zip(back.raw_bytes().chunks(24)))
        {
            let q = q.unwrap();
            assert!((q.x - ORIGIN_M[0] - p.xyz_m[0]).abs() <= 0.5 * STEP_M + 2e-9);
            assert_eq!((q.intensity, q.point_source_id), (p.intensity, p.setup + 1));
            assert_eq!((q.return_number, q.number_of_returns), (1, 1));
            assert_eq!(raw[20..], to_f32(p.d_m).to_le_bytes());
        }
    }

    #[test]
    fn the_same_points_give_the_same_bytes_however_they_are_handed_over() {
        let dir = tempfile::tempdir().unwrap();
        let points = points(130_000);
        let whole = write(&dir.path().join("a"), &points, 130_000, None);
        assert!(whole == write(&dir.path().join("b"), &points, 999, None));
    }

    #[test]
    fn a_file_without_points_is_whole_and_has_a_finite_box() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("none.laz");
        write(&path, &[], 1, None);
        let reader = las::Reader::from_path(&path).unwrap();
        assert_eq!(reader.header().number_of_points(), 0);
        let bounds = reader.header().bounds();
        assert_eq!(
            [bounds.min.x, bounds.max.y, bounds.max.z].map(f64::to_bits),
            ORIGIN_M.map(f64::to_bits)
        );
    }

    #[test]
    fn a_full_disk_is_an_error_with_the_path_and_no_panic() {
        // A device that is always full.
        let full = Path::new("/dev/full");
        if !full.exists() {
            return;
        }
        let mut laz = DeviationLaz::create(full, ORIGIN_M, None).unwrap();
        let error = laz
            .add(&points(500_000))
            .and_then(|()| laz.finish())
            .unwrap_err();
        assert!(
            error.to_string().starts_with("/dev/full: No space left"),
            "{error}"
        );
    }
}
