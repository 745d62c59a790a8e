//! What was typed. No input or output happens here.

use std::path::PathBuf;

use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use clap::{Args as Group, Parser, Subcommand, ValueEnum};
use surface_core::build::{ExportFormat, Layer};
use surface_core::cloud::io::{ReadOptions, Unit};

/// From registered laser scans of a circuit to its drivable surface.
#[derive(Debug, Parser)]
#[command(name = "surface", version, about, long_about = None, max_term_width = 100)]
#[command(
    after_help = "Exit codes: 0 done and within tolerance; 1 done, tolerance not met or the mesh \
    has defects (the report says where); 2 usage, input or run error.\nStandard output is the answer, standard \
    error everything else."
)]
pub struct Args {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands, one file in `cmd` each.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Say what scan files hold, and what is wrong with them
    Inspect(Inspect),
    /// Find the road: reference line and edges, as GeoJSON
    Ribbon(RibbonArgs),
    /// The main job: ribbon, height field, mesh, deviation map and report
    #[command(
        after_help = "A run that is stopped or killed leaves DIR/work.part: the same command \
        goes on from there. Where DIR holds that very build, whole, nothing is made again (remove it to \
        have it so, or ask for --also). Sections: make a plan with --sections N, fit each with `surface fit \
        --out DIR --section K` in any order on any machine that sees DIR (and --scratch), then run \
        the same command without --sections: it joins them, and fits those that are missing."
    )]
    #[command(mut_arg("files", |files| files.required(false).required_unless_present("section")))]
    Fit(FitArgs),
    /// Hold any mesh against any cloud: where do they part?
    Deviation(DeviationArgs),
    /// Profiles, spectra and indices along wheel paths of a finished build
    Roughness(RoughnessArgs),
    /// Hand a finished build over in another format
    Export(ExportArgs),
    /// Draw a cut through the road of a finished build: points, mesh, tolerance
    Section(SectionArgs),
    /// Rebuild only what a new scan changed, and say what that is
    Rescan(RescanArgs),
    /// Write the invented course's scan, with its truth
    Demo(DemoArgs),
}

/// `surface inspect`.
#[derive(Debug, Group)]
#[command(
    after_help = "With one finished build folder in place of scans: the states that its surface \
    went through, oldest first."
)]
pub struct Inspect {
    /// The scans, and how to read them.
    #[command(flatten)]
    pub scans: ScanArgs,
    /// Form of the answer
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
    /// How to tell the progress on standard error
    #[arg(long, value_enum, value_name = "HOW", default_value_t = ProgressForm::Auto)]
    pub progress: ProgressForm,
}

/// Scans of a course, and what is known of it.
#[derive(Debug, Group)]
pub struct RoadArgs {
    /// The scans, and how to read them.
    #[command(flatten)]
    pub scans: ScanArgs,
    /// Rough reference line in the scans' coordinates and unit, CSV x,y[,z] or GeoJSON; a
    /// ribbon.geojson is used as it is
    #[arg(long, value_name = "FILE")]
    pub line: Option<PathBuf>,
    /// The course is closed, whatever the line or the cloud suggest
    #[arg(long, conflicts_with = "open")]
    pub closed: bool,
    /// The course is open, whatever the line or the cloud suggest
    #[arg(long)]
    pub open: bool,
    /// Scanner positions in the order of the course, CSV [name,]x,y,z in the scans' unit; named as the scans' setups
    /// (point source id, file or scan name) they also weigh points by distance
    #[arg(long, value_name = "FILE")]
    pub setups: Option<PathBuf>,
    /// How to run.
    #[command(flatten)]
    pub run: RunArgs,
}

