//! Why a build did not come to its end, and what to do about it.

use std::path::PathBuf;

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
    #[error(transparent)]
    Course(#[from] crate::ribbon::CourseError),
    /// The ribbon could not be written as text.
    #[error(transparent)]
    RibbonFile(#[from] crate::ribbon::RibbonFileError),
    /// No mesh on the field.
    #[error(transparent)]
    Mesh(#[from] crate::mesh::MeshError),
    /// The mesh file could not be written.
    #[error(transparent)]
    Ply(#[from] crate::export::PlyError),
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
