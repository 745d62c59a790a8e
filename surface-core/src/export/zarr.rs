//! The height field on disk: Zarr version 2 groups of raw little-endian chunks, which numpy
//! (through `zarr`) and xarray read. Written by hand, since an uncompressed chunk is its bytes.
//!
//! Layout: arrays `z`, `sigma`, `wavelength`, `n`, `flags`, `slope_s`, `slope_t`, `cell_over`,
//! `cell_weight` of (row, column), one chunk a section; `rail_*` of (row, side), side 0 left and 1 right; coordinates `s` and `t`.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::field::{CellMeans, FieldRows, Lattice, RailNode, SECTION_ROWS};

/// Why the field could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum ZarrError {
    /// A file could not be written or read.
    #[error("{path}: {source}")]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A chunk is not as long as its array says.
    #[error("{path} holds {found} bytes where {expected} belong")]
    Length {
        /// The chunk.
        path: PathBuf,
        /// Bytes found.
        found: usize,
        /// Bytes that belong.
        expected: usize,
    },
    /// The attributes do not describe a field.
    #[error("{path} does not describe a height field: {why}")]
    Attributes {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// The rows asked for are not in the lattice.
    #[error(transparent)]
    Rows(#[from] crate::field::LatticeError),
}

fn at(path: &Path) -> impl FnOnce(io::Error) -> ZarrError + '_ {
    move |source| ZarrError::Io {
        path: path.to_owned(),
        source,
    }
}

/// A height field in a folder, written and read section by section.
#[derive(Debug, Clone)]
pub struct FieldStore {
    folder: PathBuf,
    lattice: Lattice,
}

struct Array {
    name: &'static str,
    dtype: &'static str,
    fill: &'static str,
    by_side: bool,
    what: &'static str,
}

const ARRAYS: [Array; 14] = [
    Array {
        name: "z",
        dtype: "<f8",
        fill: "\"NaN\"",
        by_side: false,
        what: "height above the origin, m",
    },
    Array {
        name: "sigma",
        dtype: "<f4",
        fill: "\"NaN\"",
        by_side: false,
        what: "standard deviation of z, m",
    },
    Array {
        name: "wavelength",
        dtype: "<f4",
        fill: "\"NaN\"",
        by_side: false,
        what: "shortest wavelength of which z holds more road than noise, m",
    },
    Array {
        name: "n",
        dtype: "<u4",
        fill: "0",
        by_side: false,
        what: "points that count",
    },
    Array {
        name: "flags",
        dtype: "|u1",
        fill: "0",
        by_side: false,
        what: "bits: 1 inside, 2 bridged, 4 sparse, 8 outliers, 16 step",
    },
    Array {
        name: "slope_s",
        dtype: "<f4",
        fill: "0.0",
        by_side: false,
        what: "dz/ds",
    },
    Array {
        name: "slope_t",
        dtype: "<f4",
        fill: "0.0",
        by_side: false,
        what: "dz/dt",
    },
    Array {
        name: "cell_over",
        dtype: "<f4",
        fill: "\"NaN\"",
        by_side: false,
        what: "robust mean of the points of the node's own cell less the surface there, m",
    },
    Array {
        name: "cell_weight",
        dtype: "<f4",
        fill: "0.0",
        by_side: false,
        what: "weight of cell_over, sum of 1/sigma^2 of its points, 1/m2",
    },
    Array {
        name: "rail_z",
        dtype: "<f8",
        fill: "\"NaN\"",
        by_side: true,
        what: "height of the edge, m",
    },
    Array {
        name: "rail_sigma",
        dtype: "<f4",
        fill: "\"NaN\"",
        by_side: true,
        what: "standard deviation of rail_z, m",
    },
    Array {
        name: "rail_slope_s",
        dtype: "<f4",
        fill: "0.0",
        by_side: true,
        what: "dz/ds at the edge",
    },
    Array {
        name: "rail_slope_t",
        dtype: "<f4",
        fill: "0.0",
        by_side: true,
        what: "dz/dt at the edge",
    },
    Array {
        name: "rail_flags",
        dtype: "|u1",
        fill: "0",
        by_side: true,
        what: "bits as in flags",
    },
];

