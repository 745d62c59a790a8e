//! Is the mesh one clean sheet? Every claim about it is checked on every run.

mod chunk;
mod hanging;
mod result;
mod stream;
mod whole;

pub use result::MeshCheck;
pub use stream::MeshChecker;
