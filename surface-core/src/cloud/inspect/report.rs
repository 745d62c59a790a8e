//! What an inspection found.

use std::fmt;
use std::path::{Path, PathBuf};

use crate::cloud::io::FileInfo;

/// All that was found in the scan files.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Inspection {
    /// The files.
    pub files: Vec<FileReport>,
    /// Usable points.
    pub points: u64,
    /// Points dropped because a coordinate is NaN or infinite.
    pub rejected: u64,
    /// Points left out because their file marks them as deleted.
    pub withheld: u64,
    /// Lowest and highest corner of all points, world metres.
    pub box_m: [[f64; 3]; 2],
    /// The same of the central 99.9 % on each axis, from a sample.
    pub central_box_m: [[f64; 3]; 2],
    /// The whole-metre origin that a build would take.
    pub origin_m: [f64; 3],
    /// Points per area.
    pub density: Density,
    /// The scanner positions or what stands for them.
    pub setups: Vec<SetupReport>,
    /// Lowest and highest intensity, 0..=65535; `None` where no file has one.
    pub intensity: Option<[u16; 2]>,
    /// First and last GPS time, seconds as in the files.
    pub time_s: Option<[f64; 2]>,
    /// Points of each class, where files have classes.
    pub classes: Vec<ClassCount>,
    /// Share of points that repeat another one's x, y and z exactly (estimated), 0 to 1.
    pub repeated: f64,
    /// What to know before trusting the scan.
    pub doubts: Vec<Doubt>,
}

/// One file: what it says about itself and what was read.
#[derive(Debug, Clone, serde::Serialize)]
pub struct FileReport {
    /// What the file says about itself.
    #[serde(flatten)]
    pub info: FileInfo,
    /// Usable points read.
    pub points: u64,
    /// The step that the heights are whole multiples of, millimetres, where there is one.
    pub z_step_mm: Option<f64>,
}

/// Points per square metre over the occupied cells of 0.5 m.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Density {
    /// Half of the cells hold more.
    pub median_per_m2: f64,
    /// 5 % of the cells hold less.
    pub low_per_m2: f64,
    /// 5 % of the cells hold more.
    pub high_per_m2: f64,
    /// Occupied area, square metres (estimated from a sample of the area where that is large).
    pub area_m2: f64,
}

/// One setup.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct SetupReport {
    /// Its name.
    pub name: String,
    /// Where it stood, world metres, if that is known.
    pub position_m: Option<[f64; 3]>,
    /// Points it measured.
    pub points: u64,
}

/// Points of one class.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct ClassCount {
    /// The class by the LAS standard.
    pub class: u8,
    /// Its name there.
    pub name: &'static str,
    /// Points.
    pub points: u64,
}

/// Something to know before trusting a scan.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Doubt {
    /// Nothing tells the unit; metres are assumed.
    UnknownUnits {
        /// The file, the first of those for which it is not known for this reason.
        path: PathBuf,
        /// How many more such files there are.
        more: usize,
        /// Why it is not known.
        why: String,
    },
    /// The file is in feet and does not tell the unit of z.
    VerticalUnitNotTold {
        /// The file.
        path: PathBuf,
        /// What z was taken to be in.
        taken: &'static str,
    },
    /// Heights are whole multiples of a step that is not small against a scanner's noise.
    Quantised {
        /// The file.
        path: PathBuf,
        /// The step, millimetres.
        step_mm: f64,
    },
    /// All heights are the same.
    Flat {
        /// The file.
        path: PathBuf,
        /// The height, metres.
        z_m: f64,
    },
    /// Many points repeat another one exactly.
    Repeated {
        /// Their share, 0 to 1.
        share: f64,
    },
    /// Nearly all points have one class of smooth ground, and the cells are rough.
    ClassIsNoGround {
        /// The class.
        class: u8,
        /// Its name.
        name: &'static str,
        /// Median standard deviation of the heights in a 0.5 m cell, metres.
        spread_m: f64,
    },
    /// No intensity, or the same everywhere.
    NoIntensity {
        /// The file; `None` when it is all of them.
        path: Option<PathBuf>,
    },
    /// A few points far away stretch the box.
    Strays {
        /// The axis: x, y or z.
        axis: char,
        /// Extent of the central 99.9 %, metres.
        central_m: f64,
        /// Extent of all points, metres.
        whole_m: f64,
    },
    /// The header contradicts itself or the points.
    Header {
        /// The file.
        path: PathBuf,
        /// How.
        what: String,
    },
    /// Coordinates in the plan come in the steps of single precision at their size.
    SinglePrecision {
        /// The file.
        path: PathBuf,
        /// The axis: x or y.
        axis: char,
        /// The step, millimetres.
        step_mm: f64,
    },
    /// The coordinate system's metres are no metres on the ground.
    StretchedMetres {
        /// The file.
        path: PathBuf,
        /// The coordinate system.
        crs: String,
    },
    /// Several files hold one and the same point source id alone: all are taken for one setup.
    OneSourceId {
        /// The id.
        id: u16,
        /// How many files.
        files: usize,
    },
    /// Points that a file marks as deleted were left out.
    Withheld {
        /// How many.
        points: u64,
    },
    /// Points whose coordinates are NaN or infinite were dropped.
    NotFinite {
        /// How many.
        points: u64,
    },
}