impl FieldStore {
    /// A new store in `folder` (made if missing) for a lattice whose heights are relative to
    /// `origin_m`.
    ///
    /// # Errors
    /// [`ZarrError::Io`] naming what could not be written.
    pub fn create(folder: &Path, lattice: Lattice, origin_m: [f64; 3]) -> Result<Self, ZarrError> {
        let store = Self {
            folder: folder.to_owned(),
            lattice,
        };
        store.put(".zgroup", b"{\"zarr_format\": 2}\n")?;
        let attributes = serde_json::json!({ "origin": origin_m, "lattice": lattice });
        store.put(".zattrs", format!("{attributes:#}\n").as_bytes())?;
        for array in &ARRAYS {
            let width = if array.by_side { 2 } else { lattice.columns };
            let across = if array.by_side { "side" } else { "t" };
            let shape = [lattice.rows, width];
            store.head(array, &shape, &[SECTION_ROWS, width], &["s", across])?;
        }
        store.coordinate(
            "s",
            lattice.rows,
            "station along the reference line, m",
            |k| lattice.row_s_m(k),
        )?;
        store.coordinate("t", lattice.columns, "left of the reference line, m", |k| {
            lattice.column_t_m(k)
        })?;
        Ok(store)
    }

    /// The store that [`FieldStore::create`] and [`FieldStore::write`] left in `folder`, and the
    /// origin that its heights are relative to, metres.
    ///
    /// # Errors
    /// [`ZarrError`] when the attributes cannot be read or hold no lattice.
    pub fn open(folder: &Path) -> Result<(Self, [f64; 3]), ZarrError> {
        #[derive(serde::Deserialize)]
        struct Attributes {
            origin: [f64; 3],
            lattice: Lattice,
        }
        let path = folder.join(".zattrs");
        let text = fs::read_to_string(&path).map_err(at(&path))?;
        let wrong = |why: String| ZarrError::Attributes {
            path: path.clone(),
            why,
        };
        let found: Attributes = serde_json::from_str(&text).map_err(|e| wrong(e.to_string()))?;
        let l = found.lattice;
        let last = i64::from(l.first_column) + i64::try_from(l.columns).unwrap_or(i64::MAX / 2);
        let columns = l.first_column..i32::try_from(last).unwrap_or(i32::MAX);
        let lattice = Lattice::new([l.s_step_m, l.t_step_m], l.rows, columns, l.closed)?;
        let folder = folder.to_owned();
        Ok((Self { folder, lattice }, found.origin))
    }

    /// Where the nodes lie.
    #[must_use]
    pub fn lattice(&self) -> &Lattice {
        &self.lattice
    }

    fn put(&self, name: &str, bytes: &[u8]) -> Result<(), ZarrError> {
        let path = self.folder.join(name);
        if let Some(parent) = path.parent() {
            fs::create_dir_all(parent).map_err(at(parent))?;
        }
        fs::write(&path, bytes).map_err(at(&path))
    }

    fn head(
        &self,
        array: &Array,
        shape: &[usize],
        chunks: &[usize],
        dims: &[&str],
    ) -> Result<(), ZarrError> {
        let fill: serde_json::Value = serde_json::from_str(array.fill).unwrap_or_default();
        let meta = serde_json::json!({
            "zarr_format": 2, "shape": shape, "chunks": chunks, "dtype": array.dtype,
            "compressor": null, "fill_value": fill, "order": "C", "filters": null,
        });
        let attributes = serde_json::json!({ "_ARRAY_DIMENSIONS": dims, "long_name": array.what });
        self.put(
            &format!("{}/.zarray", array.name),
            format!("{meta:#}\n").as_bytes(),
        )?;
        self.put(
            &format!("{}/.zattrs", array.name),
            format!("{attributes:#}\n").as_bytes(),
        )
    }

