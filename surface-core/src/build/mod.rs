//! The whole job as one call, and the files that it leaves.

mod error;
mod heights;
mod ingest;
mod order;
mod sections;

pub use error::BuildError;
pub use heights::FieldCounts;
pub use ingest::{Ingested, ingest};
pub use sections::sort_by_section;
