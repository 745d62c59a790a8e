//! What was typed. No file is touched here.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

/// Laser scans of a motor-racing circuit in, the drivable road surface out.
#[derive(Debug, Parser)]
#[command(name = "surface", version, about, long_about = None, max_term_width = 100)]
#[command(
    after_help = "Exit codes: 0 done and within tolerance; 1 done, tolerance not met (the \
    report says where); 2 usage, input or run error.\nStandard output is the answer, standard \
    error everything else."
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Find the road: reference line and edges, as GeoJSON
    Ribbon(RibbonArgs),
    /// The main job: ribbon, height field, mesh, deviation map and report
    Fit(FitArgs),
}

/// How the answer is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub enum Format {
    /// For people.
    #[default]
    Text,
    /// For scripts.
    Json,
}

/// Length units a scan may be in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Units {
    /// Metres
    M,
    /// International feet (0.3048 m)
    Ft,
    /// US survey feet (1200/3937 m)
    UsFt,
}

/// Which points `deviation.laz` holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum DeviationPoints {
    /// All points of the road
    All,
    /// Points further from the surface than the tolerance
    Beyond,
    /// No file
    None,
}

/// What commands that take scans have in common.
#[derive(Debug, Args)]
pub struct ScanArgs {
    /// Scan files (LAS, LAZ, E57, PLY, delimited text); together they are one cloud
    #[arg(required = true, value_name = "SCAN")]
    pub scans: Vec<PathBuf>,
    /// Unit of all scans, over what the files say
    #[arg(long, value_name = "UNIT")]
    pub units: Option<Units>,
    /// Rough reference line, CSV x,y[,z] or GeoJSON; a ribbon.geojson is used as it is
    #[arg(long, value_name = "FILE")]
    pub line: Option<PathBuf>,
    /// The course is closed, whatever the line or the cloud suggest
    #[arg(long)]
    pub closed: bool,
    /// Scanner positions in the order of the course, CSV [name,]x,y,z
    #[arg(long, value_name = "FILE")]
    pub setups: Option<PathBuf>,
    /// Worker threads [default: all cores]
    #[arg(long, value_name = "N")]
    pub threads: Option<usize>,
    /// Memory that the run may take [default: a quarter of the machine's]
    #[arg(long, value_name = "GIB")]
    pub memory: Option<f64>,
    /// Folder for scratch files, about 32 bytes a point [default: beside the output]
    #[arg(long, value_name = "DIR")]
    pub scratch: Option<PathBuf>,
    /// TOML file with the same keys as these options; what is typed wins
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// How the answer is printed
    #[arg(long, value_name = "FORMAT")]
    pub format: Option<Format>,
}

/// `surface ribbon`.
#[derive(Debug, Args)]
pub struct RibbonArgs {
    /// Scans and how to take them.
    #[command(flatten)]
    pub scan: ScanArgs,
    /// GeoJSON file to write
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
}

/// `surface fit`.
#[derive(Debug, Args)]
pub struct FitArgs {
    /// Scans and how to take them.
    #[command(flatten)]
    pub scan: ScanArgs,
    /// Folder to build in
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Distance between nodes of the height field, metres [default: 0.10]
    #[arg(long, value_name = "M")]
    pub spacing: Option<f64>,
    /// Deviation that is accepted, millimetres [default: 5]
    #[arg(long, value_name = "MM")]
    pub tolerance: Option<f64>,
    /// Widest hole that is bridged, metres [default: 0.5]
    #[arg(long, value_name = "M")]
    pub bridge: Option<f64>,
    /// Which points go to deviation.laz [default: beyond]
    #[arg(long, value_name = "WHICH")]
    pub deviation_points: Option<DeviationPoints>,
}