    fn coordinate(
        &self,
        name: &'static str,
        n: usize,
        what: &'static str,
        value: impl Fn(usize) -> f64,
    ) -> Result<(), ZarrError> {
        let array = Array {
            name,
            dtype: "<f8",
            fill: "\"NaN\"",
            by_side: false,
            what,
        };
        self.head(&array, &[n], &[n], &[name])?;
        let bytes: Vec<u8> = (0..n).flat_map(|k| value(k).to_le_bytes()).collect();
        self.put(&format!("{name}/0"), &bytes)
    }

    /// Write the rows of one section: they start at a section's first row and are all of its rows.
    ///
    /// # Errors
    /// [`ZarrError`] when a chunk cannot be written.
    pub fn write(&self, rows: &FieldRows) -> Result<(), ZarrError> {
        let chunk = rows.first_row / SECTION_ROWS;
        let full = SECTION_ROWS * self.lattice.columns;
        self.chunk("z", chunk, full, &rows.z_m, f64::NAN, f64::to_le_bytes)?;
        self.chunk(
            "sigma",
            chunk,
            full,
            &rows.sigma_m,
            f32::NAN,
            f32::to_le_bytes,
        )?;
        self.chunk(
            "wavelength",
            chunk,
            full,
            &rows.wavelength_m,
            f32::NAN,
            f32::to_le_bytes,
        )?;
        self.chunk("n", chunk, full, &rows.n, 0, u32::to_le_bytes)?;
        self.chunk("flags", chunk, full, &rows.flags, 0, u8::to_le_bytes)?;
        self.chunk("slope_s", chunk, full, &rows.slope_s, 0.0, f32::to_le_bytes)?;
        self.chunk("slope_t", chunk, full, &rows.slope_t, 0.0, f32::to_le_bytes)?;
        let rails: Vec<RailNode> = rows
            .left
            .iter()
            .zip(&rows.right)
            .flat_map(|(l, r)| [*l, *r])
            .collect();
        let full = 2 * SECTION_ROWS;
        let f32s = |get: fn(&RailNode) -> f32| rails.iter().map(get).collect::<Vec<f32>>();
        let z: Vec<f64> = rails.iter().map(|r| r.z_m).collect();
        let flags: Vec<u8> = rails.iter().map(|r| r.flags).collect();
        self.chunk("rail_z", chunk, full, &z, f64::NAN, f64::to_le_bytes)?;
        self.chunk(
            "rail_sigma",
            chunk,
            full,
            &f32s(|r| r.sigma_m),
            f32::NAN,
            f32::to_le_bytes,
        )?;
        self.chunk(
            "rail_slope_s",
            chunk,
            full,
            &f32s(|r| r.slope_s),
            0.0,
            f32::to_le_bytes,
        )?;
        self.chunk(
            "rail_slope_t",
            chunk,
            full,
            &f32s(|r| r.slope_t),
            0.0,
            f32::to_le_bytes,
        )?;
        self.chunk("rail_flags", chunk, full, &flags, 0, u8::to_le_bytes)
    }

    /// Write what the points of single cells say, of the rows of one section.
    ///
    /// # Errors
    /// [`ZarrError`] when a chunk cannot be written.
    pub fn write_cells(&self, cells: &CellMeans) -> Result<(), ZarrError> {
        let chunk = cells.first_row / SECTION_ROWS;
        let full = SECTION_ROWS * self.lattice.columns;
        let le = f32::to_le_bytes;
        self.chunk("cell_over", chunk, full, &cells.over_m, f32::NAN, le)?;
        self.chunk("cell_weight", chunk, full, &cells.weight, 0.0, le)
    }