/// How a command runs and answers.
#[derive(Debug, Group)]
pub struct RunArgs {
    /// Worker threads [default: all cores]
    #[arg(long, value_name = "N")]
    pub threads: Option<usize>,
    /// Memory that the run may take, besides a mesh that is read [default: a quarter of the
    /// machine's or its container's, 0.5 at least]
    #[arg(long, value_name = "GIB")]
    pub memory: Option<f64>,
    /// Folder for scratch files, up to 32 bytes a point (deviation and ribbon 16) [default: beside
    /// the output]
    #[arg(long, value_name = "DIR")]
    pub scratch: Option<PathBuf>,
    /// TOML file with the same keys as these options; what is typed wins
    #[arg(long, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// Form of the answer [default: text]
    #[arg(long, value_enum)]
    pub format: Option<Format>,
    /// How to tell the progress on standard error [default: auto]
    #[arg(long, value_enum, value_name = "HOW")]
    pub progress: Option<ProgressForm>,
}

/// How progress is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub enum ProgressForm {
    /// A bar on a terminal, nothing elsewhere
    #[default]
    Auto,
    /// A line each 10 s
    Plain,
    /// Nothing
    None,
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

/// `surface ribbon`.
#[derive(Debug, Group)]
pub struct RibbonArgs {
    /// Scans and how to take them.
    #[command(flatten)]
    pub road: RoadArgs,
    /// GeoJSON file to write
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
}

/// What a section is fitted with is in its plan.
const PLANNED: [&str; 13] = [
    "files",
    "units",
    "line",
    "closed",
    "open",
    "setups",
    "spacing",
    "tolerance",
    "bridge",
    "deviation_points",
    "checkpoints",
    "checkpoint_sd",
    "also",
];

/// What steers a rescan, and does not steer a comparison of two folders.
const OF_RESCANS: [&str; 9] = [
    "out",
    "expect",
    "dry_run",
    "refine",
    "false_share",
    "least",
    "tolerance",
    "setups",
    "units",
];

/// `surface fit`.
#[derive(Debug, Group)]
pub struct FitArgs {
    /// Scans and how to take them.
    #[command(flatten)]
    pub road: RoadArgs,
    /// Folder to build in; the products take up to 133 bytes a node of the height field and 16 a
    /// point in deviation.laz
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
    /// Surveyed points of the road that hold its height, CSV [name,]x,y,z in the scans'
    /// coordinates and unit
    #[arg(long, value_name = "FILE")]
    pub checkpoints: Option<PathBuf>,
    /// Standard deviation of the checkpoints' heights, millimetres [default: 2]
    #[arg(long, value_name = "MM")]
    pub checkpoint_sd: Option<f64>,
    /// Other formats to write into the folder too, as by `surface export`
    #[arg(long, value_name = "FORMAT", value_delimiter = ',', value_parser = formats(), hide_possible_values = true)]
    pub also: Vec<ExportFormat>,
    /// Only prepare N sections of the course, to be fitted by processes of their own
    #[arg(long, value_name = "N", conflicts_with = "section")]
    pub sections: Option<usize>,
    /// Only fit section K (from 1) of those prepared in DIR; takes no scans
    #[arg(long, value_name = "K", conflicts_with_all = PLANNED)]
    pub section: Option<usize>,
}

/// `surface deviation`.
#[derive(Debug, Group)]
pub struct DeviationArgs {
    /// Mesh file (PLY, OBJ) in metres, at the scans' place or relative to the origin it names
    #[arg(value_name = "MESH")]
    pub mesh: PathBuf,
    /// Unit of the mesh's vertices and of the origin it names [default: m]
    #[arg(long, value_enum)]
    pub mesh_units: Option<UnitName>,
    /// The scans, and how to read them.
    #[command(flatten)]
    pub scans: ScanArgs,
    /// Folder for map, spots, points and report
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Deviation that is accepted, millimetres [default: 5]
    #[arg(long, value_name = "MM")]
    pub tolerance: Option<f64>,
    /// Points further from the mesh are not compared, metres [default: 0.5]
    #[arg(long, value_name = "M")]
    pub search: Option<f64>,
    /// The mesh's zero in the scans' coordinates, always metres, over what the mesh file says
    #[arg(
        long,
        value_name = "X,Y,Z",
        allow_hyphen_values = true,
        value_delimiter = ','
    )]
    pub origin: Option<Vec<f64>>,
    /// Which points go to deviation.laz [default: beyond]
    #[arg(long, value_name = "WHICH")]
    pub deviation_points: Option<DeviationPoints>,
    /// How to run.
    #[command(flatten)]
    pub run: RunArgs,
}

