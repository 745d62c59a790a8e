//! Files that are given beside the scans: lines, scanner positions, checkpoints, areas.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use surface_core::build::{Checkpoint, FitParams, SetupPlace};
use surface_core::cloud::io::{ReadOptions, Scans, Unit};
use surface_core::rescan::{AreaError, Areas};
use surface_core::ribbon::{Ribbon, RoughLine};

/// Why a file beside the scans cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum GivenError {
    /// It cannot be read.
    #[error("{}: {source}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A row is no point.
    #[error("{} line {line}: expected [name,]x,y,z in the scans' unit, found {text:?}", path.display())]
    Row {
        /// The file.
        path: PathBuf,
        /// Row, counted from 1.
        line: usize,
        /// What it says.
        text: String,
    },
    /// There is no point in it.
    #[error("{} names no {what}", path.display())]
    Nothing {
        /// The file.
        path: PathBuf,
        /// What was looked for.
        what: &'static str,
    },
    /// It holds no areas.
    #[error("{}: {source}", path.display())]
    Areas {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        source: AreaError,
    },
}

impl GivenError {
    /// What the user can do about it, as one sentence.
    pub fn hint(&self) -> &'static str {
        use std::io::ErrorKind::{InvalidData, NotFound};
        match self {
            Self::Unreadable { source, .. } => match source.kind() {
                NotFound => "check the path",
                InvalidData => "give a text file in UTF-8: this one holds other bytes",
                _ => "check that it is a file, and that you may read it",
            },
            Self::Row { .. } => {
                "correct that row, or begin it with #: one point a row, decimal points, commas between"
            }
            Self::Nothing { .. } => "give rows of [name,]x,y,z in the scans' unit",
            Self::Areas { source, .. } => match source {
                AreaError::Json(_) => {
                    "save the areas as GeoJSON again: the file is cut off or was damaged"
                }
                AreaError::NotAnArea(_) | AreaError::Ring { .. } => {
                    "draw each area as a polygon of three corners or more, its ring closed, in the scans' coordinates"
                }
            },
        }
    }
}

/// The text of a file.
pub fn read_text(path: &Path) -> Result<String, GivenError> {
    std::fs::read_to_string(path).map_err(|source| GivenError::Unreadable {
        path: path.to_owned(),
        source,
    })
}

/// A rough line, in the unit of its file.
pub fn read_rough_line(path: &Path) -> Result<RoughLine> {
    let text = read_text(path)?;
    Ok(RoughLine::parse(&path.display().to_string(), &text)?)
}

/// Areas in which change is expected, in metres.
pub fn read_areas(path: &Path, unit: GivenUnit) -> Result<Areas> {
    let text = read_text(path)?;
    let areas = Areas::parse(&text).map_err(|source| GivenError::Areas {
        path: path.to_owned(),
        source,
    })?;
    Ok(areas.scaled(unit.xy_m))
}

/// What lines, scanner positions, checkpoints and areas are given in: the unit of the scans.
#[derive(Debug, Clone, Copy)]
pub struct GivenUnit {
    pub xy_m: f64,
    pub z_m: f64,
}

impl GivenUnit {
    /// The unit that all scans share, as their headers or `--units` tell; metres where they differ.
    /// Scans that cannot be read are told of when they are.
    pub fn of(scans: &[PathBuf], units: Option<Unit>) -> Self {
        let scans = Scans::open(scans, &ReadOptions { units });
        let [xy_m, z_m] = scans.map_or([1.0; 2], |scans| scans.common_factors_m());
        Self { xy_m, z_m }
    }
}

/// A finished ribbon is used as it is, in metres; any other line is a rough one.
pub fn read_line(path: &Path, unit: GivenUnit, params: &mut FitParams) -> Result<()> {
    let name = path.display().to_string();
    let text = read_text(path)?;
    if Ribbon::is_ribbon(&text) {
        params.ribbon = Some(Ribbon::from_geojson(&text).context(name)?);
        params.ribbon_file = Some(path.to_owned());
        return Ok(());
    }
    let line = RoughLine::parse(&name, &text)?;
    params.closed = params.closed.or(Some(line.closed));
    let metres = |p: [f64; 2]| p.map(|v| v * unit.xy_m);
    params.line = Some(line.points.into_iter().map(metres).collect());
    params.line_file = Some(path.to_owned());
    Ok(())
}

/// Scanner positions, in metres.
pub fn read_setups(path: &Path, unit: GivenUnit) -> Result<Vec<SetupPlace>> {
    let named = read_named_points(path, "scanner position", unit)?;
    Ok(named
        .into_iter()
        .map(|(name, position_m)| SetupPlace { name, position_m })
        .collect())
}

/// Surveyed points, in metres.
pub fn read_checkpoints(path: &Path, unit: GivenUnit) -> Result<Vec<Checkpoint>> {
    let named = read_named_points(path, "checkpoint", unit)?;
    Ok(named
        .into_iter()
        .map(|(name, xyz_m)| Checkpoint { name, xyz_m })
        .collect())
}

/// `[name,]x,y,z` a line in the scans' unit, with or without a header; in metres.
fn read_named_points(
    path: &Path,
    what: &'static str,
    unit: GivenUnit,
) -> Result<Vec<(Option<String>, [f64; 3])>> {
    let text = read_text(path)?;
    let mut out = Vec::new();
    for (number, line) in text.lines().enumerate() {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        match named_point(line) {
            Some((name, [x, y, z])) => {
                out.push((name, [x * unit.xy_m, y * unit.xy_m, z * unit.z_m]));
            }
            None if number == 0 => {}
            None => {
                let (path, line, text) = (path.to_owned(), number + 1, line.to_owned());
                return Err(GivenError::Row { path, line, text }.into());
            }
        }
    }
    if out.is_empty() {
        let path = path.to_owned();
        return Err(GivenError::Nothing { path, what }.into());
    }
    Ok(out)
}

fn named_point(line: &str) -> Option<(Option<String>, [f64; 3])> {
    let words: Vec<&str> = line.split([',', ';', '\t']).map(str::trim).collect();
    let first = words.len().checked_sub(3)?;
    let mut xyz = [0.0; 3];
    for (value, word) in xyz.iter_mut().zip(&words[first..]) {
        *value = word.parse().ok().filter(|v: &f64| v.is_finite())?;
    }
    Some(((first > 0).then(|| words[0].to_owned()), xyz))
}