    /// What the points of single cells say, of the rows of section `section`.
    ///
    /// # Errors
    /// [`ZarrError`] when a chunk is missing or of the wrong length.
    pub fn cells(&self, section: usize) -> Result<CellMeans, ZarrError> {
        let first_row = section * SECTION_ROWS;
        let rows = SECTION_ROWS.min(self.lattice.rows.saturating_sub(first_row));
        let (columns, le) = (self.lattice.columns, f32::from_le_bytes);
        let mut out = CellMeans {
            first_row,
            columns,
            over_m: self.read("cell_over", section, SECTION_ROWS * columns, le)?,
            weight: self.read("cell_weight", section, SECTION_ROWS * columns, le)?,
        };
        out.over_m.truncate(rows * columns);
        out.weight.truncate(rows * columns);
        Ok(out)
    }

    fn chunk<T: Copy, const N: usize>(
        &self,
        name: &str,
        chunk: usize,
        full: usize,
        values: &[T],
        fill: T,
        bytes: impl Fn(T) -> [u8; N],
    ) -> Result<(), ZarrError> {
        let mut out = Vec::with_capacity(full * N);
        values
            .iter()
            .for_each(|&v| out.extend_from_slice(&bytes(v)));
        out.extend((values.len()..full).flat_map(|_| bytes(fill)));
        self.put(&format!("{name}/{chunk}.0"), &out)
    }

    fn read<T, const N: usize>(
        &self,
        name: &str,
        chunk: usize,
        full: usize,
        from: impl Fn([u8; N]) -> T,
    ) -> Result<Vec<T>, ZarrError> {
        let path = self.folder.join(format!("{name}/{chunk}.0"));
        let bytes = fs::read(&path).map_err(at(&path))?;
        let (values, rest) = bytes.as_chunks::<N>();
        if values.len() != full || !rest.is_empty() {
            return Err(ZarrError::Length {
                path,
                found: bytes.len(),
                expected: full * N,
            });
        }
        Ok(values.iter().map(|b| from(*b)).collect())
    }

    /// The rows of section `section`, without the first row of the next.
    ///
    /// # Errors
    /// [`ZarrError`] when a chunk is missing or of the wrong length.
    pub fn section(&self, section: usize) -> Result<FieldRows, ZarrError> {
        let first = section * SECTION_ROWS;
        let rows = SECTION_ROWS.min(self.lattice.rows.saturating_sub(first));
        let mut out = FieldRows::empty(self.lattice, first, rows)?;
        let (full, nodes) = (
            SECTION_ROWS * self.lattice.columns,
            rows * self.lattice.columns,
        );
        out.z_m = self.read("z", section, full, f64::from_le_bytes)?;
        out.sigma_m = self.read("sigma", section, full, f32::from_le_bytes)?;
        out.wavelength_m = self.read("wavelength", section, full, f32::from_le_bytes)?;
        out.n = self.read("n", section, full, u32::from_le_bytes)?;
        out.flags = self.read("flags", section, full, u8::from_le_bytes)?;
        out.slope_s = self.read("slope_s", section, full, f32::from_le_bytes)?;
        out.slope_t = self.read("slope_t", section, full, f32::from_le_bytes)?;
        out.z_m.truncate(nodes);
        out.sigma_m.truncate(nodes);
        out.wavelength_m.truncate(nodes);
        out.n.truncate(nodes);
        out.flags.truncate(nodes);
        out.slope_s.truncate(nodes);
        out.slope_t.truncate(nodes);
        self.rails(section, &mut out)?;
        Ok(out)
    }

