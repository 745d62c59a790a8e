//! One file a command, each thin: plan, call the library, print.

pub mod fit;
pub mod ribbon;

use surface_core::build::BuildError;

/// What to do about an error.
pub fn hint(error: &anyhow::Error) -> String {
    match error.downcast_ref::<BuildError>() {
        Some(error) => error.hint(),
        None => "see `surface --help`".to_owned(),
    }
}
