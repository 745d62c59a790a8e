//! The points of `deviation.laz`, read back with their deviation.

use std::path::{Path, PathBuf};

use las::{PointData, PointDataBuilder, Reader, ReaderOptions};

use super::laz::{HeldPoint, LazError};

/// Reads what [`DeviationLaz`](super::DeviationLaz) wrote.
pub struct HeldReader {
    path: PathBuf,
    reader: Reader,
    points: PointData,
    origin_m: [f64; 3],
    scale: [f64; 3],
    offset: [f64; 3],
    /// Where intensity's, the point source id's and the deviation's bytes stand.
    places: [usize; 3],
    total: u64,
    /// Least |deviation| so far, metres.
    least_m: f64,
}

impl std::fmt::Debug for HeldReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("HeldReader")
            .field("path", &self.path)
            .field("total", &self.total)
            .finish_non_exhaustive()
    }
}

impl HeldReader {
    /// Open `path`; coordinates are given relative to `origin_m`.
    ///
    /// # Errors
    /// [`LazError`] when the file cannot be read or has no deviation.
    pub fn open(path: &Path, origin_m: [f64; 3]) -> Result<Self, LazError> {
        let encode = |source| LazError::Encode {
            path: path.to_owned(),
            source: Box::new(source),
        };
        let file = std::fs::File::open(path).map_err(|source| LazError::Io {
            path: path.to_owned(),
            source,
        })?;
        let file = std::io::BufReader::with_capacity(1 << 20, file);
        let reader = Reader::with_options(file, ReaderOptions::default()).map_err(encode)?;
        let header = reader.header();
        let format = header.point_format();
        let own = usize::from(format.len()) - usize::from(format.extra_bytes);
        if format.extra_bytes != 4 {
            return Err(LazError::Io {
                path: path.to_owned(),
                source: std::io::Error::other("its points have no deviation"),
            });
        }
        let t = *header.transforms();
        let (total, source_id) = (
            header.number_of_points(),
            if format.is_extended { 20 } else { 18 },
        );
        let points = PointDataBuilder::new().for_header(header).build();
        Ok(Self {
            path: path.to_owned(),
            points,
            reader,
            origin_m,
            scale: [t.x.scale, t.y.scale, t.z.scale],
            offset: [t.x.offset, t.y.offset, t.z.offset],
            places: [12, source_id, own],
            total,
            least_m: f64::INFINITY,
        })
    }

    /// How many points the file holds.
    #[must_use]
    pub fn total(&self) -> u64 {
        self.total
    }

    /// The next `most` points at most, into `out`; how many they are, 0 after the last.
    ///
    /// # Errors
    /// [`LazError`] when the file cannot be read on.
    pub fn next(&mut self, most: usize, out: &mut Vec<HeldPoint>) -> Result<usize, LazError> {
        out.clear();
        let most = u64::try_from(most).unwrap_or(u64::MAX);
        let filled = self.reader.fill_points(most, &mut self.points);
        let filled = filled.map_err(|source| LazError::Encode {
            path: self.path.clone(),
            source: Box::new(source),
        })?;
        if filled == 0 {
            return Ok(0);
        }
        let bytes = self.points.raw_bytes();
        let length = self.places[2] + 4;
        for record in bytes.chunks_exact(length) {
            let point = self.point(record);
            if point.d_m.is_finite() {
                self.least_m = self.least_m.min(point.d_m.abs());
            }
            out.push(point);
        }
        Ok(out.len())
    }

    fn point(&self, record: &[u8]) -> HeldPoint {
        let word = |at: usize| [record[at], record[at + 1], record[at + 2], record[at + 3]];
        let half = |at: usize| u16::from_le_bytes([record[at], record[at + 1]]);
        let axis = |k: usize| {
            let steps = f64::from(i32::from_le_bytes(word(4 * k)));
            steps * self.scale[k] + (self.offset[k] - self.origin_m[k])
        };
        let [intensity, source_id, own] = self.places;
        HeldPoint {
            xyz_m: [0, 1, 2].map(axis),
            d_m: f64::from(f32::from_le_bytes(word(own))),
            intensity: half(intensity),
            setup: half(source_id).saturating_sub(1),
        }
    }

    /// Whether all points read so far are further from the surface than `tolerance_m`.
    #[must_use]
    pub fn only_beyond(&self, tolerance_m: f64) -> bool {
        self.least_m >= tolerance_m * (1.0 - 1e-6)
    }
}