    fn rails(&self, section: usize, out: &mut FieldRows) -> Result<(), ZarrError> {
        let full = 2 * SECTION_ROWS;
        let z = self.read("rail_z", section, full, f64::from_le_bytes)?;
        let sigma = self.read("rail_sigma", section, full, f32::from_le_bytes)?;
        let slope_s = self.read("rail_slope_s", section, full, f32::from_le_bytes)?;
        let slope_t = self.read("rail_slope_t", section, full, f32::from_le_bytes)?;
        let flags = self.read("rail_flags", section, full, u8::from_le_bytes)?;
        let node = |k: usize| RailNode {
            z_m: z[k],
            sigma_m: sigma[k],
            slope_s: slope_s[k],
            slope_t: slope_t[k],
            flags: flags[k],
        };
        out.left = (0..out.rows).map(|r| node(2 * r)).collect();
        out.right = (0..out.rows).map(|r| node(2 * r + 1)).collect();
        Ok(())
    }

    /// The rows that a section's triangles stand on: its own and the first of the next section
    /// (row 0 after the last of a closed course).
    ///
    /// # Errors
    /// As [`FieldStore::section`].
    pub fn section_and_next(&self, section: usize) -> Result<FieldRows, ZarrError> {
        let [first, last] = self.lattice.section_rows(section);
        let mut out = self.section(section)?;
        if last < first + out.rows {
            return Ok(out);
        }
        let next = self.section(self.lattice.wrap(last) / SECTION_ROWS)?;
        let columns = self.lattice.columns;
        out.z_m.extend_from_slice(&next.z_m[..columns]);
        out.sigma_m.extend_from_slice(&next.sigma_m[..columns]);
        out.wavelength_m
            .extend_from_slice(&next.wavelength_m[..columns]);
        out.n.extend_from_slice(&next.n[..columns]);
        out.flags.extend_from_slice(&next.flags[..columns]);
        out.slope_s.extend_from_slice(&next.slope_s[..columns]);
        out.slope_t.extend_from_slice(&next.slope_t[..columns]);
        out.left.push(next.left[0]);
        out.right.push(next.right[0]);
        out.rows += 1;
        out.check()?;
        Ok(out)
    }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "what was written comes back")]
mod tests {
    use super::*;

    #[test]
    fn rows_come_back_with_the_first_of_the_next_section() {
        let dir = tempfile::tempdir().unwrap();
        let lattice = Lattice::new([0.1, 0.1], 200, -3..4, true).unwrap();
        let store = FieldStore::create(dir.path(), lattice, [1.0, 2.0, 3.0]).unwrap();
        for (first, rows) in [(0, 128), (128, 72)] {
            let mut out = FieldRows::empty(lattice, first, rows).unwrap();
            for (k, z) in out.z_m.iter_mut().enumerate() {
                *z = crate::numeric::to_f32(0.5).into();
                *z += (first * 7 + k) as f64;
            }
            out.left[0].z_m = first as f64;
            store.write(&out).unwrap();
            let mut cells = CellMeans::empty(first, rows, 7);
            (cells.over_m[3], cells.weight[3]) = (0.25, 4.0);
            store.write_cells(&cells).unwrap();
        }
        let cells = store.cells(1).unwrap();
        assert_eq!((cells.first_row, cells.over_m.len()), (128, 72 * 7));
        assert_eq!((cells.cell(3), cells.cell(4)), (Some([0.25, 4.0]), None));
        let last = store.section_and_next(1).unwrap();
        assert_eq!((last.rows, last.first_row), (73, 128));
        assert_eq!(last.z_m[72 * 7], 0.5);
        assert_eq!((last.left[0].z_m, last.left[72].z_m), (128.0, 0.0));
        assert_eq!(store.section_and_next(0).unwrap().z_m[128 * 7 + 1], 897.5);
        let (opened, origin) = FieldStore::open(dir.path()).unwrap();
        assert_eq!((opened.lattice(), origin), (&lattice, [1.0, 2.0, 3.0]));
        assert!(FieldStore::open(&dir.path().join("z")).is_err());
        std::fs::write(dir.path().join("z/0.0"), b"short").unwrap();
        assert!(matches!(
            store.section(0),
            Err(ZarrError::Length { found: 5, .. })
        ));
    }
}