/// `surface roughness`.
#[derive(Debug, Group)]
pub struct RoughnessArgs {
    /// Folder that `surface fit` has left
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// The build's scans: then the mesh is held against two halves of their points
    #[arg(value_name = "SCAN")]
    pub scans: Vec<PathBuf>,
    /// Folder for profiles, pictures and report
    #[arg(long, value_name = "DIR2")]
    pub out: PathBuf,
    /// Distance of stations along the path, a whole part of 0.25 m [default: 0.05]
    #[arg(long, value_name = "M")]
    pub step: Option<f64>,
    /// Distance between left and right wheel, metres [default: 1.5]
    #[arg(long, value_name = "M")]
    pub track: Option<f64>,
    /// Middle between the wheels, left of the line, metres [default: 0]
    #[arg(long, value_name = "M", allow_hyphen_values = true)]
    pub offset: Option<f64>,
    /// Driven line in metres as the build is, CSV x,y or GeoJSON, in place of the reference line
    #[arg(long, value_name = "FILE")]
    pub path: Option<PathBuf>,
    /// Speed for vertical radius and acceleration, km/h [default: 200]
    #[arg(long, value_name = "KMH")]
    pub speed: Option<f64>,
    /// A limit for every 100 m, in quotes: 'lambda<=M', 'iri-difference<=MM/M' (between the
    /// surfaces of the two halves), 'band-error<=DB' (mesh over road, waves of 1 to 3 m),
    /// 'straightedge<=MM'; exit 1 where it is not kept
    #[arg(long, value_name = "LIMIT")]
    pub require: Vec<String>,
    /// Scanner positions, CSV [name,]x,y,z, as given to the fit
    #[arg(long, value_name = "FILE")]
    pub setups: Option<PathBuf>,
    /// Unit of all scans, over what they say themselves
    #[arg(long, value_enum)]
    pub units: Option<UnitName>,
    /// How to run.
    #[command(flatten)]
    pub run: RunArgs,
}

/// The formats of `surface export` by name.
fn formats() -> impl TypedValueParser<Value = ExportFormat> {
    let value = |f: ExportFormat| PossibleValue::new(f.name()).help(f.summary());
    let known = PossibleValuesParser::new(ExportFormat::all().map(value));
    known.try_map(|name| ExportFormat::of_name(&name).ok_or("no such format"))
}

/// `surface export`.
#[derive(Debug, Group)]
pub struct ExportArgs {
    /// Folder that `surface fit` has left
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// The format
    #[arg(long, value_name = "FORMAT", value_parser = formats())]
    pub to: ExportFormat,
    /// File to write
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
    /// Distance between values of a grid or table, metres [default: the build's spacing; opendrive
    /// 1, geojson 0.5, rasters of the deviation 0.25]
    #[arg(long, value_name = "M")]
    pub spacing: Option<f64>,
    /// What a raster holds [default: height]
    #[arg(long, value_enum)]
    pub layer: Option<LayerName>,
    /// Add invented roughness below the wavelength that the mesh carries, drawn from the spectrum
    /// of this folder that `surface roughness` has left (gltf, obj, stl, ply, landxml); the file
    /// and a JSON beside it say so
    #[arg(long, value_name = "DIR2")]
    pub texture: Option<PathBuf>,
    /// Seed of the invented roughness: the same gives the same bytes
    #[arg(long, value_name = "N", default_value_t = 1, requires = "texture")]
    pub seed: u64,
    /// Worker threads [default: all cores]
    #[arg(long, value_name = "N")]
    pub threads: Option<usize>,
    /// Form of the answer
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
    /// How to tell the progress on standard error
    #[arg(long, value_enum, value_name = "HOW", default_value_t = ProgressForm::Auto)]
    pub progress: ProgressForm,
}

