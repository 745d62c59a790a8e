//! Scans as LAS or LAZ files: version 1.4, point format 6, steps of 0.1 mm.

use super::course::ORIGIN_M;
use super::returns::Returns;
use super::setups::Setup;
use super::whole::round_i32;
use las::{Builder, PointDataBuilder, Transform, Vector, point::Format};
use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

/// Step of written coordinates, metres.
pub const STEP_M: f64 = 1e-4;
/// Bytes of a record of point format 6.
const RECORD: usize = 30;
/// The invented grid that scans are written in: a local engineering system in metres.
const WKT: &str = "LOCAL_CS[\"Invented course grid\",LOCAL_DATUM[\"Course datum\",0],\
UNIT[\"metre\",1],AXIS[\"Easting\",EAST],AXIS[\"Northing\",NORTH]]";

/// A scan that could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The file could not be created or finished.
    #[error("cannot write {}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// Whoever asked for the scan does not want it any more.
    #[error("stopped")]
    Stopped,
    /// The file could not be filled with points.
    #[error("cannot write points to {}", path.display())]
    Points {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: las::Error,
    },
}

/// A file that takes setup after setup.
pub struct CloudWriter {
    path: PathBuf,
    /// `None` once it is finished.
    writer: Option<las::Writer<BufWriter<File>>>,
    points: u64,
}

impl Drop for CloudWriter {
    /// The encoder closes its file when it is dropped, and ends the whole program where that fails,
    /// as on a full disk; a file that is not finished is of no use anyway.
    fn drop(&mut self) {
        std::mem::forget(self.writer.take());
    }
}

impl CloudWriter {
    /// Creates a file; its extension, `.laz` or `.las`, says which kind.
    ///
    /// # Errors
    /// When it cannot be created.
    pub fn create(path: &Path) -> Result<Self, WriteError> {
        let file = File::create(path).map_err(|source| WriteError::File {
            path: path.to_owned(),
            source,
        })?;
        let compressed = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("laz"));
        let writer = header(compressed)
            .and_then(|header| las::Writer::new(BufWriter::with_capacity(1 << 20, file), header))
            .map_err(|source| WriteError::Points {
                path: path.to_owned(),
                source,
            })?;
        Ok(Self {
            path: path.to_owned(),
            writer: Some(writer),
            points: 0,
        })
    }

    /// Writes the returns of one setup; its number becomes their point source id.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(&mut self, setup: &Setup, returns: &Returns) -> Result<(), WriteError> {
        let Some(writer) = &mut self.writer else {
            return Ok(());
        };
        let header = writer.header();
        let data = PointDataBuilder::new()
            .with_format(*header.point_format())
            .with_transforms(*header.transforms())
            .build_from_bytes(records(setup, returns))
            .and_then(|data| writer.write_points(&data));
        self.points += returns.len() as u64;
        data.map_err(|source| WriteError::Points {
            path: self.path.clone(),
            source,
        })
    }

    /// Finishes the file and says how many points it holds.
    ///
    /// # Errors
    /// When its header cannot be completed.
    pub fn finish(mut self) -> Result<u64, WriteError> {
        let closed = self.writer.as_mut().map_or(Ok(()), las::Writer::close);
        closed.map_err(|source| WriteError::Points {
            path: self.path.clone(),
            source,
        })?;
        drop(self.writer.take());
        Ok(self.points)
    }
}

fn header(compressed: bool) -> las::Result<las::Header> {
    let mut builder = Builder::from((1, 4));
    builder.point_format = Format::new(6)?;
    builder.point_format.is_compressed = compressed;
    builder.system_identifier = "simulated tripod scanner".into();
    builder.generating_software = "proving ground".into();
    let [x, y, z] = ORIGIN_M.map(|offset| Transform {
        scale: STEP_M,
        offset,
    });
    builder.transforms = Vector { x, y, z };
    let mut header = builder.into_header()?;
    header.set_wkt_crs(WKT.as_bytes().to_vec())?;
    Ok(header)
}

/// Records of point format 6 (LAS 1.4 R15, table 15), little-endian.
fn records(setup: &Setup, returns: &Returns) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(RECORD * returns.len());
    for i in 0..returns.len() {
        for v in [returns.x_m[i], returns.y_m[i], returns.z_m[i]] {
            bytes.extend_from_slice(&round_i32(v / STEP_M).to_le_bytes());
        }
        bytes.extend_from_slice(&returns.intensity[i].to_le_bytes());
        // First of one return; no flags; class 0 (never classified); no user data; angle 0.
        bytes.extend_from_slice(&[0x11, 0, 0, 0, 0, 0]);
        bytes.extend_from_slice(&setup.id.to_le_bytes());
        bytes.extend_from_slice(&returns.time_s[i].to_le_bytes());
    }
    bytes
}