impl Doubt {
    /// What is to be known of one file.
    fn of_file(&self) -> Option<(&Path, String)> {
        let (path, what) = match self {
            Self::UnknownUnits { path, more, why } => (
                path,
                format!(
                    "metres are {why}{}; give the unit with --units",
                    also_of(*more)
                ),
            ),
            Self::VerticalUnitNotTold { path, taken } => (
                path,
                format!("the unit of z is not told and taken as {taken}; check a known height"),
            ),
            Self::Quantised { path, step_mm } => (
                path,
                format!("heights come in steps of {step_mm:.2} mm; detail below that is lost"),
            ),
            Self::Flat { path, z_m } => (path, format!("all heights are {z_m} m")),
            Self::NoIntensity { path: Some(path) } => {
                (path, "no intensity, or the same everywhere".to_owned())
            }
            Self::SinglePrecision {
                path,
                axis,
                step_mm,
            } => (
                path,
                format!(
                    "{axis} comes in steps of {step_mm:.1} mm, those of single precision: export in \
                     double precision, or relative to a near origin"
                ),
            ),
            Self::StretchedMetres { path, crs } => (
                path,
                format!(
                    "{crs} stretches the ground (1.6 times at 51° north); convert to a projection \
                     true to scale"
                ),
            ),
            Self::Header { path, what } => (path, what.clone()),
            Self::NoIntensity { path: None }
            | Self::Repeated { .. }
            | Self::ClassIsNoGround { .. }
            | Self::Strays { .. }
            | Self::OneSourceId { .. }
            | Self::Withheld { .. }
            | Self::NotFinite { .. } => return None,
        };
        Some((path, what))
    }

    /// What is to be known of all files together.
    fn of_all(&self) -> String {
        match self {
            Self::Repeated { share } => format!(
                "{:.1} % of the points repeat another one exactly: a file given twice, or coarsely rounded coordinates",
                100.0 * share
            ),
            Self::ClassIsNoGround {
                class,
                name,
                spread_m,
            } => format!(
                "nearly all points are class {class} ({name}), but heights within half a metre \
                 differ by {:.0} mm: the class is wrong",
                1000.0 * spread_m
            ),
            Self::Strays {
                axis,
                central_m,
                whole_m,
            } => format!(
                "strays: along {axis} 99.9 % of the points span {central_m:.1} m, all span \
                 {whole_m:.1} m"
            ),
            Self::OneSourceId { id, files } => format!(
                "{files} files hold points of source id {id} alone and are taken for one setup; give \
                 each scanner position an id of its own if they are several"
            ),
            Self::Withheld { points } => {
                format!("{points} points that the files mark as withheld were left out")
            }
            Self::NotFinite { points } => {
                format!("{points} points with coordinates that are no numbers were dropped")
            }
            Self::NoIntensity { .. } => {
                "no intensity: paint and grass cannot be told from asphalt by brightness".to_owned()
            }
            _ => self.of_file().map_or_else(String::new, |(_, what)| what),
        }
    }
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.of_file() {
            Some((path, what)) => write!(f, "{}: {what}", path.display()),
            None => f.write_str(&self.of_all()),
        }
    }
}

/// Words for what is said of `more` files besides.
fn also_of(more: usize) -> String {
    match more {
        0 => String::new(),
        1 => " (and so for one more file)".to_owned(),
        _ => format!(" (and so for {more} more files)"),
    }
}

/// The name of a class by the LAS standard (1.4 R15, table 17).
pub(super) fn class_name(class: u8) -> &'static str {
    match class {
        0 => "never classified",
        1 => "unclassified",
        2 => "ground",
        3 => "low vegetation",
        4 => "medium vegetation",
        5 => "high vegetation",
        6 => "building",
        7 => "low point (noise)",
        9 => "water",
        10 => "rail",
        11 => "road surface",
        13 => "wire guard",
        14 => "wire conductor",
        15 => "transmission tower",
        16 => "wire connector",
        17 => "bridge deck",
        18 => "high noise",
        _ => "other",
    }
}