/// `surface section`.
#[derive(Debug, Group)]
pub struct SectionArgs {
    /// Folder that `surface fit` has left
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Where to cut.
    #[command(flatten)]
    pub place: CutPlace,
    /// Cut along the road instead of across it
    #[arg(long)]
    pub along: bool,
    /// For a cut along: how far left of the line, metres [default: the spot's, else 0]
    #[arg(long, value_name = "M", allow_hyphen_values = true)]
    pub t: Option<f64>,
    /// Length of the cut, metres [default: the road's width; 20 along; less around a spot]
    #[arg(long, value_name = "M")]
    pub length: Option<f64>,
    /// Points this far to either side are drawn, metres
    #[arg(long, value_name = "M", default_value_t = 0.05)]
    pub reach: f64,
    /// SVG file to write [default: section.svg]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Form of the answer
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
    /// How to tell the progress on standard error
    #[arg(long, value_enum, value_name = "HOW", default_value_t = ProgressForm::Auto)]
    pub progress: ProgressForm,
}

/// A station or a spot.
#[derive(Debug, Group)]
#[group(required = true, multiple = false)]
pub struct CutPlace {
    /// Cut at this station, metres along the reference line
    #[arg(long, value_name = "M", allow_hyphen_values = true)]
    pub s: Option<f64>,
    /// Cut through this spot of deviation.csv
    #[arg(long, value_name = "ID")]
    pub spot: Option<u32>,
}

/// What a raster holds, as it is typed.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum LayerName {
    /// Height of the surface
    Height,
    /// Standard deviation of the height
    Sigma,
    /// Shortest wavelength of which the surface holds more road than noise
    Wavelength,
    /// Mean deviation of the points in deviation.laz
    Deviation,
}

impl LayerName {
    /// The layer itself.
    pub fn layer(self) -> Layer {
        match self {
            Self::Height => Layer::Height,
            Self::Sigma => Layer::Sigma,
            Self::Wavelength => Layer::Wavelength,
            Self::Deviation => Layer::Deviation,
        }
    }
}

/// `surface rescan`.
#[derive(Debug, Group)]
#[command(
    long_about = "Rebuild only what a new scan changed, and say what that is.\n\n\
    The new scan is tied to the ground that stayed; its heights are held against the old ones, and \
    where they differ by more than chance the new points alone make the surface. Line, edges, lattice \
    and vertices stay those of DIR, and what did not change stays as it was, byte for byte. DIR itself \
    is never written to.",
    after_help = "Exit codes: 0 no change, or only where it was expected (without --expect every \
    change is); 1 change beyond the areas of --expect, tolerance missed where it was rebuilt, or a mesh \
    with defects; 2 usage, input or run error.\n\n\
    surface rescan build corner.laz --out build-2 --expect works.geojson\n\
    surface rescan build corner.laz --dry-run\n\
    surface rescan --compare build build-2"
)]
pub struct RescanArgs {
    /// Folder that `surface fit` or `surface rescan` has left
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Scan files of the new state (LAS, LAZ, E57, PLY, text); with --compare a second folder
    #[arg(value_name = "SCAN", required = true)]
    pub scans: Vec<PathBuf>,
    /// Folder for the new state
    #[arg(long, value_name = "DIR2", required_unless_present_any = ["dry_run", "compare"])]
    pub out: Option<PathBuf>,
    /// Areas in which change is expected, GeoJSON polygons in the scans' coordinates; a file without
    /// polygons says that nothing should have changed
    #[arg(long, value_name = "FILE")]
    pub expect: Option<PathBuf>,
    /// Only say what changed, what would be rebuilt and about how long that takes
    #[arg(long)]
    pub dry_run: bool,
    /// Let the new points sharpen the surface also where it did not change
    #[arg(long)]
    pub refine: bool,
    /// Only say how the states in two folders differ, without points
    #[arg(long, conflicts_with_all = OF_RESCANS)]
    pub compare: bool,
    /// Of the cells called changed, at most this share is chance [default: 0.01]
    #[arg(long, value_name = "SHARE")]
    pub false_share: Option<f64>,
    /// Changes with a smaller mean are not listed, millimetres [default: 0.5]
    #[arg(long, value_name = "MM")]
    pub least: Option<f64>,
    /// Deviation that is accepted, millimetres [default: that of DIR]
    #[arg(long, value_name = "MM")]
    pub tolerance: Option<f64>,
    /// Scanner positions of the new scan, CSV [name,]x,y,z, named as its setups
    #[arg(long, value_name = "FILE")]
    pub setups: Option<PathBuf>,
    /// Unit of all scans, over what they say themselves
    #[arg(long, value_enum)]
    pub units: Option<UnitName>,
    /// How to run.
    #[command(flatten)]
    pub run: RunArgs,
}

