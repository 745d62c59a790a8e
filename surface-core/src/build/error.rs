//! Why a build did not come to its end, and what to do about it.

use std::path::{Path, PathBuf};

use crate::export::{BesideError, LazError, ZarrError};
use crate::mesh::AssembleError;
use crate::ribbon::{CourseError, PavingError, RibbonError};

/// Why a build did not come to its end.
#[derive(Debug, thiserror::Error)]
pub enum BuildError {
    /// A scan file could not be read.
    #[error(transparent)]
    Read(#[from] crate::cloud::io::ReadError),
    /// The scratch file failed.
    #[error(transparent)]
    Tiles(#[from] crate::cloud::TileError),
    /// The user asked to stop.
    #[error(transparent)]
    Cancelled(#[from] crate::progress::Cancelled),
    /// The height field could not be written or read back.
    #[error(transparent)]
    Field(#[from] crate::export::ZarrError),
    /// The spacing does not suit the road.
    #[error(transparent)]
    Lattice(#[from] crate::field::LatticeError),
    /// No course in the cloud.
    #[error("{}: {source}", scans(path, *files))]
    Course {
        /// The first scan file.
        path: PathBuf,
        /// How many files there are.
        files: usize,
        /// What kept it from being found.
        source: CourseError,
    },
    /// The rough line that was given lies beside the scan.
    #[error(
        "{}: {missed_percent:.0} % of this line has no point of {} within {reach_m:.0} m; at x {:.0}, y {:.0} it is {distance_m:.0} m off; the scan is around x {:.0}, y {:.0}",
        line.as_ref().map_or_else(|| "the rough line".to_owned(), |p| p.display().to_string()),
        scans(path, *files), line_xy_m[0], line_xy_m[1], scan_xy_m[0], scan_xy_m[1]
    )]
    LineMissesScan {
        /// The file of the line, if it was read from one.
        line: Option<PathBuf>,
        /// The first scan file.
        path: PathBuf,
        /// How many files there are.
        files: usize,
        /// Share of the line without points near, percent.
        missed_percent: f64,
        /// What counts as near, metres.
        reach_m: f64,
        /// How far its farthest place is from the nearest ground that was measured, metres.
        distance_m: f64,
        /// That place, world metres.
        line_xy_m: [f64; 2],
        /// About where the scan lies, world metres as read.
        scan_xy_m: [f64; 2],
    },
    /// No ribbon along the course.
    #[error(transparent)]
    Ribbon(#[from] RibbonError),
    /// The ribbon could not be written as text.
    #[error(transparent)]
    RibbonFile(#[from] crate::ribbon::RibbonFileError),
    /// The breaklines could not be written as text.
    #[error(transparent)]
    BreaklineFile(#[from] crate::zones::BreaklineFileError),
    /// Heights beside breaklines could not be written or read back.
    #[error(transparent)]
    Beside(#[from] crate::export::BesideError),
    /// No wheel path on the ribbon.
    #[error(transparent)]
    Path(#[from] crate::roughness::PathError),
    /// A file of the finished build is missing or unreadable.
    #[error("{path} is not a finished build's: {why}")]
    NotABuild {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// A roughness run does not give what a texture is drawn from.
    #[error("{path}: {why}")]
    NoTexture {
        /// Its report.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// The build did not keep the points that are asked for.
    #[error("{path}: {why}")]
    NoPoints {
        /// The file of points.
        path: PathBuf,
        /// What is missing.
        why: &'static str,
    },
    /// None of the scan's points lies on the build's road.
    #[error(
        "{path}: none of the {points} points in {files} file(s) lies on the road of the build, which is around x {:.0}, y {:.0}; the scan is around x {:.0}, y {:.0}",
        build_xy_m[0], build_xy_m[1], scan_xy_m[0], scan_xy_m[1]
    )]
    NoCommonRoad {
        /// The first file.
        path: PathBuf,
        /// How many files there are.
        files: usize,
        /// Points of the scan.
        points: u64,
        /// Origin of the build, world metres.
        build_xy_m: [f64; 2],
        /// About where the scan lies, world metres as read.
        scan_xy_m: [f64; 2],
    },
    /// None of the scan's points lies on the ribbon that was given.
    #[error(
        "{}: none of the {points} points lies on this ribbon, which covers {}; the scan is around x {:.0}, y {:.0}",
        path.as_ref().map_or_else(|| "the ribbon given".to_owned(), |p| p.display().to_string()),
        place(ribbon_box_m), scan_xy_m[0], scan_xy_m[1]
    )]
    RibbonMissesScan {
        /// The file of the ribbon, if it was read from one.
        path: Option<PathBuf>,
        /// Points of the scan.
        points: u64,
        /// Lowest and highest corner of the reference line in plan, world metres.
        ribbon_box_m: [[f64; 2]; 2],
        /// About where the scan lies, world metres as read.
        scan_xy_m: [f64; 2],
    },
    /// Two builds that are no states of one surface.
    #[error("{second} has not the reference line, edges and lattice of {first}")]
    OtherLattice {
        /// The first folder.
        first: PathBuf,
        /// The second folder.
        second: PathBuf,
    },
    /// The scan cannot be tied to the surface that it is to change.
    #[error("the scan cannot be tied to the old surface: {0}")]
    Tie(#[from] crate::rescan::TieError),
    /// The setups contradict each other beyond a solution.
    #[error(transparent)]
    Level(#[from] crate::setups::LevelError),
    /// No mesh on the field.
    #[error(transparent)]
    Mesh(#[from] crate::mesh::MeshError),
    /// A mesh file could not be read.
    #[error(transparent)]
    MeshFile(#[from] crate::mesh::MeshReadError),
    /// No point lies over or under the mesh.
    #[error(
        "no point lies over the mesh: the mesh covers {}, the points {}",
        place(&[[mesh_box_m[0][0], mesh_box_m[0][1]], [mesh_box_m[1][0], mesh_box_m[1][1]]]),
        cloud_box_m.as_ref().map_or_else(|| "somewhere else".to_owned(), place)
    )]
    NoOverlap {
        /// Lowest and highest corner of the mesh, world metres.
        mesh_box_m: [[f64; 3]; 2],
        /// Lowest and highest corner of the cloud in plan, world metres, if known.
        cloud_box_m: Option<[[f64; 2]; 2]>,
    },
    /// All points over the mesh are out of reach.
    #[error("all {points} points over the mesh are more than {search_m} m above or below it")]
    TooFar {
        /// How many.
        points: u64,
        /// The search distance.
        search_m: f64,
    },
    /// Nodes would lie too far apart for the road.
    #[error(
        "--spacing is {spacing_m}: the road is {least_width_m:.2} m wide where it is narrowest, and needs three nodes across"
    )]
    SpacingTooWide {
        /// What was given, metres.
        spacing_m: f64,
        /// Least width of the road, metres.
        least_width_m: f64,
    },
    /// The patches of the mesh do not follow each other.
    #[error(transparent)]
    Assemble(#[from] AssembleError<crate::export::WriteError>),
    /// The mesh, or a file in another format, could not be written.
    #[error(transparent)]
    Output(#[from] crate::export::WriteError),
    /// The file of points could not be written.
    #[error(transparent)]
    Laz(#[from] crate::export::LazError),
    /// The cells of the deviation map do not fit the course.
    #[error(transparent)]
    Frame(#[from] crate::deviation::FrameError),
    /// A file of the build folder could not be written.
    #[error("{path}: {source}")]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A file beside the scans, or one of a build, could not be read.
    #[error("cannot read {path}: {source}")]
    Unreadable {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Something that must stay would be written over.
    #[error("{path}: {why}")]
    Replaces {
        /// What would be lost.
        path: PathBuf,
        /// Why it must stay.
        why: &'static str,
    },
    /// Another run works in the build folder.
    #[error("another run is at work in {folder}")]
    Busy {
        /// The build folder.
        folder: PathBuf,
    },
    /// There is less room than scratch files and products may take.
    #[error(
        "{path} has {} free, and {what} take up to {}",
        size(*free_bytes),
        size(*needed_bytes)
    )]
    Room {
        /// The folder.
        path: PathBuf,
        /// What is to be written there.
        what: String,
        /// What that may need, bytes.
        needed_bytes: u64,
        /// What is free, bytes.
        free_bytes: u64,
    },
    /// There are no sections to fit.
    #[error("{folder} has no plan of sections that are to be fitted")]
    NoPlan {
        /// The build folder.
        folder: PathBuf,
    },
    /// The plan has no such section.
    #[error("the plan has sections 1 to {sections}, and {section} was asked for")]
    NoSuchSection {
        /// What was asked for.
        section: usize,
        /// How many there are.
        sections: usize,
    },
    /// The ground that was seen takes more memory than a run may give it.
    #[error(
        "the ground seen so far takes {} MiB as a grid of cells, of {} that --memory leaves for it",
        bytes >> 20, most >> 20
    )]
    Ground {
        /// What it takes, bytes.
        bytes: usize,
        /// What it may take, bytes.
        most: usize,
    },
    /// A parameter makes no sense.
    #[error("{name} is {value}: {why}")]
    Parameter {
        /// Its name on the command line.
        name: &'static str,
        /// What was given.
        value: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// No node of the field has a height.
    #[error(
        "none of the {inside} nodes between the edges has points to stand on at a spacing of {spacing_m} m"
    )]
    NoSurface {
        /// Nodes between the edges.
        inside: u64,
        /// The spacing.
        spacing_m: f64,
    },
}

/// Bytes in words.
fn size(bytes: u64) -> String {
    let bytes = bytes as f64;
    if bytes < 1e8 {
        format!("{:.1} MB", bytes / 1e6)
    } else {
        format!("{:.1} GB", bytes / 1e9)
    }
}

/// Scan files in words.
fn scans(first: &Path, files: usize) -> String {
    match files {
        0 | 1 => first.display().to_string(),
        2 => format!("{} and one more file", first.display()),
        n => format!("{} and {} more files", first.display(), n - 1),
    }
}

/// A box in plan in words.
fn place([low, high]: &[[f64; 2]; 2]) -> String {
    format!(
        "x {:.1} to {:.1}, y {:.1} to {:.1}",
        low[0], high[0], low[1], high[1]
    )
}

impl BuildError {
    /// What the user can do about it, as one sentence.
    #[must_use]
    pub fn hint(&self) -> String {
        match self {
            Self::SpacingTooWide { least_width_m, .. } => narrower(*least_width_m),
            _ if self.io().is_some_and(is_missing) => NOT_THERE.to_owned(),
            _ if self.is_stop() => STOPPED.to_owned(),
            _ => self.sentence().to_owned(),
        }
    }

    /// Whether the same command can come to its end later: after a stop, or when a disk has space.
    pub(super) fn may_pass(&self) -> bool {
        let disk = matches!(
            self,
            Self::Tiles(_)
                | Self::Room { .. }
                | Self::Read(crate::cloud::io::ReadError::Io { .. })
                | Self::Ribbon(RibbonError::Paving(PavingError::Tiles(_)))
        );
        disk || self.is_stop() || self.io().is_some()
    }

    fn is_stop(&self) -> bool {
        matches!(
            self,
            Self::Cancelled(_)
                | Self::Course {
                    source: CourseError::Cancelled(_),
                    ..
                }
                | Self::Ribbon(RibbonError::Paving(PavingError::Cancelled(_)))
        )
    }

    /// What the system said, where it is about a file.
    fn io(&self) -> Option<&std::io::Error> {
        match self {
            Self::Write { source, .. }
            | Self::Unreadable { source, .. }
            | Self::Field(ZarrError::Io { source, .. })
            | Self::Beside(BesideError::Io { source, .. })
            | Self::Laz(LazError::Io { source, .. }) => Some(source),
            Self::Laz(LazError::Encode { source, .. }) => match source.as_ref() {
                las::Error::Io(source) => Some(source),
                _ => None,
            },
            _ => None,
        }
    }

    fn sentence(&self) -> &str {
        match self {
            Self::Cancelled(_) => STOPPED,
            Self::Tiles(_) | Self::Ribbon(RibbonError::Paving(PavingError::Tiles(_))) => NO_SPACE,
            Self::Ribbon(_) => {
                "give a rough line along the course with --line, or a finished ribbon"
            }
            Self::Room { .. } => ROOM,
            Self::Unreadable { .. } => "check that it is a file, and that you may read it",
            Self::Replaces { .. } => "give another place with --out, or move the file away",
            Self::Busy { .. } => "wait until it ends, or give another folder with --out",
            Self::NoPlan { .. } => NO_PLAN,
            Self::NoSuchSection { .. } => "the plan is in the answer of --sections",
            Self::Lattice(_) | Self::NoSurface { .. } => {
                "try a wider --spacing, and see what `surface inspect` says of the scans"
            }
            Self::MeshFile(_) => "give a mesh as PLY or OBJ; `surface fit` writes surface.ply",
            Self::NoOverlap { .. } => NO_OVERLAP,
            Self::TooFar { .. } => TOO_FAR,
            Self::NotABuild { .. } => NOT_A_BUILD,
            Self::OtherLattice { .. } => OTHER_LATTICE,
            Self::NoTexture { .. } => NO_TEXTURE,
            Self::NoPoints { .. } => "build again with `surface fit --deviation-points all`",
            Self::Path(_) => PATH,
            Self::Tie(_) => TIE,
            Self::Level(_) => {
                "check the registration of the scans: `surface inspect` lists their setups"
            }
            Self::Ground { .. } => GROUND,
            Self::SpacingTooWide { .. } | Self::Parameter { .. } => "see the command's --help",
            Self::Assemble(AssembleError::Sink(_)) => NOT_WRITTEN,
            Self::Mesh(_) | Self::Assemble(_) | Self::Frame(_) | Self::RibbonFile(_) => {
                "look at the ribbon with `surface ribbon`; give a better --line if it is wrong"
            }
            Self::Field(ZarrError::Length { .. } | ZarrError::Attributes { .. }) => NOT_A_BUILD,
            Self::Field(_)
            | Self::Output(_)
            | Self::Beside(_)
            | Self::BreaklineFile(_)
            | Self::Laz(_)
            | Self::Write { .. } => NOT_WRITTEN,
            Self::Read(error) => error.hint(),
            Self::Course { source, .. } => source.hint(),
            Self::LineMissesScan {
                line_xy_m,
                scan_xy_m,
                ..
            } => line_misses(*line_xy_m, *scan_xy_m),
            Self::NoCommonRoad {
                build_xy_m,
                scan_xy_m,
                ..
            } => no_common_road(*build_xy_m, *scan_xy_m),
            Self::RibbonMissesScan {
                ribbon_box_m: [low, high],
                scan_xy_m,
                ..
            } => ribbon_misses([0, 1].map(|k| 0.5 * (low[k] + high[k])), *scan_xy_m),
        }
    }
}

/// What helps where the spacing is too wide for a road of this least width.
fn narrower(least_width_m: f64) -> String {
    let most_m = (100.0 * least_width_m / 3.0).floor() / 100.0;
    format!(
        "give --spacing {most_m} or less (metres); if the road is wider than that, look at it with `surface ribbon` and give a --line"
    )
}

/// Whether a file is not there or ends early: no trouble of the disk that is written to.
fn is_missing(error: &std::io::Error) -> bool {
    use std::io::ErrorKind::{InvalidData, NotFound, UnexpectedEof};
    matches!(error.kind(), NotFound | UnexpectedEof | InvalidData)
}

const NOT_THERE: &str = "check the path: something on it is missing, or a file ends too early";
const STOPPED: &str =
    "nothing was changed; run the same command again (`surface fit` goes on from where it was)";
const NO_SPACE: &str = "free space, or give another folder for scratch files with --scratch";
const NOT_WRITTEN: &str = "check that the output folder can be written and has space left";
const ROOM: &str =
    "free space, or give folders on larger disks with --scratch and --out, or a wider --spacing";
const GROUND: &str =
    "give more with --memory, or a finished ribbon with --line: then no road is looked for";
const NO_PLAN: &str =
    "make one with `surface fit SCAN... --out DIR --sections N`, and give the same --scratch";
const NO_OVERLAP: &str = "give the mesh's zero in the scans' coordinates with --origin X,Y,Z, or the scans' unit with --units";
const TOO_FAR: &str =
    "check the heights: add the difference with --origin X,Y,Z, or reach further with --search";
const NOT_A_BUILD: &str = "give a folder as `surface fit` or `surface rescan` has left it; put back what is missing or was changed in it since, or make it again from its scans";
const OTHER_LATTICE: &str = "compare states that `surface rescan` has made of one build, or hold one build's mesh against the other's scans with `surface deviation`";
const NO_TEXTURE: &str =
    "give the folder that `surface roughness BUILD SCAN... --out` has left for this build";
const PATH: &str = "give a path on the paving with --offset, --track and --path, and a --step below a hundredth of it";
const TIE: &str = "scan further beyond what changed, check that course, coordinate system and unit are the build's, or name the areas of change with --expect";

/// Feet in a metre; the two kinds differ by two millionths.
const FEET: f64 = 3.280_84;

/// Whether `scan` lies as many times as far out as `place`: so does one in another unit.
fn is_times(factor: f64, place: [f64; 2], scan: [f64; 2]) -> bool {
    (0..2).all(|k| (scan[k] - factor * place[k]).abs() < 0.01 * scan[k].abs())
}

fn ribbon_misses(ribbon: [f64; 2], scan: [f64; 2]) -> &'static str {
    if is_times(FEET, ribbon, scan) {
        return "the scan's coordinates are those of the ribbon in feet: give --units ft or --units us-ft";
    }
    "give the ribbon of this course with --line, in the scan's coordinate system and in metres; or none, and the road is looked for"
}

fn line_misses(line: [f64; 2], scan: [f64; 2]) -> &'static str {
    if is_times(FEET, line, scan) || is_times(1.0 / FEET, line, scan) {
        return "the line's and the scan's coordinates differ as feet and metres do: give the scan's unit with --units, and the line in it";
    }
    "check that the line is of this course, in the coordinate system and unit of the scan; or give none, and the road is looked for"
}

fn no_common_road(build: [f64; 2], scan: [f64; 2]) -> &'static str {
    if is_times(FEET, build, scan) {
        return "its coordinates are those of the build in feet: give --units ft or --units us-ft";
    }
    if is_times(1.0 / FEET, build, scan) {
        return "the build's coordinates look like feet of the scan's: give the unit with --units";
    }
    "check that the scan is of this course, in the coordinate system of the build and in the unit that --units says"
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::progress::Cancelled;

    #[test]
    fn a_mesh_that_cannot_be_written_gets_the_hint_of_a_full_disk() {
        let full = || crate::export::WriteError {
            path: "surface.ply".into(),
            source: std::io::ErrorKind::StorageFull.into(),
        };
        let sink = BuildError::from(AssembleError::Sink(full()));
        assert_eq!(sink.hint(), BuildError::from(full()).hint());
        assert!(sink.hint().contains("space left"));
    }

    #[test]
    fn a_file_that_is_not_there_gets_no_hint_of_a_full_disk() {
        let of = |kind: std::io::ErrorKind| BuildError::Write {
            path: "field/z/3.0".into(),
            source: kind.into(),
        };
        assert_eq!(of(std::io::ErrorKind::NotFound).hint(), NOT_THERE);
        assert_eq!(of(std::io::ErrorKind::StorageFull).hint(), NOT_WRITTEN);
    }

    #[test]
    fn a_ribbon_that_misses_the_scan_gets_the_hint_of_its_unit_where_that_is_why() {
        let of = |scan_xy_m| BuildError::RibbonMissesScan {
            path: Some("old/ribbon.geojson".into()),
            points: 7,
            ribbon_box_m: [[499_900.0, 4_999_000.0], [500_100.0, 5_001_000.0]],
            scan_xy_m,
        };
        let elsewhere = of([510_000.0, 5_000_000.0]);
        let said = elsewhere.to_string();
        for part in ["old/ribbon.geojson", "499900.0 to 500100.0", "x 510000"] {
            assert!(said.contains(part), "{said}");
        }
        assert!(elsewhere.hint().contains("ribbon of this course"));
        let feet = of([1_640_420.0, 16_404_200.0]);
        assert!(feet.hint().contains("--units ft"), "{}", feet.hint());
    }

    #[test]
    fn a_line_that_misses_the_scan_is_told_with_both_places_and_the_unit_where_that_is_why() {
        let of = |line_xy_m| BuildError::LineMissesScan {
            line: Some("old/line.csv".into()),
            path: "a.laz".into(),
            files: 3,
            missed_percent: 99.6,
            reach_m: 10.0,
            distance_m: 1234.4,
            line_xy_m,
            scan_xy_m: [500_000.0, 5_000_000.0],
        };
        let said = of([501_000.0, 5_000_700.0]).to_string();
        for part in [
            "old/line.csv: 100 %",
            "a.laz and 2 more files",
            "x 501000, y 5000700",
            "x 500000, y 5000000",
        ] {
            assert!(said.contains(part), "{said}");
        }
        let feet = of([1_640_420.0, 16_404_200.0]);
        assert!(feet.hint().contains("--units"), "{}", feet.hint());
        assert!(of([9.0, 9.0]).hint().contains("coordinate system"));
    }

    #[test]
    fn a_spacing_that_is_too_wide_is_told_with_the_widest_that_is_not() {
        let error = BuildError::SpacingTooWide {
            spacing_m: 4.0,
            least_width_m: 7.01,
        };
        assert!(
            error
                .to_string()
                .contains("--spacing is 4: the road is 7.01 m")
        );
        assert!(
            error.hint().contains("--spacing 2.33 or less"),
            "{}",
            error.hint()
        );
    }

    #[test]
    fn a_stop_in_any_stage_gets_the_hint_of_a_stop() {
        let stop = BuildError::from(Cancelled);
        let edges = BuildError::from(RibbonError::from(PavingError::from(Cancelled)));
        let no_course = |source| BuildError::Course {
            path: "a.laz".into(),
            files: 1,
            source,
        };
        let course = no_course(CourseError::from(Cancelled));
        assert_eq!([edges.hint(), course.hint()], [stop.hint(), stop.hint()]);
        let room = BuildError::Room {
            path: "out".into(),
            what: "points".to_owned(),
            needed_bytes: 2,
            free_bytes: 1,
        };
        assert!([&stop, &edges, &course, &room].iter().all(|e| e.may_pass()));
        assert!(!no_course(CourseError::NotClosed { gap_m: 1.0 }).may_pass());
        assert!(stop.hint().contains("run the same command again"));
    }
}