/// `surface demo`.
#[derive(Debug, Group)]
pub struct DemoArgs {
    /// Folder to write course.laz, setups.csv and truth.json in
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
}

/// Scan files as input of a command.
#[derive(Debug, Group)]
pub struct ScanArgs {
    /// Scan files (LAS, LAZ, E57, PLY, text); several are one cloud
    #[arg(value_name = "SCAN", required = true)]
    pub files: Vec<PathBuf>,
    /// Unit of all scans, over what they say themselves
    #[arg(long, value_enum)]
    pub units: Option<UnitName>,
}

impl ScanArgs {
    /// How to read them.
    pub fn options(&self) -> ReadOptions {
        ReadOptions {
            units: self.units.map(UnitName::unit),
        }
    }
}

/// A unit as it is typed.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum UnitName {
    /// Metres
    M,
    /// International feet (0.3048 m)
    Ft,
    /// US survey feet (1200/3937 m)
    UsFt,
}

impl UnitName {
    /// The unit itself.
    pub fn unit(self) -> Unit {
        match self {
            Self::M => Unit::Metre,
            Self::Ft => Unit::InternationalFoot,
            Self::UsFt => Unit::UsSurveyFoot,
        }
    }
}

/// Form of the answer on standard output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub enum Format {
    /// For people
    #[default]
    Text,
    /// For programs
    Json,
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_consistent() {
        Args::command().debug_assert();
    }

    #[test]
    fn a_cut_is_at_a_station_or_a_spot_and_formats_are_named() {
        let typed = |words: &str| Args::try_parse_from(words.split(' '));
        assert!(typed("surface section build --s 12.5 --out a.svg").is_ok());
        assert!(typed("surface section build --spot 3 --along").is_ok());
        assert!(typed("surface section build").is_err());
        assert!(typed("surface section build --s 1 --spot 3").is_err());
        assert!(typed("surface export build --to gltf --out a.glb").is_ok());
        let error = typed("surface export build --to glb --out a.glb").unwrap_err();
        assert!(error.to_string().contains("possible values: gltf, obj"));
        let fit = typed("surface fit a.laz --out b --also gltf,opencrg").unwrap();
        let Command::Fit(fit) = fit.command else {
            panic!("another command was taken")
        };
        assert_eq!(fit.also, [ExportFormat::Gltf, ExportFormat::OpenCrg]);
    }

    #[test]
    fn units_are_typed_short() {
        let args = Args::parse_from(["surface", "inspect", "a.las", "b.las", "--units", "us-ft"]);
        let Command::Inspect(inspect) = args.command else {
            panic!("another command was taken")
        };
        assert_eq!(inspect.scans.options().units, Some(Unit::UsSurveyFoot));
        assert_eq!(
            (inspect.scans.files.len(), inspect.format),
            (2, Format::Text)
        );
    }
}
